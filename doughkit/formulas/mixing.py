"""One dough on its way from the base formula to its levels."""

from __future__ import annotations

import numpy as np

from doughkit.formulas.account import Account
from doughkit.formulas.levels import TOTALS, Asked
from doughkit.tables.problems import Problem

ROLE = {"hydration_pct": "water", "salt_pct": "salt", "fat_pct": "fat"}
"""Which lines change to reach a level of the whole dough."""
COMES_IN = {"hydration_pct": "water", "salt_pct": "salt"}
"""What is added where the base formula has no such line; which fat to add is not guessed."""
WHOLE, WHITE = "whole wheat flour", "bread flour"
NEAR = 1e-9


def main_flour(role: np.ndarray, place: np.ndarray, percent: np.ndarray) -> int:
    """The ingredient that most of the flour is, or −1: a dough's flour lot is a bag of it."""
    sums = np.bincount(place, np.where(role == "flour", percent, 0.0), minlength=1)
    return int(sums.argmax()) if sums.max() > 0 else -1


class Mix:
    """The lines of one dough; `set_levels` changes `percent`, what it cannot is in `problems`."""

    def __init__(self, one: Account, rows: np.ndarray, asked: Asked):
        self.known, self.asked, self.problems = one.known, asked, []
        self.place, self.final = one.place[rows], one.final[rows]
        self.part, self.ingredient = one.part[rows], one.ingredient[rows]
        self.base = one.percent[1][rows]
        self.percent = self.base.copy()

    def set_levels(self) -> None:
        """Ingredients first, then flours, fat, salt, water: each leaves the former alone."""
        if np.isnan(self.base).any():
            self._cannot("formula", "a base formula without flour", "take one with flour")
            return
        for place, (column, level) in self.asked.ingredients.items():
            self._set_ingredient(place, column, level)
        self._set_flours()
        for name in TOTALS[1:]:
            if name in self.asked.totals:
                self._set_total(name, self.asked.totals[name])

    def columns(self) -> dict[str, np.ndarray]:
        """The dough's lines as `vary` gives them."""
        main = main_flour(self.role, self.place, self.percent)
        return {
            "dough": np.full(len(self.place), self.asked.dough, dtype=object),
            "part": self.part,
            "ingredient": self.ingredient,
            "role": self.role,
            "percent": self.percent,
            "gives_way": self._gives_way(),
            "base_percent": self.base,
            "flour_share": self.share,
            "flour_lot": np.where(self.place == main, self.asked.lot, "").astype(object),
        }

    @property
    def role(self) -> np.ndarray:
        return self.known.role[self.place]

    @property
    def share(self) -> np.ndarray:
        return self.known.flour_share[self.place]

    @property
    def whole(self) -> np.ndarray:
        return self.known.figures["whole_grain_pct"][self.place] / 100

    @property
    def named(self) -> np.ndarray:
        """Lines whose ingredient has a level of its own."""
        return np.isin(self.place, list(self.asked.ingredients))

    def _brings(self, name: str) -> np.ndarray:
        """What one per cent of each line adds to a level of the whole dough."""
        if name == "hydration_pct":
            leaven = np.where(self.role == "leaven", 1 - self.share, 0.0)
            return np.where(self.role == "water", 1.0, leaven)
        counts = True if name == "salt_pct" else ~np.isin(self.role, ("flour", "yeast", "leaven"))
        return np.where(counts, self.known.figures[name][self.place] / 100, 0.0)

    def _gives_way(self) -> np.ndarray:
        change = self.share * (self.percent - self.base)
        fell = dict.fromkeys(self.ingredient[change < -NEAR])
        return np.where(change > NEAR, ", ".join(fell), "").astype(object)

    def _cannot(self, column: str, found: str, mend: str) -> None:
        self.problems.append(
            Problem(
                "doughs",
                key=f"dough {self.asked.dough}",
                column=column,
                found=found,
                expected="a level that the base formula can be brought to",
                mend=mend,
            )
        )

    def _add(self, place: int) -> None:
        """A new line of the final dough."""
        self.place, self.final = np.append(self.place, place), np.append(self.final, True)
        self.part = np.append(self.part, "")
        self.ingredient = np.append(self.ingredient, self.known.names[place])
        self.base, self.percent = np.append(self.base, 0.0), np.append(self.percent, 0.0)

    def _changeable(self, mine: np.ndarray) -> np.ndarray:
        """Of these lines those of the final dough, or all where it has none of them."""
        return mine & self.final if (mine & self.final).any() else mine

    def _reach(self, lines: np.ndarray, brings: np.ndarray, level: float) -> bool:
        """Scale lines so that what they bring adds to a level; False if it cannot be."""
        now = (self.percent * brings)[lines].sum()
        if abs(now - level) < 1e-12:
            return True
        if level < -NEAR or brings[lines].sum() <= 0:
            return False
        if now > 0:
            self.percent[lines] *= max(level, 0.0) / now
        else:
            self.percent[lines] = max(level, 0.0) / brings[lines].sum()
        return True

    def _set_ingredient(self, place: int, column: str, level: float) -> None:
        if not (self.place == place).any():
            self._add(place)
        mine = self.place == place
        lines = self._changeable(mine)
        kept = self.percent[mine & ~lines].sum()
        if not self._reach(lines, np.ones(len(mine)), level - kept):
            found = f"{level:g} %, while the pre-ferments hold {kept:g} %"
            self._cannot(column, found, "ask for more, or change the pre-ferment of the base")

    def _set_total(self, name: str, level: float) -> None:
        if not ((self.role == ROLE[name]) & ~self.named).any() and name in COMES_IN:
            place = self.known.place(COMES_IN[name])
            if place not in self.asked.ingredients:
                self._add(place)
        lines = self._changeable((self.role == ROLE[name]) & ~self.named)
        brings = self._brings(name)
        kept = (self.percent * brings)[~lines].sum()
        if self._reach(lines, brings, level - kept):
            return
        found = f"{level:g} %, of which {kept:g} % stands fast"
        word = ROLE[name]
        self._cannot(
            name,
            found if lines.any() else found + f" and no {word} is there to change",
            f"add a line of {word} to the base formula (0 g will do)"
            if not lines.any()
            else "ask for more, or take some out of the base formula's other lines",
        )

    def _set_flours(self) -> None:
        """All flour is 100; whole-grain flours against white ones where a share is asked."""
        asked = self.asked.totals.get("whole_grain_pct")
        free = (self.role == "flour") & ~self.named
        lines = self._changeable(free)
        flour = self.share * self.percent
        need = 100 - flour[~lines].sum()
        if asked is None:
            if not self._reach(lines, np.ones(len(lines)), need):
                self._flours_off("flours", need)
            return
        need_whole = asked - (flour * self.whole)[~lines].sum()
        lines = self._with_line(lines, free, WHOLE, need_whole)
        whole = lines & (self.whole > 0)
        amount = self.percent[whole].sum()
        strength = (
            (self.percent * self.whole)[whole].sum() / amount
            if amount > 0
            else self.whole[whole].mean()
            if whole.any()
            else 1.0
        )
        whole_part = need_whole / strength
        lines = self._with_line(lines, free, WHITE, need - whole_part)
        whole, ones = lines & (self.whole > 0), np.ones(len(lines))
        if not (
            self._reach(whole, ones, whole_part)
            and self._reach(lines & ~whole, ones, need - whole_part)
        ):
            self._flours_off("whole_grain_pct", need)

    def _with_line(self, lines, free, name: str, need: float) -> np.ndarray:
        """Add a line of whole-grain or white flour where one is needed and none can change."""
        is_whole = name == WHOLE
        if need <= NEAR or (lines & ((self.whole > 0) == is_whole)).any():
            return lines
        # A flour that stands in a pre-ferment is added to sooner than a new one is brought in.
        there = np.flatnonzero(free & ((self.whole[: len(free)] > 0) == is_whole))
        place = self.place[there[0]] if len(there) else self.known.place(name)
        if place in self.asked.ingredients:
            return lines
        self._add(place)
        return np.append(lines, True)

    def _flours_off(self, column: str, need: float) -> None:
        wanted = self.asked.totals.get("whole_grain_pct")
        share = "" if wanted is None else f" at {wanted:g} % whole grain"
        columns = [name for place, (name, _) in self.asked.ingredients.items()]
        self._cannot(
            ", ".join(columns) or column,
            f"{100 - need:g} % flour that stands fast, which leaves {need:g} %{share}",
            "let the flours add to 100; or leave one level empty, or add a flour to the base "
            "formula (0 g will do), to give way",
        )
