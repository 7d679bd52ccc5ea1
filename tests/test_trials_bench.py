"""What fits an evening, bake days, and sheets by the clock."""

import numpy as np
import openpyxl
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doughkit import formulas, trials
from doughkit.study import convert_study
from doughkit.tables import StudyProblems, read_tables, save_table
from doughkit.trials.coding import code
from doughkit.trials.hold import held_mass
from doughkit.trials.sheets import clock

FACTORS = pd.DataFrame(
    {
        "factor": ["hydration_pct", "salt_pct", "whole_grain_pct", "bake_min"],
        "low": [54.0, 1.6, 0.0, 5.0],
        "high": [70.0, 2.6, 40.0, 8.0],
        "step": [1.0, 0.1, 5.0, 0.5],
        "changed_per": ["dough", "dough", "dough", "piece"],
    }
)
OVEN = {
    "oven": "home",
    "preheat_min": 60.0,
    "gap_min": 5.0,
    "pieces_per_bake": 1.0,
    "support_c": 270.0,
}
EVERY_DAY = pd.DataFrame({"dough": ["C", "REF"], "bake_min": [6.5, np.nan]})
ROUND = trials.plan_two_level(FACTORS, seed=3)


@given(st.integers(0, 10_000), st.integers(1, 3))
@settings(max_examples=25)
def test_every_piece_is_baked_once_and_every_day_fits(seed, at_once):
    oven = OVEN | {"pieces_per_bake": at_once}
    planned = trials.plan_days(ROUND, oven, every_day=EVERY_DAY, seed=seed)
    tests = planned[~planned["dough"].isin(EVERY_DAY["dough"])]
    assert sorted(tests["piece"]) == sorted(ROUND.pieces["piece"])
    assert tests.groupby("dough")["bake_day"].nunique().max() == 1
    days = trials.day_minutes(planned, oven)
    assert (days["minutes"] <= 180).all() and (days["samples"] <= 8).all()
    assert planned["piece"].is_unique
    by_load = planned.dropna(subset="bake_order").groupby(["bake_day", "bake_order"])
    assert by_load["bake_min"].nunique().max() == 1 and by_load.size().max() <= at_once
    for _, part in planned.groupby("bake_day"):
        orders = part["bake_order"].dropna().unique()
        assert sorted(orders) == list(range(1, len(orders) + 1))
    kept = tests.merge(ROUND.pieces, on=["piece", "dough", "bake_min"])
    assert len(kept) == len(tests)


def test_the_first_evening_by_the_defaults_fits_three_hours_for_one_person():
    planned = trials.plan_days(ROUND, OVEN, every_day=EVERY_DAY, seed=1)
    first = trials.day_minutes(planned, OVEN).iloc[0]
    assert first["samples"] == 8 and first["baked"] == 7
    assert first["minutes"] == 60 + 6 * 6.5 + 6.5 + 7 * 5
    assert first["minutes"] <= 180
    room = trials.capacity(OVEN, bake_min=8, fridge_doughs=6, doughs=10)
    assert room.iloc[0].to_dict() == {
        "doughs": 3,
        "by_oven": 4,
        "by_tasters": 3,
        "by_bench": 5,
        "minutes": 60 + 7 * 13,
        "samples": 8,
        "evenings": 4,
    }
    with pytest.raises(StudyProblems, match="room for 0 doughs in 85 min of oven, 3 in 8 samples"):
        trials.capacity(OVEN, bake_min=8, evening_min=85, doughs=10)


def test_mixer_and_fridge_hold_a_day_down_and_what_they_cannot_hold_is_refused():
    room = trials.capacity(OVEN, bake_min=8, mixer_doughs=5, fridge_doughs=3, doughs=10).iloc[0]
    assert room["doughs"] == room["by_bench"] == 2 and room["evenings"] == 5
    planned = trials.plan_days(ROUND, OVEN, every_day=EVERY_DAY, most_doughs=3, seed=1)
    tests = planned[~planned["dough"].isin(EVERY_DAY["dough"])]
    assert tests.groupby("bake_day")["dough"].nunique().max() == 2
    with pytest.raises(StudyProblems, match="found 1 baked every day and room for 1 dough"):
        trials.plan_days(ROUND, OVEN, every_day=EVERY_DAY, most_doughs=1, seed=1)


def type_into_csv(folder, name, columns):
    path = folder / f"{name}.csv"
    lines = pd.read_csv(path, dtype="str", keep_default_na=False)
    assert all((lines[column] == "").all() for column in columns)
    typed = {one: pd.Series(values).map(str) for one, values in columns.items()}
    lines.assign(**typed).to_csv(path, index=False)


def type_into_workbook(folder, name, columns):
    assert not list(folder.glob("*.csv"))
    book = openpyxl.load_workbook(folder / "study.xlsx")
    sheet = book[name]
    place = {cell.value: cell.column for cell in sheet[1]}
    for column, values in columns.items():
        for row, value in enumerate(values, start=2):
            cell = sheet.cell(row, place[column])
            assert cell.value is None
            cell.value = float(value)
    book.save(folder / "study.xlsx")


@pytest.mark.parametrize("kept_as", ["csv", "workbook"])
def test_a_sheet_comes_back_filled_in_without_loss(tmp_path, kept_as):
    """Weigh-out and bake-day sheets saved in the study, filled in by hand there, and read back."""
    planned = trials.plan_days(ROUND, OVEN, seed=1)
    formula = pd.DataFrame(
        {
            "formula": "plain",
            "part": "",
            "ingredient": ["bread flour", "whole wheat flour", "water", "salt"],
            "amount": ["450", "50", "310", "10"],
            "unit": "g",
        }
    )
    doughs = ROUND.doughs.assign(formula="plain")
    varied = formulas.vary(formula, doughs)
    held = held_mass(varied, piece_g=200)
    sheets = trials.bench_sheets(planned, OVEN, held=held)
    assert sheets.hold.startswith("Held: dough mass per piece (200 g)")
    out = formulas.weigh_out(varied, piece_g=200, pieces=2)
    weighed = out[["dough", "part", "ingredient", "planned_g", "weighed_g"]]
    sheet = sheets.to_fill()
    for name, frame in (
        ("factors", FACTORS), ("formulas", formula), ("doughs", doughs), ("weighed", weighed),
        ("pieces", sheet),
    ):  # fmt: skip
        save_table(tmp_path, name, frame)
    if kept_as == "workbook":
        convert_study(tmp_path)
        save_table(tmp_path, "pieces", sheet)
    draw = np.random.default_rng(1)
    cells = ["mass_before_g", "mass_after_g", "droop_mm", "length_mm", "width_mm"]
    low = {"mass_before_g": 250.0}
    by_hand = {
        "pieces": {
            name: (low.get(name, 100.0) + draw.uniform(0, 100, len(sheet))).round(1)
            for name in cells
        }
    }
    by_hand["weighed"] = {"weighed_g": weighed["planned_g"].to_numpy() + draw.integers(0, 3)}
    fill = type_into_workbook if kept_as == "workbook" else type_into_csv
    for name, columns in by_hand.items():
        fill(tmp_path, name, columns)
    back = read_tables(tmp_path)
    kept = ["piece", "dough", "bake_day", "bake_order", "oven", "bake_min"]
    pd.testing.assert_frame_equal(back["pieces"][kept], sheet[kept], check_dtype=False)
    for name, columns in by_hand.items():
        for column, values in columns.items():
            assert back[name][column].tolist() == list(values)
    assert back["weighed"]["planned_g"].tolist() == weighed["planned_g"].tolist()


def test_portions_are_dealt_on_from_piece_to_piece():
    planned = trials.plan_days(ROUND, OVEN, seed=1)
    cutting = trials.bench_sheets(planned, OVEN, tasters=["Ann", "Ben", "Cai"]).cutting
    assert set(cutting["notch"]) == {"oven front"} and cutting["strip"].str.contains("50 mm").all()
    portions = cutting[[f"portion {place}" for place in (1, 2, 3)]]
    assert (portions.apply(lambda row: len(set(row)), axis=1) == 3).all()
    counts = portions.apply(lambda column: column.value_counts())
    assert counts.to_numpy().max() - counts.to_numpy().min() <= 1


def test_an_oven_that_is_the_narrow_place_says_so():
    slow = trials.capacity(OVEN | {"gap_min": 20}, bake_min=10).iloc[0]
    assert slow["doughs"] == slow["by_oven"] == 1 and slow["by_tasters"] == 3
    shut = trials.capacity(OVEN | {"preheat_min": 200}, bake_min=10).iloc[0]
    assert shut["doughs"] == 0


def test_no_dough_is_early_or_late_on_the_whole():
    planned = trials.plan_days(ROUND, OVEN, seed=5)
    order = planned.assign(middle=planned.groupby("bake_day")["bake_order"].transform("mean"))
    apart = (order["bake_order"] - order["middle"]).groupby(order["dough"]).mean()
    assert apart.abs().max() < 1e-9


def test_the_longer_bake_does_not_always_come_second():
    early = []
    for seed in range(40):
        planned = trials.plan_days(ROUND, OVEN, seed=seed)
        first = planned.sort_values("bake_order").drop_duplicates("dough")
        early.append((first["bake_min"] == 8).mean())
    assert 0.4 < np.mean(early) < 0.6 and min(early) >= 0.3


def test_days_travel_less_with_the_factors_than_a_random_split_would():
    likeness, random = [], []
    draw = np.random.default_rng(1)
    coded = code(ROUND.doughs, FACTORS.iloc[:3])
    for seed in range(15):
        planned = trials.plan_days(ROUND, OVEN, seed=seed).drop_duplicates("dough")
        day = ROUND.doughs["dough"].map(planned.set_index("dough")["bake_day"])
        likeness.append((coded.groupby(day).mean() ** 2).to_numpy().mean())
        random.append((coded.groupby(draw.permutation(day)).mean() ** 2).to_numpy().mean())
    assert np.mean(likeness) < 0.6 * np.mean(random)


def test_the_same_seed_gives_the_same_days_and_the_plan_is_left_alone():
    kept = ROUND.pieces.copy(deep=True)
    one, same = (trials.plan_days(ROUND, OVEN, every_day=EVERY_DAY, seed=4) for _ in range(2))
    pd.testing.assert_frame_equal(one, same)
    pd.testing.assert_frame_equal(ROUND.pieces, kept)
    assert list(one)[:5] == ["piece", "dough", "bake_day", "bake_order", "oven"]


def test_room_is_kept_for_control_and_reference_even_if_they_are_not_named():
    planned = trials.plan_days(ROUND, OVEN, seed=4)
    assert planned.groupby("bake_day")["dough"].nunique().max() == 3
    alone = trials.plan_days(ROUND, OVEN, every_day=EVERY_DAY.iloc[:0], seed=4)
    assert alone.groupby("bake_day")["dough"].nunique().max() == 4


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"days": 2}, "found 10 doughs for 2 evenings; expected 3 doughs an evening, 4 evenings"),
        ({"days": 3}, "bake on 4 evenings, or plan 9 doughs"),
        ({"evening_min": 90}, "96 min, 4 samples; expected at most 90 min and 8 samples"),
        ({"samples": 3}, "expected at most 180 min and 3 samples; allow 96 min and 4 samples"),
    ],
)
def test_a_plan_that_does_not_fit_is_refused_with_the_numbers(options, words):
    with pytest.raises(StudyProblems, match=words):
        trials.plan_days(ROUND, OVEN, seed=1, **options)


@pytest.mark.parametrize(
    ("oven", "words"),
    [
        ({"oven": "home", "gap_min": 5}, "oven home, column 'preheat_min': found None"),
        (OVEN | {"gap_min": -1}, "column 'gap_min': found -1"),
        (pd.DataFrame([OVEN, OVEN]), "found 2 ovens; expected one row"),
    ],
)
def test_an_oven_without_its_times_is_refused(oven, words):
    with pytest.raises(StudyProblems, match=words):
        trials.capacity(oven, bake_min=6)


def test_an_oven_may_be_a_row_of_the_table():
    frame = pd.DataFrame([OVEN])
    for oven in (frame, frame.iloc[0], OVEN):
        assert trials.capacity(oven, bake_min=8)["doughs"].tolist() == [3]


def minutes(text):
    parts = [int(part) for part in text.split(":")]
    return 60 * parts[0] + parts[1] + (parts[2] / 60 if len(parts) == 3 else 0)


@given(st.integers(0, 1000), st.sampled_from(["fresh", "rested"]))
@settings(max_examples=20)
def test_the_clock_runs_backwards_from_the_tasting(seed, mode):
    planned = trials.plan_days(ROUND, OVEN, every_day=EVERY_DAY, seed=seed)
    sheets = trials.bench_sheets(planned, OVEN, mode=mode, tasting_at="20:00")
    for day, part in sheets.bake.groupby("bake_day"):
        baked = part[part["bake_order"].notna()]
        load, out, serve = (baked[name].map(minutes) for name in ("load_at", "out_at", "serve_at"))
        assert (out - load).to_numpy() == pytest.approx(baked["bake_min"].to_numpy())
        assert (load.iloc[1:].to_numpy() - out.iloc[:-1].to_numpy()) == pytest.approx(5)
        assert baked["weigh_at"].map(minutes).to_numpy() == pytest.approx(out.to_numpy() + 1)
        if mode == "fresh":
            assert (serve - out).to_numpy() == pytest.approx(11) and serve.iloc[0] == 1200
        else:
            assert (serve == 1200).all() and out.iloc[-1] == 1140
        at = sheets.day[sheets.day["bake_day"] == day].set_index("what")["at"].map(minutes)
        assert load.iloc[0] - at["oven on"] == 60
        assert load.iloc[0] - at["take the first dough out"] == 90
        assert at["tasting begins"] == 1200


def test_pieces_that_share_a_load_share_its_times():
    pieces = pd.DataFrame(
        {
            "piece": list("abc"),
            "dough": list("ABC"),
            "bake_day": "R1D1",
            "bake_order": [1.0, 1.0, 2.0],
            "bake_min": [6.0, 6.0, 6.0],
        }
    )
    bake = trials.bench_sheets(pieces, OVEN, mode="rested").bake
    assert bake["load_at"].tolist() == ["18:13", "18:13", "18:24"]
    assert trials.day_minutes(pieces, OVEN)["minutes"].tolist() == [60 + 2 * 11]


def test_every_weight_has_an_empty_cell_and_the_reference_no_oven_time():
    planned = trials.plan_days(ROUND, OVEN, every_day=EVERY_DAY, seed=1)
    sheets = trials.bench_sheets(planned, OVEN, mode="rested")
    cells = ["mass_before_g", "mass_after_g", "weighed_after_s", "thickness_mm", "droop_mm"]
    assert sheets.bake[cells].isna().all().all()
    reference = sheets.bake[sheets.bake["dough"] == "REF"]
    assert set(reference["load_at"]) == {""} and set(reference["serve_at"]) == {"19:30"}
    assert "R1D1: doughs out from" in sheets.summary() and "tasting 19:30" in sheets.summary()


def test_cautions_stand_at_the_hazard():
    sheets = trials.bench_sheets(trials.plan_days(ROUND, OVEN, seed=1), OVEN)
    said = sheets.cautions.groupby("at", sort=False)["caution"].apply(" ".join)
    assert "at 270 °C" in said["oven on"] and "Steam" in said["load"]
    assert "allergens" in said["before tasting"] and "Raw dough" in said["before tasting"]
    assert "local food code comes first" in said["all day"]
    cold = trials.bench_sheets(
        trials.plan_days(ROUND, OVEN, seed=1), {"preheat_min": 1, "gap_min": 1}
    )
    assert "Oven and plate stay dangerous" in cold.cautions["caution"].iloc[0]


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"tasting_at": "7.30"}, "found '7.30'; expected a clock time as 19:30"),
        ({"tasting_at": "24:00"}, "expected a clock time"),
        ({"tasting_at": "1:15"}, "bake day R1D1: found a start"),
        ({"mode": "warm"}, "expected fresh or rested"),
    ],
)
def test_a_day_that_cannot_be_laid_out_is_refused(options, words):
    with pytest.raises(StudyProblems, match=words):
        trials.bench_sheets(trials.plan_days(ROUND, OVEN, seed=1), OVEN, **options)


def test_clock_times_show_seconds_only_where_there_are_some():
    assert [clock(at) for at in (0, 5.5, 1439.75, np.nan)] == ["00:00", "00:05:30", "23:59:45", ""]


def test_where_the_bake_time_is_no_factor_it_is_given():
    doughs, pieces = ROUND
    bare = (doughs, pieces.drop(columns="bake_min"))
    with pytest.raises(StudyProblems, match="bake_min"):
        trials.plan_days(bare, OVEN, seed=1)
    assert trials.plan_days(bare, OVEN, bake_min=7, seed=1)["bake_min"].eq(7).all()
    assert not trials.plan_days(ROUND, OVEN, bake_min=7, seed=1)["bake_min"].eq(7).all()
