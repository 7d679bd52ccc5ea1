"""The demo study is what its script makes, hangs together, and hides a truth worth finding."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from doughkit import baking, formulas, panel
from doughkit.tables import read_tables
from doughkit.tables.register import GRID_KEY, TABLES, unit_of
from tests.studies import FOLDER, long_ratings, make_demo

STUDIES = {"demo": make_demo.DEMO, "second": make_demo.SECOND}


@pytest.fixture(scope="module", params=STUDIES)
def study(request):
    return make_demo.make_study(make_demo.SEED, STUDIES[request.param])


def baked_levels(tables, names):
    """Levels of each baked test piece."""
    rows = tables["pieces"].merge(tables["doughs"], on="dough")
    return rows.loc[rows["kind"] == "test", names]


def coded_doughs(tables):
    factors = tables["factors"].query("changed_per == 'dough'").set_index("factor")
    doughs = tables["doughs"].query("kind == 'test'")[list(factors.index)]
    middle, half = (factors["low"] + factors["high"]) / 2, (factors["high"] - factors["low"]) / 2
    return (doughs - middle) / half


def test_the_committed_tables_are_exactly_what_the_script_makes(tmp_path):
    make_demo.write_study(tmp_path, make_demo.SEED)
    made = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    kept = {path.name: path.read_bytes() for path in FOLDER.glob("*.csv")}
    assert sorted(made) == sorted(kept)
    assert [name for name in made if made[name] != kept[name]] == []


@pytest.mark.parametrize("which", STUDIES)
def test_the_files_read_without_a_problem_to_the_frames_that_were_made(tmp_path, which):
    make_demo.write_study(tmp_path, 5, STUDIES[which])
    made, _ = make_demo.make_study(5, STUDIES[which])
    read = read_tables(tmp_path)
    assert list(read) == list(TABLES)
    key = ["serving", "attribute"]
    made["ratings"] = long_ratings(made).sort_values(key, ignore_index=True)
    read["ratings"] = read["ratings"].sort_values(key, ignore_index=True)
    for name, frame in made.items():
        pd.testing.assert_frame_equal(read[name][list(frame)], frame, rtol=1e-9, obj=name)


def test_every_table_of_a_study_is_there(study):
    tables, _ = study
    assert set(tables) == set(TABLES)


def test_the_same_seed_makes_the_same_study_and_another_seed_another():
    first, again, other = (make_demo.make_study(seed)[0] for seed in (3, 3, 4))
    for name, frame in first.items():
        pd.testing.assert_frame_equal(frame, again[name])
    assert not first["ratings"].equals(other["ratings"])


def test_every_column_is_known_to_the_register_or_is_a_factor_or_an_attribute(study):
    tables, _ = study
    factors = set(tables["factors"]["factor"])
    for name, frame in tables.items():
        known = set(TABLES[name].names) | (factors if name in ("doughs", "pieces") else set())
        if name == "ratings":
            known = {*GRID_KEY, *tables["attributes"]["attribute"]}
        assert set(frame) <= known, name
        assert all(unit_of(factor) for factor in factors)


def test_keys_are_unique_and_every_row_points_at_a_row_that_is_there(study):
    tables, _ = study
    for name, frame in tables.items():
        key = list(GRID_KEY) if name == "ratings" else list(TABLES[name].key)
        assert not frame.duplicated(key).any(), name
    assert not tables["servings"].duplicated(list(GRID_KEY)).any()
    doughs, pieces, servings = (tables[name] for name in ("doughs", "pieces", "servings"))
    assert set(pieces["dough"]) <= set(doughs["dough"])
    assert set(pieces["oven"]) <= set(tables["ovens"]["oven"])
    assert set(servings["piece"]) == set(pieces["piece"])
    assert set(servings["assessor"]) == set(tables["assessors"]["assessor"])
    assert set(doughs["formula"].dropna()) <= set(tables["formulas"]["formula"])
    assert set(tables["weighed"]["dough"]) == set(doughs.query("kind != 'reference'")["dough"])
    grid = tables["ratings"].merge(servings, on=list(GRID_KEY))
    assert len(grid) == len(tables["ratings"])
    places = {*pieces["piece"], *doughs["dough"], *doughs["flour_lot"].dropna()}
    assert set(tables["moistures"]["of"]) <= places


def test_nobody_tastes_more_than_eight_samples_and_control_and_reference_are_always_there(study):
    tables, _ = study
    doughs = tables["pieces"].merge(tables["doughs"][["dough", "kind"]], on="dough")
    served = tables["servings"].merge(doughs, on="piece")
    assert served.groupby(["tasting", "assessor"]).size().max() <= 8
    for _, kinds in served.groupby(["tasting", "assessor"])["kind"]:
        assert {"control", "reference"} <= set(kinds)
    again = served[served["repeat"] == 2]
    assert len(again) > 0
    assert again["piece"].isin(served.loc[served["repeat"] == 1, "piece"]).all()


def test_a_dough_that_failed_has_a_reason_and_no_pieces():
    doughs, pieces = (
        make_demo.make_study(make_demo.SEED)[0][name] for name in ("doughs", "pieces")
    )
    failed = doughs[doughs["status"] == "failed"]
    assert len(failed) == 1
    assert failed["failed_why"].notna().all()
    assert not pieces["dough"].isin(failed["dough"]).any()


def test_gaps_are_few_and_of_every_kind(study):
    tables, truth = study
    attributes = list(tables["attributes"]["attribute"])
    empty = tables["ratings"][attributes].isna().to_numpy().mean()
    assert 0 < empty < 0.06
    planned = tables["servings"].groupby(["tasting", "assessor"]).size()
    answered = tables["ratings"].groupby(["tasting", "assessor"]).size()
    assert len(planned) - len(answered) == len(truth.settings.absent)
    ours = tables["pieces"].query("oven == 'home steel'")
    assert ours["mass_after_g"].isna().sum() == 1
    assert ours["droop_mm"].isna().sum() == 1
    assert tables["weighed"]["weighed_g"].isna().sum() == 1


def test_no_factor_gathers_on_one_bake_day(study):
    tables, _ = study
    coded = coded_doughs(tables)
    days = tables["doughs"].loc[coded.index, "mixed_on"]
    assert coded.groupby(days).mean().abs().max(axis=None) < 0.7
    assert coded.groupby(days).mean().abs().mean(axis=None) < 0.25


def test_a_curved_surface_can_be_fitted_without_the_failed_dough(study):
    tables, _ = study
    failed = tables["doughs"].index[tables["doughs"]["status"] == "failed"]
    coded = coded_doughs(tables).drop(index=failed).to_numpy()
    pairs = [coded[:, one] * coded[:, two] for one, two in ((0, 1), (0, 2), (1, 2))]
    columns = np.column_stack([np.ones(len(coded)), coded, coded**2, *pairs])
    assert np.linalg.matrix_rank(columns) == 10
    assert len(columns) - 10 >= 7


def test_the_limit_allows_every_planned_dough(study):
    tables, _ = study
    limits, doughs = tables["limits"], tables["doughs"].query("kind == 'test'")
    total = sum(row.weight * doughs[row.factor] for row in limits.itertuples())
    assert total.between(limits["low"].iloc[0], limits["high"].iloc[0]).all()


def test_the_second_study_shares_no_name_range_or_scale_with_the_demo():
    demo, second = make_demo.DEMO, make_demo.SECOND
    assert not set(demo.attributes) & set(second.attributes)
    assert not set(demo.assessors) & set(second.assessors)
    assert not {row[:3] for row in demo.factors} & {row[:3] for row in second.factors}
    assert demo.scale != second.scale
    assert len(demo.assessors) != len(second.assessors)


# --- the truth ---------------------------------------------------------------------------------


def box(settings, points=3):
    axes = [np.linspace(low, high, points) for _, low, high, *_ in settings.factors]
    grid = np.array(np.meshgrid(*axes)).reshape(len(axes), -1).T
    return pd.DataFrame(grid, columns=[row[0] for row in settings.factors])


def test_the_truth_is_no_full_quadratic():
    truth = make_demo.make_study(1)[1]
    levels = box(truth.settings, 7)
    coded = ((levels - levels.mean()) / (levels.max() - levels.mean())).to_numpy()
    pairs = [coded[:, i] * coded[:, j] for i in range(4) for j in range(i)]
    columns = np.column_stack([np.ones(len(coded)), coded, coded**2, *pairs])
    for name, real in truth.expected(levels).items():
        left = real - columns @ np.linalg.lstsq(columns, real, rcond=None)[0]
        assert left.abs().max() > 0.1, name


def test_scores_span_some_four_or_five_points_of_nine_over_the_box():
    truth = make_demo.make_study(make_demo.SEED)[1]
    span = np.ptp(truth.expected(box(truth.settings))[list(truth.settings.attributes)], axis=0)
    assert np.all((span > 3.5) & (span < 5.5))


def test_factors_work_in_the_direction_a_baker_expects():
    tables, truth = make_demo.make_study(make_demo.SEED)
    names = [row[0] for row in truth.settings.factors]
    effect = truth.low_to_high(baked_levels(tables, names)).set_index(["factor", "attribute"])
    effect = effect["low_to_high"]
    assert effect["bake_min", "crispness"] > 1 > -0.5 > effect["bake_min", "chew"]
    assert effect["hydration_pct", "crispness"] < -1 and effect["hydration_pct", "chew"] > 1
    assert effect["hydration_pct", "rigidity"] < -1 and effect["hydration_pct", "droop_mm"] > 5
    assert effect["whole_grain_pct", "flavour"] > 1 > 0 > effect["whole_grain_pct", "crispness"]
    assert effect["salt_pct", "flavour"] > 1
    assert effect["bake_min", "droop_mm"] < -4


def test_a_longer_bake_loses_more_water_at_a_falling_rate_and_never_more_than_there_is():
    minutes = pd.DataFrame({"bake_min": np.arange(2.0, 60.0)})
    fate = make_demo.physics(minutes)
    steps = fate["loss"].diff().dropna()
    assert (steps > 0).all() and (steps.diff().dropna() < 0).all()
    assert (fate["water_left"] > 0).all()


def test_heat_enough_reaches_the_piece_for_the_water_it_loses():
    # 2.38 kg/m² of dough from 20 to 100 °C at 2.8 kJ/kgK, and 2257 kJ for each kg of steam: the
    # mean flux stays below 8 kW/m², both faces together, which a 270 °C oven can give.
    levels = box(make_demo.DEMO)
    loss = make_demo.physics(levels)["loss"]
    energy_kj = 2.38 * (2.8 * 80 + loss * 2257)
    assert (energy_kj / (levels["bake_min"] * 60)).between(2, 8).all()
    assert loss.between(0.2, 0.3).all()


def test_the_expected_score_is_what_endless_portions_average_to():
    truth = make_demo.make_study(make_demo.SEED)[1]
    own = truth.settings
    corners = box(own, 2).iloc[[0, 5, 10, 15]].reset_index(drop=True)
    rng = np.random.default_rng(7)
    draws = 40_000
    spread = np.sqrt(own.dough_sd**2 + own.piece_sd**2 + own.day_sd**2)
    expected = truth.expected(corners)
    for name in own.attributes:
        texture = make_demo.latent(corners)[name].to_numpy()
        scores = []
        for person in truth.people.to_dict("records"):
            real = texture + rng.normal(0, spread, (draws, 4))
            doubt = np.hypot(person["repeat_sd"], own.assessor_dough_sd)
            felt = 5 + person[name] + person["spread"] * (real - 5)
            scores.append(np.clip(np.round(felt + rng.normal(0, doubt, (draws, 4))), 1, 9))
        simulated = np.mean(scores, axis=(0, 1))
        np.testing.assert_allclose(expected[name], simulated, atol=0.02)


# --- what the rooms read out of it ---------------------------------------------------------------


def test_planned_weights_are_those_that_the_library_would_weigh_out(study):
    tables, truth = study
    doughs = tables["doughs"].query("kind != 'reference'")
    varied = formulas.vary(tables["formulas"], doughs, tables["ingredients"])
    mass = truth.settings.piece_mass_g
    sheet = formulas.weigh_out(varied, piece_g=mass, pieces=2, extra_pct=5)
    both = tables["weighed"].merge(sheet, on=["dough", "ingredient"], validate="1:1")
    assert len(both) == len(tables["weighed"])
    off = (both["planned_g_x"] - both["exact_g"]).abs()
    step = np.where(both["role"].isin(["flour", "water"]), 1.0, 0.1)
    assert (off <= 0.51 * step).all()


def test_dried_pieces_agree_with_the_same_pieces_weighed(study):
    tables, _ = study
    doughs = tables["doughs"].query("kind != 'reference'")
    varied = formulas.vary(tables["formulas"], doughs, tables["ingredients"])
    account = formulas.overview(formulas.as_formulas(varied), tables["ingredients"])
    losses = baking.bake_loss(tables["pieces"], account.rename(columns={"formula": "dough"}))
    dried = tables["moistures"].merge(losses, left_on="of", right_on="piece")
    assert len(dried) == 3
    moisture = 100 * (1 - dried["dry_g"] / dried["wet_g"])
    assert (moisture - dried["finished_moisture_pct"]).abs().max() < 1.5


def test_the_tables_of_formulas_need_no_ingredient_that_nobody_knows(study):
    tables, _ = study
    seen = formulas.overview(tables["formulas"], tables["ingredients"])
    assert len(seen) == 5
    assert (seen["unknown"].fillna("") == "").all()
    assert seen["hydration_pct"].between(60, 68).all()


def test_the_unreliable_taster_is_the_one_the_panel_room_points_at(study):
    tables, truth = study
    found = panel.assessor_performance(long_ratings(tables), tables["servings"], tables["pieces"])
    repeats = found.groupby("assessor")["repeats_sd"].mean()
    assert repeats.idxmax() == truth.settings.assessors[truth.settings.unreliable]
