"""Spoilt tables: each ends in a result or in a placed problem, and no row is ever lost."""

import warnings

import numpy as np
import pandas as pd
import pytest

from doughkit import formulas
from doughkit.formulas.account import account
from doughkit.formulas.naming import INGREDIENT, read_naming
from doughkit.formulas.words import words_of
from doughkit.tables import OutsideRange, StudyProblems

SOUND = pd.DataFrame(
    [
        ("hearth", "sponge", "bread flour", "150", "g"),
        ("hearth", "sponge", "water", "150", "g"),
        ("hearth", "sponge", "instant yeast", "0.2", "g"),
        ("hearth", "", "sponge", "280", "g"),
        ("hearth", "", "bread flour", "350", "g"),
        ("hearth", "", "water", "160-170", "ml"),
        ("hearth", "", "salt", "2", "%"),
        ("card", None, "all-purpose flour", "2 1/2", "cups"),
        ("card", None, "water", "¾", "cup"),
        ("card", None, "egg", "1", "piece"),
        ("card", None, "salted butter", "1", "oz"),
        ("share", "", "bread flour", "70", "%"),
        ("share", "", "whole wheat flour", "30", "%"),
        ("share", "", "water", "66", "%"),
        ("share", "", "sourdough starter", "0", "%"),
        ("old dough", "", "hearth", "250", "g"),
        ("old dough", "", "bread flour", "400", "g"),
        ("old dough", "", "water", "0.25", "kg"),
    ],
    columns=["formula", "part", "ingredient", "amount", "unit"],
).astype("str")

JUNK = [
    *(None, "", " ", "nan", "-", "x", "=1+1", "0", "-5", "1e400", "1e-400", "inf", "½½", "1/0"),
    *("3/", "5-3", "1,5", "1.5.2", "١٢", "1e9", "999999999", "%", "cups", "g", "Cup", "gramm"),
    *("water", "WATER", "sponge", "hearth", "card", "old dough", "levain", "no such thing"),
    *("a" * 300, "💧", "\x00", "line\nbreak", "'", "<b>", "bread  flour", "dough", "final"),
]
ODD = [np.nan, np.inf, -np.inf, 0.0, -1.0, 1e308, 5e-324, 3, True, b"x", (1, 2), [1, 2], {"a": 1}]


def spoil(frame, draw):
    """One to four random faults in a sound frame."""
    for _ in range(draw.integers(1, 5)):
        frame = FAULTS[draw.integers(len(FAULTS))](frame, draw)
    return frame


def some_cell(frame, draw, change):
    """A cell, whichever, given to `change` and put back."""
    if not frame.size:
        return frame
    cells = frame.to_numpy(dtype=object, copy=True)
    row, column = draw.integers(len(frame)), draw.integers(len(frame.columns))
    cells[row, column] = change(cells[row, column])
    return pd.DataFrame(cells, columns=frame.columns, index=frame.index)


def junk_cell(frame, draw):
    return some_cell(frame, draw, lambda _: JUNK[draw.integers(len(JUNK))])


def odd_cell(frame, draw):
    return some_cell(frame, draw, lambda _: ODD[draw.integers(len(ODD))])


def cell_from_elsewhere(frame, draw):
    cells = frame.to_numpy(dtype=object).ravel().tolist()
    return some_cell(frame, draw, lambda _: cells[draw.integers(len(cells))])


def letters_changed(frame, draw):
    return some_cell(frame, draw, lambda cell: "".join(draw.permutation(list(str(cell)))))


def rows_taken(frame, draw):
    return frame.iloc[draw.permutation(len(frame))[: draw.integers(len(frame) + 1)]]


def rows_doubled(frame, draw):
    return pd.concat([frame, frame.iloc[: draw.integers(len(frame) + 1)]])


def column_gone(frame, draw):
    at = draw.integers(len(frame.columns)) if len(frame.columns) else 0
    return frame.iloc[:, [place for place in range(len(frame.columns)) if place != at]]


def column_renamed(frame, draw):
    names = [str(name) for name in frame.columns]
    if names:
        names[draw.integers(len(names))] = ["Amount", "unit", "part", "note", ""][draw.integers(5)]
    return frame.set_axis(names, axis=1)


def columns_swapped(frame, draw):
    return frame.set_axis(list(draw.permutation(frame.columns.to_numpy())), axis=1)


def amounts_as_numbers(frame, draw):
    if list(frame.columns).count("amount") != 1:
        return frame
    return frame.assign(amount=pd.to_numeric(frame["amount"].astype("str"), errors="coerce"))


def index_odd(frame, draw):
    return frame.set_axis(["a"] * len(frame))


FAULTS = [
    *(junk_cell, junk_cell, odd_cell, cell_from_elsewhere, letters_changed, rows_taken),
    *(rows_doubled, column_gone, column_renamed, columns_swapped, amounts_as_numbers, index_odd),
]


def placed(error):
    assert error.problems
    for problem in error.problems:
        assert problem.table
        assert problem.found
        assert problem.expected
        assert problem.mend
        assert problem.column or problem.key


def ends_well(frame):
    """True for a result, False for a placed problem; anything else is raised."""
    before = frame.copy(deep=True)
    try:
        lines = formulas.bakers_percent(frame)
        rows = formulas.overview(frame)
    except StudyProblems as error:
        placed(error)
        return False
    pd.testing.assert_frame_equal(frame, before)
    assert np.isfinite(lines[["grams", "grams_low", "grams_high"]].to_numpy()).all()
    # Every line is there, or gave way to what is in the part or formula that it names.
    words = words_of(frame, ("formula", "part", "ingredient"), "formulas")
    names_a = read_naming(*words.values()).names_a
    kept = np.flatnonzero(names_a == INGREDIENT)
    assert set(kept) <= set(account(frame).row)
    assert len(rows) == len(set(words["formula"].text))
    assert list(rows["formula"]) == list(dict.fromkeys(words["formula"].text))
    return True


def run(count, seed):
    draw = np.random.default_rng(seed)
    good = sum(ends_well(spoil(SOUND, draw)) for _ in range(count))
    # Faults that hurt nothing and faults that are told must both be among them.
    assert 0.05 < good / count < 0.95


def test_the_sound_table_is_sound():
    assert ends_well(SOUND)


def test_spoilt_formulas_end_in_a_result_or_a_placed_problem():
    run(300, seed=1)


@pytest.mark.long
def test_five_thousand_spoilt_formulas_end_in_a_result_or_a_placed_problem():
    run(5000, seed=2)


BASES = SOUND[SOUND["formula"] != "card"]
DOUGHS = pd.DataFrame(
    {
        "dough": ["D1", "D2", "R", "D3"],
        "kind": ["test", "test", "reference", "control"],
        "formula": ["hearth", "share", None, "hearth"],
        "hydration_pct": [64, None, None, 61.0],
        "salt_pct": [2.2, None, None, None],
        "whole_grain_pct": [20, 10, None, None],
        "olive_oil_pct": [2.0, None, None, None],
        "bread_flour_pct": [None, None, None, 70],
        "light_rye_flour_pct": [None, None, None, 30],
        "flour_lot": ["L1", "L1", None, None],
        "loss_pct": [3, 4, 5, 6.0],
    }
)
INGREDIENTS = pd.DataFrame(
    {
        "ingredient": ["bread flour", "mill flour", "own starter", "tap water", "milk"],
        "role": ["flour", "flour", "leaven", "", "dairy"],
        "moisture_pct": [13, 12.0, 55, None, 88],
        "fat_pct": [1, 1.0, None, None, 3],
        "salt_pct": [0, 0, 0, None, 0.1],
        "whole_grain_pct": [0, 100, 0, None, None],
        "density_g_ml": [0.5, 0.5, None, 1, 1.03],
        "allergens": ["gluten|wheat", "gluten|wheat", "gluten", None, "milk"],
    }
)
MOISTURES = pd.DataFrame(
    {"sample": ["M1", "M2"], "of": ["bread flour", "L1"], "wet_g": [20.0, 20], "dry_g": [17.4, 17]}
)
WEIGHED = pd.DataFrame(
    {
        "dough": ["D1"] * 3 + ["D2"] * 2,
        "part": "",
        "ingredient": ["bread flour", "water", "salt", "bread flour", "water"],
        "planned_g": [100.0, 60, 2, 100, 60],
        "weighed_g": [101.0, 60, None, None, 59],
    }
)
VARIED = formulas.vary(BASES, DOUGHS)
SHEETS = formulas.weigh_out(VARIED, piece_g=200, pieces=2)


def all_of_formulas(frame):
    formulas.scale(frame, pieces=2, piece_g=100)
    formulas.parts(frame)
    formulas.compare(frame, against="hearth")
    formulas.allergens(frame)
    formulas.salt_per_100g(frame, bake_loss_pct=12)
    formulas.vary(frame, DOUGHS.iloc[[0]])


def all_of_ingredients(frame):
    formulas.composition(frame)
    formulas.overview(SOUND, frame)
    formulas.allergens(SOUND, frame)
    formulas.equal_consistency(BASES, frame, whole_grain_pct=20)


def all_of_varied(frame):
    formulas.overview(formulas.as_formulas(frame))
    formulas.weigh_out(frame, piece_g=200, pieces=2)


OTHERS = {
    "formulas": (SOUND, all_of_formulas),
    "doughs": (DOUGHS, lambda frame: formulas.vary(BASES, frame)),
    "ingredients": (INGREDIENTS, all_of_ingredients),
    "moistures": (MOISTURES, lambda frame: formulas.overview(SOUND, None, frame)),
    "weighed": (WEIGHED, formulas.as_mixed),
    "varied": (VARIED, all_of_varied),
    "sheets": (SHEETS, formulas.shopping_list),
}


def run_other(name, count, seed):
    sound, use = OTHERS[name]
    draw = np.random.default_rng(seed)
    good = 0
    for _ in range(count):
        spoilt = spoil(sound, draw)
        try:
            with warnings.catch_warnings():
                # A flour that is no wheat is said to be beyond the figures; that is no fault.
                warnings.simplefilter("ignore", OutsideRange)
                use(spoilt)
        except StudyProblems as error:
            placed(error)
        else:
            good += 1
    assert 0.02 < good / count < 0.98


@pytest.mark.parametrize("name", OTHERS)
def test_other_spoilt_tables_end_in_a_result_or_a_placed_problem(name):
    run_other(name, 40, seed=3)


@pytest.mark.long
@pytest.mark.parametrize("name", OTHERS)
def test_two_thousand_other_spoilt_tables_do_too(name):
    run_other(name, 2000, seed=4)
