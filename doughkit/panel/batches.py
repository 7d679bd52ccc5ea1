"""One attribute's scores as dough × assessor cells, with the levels of error beneath."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from doughkit.panel.answers import Answers
from doughkit.panel.two_way import TwoWay, fit_two_way, islands


@dataclass(frozen=True)
class Batches:
    """Dough × assessor cells of one attribute.

    fit: dough + assessor on the cells; None if no common assessor links the doughs.
    portions: scores a cell (harmonic mean), which brings cell means to the scale of scores.
    piece, piece_assessor, portion: (df, sum of squares) of the levels beneath the cells.
    tastings: dough × tasting, where each was tasted.
    """

    doughs: list[str]
    left_out: list[str]
    mask: np.ndarray
    answers: np.ndarray
    tastings: np.ndarray
    fit: TwoWay | None
    balanced: bool
    portions: float
    piece: tuple[int, float]
    piece_assessor: tuple[int, float]
    portion: tuple[int, float]

    @property
    def next_level(self) -> str:
        """The level of error right beneath dough × assessor."""
        return "piece × assessor" if self.piece_assessor[0] else "portion"


def batches(found: Answers, attribute: int) -> Batches:
    """Gather one attribute's cells of dough × assessor."""
    values, count = found.cells(attribute)
    names = list(dict.fromkeys(found.dough))
    of_dough = np.array([names.index(dough) for dough in found.dough])
    doughs = [at for at in range(len(names)) if count[of_dough == at].any()]
    people = count.any(0)
    values, count = values[:, people], count[:, people]
    parts = [one_dough(values[of_dough == at], count[of_dough == at]) for at in doughs]
    cell = np.array([part[0] for part in parts])
    answers = np.array([count[of_dough == at].sum(0) for at in doughs])
    mask = answers > 0
    chosen = found.attribute == attribute
    portion_ss = float(
        ((found.score - found.cells(attribute)[0][found.piece, found.assessor])[chosen] ** 2).sum()
    )
    met = np.zeros((len(names), len(found.tastings)), dtype=bool)
    met[of_dough[found.piece[chosen]], found.tasting[chosen]] = True
    each = np.unique(count[count > 0])
    portion_per_piece = 1 / np.mean(1 / count[count > 0])
    return Batches(
        doughs=[names[at] for at in doughs],
        left_out=[name for at, name in enumerate(names) if at not in doughs],
        mask=mask,
        answers=answers,
        tastings=met[doughs],
        fit=fit_two_way(cell, mask) if len(islands(mask)) == 1 else None,
        balanced=bool(mask.all() and np.unique(answers).size == 1 and each.size == 1),
        portions=float(1 / np.mean(1 / answers[mask])),
        piece=_total([part[1] for part in parts], portion_per_piece),
        piece_assessor=_total([part[2] for part in parts], portion_per_piece),
        portion=(int(chosen.sum() - (count > 0).sum()), portion_ss),
    )


def one_dough(values: np.ndarray, count: np.ndarray):
    """One dough, piece × assessor: a value per assessor, and (df, sum of squares) of two levels.

    Where people share the pieces, someone who missed one is adjusted by what the others found
    between the pieces; where each has pieces of his own, the mean of his pieces stands.
    """
    rows, columns = count.any(1), count.any(0)
    mask = count[np.ix_(rows, columns)] > 0
    here = values[np.ix_(rows, columns)]
    cell = np.zeros(count.shape[1])
    if len(islands(mask)) == 1:
        fit = fit_two_way(here.T, mask.T)
        cell[columns] = fit.row
        return cell, (mask.shape[0] - 1, fit.column_ss), (fit.rest_df, fit.rest_ss)
    mean = np.where(mask, here, 0).sum(0) / mask.sum(0)
    cell[columns] = mean
    rest = float((np.where(mask, here - mean, 0) ** 2).sum())
    return cell, (0, 0.0), (int(mask.sum() - mask.shape[1]), rest)


def _total(parts: list[tuple[int, float]], portions: float) -> tuple[int, float]:
    return sum(df for df, _ in parts), portions * sum(square for _, square in parts)
