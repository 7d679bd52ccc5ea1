"""Grams of every line, solved basis by basis: the inner ones before those that take from them."""

from __future__ import annotations

import numpy as np

from doughkit.formulas.lines import Lines
from doughkit.tables.problems import Problem, StudyProblems

FLOURS_ADD_TO = (99.5, 100.5)
"""Flours written in percent must add to 100 within the rounding of written figures."""
LEAST_FLOUR_G = 1e-6


class Basis:
    """Grams of each line on its own basis, and flour and mass of each basis."""

    def __init__(self, lines: Lines):
        naming = lines.naming
        self.lines, self.basis, self.named = lines, naming.basis, naming.basis_named
        count = len(naming.bases)
        self.share = np.where(self.named < 0, lines.known.flour_share[lines.place], np.nan)
        self.grams = np.full(lines.amount.shape, np.nan)
        self.flour = np.zeros((3, count))
        self.mass = np.zeros(count)
        # Flour to which 100 % of a basis' written percentages belong.
        self.unit_flour = np.full(count, np.nan)
        # Share of the flour that is weighed where some of it is written in percent.
        self.left = np.ones((3, count))

    def solve(self) -> None:
        """Inner bases before the outer ones that take from them."""
        to_do = np.full(len(self.mass), True)
        while to_do.any():
            waits = np.isnan(self.share)
            ready = to_do & (np.bincount(self.basis[waits], minlength=len(to_do)) == 0)
            if not ready.any():
                raise self._circle(to_do & (np.bincount(self.basis, minlength=len(to_do)) > 0))
            self._solve_ready(ready)
            to_do &= ~ready
            with np.errstate(invalid="ignore"):
                brought = np.nan_to_num(self.flour[1] / self.mass)
            mine = (self.named >= 0) & ready[self.named]
            self.share[mine] = brought[self.named[mine]]

    def _solve_ready(self, ready: np.ndarray) -> None:
        rows = np.flatnonzero(ready[self.basis])
        basis, count = self.basis[rows], len(ready)
        amount, percent = self.lines.amount[:, rows], self.lines.percent[rows]
        brings = self.share[rows]

        def total(values, chosen):
            return np.bincount(basis[chosen], (brings * values)[chosen], minlength=count)

        weighed = np.array([total(one, ~percent) for one in amount])
        in_percent = np.array([total(one, percent) for one in amount])
        written = np.bincount(basis[percent], minlength=count) > 0
        whole = weighed[1] < LEAST_FLOUR_G
        self._check_percent(ready & written, whole, in_percent)
        left = np.where(whole, 1.0, 1 - in_percent / 100)
        unit_flour = np.where(whole, 100.0, weighed / left)
        flour = np.where(whole, weighed + in_percent, unit_flour)
        self.grams[:, rows] = np.where(percent, amount * unit_flour[:, basis] / 100, amount)
        self.flour[:, ready], self.left[:, ready] = flour[:, ready], left[:, ready]
        self.unit_flour[ready] = unit_flour[1, ready]
        self.mass += np.bincount(basis, self.grams[1, rows], minlength=count)

    def _check_percent(self, asked, whole, in_percent) -> None:
        low, high = FLOURS_ADD_TO
        adds = in_percent[1]
        bad = asked & np.where(whole, (adds < low) | (adds > high), in_percent[2] > 99.9)
        if bad.any():
            raise StudyProblems(
                Problem(
                    "formulas",
                    key=self.lines.naming.bases[one],
                    column="amount",
                    found=f"flours that add to {adds[one]:g} %",
                    expected="flours that add to 100 %"
                    if whole[one]
                    else "less than 100 % of the flour in percent, since some of it is weighed",
                    mend="write every flour in percent so that they add to 100, or in grams",
                )
                for one in np.flatnonzero(bad)
            )

    def _circle(self, stuck: np.ndarray) -> StudyProblems:
        names = [self.lines.naming.bases[one] for one in np.flatnonzero(stuck)]
        return StudyProblems(
            Problem(
                "formulas",
                key=name,
                column="ingredient",
                found="a formula or part that takes from itself in a circle, or waits for one",
                expected="parts and formulas that can be made one after the other",
                mend="rename the seed (sourdough starter), or take the line out",
            )
            for name in names
        )
