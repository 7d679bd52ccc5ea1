"""Two-level fractions: which part of all corners to bake, and what then can't be told apart."""

from __future__ import annotations

from fractions import Fraction
from functools import reduce
from itertools import combinations, product
from operator import xor

import numpy as np
import pandas as pd

from doughkit.tables.problems import problem_error
from doughkit.trials.factors import in_words, read_factors

Word = frozenset[int]

GENERATORS: dict[tuple[int, int], tuple[str, ...]] = {
    (3, 1): ("12",),
    (4, 1): ("123",),
    (5, 1): ("1234",),
    (5, 2): ("12", "13"),
    (6, 1): ("12345",),
    (6, 2): ("123", "234"),
    (6, 3): ("12", "13", "23"),
    (7, 1): ("123456",),
    (7, 2): ("1234", "1245"),
    (7, 3): ("123", "234", "134"),
    (7, 4): ("12", "13", "23", "123"),
    (8, 2): ("1234", "1256"),
    (8, 3): ("123", "124", "2345"),
    (8, 4): ("234", "134", "123", "124"),
    (9, 3): ("1234", "1356", "3456"),
    (9, 4): ("2345", "1345", "1245", "1235"),
    (9, 5): ("123", "234", "134", "124", "1234"),
    (10, 4): ("2346", "1346", "1245", "1235"),
    (10, 5): ("1234", "1235", "1245", "1345", "2345"),
    (10, 6): ("123", "234", "134", "124", "1234", "12"),
    (11, 5): ("345", "1234", "126", "2456", "1456"),
    (11, 6): ("123", "234", "345", "134", "145", "245"),
    (11, 7): ("123", "234", "134", "124", "1234", "12", "13"),
}
"""(factors, halvings) → the columns whose product sets each further factor, factors counted from 1.

Of least aberration: no other choice has fewer short words (a test searches them all, up to 7).
"""

SCREEN = (1, 1, -1, 1, 1, 1, -1, -1, -1, 1, -1)
"""The first of twelve screening doughs; each next one is shifted by one, and the last is all low.

R. L. Plackett, J. P. Burman, Biometrika 33, 1946, 305-325."""

BLOCK_WORDS: dict[tuple[int, int], tuple[str, ...]] = {
    (2, 2): ("12",),
    (3, 2): ("123",),
    (4, 2): ("1234",),
    (5, 2): ("12345",),
    (6, 2): ("123456",),
    (7, 2): ("1234567",),
    (3, 4): ("12", "13"),
    (4, 4): ("123", "134"),
    (5, 4): ("145", "235"),
}
"""(factors, rounds) → the products of columns that tell the rounds of a full design apart."""

MOST_FACTORS = 11


def halvings(fraction: float, factors: int) -> int:
    """How often all corners are halved: 0 for 1, 1 for 1/2; refuses what is not on offer."""
    share = Fraction(fraction).limit_denominator(1024)
    times = share.denominator.bit_length() - 1
    known = [0, *(p for k, p in GENERATORS if k == factors)]
    if share != Fraction(1, 2**times) or times not in known or not 1 <= factors <= MOST_FACTORS:
        offered = ", ".join("1" if p == 0 else f"1/{2**p}" for p in known)
        raise problem_error(
            "plan",
            column="fraction",
            found=f"fraction {share} of {factors} dough factors",
            expected=f"{offered} for {factors} factors, and at most {MOST_FACTORS} factors",
            mend="choose one of these, or leave a factor for the next round",
        )
    return times


def corner_signs(factors: int, times_halved: int) -> np.ndarray:
    """The corners of a full or fractional design: doughs × factors of −1 and +1."""
    base = factors - times_halved
    signs = np.array(list(product((-1, 1), repeat=base)))[:, ::-1]
    further = [signs[:, _columns(word)].prod(axis=1) for word in _generators(factors, times_halved)]
    return np.column_stack([signs, *further]) if further else signs


def screening_signs(factors: int) -> np.ndarray:
    """Twelve doughs × factors of −1 and +1, every two factors balanced against each other."""
    if factors > len(SCREEN):
        raise problem_error(
            "plan",
            column="screening",
            found=f"{factors} dough factors",
            expected=f"at most {len(SCREEN)}",
            mend="leave out those you expect least of",
        )
    rows = [np.roll(SCREEN, shift) for shift in range(len(SCREEN))]
    return np.vstack([*rows, -np.ones(len(SCREEN), dtype=int)])[:, :factors]


def _generators(factors: int, times_halved: int) -> tuple[str, ...]:
    return GENERATORS[factors, times_halved] if times_halved else ()


def _columns(word: str) -> list[int]:
    return [int(figure) - 1 for figure in word]


def defining_words(factors: int, times_halved: int) -> list[Word]:
    """Sets of factors (counted from 0) whose product is the same in every dough of the design."""
    base = factors - times_halved
    words = [
        frozenset({*_columns(word), base + place})
        for place, word in enumerate(_generators(factors, times_halved))
    ]
    return _all_products(words)


def block_words(factors: int, blocks: int) -> list[Word]:
    """Sets of factors (counted from 0) whose product tells the rounds (blocks) apart."""
    offered = [1, *(number for k, number in BLOCK_WORDS if k == factors)]
    if blocks not in offered:
        raise problem_error(
            "plan",
            column="blocks",
            found=f"{blocks} rounds for the corners of {factors} dough factors",
            expected=" or ".join(map(str, offered)),
            mend="choose one of these",
        )
    words = BLOCK_WORDS[factors, blocks] if blocks > 1 else ()
    return _all_products([frozenset(_columns(word)) for word in words])


def _all_products(words: list[Word]) -> list[Word]:
    found = [
        reduce(xor, chosen)
        for size in range(1, len(words) + 1)
        for chosen in combinations(words, size)
    ]
    return sorted(found, key=lambda word: (len(word), sorted(word)))


def fractions(factors: int | None = None) -> pd.DataFrame:
    """List the two-level designs on offer: doughs needed and what they can tell.

    Question: how few doughs will do, and at what price?

    Parameters
    ----------
    factors : int, optional
        Only designs for so many dough factors; left out, for 2 to 11.

    Returns
    -------
    DataFrame, one row per design: factors, fraction, doughs (corners, without centre doughs),
    resolution (length of the shortest defining word; 0 where nothing is confounded), rule (which
    product of factors sets each further factor, by place), words_3 … words_11 (how many defining
    words of each length), clear_effects (factors told apart from every pair), clear_pairs (pairs
    told apart from every factor and every other pair).

    Raises
    ------
    StudyProblems if there is no design for so many factors.

    Range: 2 to 11 dough factors.
    Source: fractions of least aberration, as in Box, Hunter & Hunter, Statistics for
    Experimenters, and Chen, Sun & Wu, International Statistical Review 61, 1993.

    >>> fractions(5)[["fraction", "doughs", "resolution", "clear_pairs"]].values.tolist()
    [[1.0, 32.0, 0.0, 10.0], [0.5, 16.0, 5.0, 10.0], [0.25, 8.0, 3.0, 0.0]]
    """
    if factors is not None:
        halvings(1, factors)
    wanted = range(2, MOST_FACTORS + 1) if factors is None else [factors]
    return pd.DataFrame(
        _design_row(count, times)
        for count in wanted
        for times in [0, *(p for k, p in GENERATORS if k == count)]
    )


def _design_row(count: int, times: int) -> dict:
    words = defining_words(count, times)
    lengths = [len(word) for word in words]
    base = count - times
    rules = [
        f"{base + place + 1} = {' · '.join(word)}"
        for place, word in enumerate(_generators(count, times))
    ]
    pairs = [frozenset(pair) for pair in combinations(range(count), 2)]
    short = [frozenset({place}) for place in range(count)] + pairs
    return {
        "factors": count,
        "fraction": 1 / 2**times,
        "doughs": 2**base,
        "resolution": min(lengths, default=0),
        "rule": ", ".join(rules),
        **{f"words_{length}": lengths.count(length) for length in range(3, MOST_FACTORS + 1)},
        "clear_effects": sum(not _same(short[place], pairs, words) for place in range(count)),
        "clear_pairs": sum(not _same(pair, short, words) for pair in pairs),
    }


def _same(effect: Word, others: list[Word], words: list[Word]) -> list[Word]:
    """Those of `others` that a design with these defining words can't tell from `effect`."""
    travelling = {effect ^ word for word in words}
    return [other for other in others if other in travelling]


def aliases(factors: pd.DataFrame, *, fraction: float = 1, blocks: int = 1) -> pd.DataFrame:
    """Say in words which effects a two-level plan can't tell apart.

    Question: if hydration × salt seems to act, what else could it be?

    Parameters
    ----------
    factors : DataFrame
        Table `factors`. Piece factors are crossed within every dough; so they take part in pairs.
    fraction : float
        Part of all corners that is baked: 1, 1/2, 1/4 …
    blocks : int
        Rounds that the corners are spread over.

    Returns
    -------
    DataFrame, one row per factor and pair of factors that travels with another factor or pair, or
    with the difference between rounds: effect, travels_with (parted by "; "), sentence. No rows:
    everything up to pairs can be told apart.

    Raises
    ------
    StudyProblems if the fraction is not in the catalogue (see `fractions`).

    Source: the algebra of defining words; Box, Hunter & Hunter, Statistics for Experimenters.

    >>> factors = pd.DataFrame({"factor": ["hydration_pct", "salt_pct", "fat_pct"],
    ...     "low": [54, 1.6, 0], "high": [70, 2.6, 4], "changed_per": "dough"})
    >>> print(aliases(factors, fraction=1/2)["sentence"].iloc[0])
    hydration can't be told from salt × fat.
    """
    names = [one.name for one in read_factors(factors) if one.changed_per != "piece"]
    words = defining_words(len(names), halvings(fraction, len(names)))
    apart = block_words(len(names), blocks)
    names += [factor.name for factor in read_factors(factors, per="piece")]
    effects = [
        frozenset(chosen) for size in (1, 2) for chosen in combinations(range(len(names)), size)
    ]
    rows = []
    for effect in effects:
        others = [_spoken(other, names) for other in _same(effect, effects, words)]
        if {effect, *(effect ^ word for word in words)} & set(apart):
            others.append("the difference between rounds")
        if others:
            said = _spoken(effect, names)
            sentence = f"{said} can't be told from {' or '.join(others)}."
            rows.append({"effect": said, "travels_with": "; ".join(others), "sentence": sentence})
    return pd.DataFrame(rows, columns=["effect", "travels_with", "sentence"])


def _spoken(effect: Word, names: list[str]) -> str:
    return " × ".join(in_words(names[place]) for place in sorted(effect))
