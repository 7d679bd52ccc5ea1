"""Ordered answers: second roads by brute force, laws, and estimates that are refused."""

import time

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from doughkit.fitting import fit_ordered
from doughkit.fitting.mixed_layout import Level
from doughkit.fitting.ordered_integral import log_chance, slopes
from doughkit.fitting.ordered_model import Model
from doughkit.tables import StudyProblems
from tests import results


def answers(seed, *, people=6, doughs=3, portions=2, sd=1.0, view=0.0, step=1.0):
    draw = np.random.default_rng(seed)
    shape = (people, doughs, portions)
    a, d, _ = (one.ravel() for one in np.indices(shape))
    hidden = (
        step * d + draw.normal(0, 1, people)[a] * sd + view * draw.normal(0, 1, shape[:2])[a, d]
    )
    hidden = hidden + draw.logistic(size=a.size)
    score = 1.0 + np.searchsorted([-0.7, 0.8, 2.5], hidden)
    return pd.DataFrame({"assessor": a.astype(str), "dough": d.astype(str), "score": score})


def test_a_middle_chance_is_the_difference_of_two_logistic_curves():
    low, high = np.array([-2.0, -np.inf, 1.0, 700.0]), np.array([1.5, 0.3, np.inf, 701.0])
    plain = stats.logistic.cdf(high) - stats.logistic.cdf(low)
    assert np.exp(log_chance(low, high))[:3] == pytest.approx(plain[:3])
    assert log_chance(low, high)[3] == pytest.approx(-700 + np.log(1 - np.exp(-1)))
    step = 1e-6
    up, down = slopes(low, high)
    assert up[:2] == pytest.approx(
        (log_chance(low, high + step) - log_chance(low, high - step))[:2] / (2 * step), abs=1e-6
    )
    assert down[[0, 2]] == pytest.approx(
        (log_chance(low + step, high) - log_chance(low - step, high))[[0, 2]] / (2 * step), abs=1e-6
    )


def brute_one(low, high, spread):
    """One person's chance by a fine grid: the rows share one normal shift."""
    grid = np.linspace(-9, 9, 801)
    each = np.exp(log_chance(low - spread * grid[:, None], high - spread * grid[:, None])).prod(1)
    return (each * stats.norm.pdf(grid)).sum() * (grid[1] - grid[0])


def brute_two(low, high, cell, spread):
    """The same with a shift of each cell within the person's own."""
    grid = np.linspace(-8, 8, 241)
    width, weight = grid[1] - grid[0], stats.norm.pdf(grid)
    total = np.ones(grid.size)
    for one in np.unique(cell):
        shift = spread[0] * grid[:, None, None] + spread[1] * grid[None, :, None]
        rows = cell == one
        each = np.exp(log_chance(low[rows] - shift, high[rows] - shift)).prod(-1)
        total *= (each * weight).sum(1) * width
    return (total * weight).sum() * width


def bounds(model, at):
    cut = np.cumsum(np.append(at[0], np.exp(at[1 : model.cuts])))
    edges = np.concatenate([[-np.inf], cut, [np.inf]])
    shift = model.columns @ at[model.cuts : model.fixed]
    return edges[model.category] - shift, edges[model.category + 1] - shift


def three_by_three(seed=3, portions=1):
    frame = answers(seed, people=3, portions=portions, view=1.0)
    person = pd.factorize(frame["assessor"])[0]
    dough = pd.factorize(frame["dough"])[0]
    category = np.unique(frame["score"], return_inverse=True)[1]
    levels = [Level("person", person, 3), Level("cell", 3 * person + dough, 9)]
    return Model(np.eye(3)[dough][:, 1:], category, levels)


@pytest.mark.parametrize("spread", [[1.2], [1.2, 0.8], [0.4, 2.0]])
@pytest.mark.parametrize("portions", [1, 2])
def test_the_likelihood_of_three_people_and_three_doughs_equals_brute_force(spread, portions):
    model = three_by_three(portions=portions)
    at = np.concatenate([[-0.5], np.full(model.cuts - 1, 0.3), [0.8, 1.5], spread])
    low, high = bounds(model, at)
    levels = model.levels[: len(spread)]
    expected = 0.0
    for one in range(3):
        own = levels[0].code == one
        if len(spread) == 1:
            expected += np.log(brute_one(low[own], high[own], spread[0]))
        else:
            expected += np.log(brute_two(low[own], high[own], levels[1].code[own], spread))
    value, slope = model.log_likelihood(at, levels)
    assert value == pytest.approx(expected, abs=1e-4 if len(spread) > 1 else 1e-7)
    step = 1e-5
    for k, unit in enumerate(np.eye(at.size)):
        change = (
            model.log_likelihood(at + step * unit, levels)[0]
            - model.log_likelihood(at - step * unit, levels)[0]
        )
        assert slope[k] == pytest.approx(change / (2 * step), abs=2e-4)


def test_the_best_point_for_two_levels_of_error_is_the_best_of_brute_force():
    frame = answers(8, people=3, portions=3, view=1.5)
    fit = fit_ordered(frame, "score", [], ["assessor", ("assessor", "dough")])
    spread = fit.sources["sd"].to_numpy()
    person = pd.factorize(frame["assessor"])[0]
    cell = 3 * person + pd.factorize(frame["dough"])[0]
    category = np.unique(frame["score"], return_inverse=True)[1]

    def total(cut, spread):
        edges = np.concatenate([[-np.inf], cut, [np.inf]])
        low, high = edges[category], edges[category + 1]
        return sum(
            np.log(brute_two(low[person == a], high[person == a], cell[person == a], spread))
            for a in range(3)
        )

    cut = fit.thresholds["estimate"].to_numpy()
    best = total(cut, spread)
    assert fit.figures["log_likelihood"].iloc[0] == pytest.approx(best, abs=1e-4)
    for moved in ([1.1, 1.1], [0.9, 0.9], [1.0, 1.2], [0.8, 1.0]):
        assert total(cut, spread * moved) <= best + 1e-4


def test_people_alike_in_level_are_reported_as_such():
    fit = fit_ordered(answers(3, sd=0.0, people=8), "score", ["dough"], ["assessor"])
    assert fit.sources["at_zero"].iloc[0] and "assessor none found" in fit.summary()
    plain = fit_ordered(answers(3, sd=0.0, people=8), "score", ["dough"])
    assert fit.figures["log_likelihood"].iloc[0] == plain.figures["log_likelihood"].iloc[0]


def test_only_the_order_of_the_scores_counts():
    frame = answers(5)
    bent = frame.assign(score=frame["score"] ** 3 / 7)
    plain, other = (fit_ordered(one, "score", ["dough"], ["assessor"]) for one in (frame, bent))
    assert other.coefficients["estimate"].to_numpy() == pytest.approx(
        plain.coefficients["estimate"].to_numpy(), abs=1e-6
    )
    turned = fit_ordered(frame.assign(score=-frame["score"]), "score", ["dough"], ["assessor"])
    assert turned.coefficients["estimate"].to_numpy() == pytest.approx(
        -plain.coefficients["estimate"].to_numpy(), abs=1e-4
    )


def test_scores_that_nobody_gave_are_merged_and_reported():
    frame = answers(5)
    gap = frame.assign(score=frame["score"].replace(3.0, 2.0))
    fit = fit_ordered(gap, "score", ["dough"], ["assessor"])
    assert fit.categories.values.tolist()[2][:2] == [3.0, 0.0]
    assert fit.categories["merged_into"].tolist()[2] == 2.0
    assert fit.thresholds["between"].tolist() == ["1 | 2", "2 | 4"]


def test_a_factor_that_parts_the_answers_is_refused_and_never_printed():
    frame = answers(5)
    ends = frame["score"].where(frame["dough"] != "2", 4.0).where(frame["dough"] != "0", 1.0)
    with pytest.raises(StudyProblems, match="dough 1, dough 2': found answers that this part"):
        fit_ordered(frame.assign(score=ends), "score", ["dough"], ["assessor"])
    with pytest.raises(StudyProblems, match="answers all alike"):
        fit_ordered(frame.assign(score=2.0), "score", ["dough"], ["assessor"])
    with pytest.raises(StudyProblems, match="at most one finer level within it"):
        fit_ordered(frame, "score", [], ["assessor", "dough"])


def test_an_empty_answer_means_the_same_as_an_absent_row():
    frame = answers(6)
    hole = frame.assign(score=frame["score"].mask(frame.index % 5 == 2))
    fit = fit_ordered(hole, "score", ["dough"], ["assessor"])
    bare = fit_ordered(hole.dropna(), "score", ["dough"], ["assessor"])
    pd.testing.assert_frame_equal(fit.coefficients, bare.coefficients)
    assert fit.figures["left_out"].iloc[0] == 7


def test_four_hundred_answers_take_a_second_at_most():
    frame = answers(1, people=12, doughs=12, portions=3, step=0.2)
    started = time.process_time()
    fit = fit_ordered(frame, "score", ["dough"], ["assessor"])
    assert len(fit.coefficients) == 11
    assert time.process_time() - started < 3


@pytest.mark.long
def test_a_panel_with_own_views_of_doughs_is_fitted_within_seconds():
    frame = answers(1, people=12, doughs=12, portions=3, step=0.2, view=0.7)
    started = time.process_time()
    fit = fit_ordered(frame, "score", ["dough"], ["assessor", ("assessor", "dough")])
    spent = time.process_time() - started
    print(f"432 answers, assessor and assessor × dough: {spent:.1f} s with all tests")
    assert not fit.sources["at_zero"].any() and spent < 60


def sparse(seed):
    """Few answers on a long scale, often the ends only, sometimes a dough all of one answer."""
    draw = np.random.default_rng(seed)
    people, doughs, portions = (int(draw.integers(*ends)) for ends in ((2, 7), (2, 5), (1, 3)))
    shape = (people, doughs, portions)
    a, d, _ = (one.ravel() for one in np.indices(shape))
    hidden = draw.choice([0.5, 2, 5]) * d + draw.choice([0, 1, 3]) * draw.normal(size=people)[a]
    score = np.clip(np.round(hidden + draw.logistic(size=a.size)), -2, 6)
    score = np.where(draw.random(a.size) < draw.choice([0, 0.3]), np.nan, score)
    return pd.DataFrame(
        {"assessor": a.astype(str), "dough": d.astype(str), "salt_pct": 1 + d / 10, "score": score}
    )


ASKED = (
    (["dough"], ["assessor"]),
    (["dough"], []),
    (["salt_pct"], ["assessor"]),
    ([], ["assessor"]),
    (["dough"], ["assessor", ("assessor", "dough")]),
)


def tamed(seeds):
    """Sparse tables fitted, refused, with merged scores; the largest figures of those shown."""
    refused, merged, largest = 0, 0, np.zeros(4)
    for seed in seeds:
        frame = sparse(seed)
        try:
            fit = fit_ordered(frame, "score", *ASKED[seed % len(ASKED)])
        except StudyProblems:
            refused += 1
            continue
        for table in (fit.coefficients, fit.thresholds, fit.tests, fit.sources, fit.figures):
            numbers = table.select_dtypes("number").drop(columns="df", errors="ignore").to_numpy()
            assert np.isfinite(numbers.astype(float)).all(), seed
        assert (fit.coefficients["se"] > 0).all() and (fit.thresholds["se"] > 0).all(), seed
        reach = np.ptp(frame["salt_pct"][frame["score"].notna()]) if seed % len(ASKED) == 2 else 1
        largest = np.fmax(
            largest,
            [
                (fit.coefficients["estimate"].abs() * reach).max(),
                (fit.coefficients["se"] * reach).max(),
                fit.thresholds["se"].max(),
                fit.sources["sd"].max(),
            ],
        )
        merged += fit.categories["merged_into"].notna().any()
    assert largest.max() <= 12
    return len(seeds) - refused, refused, int(merged), largest


def test_sparse_answers_are_fitted_tamely_or_refused():
    fitted, refused, merged, _ = tamed(range(20))
    assert fitted and refused and merged


@pytest.mark.long
def test_five_hundred_sparse_tables_give_no_wild_estimate():
    fitted, refused, merged, largest = tamed(range(500))
    results.write(
        "ordered",
        "Ordered answers in sparse tables: python -m pytest -m long tests/test_fitting_ordered.py",
        [
            "2-6 people, 2-4 doughs, 1-2 portions, up to nine scores, up to a third unanswered;",
            "five models in turn, with none, one or two levels of error (logistic units)",
            f"{fitted + refused} tables: {fitted} fitted, {merged} of them with scores merged; "
            f"{refused} refused in words; none with a figure that is not finite",
            f"largest of the fitted: effect over its factor's range {largest[0]:.1f}, its standard "
            f"error {largest[1]:.1f}, a threshold's {largest[2]:.1f}, a spread {largest[3]:.1f} "
            "(refused beyond 12)",
        ],
    )
    assert fitted >= 100 and refused >= 50


def test_a_slope_is_judged_over_the_range_of_its_factor():
    """Salt in percent or in parts of a thousandth: the same fit, shown or refused alike."""
    frame = answers(5).assign(salt=lambda one: 1 + one["dough"].astype(float) / 50)
    fit = fit_ordered(frame, "score", ["salt"], ["assessor"])
    assert fit.coefficients["estimate"].iloc[0] > 12
    parted = frame.assign(score=frame["dough"].astype(float), salt=frame["salt"] * 5000)
    with pytest.raises(StudyProblems, match="separates completely"):
        fit_ordered(parted, "score", ["salt"], ["assessor"])


def test_people_who_part_the_answers_are_named():
    apart = answers(5).assign(score=lambda one: one["assessor"].astype(float) // 2)
    with pytest.raises(StudyProblems, match="column 'assessor': found answers that this"):
        fit_ordered(apart, "score", ["dough"], ["assessor"])


@pytest.mark.parametrize("seed", [22, 27, 167])
def test_people_far_apart_are_integrated_as_closely_as_others(seed):
    """Twenty points once ended these far from any peak; the second road is a fine grid."""
    frame = sparse(seed).dropna()
    fit = fit_ordered(frame, "score", ["salt_pct"], ["assessor"])
    spread = fit.sources["sd"].iloc[0]
    assert spread > 2
    centred = frame["salt_pct"] - frame["salt_pct"].mean()
    shift = fit.coefficients["estimate"].iloc[0] * centred.to_numpy()
    edges = np.concatenate([[-np.inf], fit.thresholds["estimate"], [np.inf]])
    category = np.unique(frame["score"], return_inverse=True)[1]
    low, high = edges[category] - shift, edges[category + 1] - shift
    total = sum(
        np.log(brute_one(low[rows], high[rows], spread))
        for rows in frame.groupby("assessor").indices.values()
    )
    assert fit.figures["log_likelihood"].iloc[0] == pytest.approx(total, abs=1e-4)
