"""Who tastes which pieces when nobody can taste all: incomplete blocks, as even as can be."""

from __future__ import annotations

from itertools import combinations

import numpy as np

from doughkit.panel.orders import tally

STARTS = 300
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
    cost, better = _cost(together), True
    while better:
        better = False
        for one, other in draw.permutation(list(combinations(range(len(inside)), 2))):
            for mine, theirs in _may_exchange(inside[one], inside[other], draw):
                pair = inside[[one, other]].astype(int)
                moved = pair.copy()
                moved[:, [mine, theirs]] = 1 - moved[:, [mine, theirs]]
                changed = together - pair.T @ pair + moved.T @ moved
                if (now := _cost(changed)) < cost:
                    inside[[one, other]] = moved.astype(bool)
                    together, cost, better = changed, now, True
                    break
    return inside, cost


def _may_exchange(one: np.ndarray, other: np.ndarray, draw: np.random.Generator):
    mine, theirs = np.flatnonzero(one & ~other), np.flatnonzero(other & ~one)
    return [(a, b) for a in draw.permutation(mine) for b in draw.permutation(theirs)]


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
