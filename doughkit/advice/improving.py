"""Which doughs would most likely better the best: expected improvement, dough by dough."""

from __future__ import annotations

import numpy as np

from doughkit.advice.weighing import FORMULAS, Drawn, Search

OWN_REACH = 0.25


def next_places(
    drawn: Drawn, search: Search, baked: np.ndarray, doughs: int, pieces: int, *, rng
) -> list[np.ndarray]:
    """Places of the pieces of each dough to bake next, the recommended dough first.

    Improvement is counted, draw by draw, on the best of all that is baked or chosen already; so
    each dough is chosen for what the others would leave open.
    """
    space, best = drawn.space, search.best
    own = baked[space.allowed(baked)]
    formulas = np.concatenate(
        [
            best[None],
            search.best_of_draws[:FORMULAS],
            space.spread_out(FORMULAS, rng),
            space.around(best[None], OWN_REACH, FORMULAS, rng),
        ]
    )
    looked = np.concatenate([best[None], space.baked_each_way(formulas), formulas])
    goals = drawn.goals(looked)
    now = drawn.goals(np.concatenate([best[None], own])).min(axis=1)
    dough = formula_numbers(space, looked)
    chosen = []
    for number in range(doughs):
        gain = np.maximum(now[:, None] - goals, 0).mean(axis=0)
        first = 0 if number == 0 else int(gain.argmax())
        picked, now = _pieces_of(drawn, looked, goals, dough == dough[first], first, now, pieces)
        chosen.append(looked[picked])
    return chosen


def formula_numbers(space, places: np.ndarray) -> np.ndarray:
    """A number per formula: places that differ only in the bake share it."""
    return np.unique(places[:, ~space.of_piece], axis=0, return_inverse=True)[1].ravel()


def _pieces_of(drawn: Drawn, looked, goals, same, first: int, now, pieces: int):
    """The first piece as chosen, each further one for what it adds; no way of baking twice."""
    picked = [first]
    now = np.minimum(now, goals[:, first])
    free = same.copy()
    while len(picked) < pieces:
        free &= ~(looked[:, None, :] == looked[picked][None]).all(axis=2).any(axis=1)
        if not free.any():
            picked.append(picked[len(picked) % max(len(set(picked)), 1)])
            continue
        gain = np.where(free, np.maximum(now[:, None] - goals, 0).mean(axis=0), -1.0)
        picked.append(int(gain.argmax()))
        now = np.minimum(now, goals[:, picked[-1]])
    return picked, now
