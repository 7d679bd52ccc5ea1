"""Doughs half-way along the edges: the sets of factors that move together (Box-Behnken)."""

from __future__ import annotations

from itertools import combinations, product

import numpy as np

from doughkit.tables.problems import problem_error

MOVED_TOGETHER: dict[int, tuple[tuple[int, ...], ...]] = {
    **{count: tuple(combinations(range(count), 2)) for count in (3, 4, 5)},
    6: ((0, 1, 3), (1, 2, 4), (2, 3, 5), (0, 3, 4), (1, 4, 5), (0, 2, 5)),
    7: ((3, 4, 5), (0, 5, 6), (1, 4, 6), (0, 1, 3), (2, 3, 6), (0, 2, 4), (1, 2, 5)),
}
"""Number of factors → sets of factors at low or high at a time, all others in the middle.

G. E. P. Box, D. W. Behnken, Technometrics 2, 1960, 455-475; with their 3, 3, 6, 6 and 6 centre
doughs that makes 15, 27, 46, 54 and 62."""


def edge_signs(factors: int) -> np.ndarray:
    """Doughs × factors of −1, 0 and +1, without centre doughs."""
    if factors not in MOVED_TOGETHER:
        raise problem_error(
            "plan",
            column="kind",
            found=f"{factors} dough factors",
            expected="3 to 7 for a Box-Behnken plan",
            mend='plan kind="face-centred"',
        )
    rows = []
    for moved in MOVED_TOGETHER[factors]:
        signs = np.array(list(product((-1.0, 1.0), repeat=len(moved))))
        block = np.zeros((len(signs), factors))
        block[:, moved] = signs
        rows.append(block)
    return np.vstack(rows)
