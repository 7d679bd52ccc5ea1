"""The shrinkage fit is the Gaussian posterior it says it is, and says what rests on assumptions."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import multivariate_normal, norm

from doughkit.fitting import fit_shrinkage, posterior, starting_assumptions
from doughkit.tables.problems import StudyProblems

SCALE = {"crispness": (1.0, 9.0)}
KINDS = {"salt": "linear", "time": "linear", "salt × time": "interaction", "salt²": "bend"}


def trial(seed, doughs=7, pieces=2):
    """Doughs over three days, two pieces each, and the known noise of unlike pieces."""
    rng = np.random.default_rng(seed)
    dough = np.repeat(np.arange(doughs), pieces)
    salt = rng.choice([-1, -0.5, 0.5, 1], doughs)[dough]
    time = rng.choice([-1.0, 0, 1], len(dough))
    design = pd.DataFrame(
        {"salt": salt, "time": time, "salt × time": salt * time, "salt²": salt**2 - 1 / 3}
    )
    groups = pd.DataFrame({"day": (dough % 3).astype(str), "dough": dough.astype(str)})
    value = 5 + salt - 0.6 * time + rng.normal(size=doughs)[dough] + rng.normal(size=len(dough))
    taste = rng.normal(size=(len(dough), 2 * len(dough)))
    noise = {"crispness": taste @ taste.T / 80}
    return design, pd.DataFrame({"crispness": value}), groups, noise


def fixed(**shares):
    frame = starting_assumptions().assign(log_sd=0.0)
    return frame.assign(share=[shares.get(a, s) for a, s in frame[["assumption", "share"]].values])


def whole_covariance(groups, noise, sizes):
    """The covariance of the observations around their terms, in squared points."""
    total = noise["crispness"] + sizes["piece"] ** 2 * np.eye(len(groups))
    for name in groups:
        same = groups[name].to_numpy()[:, None] == groups[name].to_numpy()[None, :]
        total = total + sizes[name] ** 2 * same
    return total


def fit(data, **options):
    design, responses, groups, noise = data
    options = {"kinds": KINDS, "scales": SCALE, "noise": noise} | options
    return fit_shrinkage(design, responses, groups, **options)


# --- laws --------------------------------------------------------------------------------------


@given(st.integers(0, 10_000))
@settings(max_examples=8, deadline=None)
def test_with_known_spreads_it_is_the_gls_posterior(seed):
    data = trial(seed)
    found = fit(data, assumptions=fixed())
    design, responses, groups, noise = data
    size = found.samples.iloc[0]
    x = np.column_stack([np.ones(len(design)), design])
    kinds = ["constant", *(KINDS[name] for name in design)]
    inverse = np.linalg.inv(whole_covariance(groups, noise, size))
    precision = x.T @ inverse @ x + np.diag([1 / size[kind] ** 2 for kind in kinds])
    covariance = np.linalg.inv(precision)
    mean = covariance @ x.T @ inverse @ (responses["crispness"].to_numpy() - 5)
    mean[0] += 5
    np.testing.assert_allclose(found.coefficients["estimate"], mean, atol=1e-8)
    np.testing.assert_allclose(found.coefficients["sd"], np.sqrt(np.diag(covariance)), atol=1e-8)
    at = found.predict(design.head(3))
    se = np.sqrt(np.einsum("rp,pq,rq->r", x[:3], covariance, x[:3]) + 0.2**2)
    np.testing.assert_allclose(at["ci_high"], x[:3] @ mean + norm.ppf(0.95) * se, atol=1e-8)


@given(st.integers(0, 10_000))
@settings(max_examples=8, deadline=None)
def test_its_likelihood_is_that_of_the_gaussian_process(seed):
    data = trial(seed, doughs=4)
    found = fit(data)
    design, responses, groups, noise = data
    x = np.column_stack([np.ones(len(design)), design])
    kinds = ["constant", *(KINDS[name] for name in design)]
    rows = found.samples.iloc[::9]
    for size in rows.to_dict("records"):
        prior = x @ np.diag([size[kind] ** 2 for kind in kinds]) @ x.T
        whole = prior + whole_covariance(groups, noise, size)
        expected = multivariate_normal([5.0] * len(x), whole).logpdf(responses["crispness"])
        assert size["log_likelihood"] == pytest.approx(expected, abs=1e-8)
    likelihood = found.samples["log_likelihood"] + found.samples["log_chance"]
    weight = np.exp(likelihood - likelihood.max())
    np.testing.assert_allclose(found.samples["weight"], weight / weight.sum(), atol=1e-12)


def test_two_stages_are_one_stage_where_nobody_was_absent():
    design, _, groups, _ = trial(3)
    rng = np.random.default_rng(4)
    people, count, taste = 5, len(design), 0.9
    scores = 5 + design["salt"].to_numpy()[:, None] + rng.normal(size=(count, people))
    means = pd.DataFrame({"crispness": scores.mean(axis=1)})
    noise = {"crispness": np.eye(count) * taste**2 / people}
    two = fit((design, means, groups, noise), assumptions=fixed())
    size = two.samples.iloc[0]
    # One stage: every score, each person's own level free and summing to nothing over the panel.
    own = np.vstack([np.eye(people - 1), -np.ones(people - 1)])
    x = np.column_stack([np.ones(count), design])
    terms = x.shape[1]
    long = np.column_stack([np.repeat(x, people, axis=0), np.tile(own, (count, 1))])
    shared = np.kron(whole_covariance(groups, {"crispness": 0.0}, size), np.ones((people, people)))
    inverse = np.linalg.inv(shared + taste**2 * np.eye(count * people))
    kinds = ["constant", *(KINDS[name] for name in design)]
    prior = np.diag([*(1 / size[kind] ** 2 for kind in kinds), *[0.0] * (people - 1)])
    covariance = np.linalg.inv(long.T @ inverse @ long + prior)
    mean = covariance @ long.T @ inverse @ (scores.ravel() - 5)
    found = two.coefficients
    np.testing.assert_allclose(found["estimate"] - 5 * (found.index == 0), mean[:terms], atol=1e-8)
    np.testing.assert_allclose(found["sd"], np.sqrt(np.diag(covariance))[:terms], atol=1e-8)


@given(st.floats(-50, 50), st.floats(0.01, 100))
@settings(max_examples=10, deadline=None)
def test_another_scale_changes_the_units_and_nothing_else(shift, times):
    design, responses, groups, noise = trial(5)
    one = fit((design, responses, groups, noise))
    moved = responses * times + shift
    wide = {"crispness": noise["crispness"] * times**2}
    scale = {"crispness": (shift + times, shift + 9 * times)}
    two = fit((design, moved, groups, wide), scales=scale)
    names = ["mean", "ci_low", "ci_high", "next_low", "next_high"]
    np.testing.assert_allclose(
        two.predict(design)[names], one.predict(design)[names] * times + shift, rtol=1e-6
    )
    share = "share_from_assumptions"
    np.testing.assert_allclose(two.coefficients[share], one.coefficients[share], atol=1e-7)


def test_flat_assumptions_give_least_squares_and_tight_ones_the_assumption():
    design, responses, groups, _ = trial(6, doughs=9)
    options = {"kinds": KINDS, "scales": SCALE}
    flat = fixed(constant=1e3, linear=1e3, day=0.0, dough=0.0, interaction=1.0, bend=1.0)
    found = fit_shrinkage(design, responses, groups, assumptions=flat, **options)
    x = np.column_stack([np.ones(len(design)), design])
    least = np.linalg.lstsq(x, responses["crispness"].to_numpy(), rcond=None)[0]
    np.testing.assert_allclose(found.coefficients["estimate"], least, atol=1e-4)
    assert found.coefficients["share_from_assumptions"].max() < 1e-4
    tight = fixed(constant=1e-6, linear=1e-6)
    found = fit_shrinkage(design, responses, groups, assumptions=tight, **options)
    np.testing.assert_allclose(found.coefficients["estimate"], [5, 0, 0, 0, 0], atol=1e-6)
    assert found.coefficients["share_from_assumptions"].min() > 0.999


def test_an_empty_cell_is_the_row_left_out():
    design, responses, groups, _ = trial(7)
    options = {"kinds": KINDS, "scales": SCALE}
    gap = responses.copy()
    gap.loc[3, "crispness"] = np.nan
    one = fit_shrinkage(design, gap, groups, **options)
    two = fit_shrinkage(design.drop(3), responses.drop(3), groups.drop(3), **options)
    np.testing.assert_allclose(one.coefficients["estimate"], two.coefficients["estimate"])


def test_one_observation_is_enough_and_most_rests_on_assumptions():
    design, responses, groups, _ = trial(8)
    found = fit_shrinkage(
        design.head(1), responses.head(1), groups.head(1), kinds=KINDS, scales=SCALE
    )
    assert found.coefficients["share_from_assumptions"].iloc[1:].min() > 0.5


def test_intervals_hold_as_often_as_they_say_where_the_assumptions_are_true():
    rng = np.random.default_rng(9)
    held = []
    table = starting_assumptions().set_index("assumption")
    for number in range(60):
        design, _, groups, _ = trial(number)
        size = table["share"] * 8 * np.exp(table["log_sd"] * rng.normal(size=len(table)))
        size[["interaction", "bend"]] *= size["linear"] / 8
        beta = np.array([size[KINDS[name]] for name in design]) * rng.normal(size=4)
        level = 5 + 1.5 * rng.normal()
        value = level + design.to_numpy() @ beta + size["piece"] * rng.normal(size=len(design))
        for name in groups:
            number = groups[name].astype(int)
            value = value + size[name] * rng.normal(size=number.max() + 1)[number]
        found = fit_shrinkage(
            design, pd.DataFrame({"crispness": value}), groups, kinds=KINDS, scales=SCALE
        ).coefficients.iloc[1:]
        held += list((found["ci_low"] <= beta) & (beta <= found["ci_high"]))
    assert 0.84 < np.mean(held) < 0.96


# --- what it says ------------------------------------------------------------------------------


def test_data_against_the_assumptions_are_told():
    design, responses, groups, _ = trial(10)
    noise = np.random.default_rng(1).normal(size=len(design))
    responses = pd.DataFrame({"crispness": 5 + 0.8 * design["salt"] + 0.3 * noise})
    jumpy = responses + 40 * design[["salt"]].to_numpy()
    options = {"kinds": KINDS, "scales": SCALE}
    assert "contradict" not in fit_shrinkage(design, responses, groups, **options).summary()
    said = fit_shrinkage(design, jumpy, groups, **options)
    assert said.figures.loc[0, "conflict"] > 0.5
    assert "contradict the starting assumptions: crispness" in said.summary()


def test_all_faults_are_told_at_once():
    design, responses, groups, _ = trial(11)
    with pytest.raises(StudyProblems) as caught:
        fit_shrinkage(
            design,
            responses.head(3),
            groups,
            kinds={"salt": "linear"},
            scales={"crispness": (9, 1)},
            noise={"crispness": np.eye(2)},
        )
    said = str(caught.value)
    assert "column 'time': found no kind" in said
    assert "found 3 rows" in said
    assert "low below high" in said
    assert "found shape (2, 2)" in said


def test_a_missing_or_broken_assumption_is_named():
    data = trial(12)
    frame = starting_assumptions()
    with pytest.raises(StudyProblems, match="assumption dough: found no row"):
        fit(data, assumptions=frame[frame["assumption"] != "dough"])
    with pytest.raises(StudyProblems, match=r"assumption bend: found share -1"):
        fit(data, assumptions=frame.assign(share=frame["share"].mask(frame.index == 3, -1.0)))
    with pytest.raises(ValueError, match="above 0"):
        starting_assumptions(times=0)


def test_columns_asked_must_be_those_of_the_fit():
    data = trial(13)
    with pytest.raises(StudyProblems, match="expected the columns of the fit: salt, time"):
        fit(data).predict(data[0].drop(columns="salt"))


@pytest.mark.parametrize("taste", ["none", "uneven", "few people", "all alike"])
@pytest.mark.parametrize("pieces", [1, 3])
def test_rows_summed_up_by_what_they_share_answer_as_row_by_row(taste, pieces):
    design, value, groups, _ = trial(3, doughs=45, pieces=pieces)
    draw = np.random.default_rng(4)
    count, people = len(design), draw.integers(10, 14, len(design))
    noise = {
        "none": np.zeros((count, count)),
        "uneven": np.diag(draw.uniform(0.001, 0.004, count)),
        "few people": np.diag(0.02 / people),
        "all alike": np.eye(count) * 0.002,
    }[taste]
    if taste == "few people":
        shared = draw.normal(size=(count, 12)) * (people < 13)[:, None]
        noise = noise + 0.0001 * shared @ shared.T
    labels = [pd.factorize(groups[name])[0] for name in groups.columns]
    labels[1][:5] = -1
    rows = np.column_stack([np.ones(count), design])
    response = (value["crispness"].to_numpy() - 5) / 8
    prior = 0.1 * np.exp(draw.normal(0, 0.5, size=(30, rows.shape[1])))
    spread = 0.01 * np.exp(draw.normal(0, 0.5, size=(30, 3)))
    given = (rows, response, prior**2, labels, spread**2, noise)
    one, other = posterior._row_by_row(*given), posterior._by_what_is_shared(*given)
    sd = np.sqrt(np.diagonal(one[1], axis1=1, axis2=2))
    # Without taste the other road takes large numbers from each other; in long double the road by
    # sums was off by 1e-13 sd there, the one row by row by 1e-9.
    assert np.abs((one[0] - other[0]) / sd).max() < (1e-7 if taste == "none" else 1e-9)
    assert np.abs((one[1] - other[1]) / (sd[:, :, None] * sd[:, None, :])).max() < 1e-9
    np.testing.assert_allclose(one[2], other[2], rtol=1e-9)


def test_a_fit_does_not_jump_where_rows_begin_to_be_summed_up(monkeypatch):
    design, value, groups, noise = trial(5, doughs=20)

    def fitted():
        return fit_shrinkage(design, value, groups, kinds=KINDS, scales=SCALE, noise=noise)

    alone = fitted()
    monkeypatch.setattr(posterior, "MANY_ROWS", 1)
    summed = fitted()
    pd.testing.assert_frame_equal(alone.coefficients, summed.coefficients, rtol=1e-9)
    pd.testing.assert_frame_equal(alone.samples, summed.samples, rtol=1e-8)


def test_a_covariance_that_has_faded_to_a_line_is_rooted_with_a_hair():
    flat = np.ones((1, 3, 3))
    with pytest.raises(np.linalg.LinAlgError):
        np.linalg.cholesky(flat)
    root = posterior._root(flat)
    np.testing.assert_allclose(root @ np.swapaxes(root, 1, 2), flat, atol=1e-8)
