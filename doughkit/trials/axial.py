"""How far out axial doughs lie, by the usual rules."""

from __future__ import annotations

import numpy as np

from doughkit.tables.problems import problem_error
from doughkit.trials.fractional import halvings

KINDS = ("face-centred", "rotatable", "orthogonal in blocks")


def axial_distance(
    factors: int,
    *,
    kind: str = "face-centred",
    fraction: float = 1,
    centre_with_corners: int = 2,
    centre_with_axial: int = 2,
) -> float:
    """Give the distance of the axial doughs from the centre, the corners being at 1.

    Question: how far out should the axial doughs lie, by which rule?

    Parameters
    ----------
    factors : int
        Dough factors.
    kind : str
        The rule. "face-centred": 1, no level beyond low and high. "rotatable": the fourth root of
        the number of corners; what the round tells depends on the distance from the centre only.
        "orthogonal in blocks": the difference between the corner round and the axial round
        travels with no effect; depends on the centre doughs in each.
    fraction : float
        Part of all corners that is baked.
    centre_with_corners, centre_with_axial : int
        Centre doughs in the corner round(s) together, and in the axial round; they count for
        "orthogonal in blocks" only.

    Returns
    -------
    float: the distance in units of the corners' distance along one factor.

    Raises
    ------
    StudyProblems if `kind` is none of the three.

    Range: the distance that makes the squares themselves orthogonal is another rule, not offered.
    Source: Box & Hunter, Annals of Mathematical Statistics 28, 1957, 195-241.

    >>> round(axial_distance(3, kind="rotatable"), 4)
    1.6818
    """
    known_kind(kind)
    corners = 2.0**factors / 2 ** halvings(fraction, factors)
    if kind == "face-centred":
        return 1.0
    if kind == "rotatable":
        return corners**0.25
    axial = 2 * factors + centre_with_axial
    return float(np.sqrt(corners * axial / (2 * (corners + centre_with_corners))))


def known_kind(kind: str, kinds: tuple[str, ...] = KINDS) -> None:
    if kind not in kinds:
        raise problem_error(
            "plan",
            column="kind",
            found=repr(kind),
            expected=", ".join(kinds),
            mend="name the rule for the axial doughs",
        )
