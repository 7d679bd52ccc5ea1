"""The findings of `what_it_tells` as sentences."""

from __future__ import annotations

import numpy as np
import pandas as pd

from doughkit.trials.factors import Factor, in_words
from doughkit.trials.models import model_columns, model_terms
from doughkit.trials.strata import groups_together

CLOSE = 0.5
"""Pairs that travel together at least so much are told in a sentence, the five closest."""

PASSING = 0.2
"""A pair left out of the model is told of if so much of it would pass for a single factor."""

WIDE = 2.0
"""An error widened by so much is told in a sentence."""


def counted(table: pd.DataFrame, left_out: pd.DataFrame) -> list[str]:
    said = f"{table['dough'].nunique()} doughs and {len(table)} pieces are read"
    if len(left_out):
        listed = ", ".join(f"{row.dough} ({row.why})" for row in left_out.itertuples())
        said += f"; left out: {listed}"
    return [said + "."]


def unchanged(known: list[Factor], table: pd.DataFrame, terms: str) -> list[str]:
    """Factors that stood still, and bends that two levels cannot show."""
    levels = {factor: table[factor.name].nunique() for factor in known}
    still = [in_words(factor.name) for factor, count in levels.items() if count < 2]
    said = [f"{name} never changed: nothing can be told of it." for name in still]
    if terms == "quadratic":
        said += [
            f"{in_words(factor.name)} was baked at two levels only: its bend can't be told."
            for factor, count in levels.items()
            if count == 2 and not factor.levels
        ]
    return said


def mixed(names: list[str], unknown: np.ndarray) -> list[str]:
    """What moved together exactly."""
    sentences = []
    for members, number in groups_together(unknown):
        words = list(dict.fromkeys(names[one] for one in members))
        listed = f"{', '.join(words[:-1])} and {words[-1]}" if len(words) > 1 else words[0]
        how = "can only be told as one" if number == 1 else f"only {number} of them can be told"
        sentences.append(f"{listed} moved together: {how}.")
    return sentences


def pairs(together: pd.DataFrame) -> list[str]:
    close = together[together["correlation"].abs() >= CLOSE]
    return list(close["sentence"].head(5))


def widened(effects: pd.DataFrame) -> list[str]:
    wide = effects[effects["widened_by"] >= WIDE]
    return [
        f"{row.effect} travels with a mixture of the others: known {row.widened_by:.1f} times "
        "less sharply than on its own."
        for row in wide.itertuples()
    ]


def left_out_pairs(table: pd.DataFrame, factors: pd.DataFrame, used: pd.DataFrame) -> list[str]:
    """With single factors only: how much of a pair would pass for one of them."""
    every = model_terms(factors, "interactions")
    changed = set(used["factor"])
    pairs = every[every["with"].isin(changed) & every["factor"].isin(changed)]
    if (used["kind"] != "linear").any() or pairs.empty:
        return []
    known = model_columns(table, factors, used).to_numpy(float)
    known = np.hstack([np.ones((len(table), 1)), known])
    shares = np.linalg.lstsq(known, model_columns(table, factors, pairs).to_numpy(float))[0][1:]
    own = np.array([[one in two for two in zip(pairs["factor"], pairs["with"], strict=True)]
                    for one in used["factor"]])  # fmt: skip
    shares = np.where(own, 0.0, np.abs(shares))
    factor, pair = np.unravel_index(shares.argmax(), shares.shape)
    if shares[factor, pair] < PASSING:
        return []
    much = f"{shares[factor, pair]:.2g}" if shares[factor, pair] < 1 - 1e-9 else "all"
    return [
        f"Pairs are taken to do nothing: if one acts, up to {much} of it passes for a single "
        f"factor ({pairs['words'].iloc[pair]} for {used['words'].iloc[factor]})."
    ]


def predicted(predicts: pd.DataFrame) -> list[str]:
    """How well a panel mean between low and high would be predicted."""
    error = predicts["average_se"].iloc[0]
    if not np.isfinite(error):
        return []
    return [
        f"Between low and high a panel mean would be predicted to ± {error:.2g} points on average "
        "(one standard error)."
    ]


def judged(strata, effects, spreads, level: float) -> list[str]:
    """What effects are judged by, and how large one must be to be found."""
    left = {row.stratum: _count(row.df, "leftover difference") for row in strata.itertuples()}
    said = []
    if "day" in left:
        said.append(f"Effects set once a day are judged by {left['day']} between bake days.")
    said.append(f"Dough effects are judged by {left['dough']} between doughs.")
    if (effects["stratum"] == "piece").any():
        said.append(f"Piece effects are judged by {left['piece']} between pieces of a dough.")
    if strata.set_index("stratum")["df"]["dough"] == 0:
        said.append(
            "No dough is left over to show how far doughs differ by chance: add a dough, ask for "
            "fewer terms, or lean on the assumed spread."
        )
    said += [
        f"{row.effect}: standard error {row.se:.3g}; a true change of {row.smallest:.3g} would be "
        f"found 8 times in 10 (its {level * 100:g} % interval off zero)."
        for row in _headlines(effects).itertuples()
    ]
    said.append(
        f"Assumed spreads, our starting guess and not your doughs: dough {spreads.dough:.3g}, "
        f"piece {spreads.piece:.3g}, bake day {spreads.day:.3g}, one score {spreads.tasting:.3g}, "
        f"{spreads.tasters} tasters."
    )
    return said


def _count(number: int, word: str) -> str:
    return f"{number} {word}{'' if number == 1 else 's'}"


def _headlines(effects: pd.DataFrame) -> pd.DataFrame:
    """Each number from low to high, and of each category the pair of levels known worst."""
    found = effects[effects["smallest"].notna()]
    numbers = found[found["term"] == found["factor"]]
    numbers = numbers.assign(effect=numbers["effect"] + " from low to high")
    pairs = found[found["term"] == ""]
    worst = pairs.groupby("factor")["se"].transform("max")
    pairs = pairs[pairs["se"] >= worst * (1 - 1e-9)]
    return pd.concat([numbers, pairs.drop_duplicates("factor")])
