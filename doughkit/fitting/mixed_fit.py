"""From a frame to the lowest REML of each response, and what can't be fitted said openly."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from doughkit.fitting.design import require_separable
from doughkit.fitting.mixed_design import Design, refuse_gaps
from doughkit.fitting.mixed_layout import Compressed, Level, compress, lay_out
from doughkit.fitting.mixed_reml import State, search, state
from doughkit.tables.problems import Problem, StudyProblems, problem_error, require_columns

REST = "rest"
"""The level beneath all named ones: one row."""

ALIKE = 1e-9
"""Levels count as one when this share, or less, of what they spread is left apart."""

NO_ERROR = 1e-7
"""Rows repeat one another when this share, or less, of the response is left within all levels."""

ENDLESS = 1e5
"""A level's variance over that of one row beyond which the row's own is nothing."""


@dataclass(frozen=True, eq=False)
class Fitted:
    """One response's fit: its lowest REML, how many rows it had, its mean (put back)."""

    name: str
    found: State
    rows: int
    left_out: int
    centre: float


def read_levels(frame: pd.DataFrame, names: Sequence) -> list[Level]:
    """Levels of error: each a column's name, or several names whose combinations are the groups."""
    if isinstance(names, str):
        names = [names]
    if not names:
        raise problem_error(
            "levels of error",
            found="none",
            expected="at least one column whose groups share an error",
            mend="name one, or fit by least squares",
        )
    levels = []
    for one in names:
        parts = [one] if isinstance(one, str) else list(one)
        require_columns(frame, *parts, table="frame")
        refuse_gaps(frame, parts)
        code = np.zeros(len(frame), dtype=np.int64)
        for part in parts:
            own, groups = pd.factorize(frame[part])
            code = code * len(groups) + own
        code, groups = pd.factorize(code) if len(parts) > 1 else (code, groups)
        levels.append(Level(" × ".join(parts), code, len(groups)))
    return levels


def read_responses(frame: pd.DataFrame, names: Sequence[str]) -> np.ndarray:
    require_columns(frame, *names, table="frame")
    problems = [
        Problem(
            "frame",
            column=name,
            found="text" if not pd.api.types.is_numeric_dtype(frame[name]) else "an endless number",
            expected="finite numbers (an empty cell: not answered)",
            mend="turn the column into numbers",
        )
        for name in names
        if not pd.api.types.is_numeric_dtype(frame[name])
        or np.isinf(frame[name].to_numpy(dtype=float)).any()
    ]
    if problems:
        raise StudyProblems(problems)
    return frame[list(names)].to_numpy(dtype=float)


def fit_all(
    design: Design, levels: list[Level], responses: np.ndarray, names: list[str]
) -> list[Fitted]:
    """Fit every response; those answered in the same rows share all work on the rows."""
    alike: dict[bytes, list[int]] = {}
    for at in range(len(names)):
        alike.setdefault(np.packbits(np.isfinite(responses[:, at])).tobytes(), []).append(at)
    fits: dict[int, Fitted] = {}
    for chosen in alike.values():
        rows = np.flatnonzero(np.isfinite(responses[:, chosen[0]]))
        _refuse_few(rows, design, [names[one] for one in chosen])
        centre = responses[np.ix_(rows, chosen)].mean(0)
        data = _compressed(design, levels, responses, rows, chosen, centre)
        _refuse_confounded(design, data, rows)
        for place, one in enumerate(chosen):
            found = _lowest(data.of_response(place), levels, names[one])
            left_out = len(responses) - rows.size
            fits[one] = Fitted(names[one], found, rows.size, left_out, float(centre[place]))
    return [fits[at] for at in range(len(names))]


def _compressed(design, levels, responses, rows, chosen, centre) -> Compressed:
    if rows.size < len(responses):
        cut = [(one.name, *_renumbered(one.code[rows])) for one in levels]
        levels = [Level(name, code, groups) for name, code, groups in cut]
    terms = len(design.columns)

    def values(part: np.ndarray) -> np.ndarray:
        at = rows[part]
        return np.hstack([design.rows(at), responses[np.ix_(at, chosen)] - centre])

    return compress(lay_out(levels, terms), values, terms)


def _renumbered(code: np.ndarray) -> tuple[np.ndarray, int]:
    code, groups = pd.factorize(code)
    return code, len(groups)


def _refuse_few(rows: np.ndarray, design: Design, names: list[str]) -> None:
    if rows.size <= len(design.columns):
        raise problem_error(
            "frame",
            column=", ".join(names),
            found=f"{rows.size} answered rows",
            expected=f"more than the {len(design.columns)} terms of the model",
            mend="leave factors out, or collect more",
        )


def _refuse_confounded(design: Design, data: Compressed, rows: np.ndarray) -> None:
    """Refuse model columns that can't be told from one another in these rows."""
    c = data.layout.crossed_size
    cross = data.cross[c : c + data.terms, c : c + data.terms]
    scale = np.sqrt(np.diag(cross))
    if (scale > 0).all() and np.linalg.eigvalsh(cross / np.outer(scale, scale))[0] > 1e-10:
        return
    require_separable(pd.DataFrame(design.rows(rows), columns=design.columns).drop_duplicates())


def _lowest(data: Compressed, levels: list[Level], name: str) -> State:
    zero = state(data, np.zeros(len(levels)))
    if zero.rest <= 1e-14 * data.cross[-1, -1] or data.cross[-1, -1] == 0:
        raise problem_error(
            "frame",
            column=name,
            found="values that the factors give exactly",
            expected="something left to call error",
            mend="look whether the column holds what was measured",
        )
    _refuse_alike(zero, [one.name for one in levels])
    within = state(data, np.full(len(levels), 1e9))
    spare = within.df - float(within.ratio @ within.projected)
    if spare > 0.5 and within.rest < NO_ERROR * zero.rest:
        raise problem_error(
            "frame",
            column=name,
            found="rows of one group that repeat one another exactly",
            expected="some error beneath the named levels",
            mend="leave the finest level of error out, or look whether rows were copied",
        )
    found = search(data, zero)
    if found.ratio.max() > ENDLESS:
        raise problem_error(
            "levels of error",
            found=f"levels that take up all of what {name} leaves, down to the single row",
            expected="some rows to spare beneath the named levels",
            mend="leave the finest level of error out",
        )
    return found


def _refuse_alike(zero: State, names: list[str]) -> None:
    """Refuse levels of error whose spread these rows can't tell from that of others."""
    told = apart(zero)
    if told is None:
        return
    names = [REST, *names]
    merged = " and ".join(f"'{names[at]}'" for at in told)
    raise problem_error(
        "levels of error",
        found=f"{merged}, which these rows can't tell apart"
        if len(told) > 1
        else f"{merged}, all of which is in the model's terms",
        expected="levels that each have groups of several rows, met by different rows",
        mend="leave one of them out; what it holds goes into the other"
        if len(told) > 1
        else "leave it out",
    )


def apart(zero: State) -> list[int] | None:
    """Places (0: the single row) of levels that are one and the same here; None if all differ."""
    count = len(zero.projected) + 1
    square = np.empty((count, count))
    square[0, 0], square[0, 1:], square[1:, 0] = zero.df, zero.projected, zero.projected
    square[1:, 1:] = zero.coupled
    scale = np.sqrt(np.maximum(np.diag(square), 0))
    empty = np.flatnonzero(scale[1:] < 1e-7 * np.sqrt(zero.pieces.trace)) + 1
    if empty.size:
        return [int(empty[0])]
    value, vector = np.linalg.eigh(square / np.outer(scale, scale))
    if value[0] > ALIKE:
        return None
    return [int(at) for at in np.flatnonzero(np.abs(vector[:, 0]) > 1e-4)]
