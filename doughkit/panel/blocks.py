"""Who tastes which pieces when nobody can taste all: incomplete blocks, as even as can be."""

from __future__ import annotations

from itertools import combinations

import numpy as np

from doughkit.panel.orders import tally

STARTS = 200
"""A search stops at the first perfectly even deal, or after so many beginnings."""
TRIED_ORDERS = 40


def deal_blocks(count: int, people: int, each: int, draw: np.random.Generator) -> np.ndarray:
    """Pieces of each person (people × each): each piece, and each pair, as often as the others.

    Exchanges between two people, from many random beginnings. Source: balanced incomplete
    blocks, F. Yates, Annals of Eugenics 7, 1936, 121-140 (from memory); the exchange is our own.
    """
    best, fewest = None, np.inf
    least = _least(count, people, each)
    for _ in range(STARTS):
        inside, cost = _exchanged(_begun(count, people, each, draw), draw)
        if cost < fewest:
            best, fewest = inside, cost
        if fewest <= least:
            break
    return np.array([np.flatnonzero(row) for row in best])


def _begun(count: int, people: int, each: int, draw: np.random.Generator) -> np.ndarray:
    """Random sets in which every piece is served about as often."""
    served, inside = np.zeros(count), np.zeros((people, count), dtype=bool)
    for person in range(people):
        chosen = np.lexsort((draw.random(count), served))[:each]
        inside[person, chosen] = True
        served[chosen] += 1
    return inside


def _cost(together: np.ndarray) -> int:
    """Squares of how often pairs meet: least when all meet as often as the others."""
    pairs = together[np.triu_indices(len(together), 1)]
    return int((pairs**2).sum())


def _least(count: int, people: int, each: int) -> int:
    """The cost if every pair met as often as the others."""
    pairs = count * (count - 1) // 2
    share, over = divmod(people * each * (each - 1) // 2, pairs)
    return over * (share + 1) ** 2 + (pairs - over) * share**2


def _exchanged(inside: np.ndarray, draw: np.random.Generator) -> tuple[np.ndarray, int]:
    """Let two people exchange a piece each while that makes meetings more even.

    So every piece goes on being served as often as before.
    """
    together = inside.T.astype(int) @ inside.astype(int)
    couples, better = list(combinations(range(len(inside)), 2)), True
    while better:
        better = False
        for at in draw.permutation(len(couples)):
            pair = list(couples[at])
            mine, theirs = _apart(inside, pair)
            if not (mine.size and theirs.size):
                continue
            gain = _gain(together, mine, theirs)
            a, b = np.unravel_index(gain.argmin(), gain.shape)
            if gain[a, b] < 0:
                before = inside[pair].astype(int)
                inside[np.ix_(pair, [mine[a], theirs[b]])] ^= True
                after = inside[pair].astype(int)
                together += after.T @ after - before.T @ before
                better = True
    return inside, _cost(together)


def _apart(inside: np.ndarray, pair: list[int]) -> tuple[np.ndarray, np.ndarray]:
    """What only the one of two people has, and only the other."""
    one, other = inside[pair]
    return np.flatnonzero(one & ~other), np.flatnonzero(other & ~one)


def _gain(together: np.ndarray, mine: np.ndarray, theirs: np.ndarray) -> np.ndarray:
    """By how much the cost changes if one of mine goes for one of theirs: mine × theirs.

    A piece that changes hands meets what stays there once more, what it leaves once less; each
    such step changes a square by twice the count, and one.
    """
    own, other = together[np.ix_(mine, mine)], together[np.ix_(theirs, theirs)]
    across = together[np.ix_(mine, theirs)]
    leaves = own.sum(1) - np.diag(own), other.sum(1) - np.diag(other)
    joins = across.sum(1)[:, None] - across, across.sum(0)[None, :] - across
    steps = joins[0] + joins[1] - leaves[0][:, None] - leaves[1][None, :]
    return 2 * (steps + len(mine) + len(theirs) - 2)


def ordered_blocks(blocks: np.ndarray, count: int, draw: np.random.Generator) -> np.ndarray:
    """Each person's pieces in an order that keeps places and neighbours even over the panel."""
    rows: list[np.ndarray] = []
    for block in blocks:
        tried = [draw.permutation(block) for _ in range(TRIED_ORDERS)]
        uneven = [
            sum(float((one**2).sum()) for one in tally(np.array([*rows, order]), count))
            for order in tried
        ]
        rows.append(tried[int(np.argmin(uneven))])
    return np.array(rows)
