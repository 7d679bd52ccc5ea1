"""The simulated bake against exact answers of heat conduction, and against its own laws."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq
from scipy.special import erf

from doughkit.baking.inputs import read_bakes
from doughkit.baking.run import run
from doughkit.baking.slab import Air, Grid, march
from doughkit.baking.steam import evaporation_heat
from tests import bakes, results

BRICK, STEEL, DOUGH = (0.86, 2500 * 880.0), (18.0, 7900 * 496.0), (0.5, 600 * 2500.0)


def loss_pct(frame, **options):
    table = read_bakes(frame, warn=False)
    out = run(table, **options)
    return 100 * out["lost_kg_m2"][-1] / table["mass_kg_m2"], out


# --- exact answers -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("floor", "floor_c", "floor_mm"), [(BRICK, 330, 30), (STEEL, 330, 100), (STEEL, 230, 100)]
)
def test_two_bodies_meet_at_the_temperature_their_effusivities_set(floor, floor_c, floor_mm):
    dough = bakes.plain_dough(20, *DOUGH, 20)
    grid = Grid(40, 40, 300, 2.0, finer=0)
    stack = bakes.stack_of(dough, bakes.plate(*floor, floor_mm, floor_c), grid)
    march(stack, bakes.one(20))
    ours, theirs = np.sqrt(DOUGH[0] * DOUGH[1]), np.sqrt(floor[0] * floor[1])
    exact = (ours * 20 + theirs * floor_c) / (ours + theirs)
    assert stack.bottom_c[0] == pytest.approx(exact, abs=0.01)


def test_a_face_held_hot_takes_up_heat_as_the_root_of_time():
    dough = bakes.plain_dough(30, *DOUGH, 20)
    stack = bakes.stack_of(dough, bakes.held_at(200), Grid(80, 2, 600, 2.0, finer=0))
    start = stack.enthalpy[stack.low :] * stack.size[stack.low :]
    march(stack, bakes.one(60))
    taken = (stack.enthalpy[stack.low :] * stack.size[stack.low :] - start).sum()
    exact = 2 * np.sqrt(DOUGH[0] * DOUGH[1]) * 180 * np.sqrt(60 / np.pi)
    assert taken == pytest.approx(exact, rel=1e-3)


def evaporation_front(cells, steps, *, water=210.0, crust_k=0.10, heat=0.55e6, face_c=180.0):
    """Depth of the front over the exact depth, when that is 8 mm of 20."""
    stefan = heat * (face_c - 100) / (water * evaporation_heat(100.0))
    root = brentq(lambda x: x * np.exp(x * x) * erf(x) - stefan / np.sqrt(np.pi), 1e-6, 3)
    seconds = (0.008 / (2 * root)) ** 2 * heat / crust_k
    wet = {"water": water, "boil_c": 100, "crust_k": crust_k}
    dough = bakes.plain_dough(20, 0.5, heat, 100, **wet)
    stack = bakes.stack_of(dough, bakes.held_at(face_c), Grid(cells, 2, steps, 1.5, finer=0))
    march(stack, bakes.one(seconds))
    return stack.lost[0] / water / 0.008


def without_time_error(cells, steps, **case):
    return 2 * evaporation_front(cells, 2 * steps, **case) - evaporation_front(cells, steps, **case)


def test_the_evaporation_front_goes_where_neumann_put_it():
    assert evaporation_front(40, 600) == pytest.approx(1, abs=1e-3)


def test_the_front_is_second_order_in_the_size_of_the_cells():
    coarse, fine = (abs(without_time_error(cells, 500) - 1) for cells in (8, 16))
    assert np.log2(coarse / fine) >= 1.8


@pytest.mark.long
@pytest.mark.parametrize(
    "case",
    [
        {},
        {"water": 130, "crust_k": 0.20},
        {"water": 150, "crust_k": 0.06, "heat": 0.4e6, "face_c": 200},
    ],
)
def test_the_front_stays_second_order_from_10_to_40_cells(case):
    cells = np.array([10, 20, 40])
    errors = [abs(without_time_error(count, 3000, **case) - 1) for count in cells]
    order = -np.polyfit(np.log(cells), np.log(errors), 1)[0]
    results.write(
        f"bake_front_{case.get('water', 210)}",
        "Evaporation front, one phase: error of the depth, time error taken out",
        [f"{n} cells: {100 * e:.4f} %" for n, e in zip(cells, errors, strict=True)]
        + [f"order {order:.2f}"],
    )
    assert order >= 1.8
    assert errors[-1] < 1e-3


def test_a_slab_between_two_hot_winds_follows_its_series():
    thick, k, heat, wind = 0.012, 0.45, 3.22e6, 25.0
    dough = bakes.plain_dough(12, k, heat, 25)
    air = Air(bakes.one(250), bakes.one(wind), bakes.one(0), bakes.one(0))
    stack = bakes.stack_of(dough, None, Grid(40, 0, 800, 1.5), air)
    marched = march(stack, bakes.one(240), (0.25, 0.5, 1.0))
    size = stack.size[:, 0]
    place = np.abs(np.cumsum(size) - size / 2 - thick / 2) / (thick / 2)
    biot = wind * thick / 2 / k
    roots = [
        brentq(lambda z: z * np.sin(z) - biot * np.cos(z), n * np.pi + 1e-9, (n + 0.5) * np.pi)
        for n in range(60)
    ]
    for seconds, cells in zip((60, 120, 240), marched.temperatures, strict=True):
        fourier = k / heat * seconds / (thick / 2) ** 2
        exact = 250 - 225 * sum(
            4 * np.sin(z) / (2 * z + np.sin(2 * z)) * np.exp(-z * z * fourier) * np.cos(z * place)
            for z in roots
        )
        assert np.abs(cells[:, 0] - exact).max() < 0.05


# --- laws --------------------------------------------------------------------------------------


def test_heat_and_water_are_conserved_all_over_the_range():
    frame = bakes.sweep(300, seed=3)
    loss, gap = bakes.marched_by_support(frame, cells=14, steps=100)
    assert np.abs(gap).max() < 1e-10
    water = 100 * frame["water_pct"] / (frame["water_pct"] + frame["dry_pct"])
    assert (loss <= water + 1e-9).all()


@settings(max_examples=6, deadline=None)
@given(
    st.sampled_from(bakes.SUPPORTS),
    st.floats(180, 320),
    st.floats(2, 7),
    st.floats(5, 14),
)
def test_hotter_longer_wetter_and_thinner_all_lose_more(support, air_c, minutes, mm):
    mass = 250 * mm / 8
    plain = {"support": support, "air_c": air_c, "bake_min": minutes, "thickness_mm": mm}
    plain |= {"mass_before_g": mass, "support_c": air_c}
    changed = [
        plain,
        plain | {"air_c": air_c + 20},
        plain | {"bake_min": minutes * 1.2},
        plain | {"altitude_m": 1500},
        plain | {"mass_before_g": mass * 0.9, "thickness_mm": mm * 0.9},
    ]
    rows = pd.concat([bakes.bakes(**one) for one in changed], ignore_index=True)
    loss, _ = loss_pct(rows, cells=12)
    dry_through = loss[0] > 43
    assert dry_through or (loss[1:] > loss[0]).all()


def test_a_bake_stops_at_its_dry_matter():
    loss, out = loss_pct(bakes.bakes(bake_min=39.0, thickness_mm=4, mass_before_g=120))
    dry = 100 * (76 - 0.03 * 88) / 164
    assert loss[0] == pytest.approx(dry, abs=0.01)
    assert out["crust_top_mm"][-1, 0] + out["crust_bottom_mm"][-1, 0] == pytest.approx(4)


def test_wet_steam_makes_a_cold_piece_heavier_at_first():
    loss, _ = loss_pct(bakes.bakes(bake_min=0.3, steam_pct=95.0))
    assert loss[0] < 0


def test_asking_on_the_way_gives_what_a_shorter_bake_gives():
    _, long = loss_pct(bakes.bakes(bake_min=6.0), at=(0.5, 1.0), grid="fine")
    _, short = loss_pct(bakes.bakes(bake_min=3.0), grid="fine")
    assert long["lost_kg_m2"][0, 0] == pytest.approx(short["lost_kg_m2"][0, 0], rel=1e-3)


def test_bakes_side_by_side_do_not_touch_each_other():
    frame = bakes.sweep(8, seed=5)
    together, _ = loss_pct(frame, cells=14)
    apart = [loss_pct(frame.iloc[[place]], cells=14)[0][0] for place in (0, 3, 6)]
    # the number of steps follows the longest bake of a group, hence not to the last digit
    assert np.abs(together[[0, 3, 6]] - apart).max() < 0.1


# --- what the grids cost ------------------------------------------------------------------------


@pytest.mark.long
def test_the_fine_grid_is_within_a_tenth_of_a_point_everywhere():
    frame = bakes.sweep(300, seed=3)
    exact = bakes.converged_loss(frame)
    lines = []
    for name in ("rough", "quick", "fine"):
        loss, out = loss_pct(frame, grid=name)
        error = np.abs(loss - exact)
        gap = max(np.abs(out["heat_gap"]).max(), np.abs(out["water_gap"]).max())
        p50, p95, p99 = np.quantile(error, [0.5, 0.95, 0.99])
        lines.append(
            f"{name} grid, 300 bakes: median {p50:.4f}, 95 % below {p95:.3f}, 99 % below "
            f"{p99:.3f}, largest {error.max():.3f} points of loss; heat and water gone missing "
            f"{gap:.1e}"
        )
        assert gap < 1e-10
    results.write("bake_grid", "Grid error of the simulated loss, 3-30 mm, 120-520 °C", lines)
    assert error.max() < 0.1
