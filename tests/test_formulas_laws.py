"""Laws that hold for any formula, over generated ones."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doughkit import formulas

FLOURS = ["bread flour", "whole wheat flour", "light rye flour", "semolina"]
OTHERS = ["water", "salt", "instant yeast", "olive oil", "whole milk", "egg", "salted butter"]
PARTS = ["", "sponge", "soaker"]
FIGURES = [
    *("hydration_pct", "hydration_low", "hydration_high", "effective_hydration_pct", "salt_pct"),
    *("fat_pct", "sugar_pct", "whole_grain_pct", "yeast_pct", "prefermented_pct"),
    *("dry_pct", "water_pct"),
]
COLUMNS = ["formula", "part", "ingredient", "amount", "unit"]

few = settings(max_examples=40, deadline=None)
grams = st.floats(0.1, 5000).map(lambda value: round(value, 3))


@st.composite
def tables(draw, starter=True):
    """One to three formulas, each with flour, in grams, some of it in parts."""
    rows = []
    for name in range(draw(st.integers(1, 3))):
        rows.append((f"F{name}", "", "bread flour", draw(st.floats(50, 2000)), "g"))
        words = FLOURS + OTHERS + (["sourdough starter"] if starter else [])
        picked = draw(st.lists(st.sampled_from(words), min_size=1, max_size=8))
        rows += [
            (f"F{name}", draw(st.sampled_from(PARTS)), word, draw(grams), "g") for word in picked
        ]
    return pd.DataFrame(rows, columns=COLUMNS)


def same(ours, other, names=FIGURES, rel=1e-9):
    pd.testing.assert_frame_equal(
        ours.sort_values("formula")[["formula", *names]].reset_index(drop=True),
        other.sort_values("formula")[["formula", *names]].reset_index(drop=True),
        rtol=rel,
        atol=1e-9,
    )


@few
@given(tables(), st.floats(0.01, 100))
def test_batch_size_changes_no_percentage(table, times):
    larger = table.assign(amount=table["amount"] * times)
    same(formulas.overview(larger), formulas.overview(table))


@few
@given(tables(), st.randoms())
def test_row_order_changes_no_percentage(table, random):
    order = list(range(len(table)))
    random.shuffle(order)
    same(formulas.overview(table.iloc[order]), formulas.overview(table))


@few
@given(tables(), st.sampled_from([("kg", 0.001), ("mg", 1000), ("oz", 1 / 28.349523125)]))
def test_the_unit_changes_no_percentage(table, unit):
    word, per_gram = unit
    other = table.assign(amount=table["amount"] * per_gram, unit=word)
    same(formulas.overview(other), formulas.overview(table))


@few
@given(tables(), st.floats(0, 1), st.integers(0, 30))
def test_splitting_a_line_changes_no_percentage(table, share, which):
    row = which % len(table)
    halves = pd.concat([table, table.iloc[[row]]], ignore_index=True)
    halves.loc[row, "amount"] *= share
    halves.loc[len(table), "amount"] *= 1 - share
    same(formulas.overview(halves), formulas.overview(table))


@few
@given(tables())
def test_normalising_twice_changes_nothing(table):
    once = formulas.bakers_percent(table)
    back = formulas.as_formulas(once.rename(columns={"formula": "dough"}))
    twice = formulas.bakers_percent(back)
    np.testing.assert_allclose(twice["percent"], once["percent"], rtol=1e-12)
    same(formulas.overview(back), formulas.overview(table))


@few
@given(tables())
def test_mass_in_is_mass_out(table):
    lines, rows = formulas.bakers_percent(table), formulas.overview(table)
    written = table.groupby("formula")["amount"].sum()
    np.testing.assert_allclose(lines.groupby("formula")["grams"].sum(), written, rtol=1e-9)
    np.testing.assert_allclose(rows.set_index("formula")["dough_g"], written, rtol=1e-9)
    np.testing.assert_allclose(
        rows["dry_pct"] + rows["water_pct"], 100 * rows["dough_g"] / rows["flour_g"], rtol=1e-9
    )


@few
@given(tables())
def test_the_flour_of_every_formula_is_a_hundred(table):
    lines = formulas.bakers_percent(table)
    flour = (lines["percent"] * lines["flour_share"]).groupby(lines["formula"]).sum()
    np.testing.assert_allclose(flour, 100, rtol=1e-12)
    parts = formulas.parts(table).groupby("formula")["flour_share_pct"].sum()
    np.testing.assert_allclose(parts, 100, rtol=1e-12)


@few
@given(tables(), st.floats(0.05, 1))
def test_a_formula_in_a_formula_is_the_same_as_its_lines_written_out(table, share):
    inner = table[table["formula"] == "F0"]
    mass = inner["amount"].sum()
    outer = pd.DataFrame([("out", "", "semolina", 500.0, "g")], columns=COLUMNS)
    named = pd.concat(
        [outer, pd.DataFrame([("out", "", "F0", share * mass, "g")], columns=COLUMNS), inner]
    )
    written = pd.concat(
        [
            outer,
            inner.assign(formula="out", part="old dough", amount=inner["amount"] * share),
        ]
    )
    pick = [one for one in FIGURES if one != "prefermented_pct"]
    ours = formulas.overview(named).query("formula == 'out'")
    same(ours, formulas.overview(written), [*pick, "dough_g"])


@few
@given(tables(starter=False), st.floats(0.05, 1))
def test_taking_all_of_a_part_is_the_same_as_not_naming_it(table, share):
    table = table[table["formula"] == "F0"]
    part = table[table["part"] == "sponge"]
    if part.empty:
        return
    line = ("F0", "", "sponge", share * part["amount"].sum(), "g")
    named = pd.concat([table, pd.DataFrame([line], columns=COLUMNS)])
    smaller = table.assign(
        amount=table["amount"].mask(table["part"] == "sponge", table["amount"] * share)
    )
    same(formulas.overview(named), formulas.overview(smaller), [*FIGURES, "dough_g"])


@few
@given(tables())
def test_input_is_never_changed(table):
    before = table.copy(deep=True)
    formulas.overview(table)
    formulas.compare(table, against="F0")
    formulas.scale(table, pieces=2, piece_g=100)
    pd.testing.assert_frame_equal(table, before)


@few
@given(tables())
def test_comparing_the_other_way_round_turns_the_signs(table):
    names = table["formula"].unique()
    if len(names) < 2:
        return
    there = formulas.compare(table, against=names[0]).query("formula == @names[1]")
    back = formulas.compare(table, against=names[1]).query("formula == @names[0]")
    both = there.merge(back, on="measure", suffixes=("", "_back"))
    assert len(both) == len(there)
    np.testing.assert_allclose(both["difference"], -both["difference_back"])
    np.testing.assert_allclose(both["difference_low"], -both["difference_high_back"], atol=1e-12)


@few
@given(
    st.lists(
        st.tuples(st.sampled_from(["g", "cup", "tbsp", "oz"]), st.floats(0.1, 20)), min_size=4
    ),
    st.floats(0, 0.5),
)
def test_low_and_high_hold_the_middle_and_the_truth(amounts, range_share):
    words = ["bread flour", "whole wheat flour", "water", "salt", "olive oil", "sugar"]
    rows = [
        ("F", "", words[place % len(words)], f"{value}-{value * (1 + range_share)}", unit)
        for place, (unit, value) in enumerate(amounts)
    ]
    lines = formulas.bakers_percent(pd.DataFrame(rows, columns=COLUMNS))
    assert (lines["percent_low"] <= lines["percent"] + 1e-9).all()
    assert (lines["percent"] <= lines["percent_high"] + 1e-9).all()
    # Whatever each line really weighs within its bounds, the percentages stay within theirs.
    draw = np.random.default_rng(0).random(len(lines))
    real = lines["grams_low"] + draw * (lines["grams_high"] - lines["grams_low"])
    percent = 100 * real / (real * lines["flour_share"]).sum()
    assert (lines["percent_low"] <= percent + 1e-9).all()
    assert (percent <= lines["percent_high"] + 1e-9).all()


levels = st.fixed_dictionaries(
    {
        "hydration_pct": st.none() | st.floats(50, 120),
        "salt_pct": st.none() | st.floats(0.5, 5),
        "fat_pct": st.none() | st.floats(3, 20),
        "whole_grain_pct": st.none() | st.floats(0, 50),
        "sugar_pct": st.none() | st.floats(0, 8),
    }
)
BASE = pd.DataFrame(
    [
        ("base", "sponge", "bread flour", 100, "g"),
        ("base", "sponge", "water", 100, "g"),
        ("base", "sponge", "fresh yeast", 1, "g"),
        ("base", "", "bread flour", 330, "g"),
        ("base", "", "whole wheat flour", 50, "g"),
        ("base", "", "sourdough starter", 40, "g"),
        ("base", "", "water", 190, "g"),
        ("base", "", "salt", 9, "g"),
        ("base", "", "salted butter", 15, "g"),
        ("base", "", "olive oil", 5, "g"),
    ],
    columns=COLUMNS,
)


@few
@given(levels)
def test_vary_gives_back_exactly_the_levels_asked_for(asked):
    doughs = pd.DataFrame([{"dough": "D1", "formula": "base", **asked}])
    varied = formulas.vary(BASE, doughs)
    row = formulas.overview(formulas.as_formulas(varied)).iloc[0]
    base = formulas.overview(BASE).iloc[0]
    for name in ("hydration_pct", "salt_pct", "fat_pct", "whole_grain_pct"):
        wanted = base[name] if asked[name] is None else asked[name]
        if name == "salt_pct" and asked[name] is None and asked["fat_pct"] is not None:
            continue  # salted butter brings salt along
        assert row[name] == pytest.approx(wanted, abs=1e-9)
    sugar = varied.loc[varied["ingredient"] == "sugar", "percent"].sum()
    assert sugar == pytest.approx(asked["sugar_pct"] or 0, abs=1e-9)
    # The sponge is left alone.
    sponge = varied[varied["part"] == "sponge"]
    np.testing.assert_allclose(sponge["percent"], sponge["base_percent"])


@few
@given(tables(), st.floats(20, 5000), st.integers(1, 20), st.sampled_from([0.1, 1.0, 5.0]))
def test_rounded_weights_give_the_percentages_within_what_rounding_allows(
    table, piece, count, step
):
    planned = formulas.bakers_percent(table).rename(columns={"formula": "dough"})
    sheet = formulas.weigh_out(planned, piece_g=piece, pieces=count, scale_step_g=step)
    flour = (sheet["planned_g"] * sheet["flour_share"]).groupby(sheet["dough"]).transform("sum")
    if (flour < 20 * step).any():
        return
    mixed = formulas.as_mixed(sheet.assign(weighed_g=sheet["planned_g"]))
    np.testing.assert_allclose(mixed["percent"], sheet["percent_as_rounded"], rtol=1e-9)
    off = (sheet["step_g"] / 2 * sheet["flour_share"]).groupby(sheet["dough"]).transform("sum")
    allowed = (100 * sheet["step_g"] / 2 + sheet["percent"] * off) / flour
    assert ((mixed["percent"] - sheet["percent"]).abs() <= allowed + 1e-6).all()
    assert (sheet["planned_g"] - sheet["exact_g"]).abs().le(sheet["step_g"] / 2 + 1e-6).all()


@few
@given(tables(), st.integers(1, 50), st.floats(10, 1000), st.floats(0, 60), st.floats(0, 20))
def test_scaling_gives_the_size_that_was_asked_for(table, pieces, piece_g, loss, extra):
    by_piece = formulas.scale(table, pieces=pieces, piece_g=piece_g, extra_pct=extra)
    total = by_piece.groupby("formula")["grams"].sum()
    np.testing.assert_allclose(total, pieces * piece_g * (1 + extra / 100), rtol=1e-9)
    baked = formulas.scale(table, pieces=pieces, finished_g=piece_g, bake_loss_pct=loss)
    out = baked.groupby("formula")["grams"].sum() * (1 - loss / 100)
    np.testing.assert_allclose(out, pieces * piece_g, rtol=1e-9)
    by_area = formulas.scale(table, pieces=pieces, area_cm2=700, dough_g_per_cm2=piece_g / 700)
    np.testing.assert_allclose(by_area["grams"] * (1 + extra / 100), by_piece["grams"], rtol=1e-9)
    of_flour = formulas.scale(table, flour_g=piece_g)
    flour = (of_flour["grams"] * of_flour["flour_share"]).groupby(of_flour["formula"]).sum()
    np.testing.assert_allclose(flour, piece_g, rtol=1e-9)


@few
@given(st.floats(15, 32), st.floats(0, 35), st.floats(5, 35), st.floats(0, 20), st.floats(1, 30))
def test_water_temperature_and_friction_are_one_rule(dough, flour, room, friction, before):
    for extra in ({}, {"preferment_c": before}):
        water = (3 + len(extra)) * dough - flour - room - friction - sum(extra.values())
        if not -30 < water < 45:
            continue
        got = formulas.water_temperature(
            dough_c=dough, flour_c=flour, room_c=room, friction_c=friction, **extra
        )
        assert got["water_c"].iloc[0] == pytest.approx(water)
        back = formulas.mixing_friction(
            dough_c=dough, flour_c=flour, room_c=room, water_c=water, **extra
        )
        assert back == pytest.approx(friction, abs=1e-9)


@few
@given(st.floats(8, 30), st.floats(1, 7), st.floats(100, 5000))
def test_ice_and_tap_water_mixed_have_the_temperature_wanted(tap, wanted, water_g):
    # flour 20, room 20, friction 10: water = 3 × dough − 50
    row = formulas.water_temperature(
        dough_c=(wanted + 50) / 3,
        flour_c=20,
        room_c=20,
        friction_c=10,
        tap_c=tap,
        water_g=water_g,
    ).iloc[0]
    cold = row["ice_g"] * (79.7 + wanted)
    warm = row["tap_water_g"] * (tap - wanted)
    assert cold == pytest.approx(warm)
    assert row["ice_g"] + row["tap_water_g"] == pytest.approx(water_g)
