"""What is set once a day, such as the oven's temperature, judged on days, not on doughs."""

import numpy as np
import pandas as pd
import pytest
from scipy.stats import t
from statsmodels.formula.api import mixedlm

from doughkit import texture, trials
from doughkit.tables import StudyProblems
from doughkit.texture.strata import solve_strata
from doughkit.trials.coding import code
from doughkit.trials.factors import read_factors
from doughkit.trials.judging import Bench, by_strata, judging
from doughkit.trials.power import _model
from doughkit.trials.records import days_to_judge_by, join_records
from doughkit.trials.spreads import Spreads
from tests import results

FACTORS = pd.DataFrame(
    {
        "factor": ["hydration_pct", "salt_pct", "oven_c", "bake_min"],
        "low": [54.0, 1.6, 230.0, 5.0],
        "high": [70.0, 2.6, 270.0, 8.0],
        "step": [1.0, 0.1, 10.0, 0.5],
        "changed_per": ["dough", "dough", "day", "piece"],
    }
)
AS_OF_DOUGHS = FACTORS.assign(changed_per=["dough", "dough", "piece", "piece"])
"""The wrong way: every dough of a hot day a repeat of its heat."""


def baked(days=6, doughs_a_day=3, ovens=(230.0, 270.0), seed=0):
    """Each oven temperature on days of its own; dough levels drawn, two bakes a dough."""
    draw = np.random.default_rng(seed)
    names = [f"D{day}{place}" for day in range(days) for place in range(doughs_a_day)]
    doughs = pd.DataFrame({"dough": names, "kind": "test"}).assign(
        hydration_pct=draw.choice([54.0, 62.0, 70.0], len(names)),
        salt_pct=draw.choice([1.6, 2.1, 2.6], len(names)),
    )
    pieces = pd.DataFrame({"dough": np.repeat(names, 2)})
    day = pieces["dough"].str[1].astype(int)
    pieces = pieces.assign(
        piece=[f"{dough}{place % 2}" for place, dough in enumerate(pieces["dough"])],
        bake_day="B" + day.astype(str),
        oven_c=np.array(ovens)[day % len(ovens)],
        bake_min=np.tile([5.0, 8.0], len(names)),
    )
    return doughs, pieces


def tasted(pieces, count=1, spreads=None, seed=1):
    """Scores by chance alone: days, doughs and pieces each with their spread."""
    draw, spreads = np.random.default_rng(seed), spreads or Spreads()
    number = [pd.factorize(pieces[name])[0] for name in ("bake_day", "dough")]
    day = spreads.day * draw.normal(size=(count, number[0].max() + 1))[:, number[0]]
    dough = spreads.dough * draw.normal(size=(count, number[1].max() + 1))[:, number[1]]
    own = spreads.of_piece**0.5 * draw.normal(size=(count, len(pieces)))
    return pd.DataFrame(
        {
            "attribute": np.repeat([f"a{one}" for one in range(count)], len(pieces)),
            "piece": np.tile(pieces["piece"], count),
            "mean": 5 + (day + dough + own).ravel(),
        }
    )


def shared_out(doughs, pieces, values=None, **more):
    values = tasted(pieces) if values is None else values
    return texture.fit(values, doughs, pieces, FACTORS, **more)


def test_each_factor_is_judged_on_its_own_differences():
    found = shared_out(*baked(), terms="linear")
    effects = found.effects.set_index("term")
    assert effects["stratum"].to_dict() == {
        "hydration_pct": "dough", "salt_pct": "dough", "oven_c": "day", "bake_min": "piece"
    }  # fmt: skip
    check = found.checks.iloc[0]
    assert check[["df_day", "df_dough", "df_piece"]].tolist() == [4, 18 - 6 - 2, 36 - 18 - 1]
    assert list(found.sources["stratum"].drop_duplicates()) == ["day", "dough", "piece"]
    told = trials.what_it_tells(*baked(), FACTORS, terms="linear")
    assert told.effects["stratum"].tolist() == effects["stratum"].tolist()
    assert told.strata["df"].tolist() == check[["df_day", "df_dough", "df_piece"]].tolist()


def test_a_dough_factor_that_never_varied_within_a_day_is_judged_on_days_too():
    doughs, pieces = baked(days=8)
    of_day = doughs["dough"].str[1].astype(int)
    doughs = doughs.assign(salt_pct=np.array([1.6, 2.1, 2.6])[of_day // 2 % 3])
    found = shared_out(doughs, pieces, terms="linear")
    told = trials.what_it_tells(doughs, pieces, FACTORS, terms="linear")
    assert found.effects.set_index("term")["stratum"]["salt_pct"] == "day"
    assert told.effects["stratum"].tolist() == found.effects["stratum"].tolist()
    left = found.checks.loc[0, ["df_day", "df_dough", "df_piece"]].tolist()
    assert told.strata["df"].tolist() == left == [5, 15, 23]


def test_a_round_where_days_are_even_gives_the_t_test_on_the_means_of_days():
    doughs, pieces = baked()
    levels = dict(zip(doughs["dough"], [54.0, 62.0, 70.0] * 6, strict=True))
    doughs = doughs.assign(hydration_pct=doughs["dough"].map(levels)).drop(columns="salt_pct")
    factors = FACTORS[FACTORS["factor"] != "salt_pct"]
    values = tasted(pieces)
    found = texture.fit(values, doughs, pieces, factors, terms="linear").effects.set_index("term")
    means = values.set_index("piece")["mean"].groupby(pieces.set_index("piece")["bake_day"]).mean()
    hot = pieces.groupby("bake_day")["oven_c"].first() == 270
    apart = means[hot].mean() - means[~hot].mean()
    error = np.sqrt((means[hot].var() + means[~hot].var()) / 2 * 2 / 3)
    assert found.loc["oven_c", ["low_to_high", "se", "df"]].tolist() == pytest.approx(
        [apart, error, 4]
    )


def test_estimates_of_an_even_round_are_those_of_the_whole_mixed_model():
    doughs, pieces = baked(days=8, ovens=(230.0, 250.0, 270.0, 250.0))
    doughs = doughs.assign(
        hydration_pct=np.tile([54.0, 62.0, 70.0], 8), salt_pct=np.tile([2.1, 1.6, 2.6], 8)
    )
    loud = Spreads(day=1.0, dough=1.0)
    values = tasted(pieces, 1, loud, seed=3)
    found = texture.fit(values, doughs, pieces, FACTORS, terms="linear")
    rows = pieces.merge(doughs, on="dough")
    coded = code(rows, FACTORS).assign(mean=values["mean"], **rows[["dough", "bake_day"]])
    terms = list(FACTORS["factor"])
    fitted = mixedlm(
        f"mean ~ {' + '.join(terms)}",
        coded,
        groups="bake_day",
        re_formula="1",
        vc_formula={"dough": "0 + C(dough)"},
    ).fit(reml=True)
    ours = found.effects.set_index("term")
    assert ours.loc[terms, "low_to_high"].to_numpy() == pytest.approx(
        2 * fitted.fe_params[terms].to_numpy(), abs=1e-6
    )
    assert ours.loc[terms, "se"].to_numpy() == pytest.approx(
        2 * fitted.bse_fe[terms].to_numpy(), rel=2e-3
    )


def test_one_dough_a_day_is_judged_as_a_dough_always_was():
    doughs, pieces = baked(days=8, doughs_a_day=1)
    values = tasted(pieces)
    by_day = texture.fit(values, doughs, pieces, FACTORS, terms="linear")
    plain = texture.fit(values, doughs, pieces, AS_OF_DOUGHS, terms="linear")
    kept = ["term", "low_to_high", "se", "df", "p", "stratum"]
    pd.testing.assert_frame_equal(by_day.effects[kept], plain.effects[kept])
    assert by_day.checks["df_day"].isna().all()
    told = trials.what_it_tells(doughs, pieces, FACTORS, terms="linear")
    assert set(told.effects["df"]) == {4, 7}


def test_uneven_days_and_a_dough_with_one_piece_are_still_fitted():
    doughs, pieces = baked(days=7)
    pieces = pieces.drop(index=[0, 7, 8, 9, 20])
    doughs = doughs[doughs["dough"].isin(pieces["dough"])]
    found = shared_out(doughs, pieces, terms="linear")
    assert found.checks.loc[0, "df_day"] == 5 and found.effects["se"].notna().all()
    asked = pd.DataFrame({"hydration_pct": [60.0], "salt_pct": 2.0, "oven_c": 250, "bake_min": 6})
    told = found.predict(asked).iloc[0]
    assert told["next_high"] - told["next_low"] > told["ci_high"] - told["ci_low"]
    assert np.isfinite(found.draws(asked, n=5, seed=1)["value"]).all()


def test_the_reference_of_every_day_does_not_stand_in_the_way():
    doughs, pieces = baked()
    tasted_daily = pd.DataFrame({"dough": "REF", "piece": [f"REF{day}" for day in range(6)]})
    tasted_daily["bake_day"] = [f"B{day}" for day in range(6)]
    more = pd.concat([pieces, tasted_daily], ignore_index=True)
    named = pd.concat([doughs, pd.DataFrame({"dough": ["REF"], "kind": ["reference"]})])
    values = tasted(more)
    found = texture.fit(values, named, more, FACTORS, terms="linear")
    assert found.left_out["why"].tolist() == ["the reference has no levels"] * 6
    assert found.checks.loc[0, "df_day"] == 4


@pytest.mark.parametrize(
    ("days", "ovens", "terms", "words"),
    [
        (2, (230.0, 270.0), "linear", "2 bake days for what only days can tell: constant, oven_c; "
                                      "expected 3 bake days or more"),
        (3, (230.0, 250.0, 270.0), "quadratic", "3 bake days for .*oven_c²; expected 4 bake days"),
    ],
)  # fmt: skip
def test_too_few_days_are_refused_in_words(days, ovens, terms, words):
    with pytest.raises(StudyProblems, match=words):
        shared_out(*baked(days=days, ovens=ovens, doughs_a_day=5, seed=2), terms=terms)


def test_two_levels_in_a_day_a_dough_on_two_days_and_a_missing_day_are_refused():
    doughs, pieces = baked()
    values = tasted(pieces)
    oven, day = list(pieces["oven_c"][1:]), list(pieces["bake_day"][1:])
    for wrong, words in (
        (pieces.assign(oven_c=[270.0, *oven]), r"bake day B0, column 'oven_c'.*one level a day"),
        (pieces.assign(bake_day=["B2", *day]), r"dough D00.*baked on 2 days; expected one day"),
        (pieces.assign(bake_day=[None, *day]), "piece D000 of dough D00, column 'bake_day'"),
        (pieces.drop(columns="bake_day"), "a column 'bake_day'"),
    ):
        with pytest.raises(StudyProblems, match=words):
            shared_out(doughs, wrong, values)


def false_alarms(days, doughs_a_day, spreads, count, seed):
    """Times in 100 that 5 % tests find an oven temperature that does nothing.

    Judged on days; on doughs, as if each had a day of its own; on pieces, as if each had a dough.
    """
    doughs, pieces = baked(days=days, doughs_a_day=doughs_a_day, seed=seed)
    values = tasted(pieces, count, spreads, seed)
    y = values["mean"].to_numpy().reshape(count, -1)
    alone = pieces.assign(dough=pieces["piece"]), doughs.merge(pieces[["dough", "piece"]])
    lone = alone[1].assign(dough=alone[1]["piece"]).drop(columns="piece")
    found = []
    for one, baked_of, factors in (
        (doughs, pieces, FACTORS), (doughs, pieces, AS_OF_DOUGHS), (lone, alone[0], AS_OF_DOUGHS)
    ):  # fmt: skip
        first = values.iloc[: len(pieces)]
        fitted = texture.fit(first, one, baked_of, factors, terms="linear")
        strata = fitted.surfaces["a0"].strata
        day = None if strata.days is None else strata.days.group
        heat = np.zeros((1, len(strata.beta)))
        heat[0, 1 + list(factors["factor"]).index("oven_c")] = 2.0
        hits = 0
        for mean in y:
            solved = solve_strata(strata.layout, mean, day)
            se, df = solved.error(heat)
            hits += abs(heat @ solved.beta) > t.ppf(0.975, df) * se
        found.append(100 * float(hits[0]) / count)
        effect = fitted.effects.set_index("term").loc["oven_c"]
        again = solve_strata(strata.layout, y[0], day)
        assert float((heat @ again.beta)[0]) == pytest.approx(effect["low_to_high"])
        assert again.error(heat)[0][0] == pytest.approx(effect["se"])
    return found


def test_a_heat_that_does_nothing_is_found_in_one_of_twenty_and_far_oftener_on_doughs():
    by_day, by_dough, by_piece = false_alarms(6, 3, Spreads(day=0.5), 300, seed=5)
    assert by_day == pytest.approx(5, abs=3)
    assert by_dough > 12 and by_piece > 25


@pytest.mark.parametrize("seed", range(4))
def test_power_judges_a_round_by_days_as_texture_does(seed):
    doughs, pieces = baked(seed=seed)
    values = tasted(pieces, 1, seed=seed)
    fitted = texture.fit(values, doughs, pieces, FACTORS, terms="linear", level=0.95)
    table, _ = join_records(doughs, pieces, FACTORS)
    contrasts, columns = _model(table, FACTORS, "linear", None)
    day, by_day = days_to_judge_by(table, read_factors(FACTORS), None)
    bench = Bench(
        columns,
        np.vstack(list(contrasts.values())),
        pd.factorize(table["dough"])[0],
        day,
        Spreads(),
        0.95,
        by_day,
    )
    y = values.set_index("piece")["mean"].loc[table["piece"]].to_numpy()
    estimate, error, df = (one[0] for one in by_strata(y[None], judging(bench)))
    assert estimate == pytest.approx(fitted.effects["low_to_high"].to_numpy(), abs=1e-9)
    assert error == pytest.approx(fitted.effects["se"].to_numpy(), rel=1e-6)
    assert df == pytest.approx(fitted.effects["df"].to_numpy(), rel=1e-6)
    left = judging(bench).degrees
    assert left == {one: fitted.checks.loc[0, f"df_{one}"] for one in ("piece", "dough", "day")}


def test_power_of_what_is_set_once_a_day_is_that_of_its_days():
    doughs, pieces = baked()
    found = trials.power(doughs, pieces, FACTORS, changes=(0.0, 1.0), seed=1,
                         spreads=Spreads(day=0.5)).set_index(["effect", "change"])  # fmt: skip
    heat, water = found.loc["oven temperature"], found.loc["hydration"]
    assert heat["stratum"].eq("day").all() and heat["df"].eq(4).all()
    assert heat.loc[0.0, "found_pct"] == pytest.approx(5, abs=1.2)
    assert heat.loc[1.0, "found_pct"] < water.loc[1.0, "found_pct"]
    alike = trials.power(doughs, pieces.drop(columns="bake_day"), FACTORS, seed=1)
    assert alike.loc[alike["effect"].eq("oven temperature"), "found_pct"].isna().all()


@pytest.mark.long
def test_false_alarms_of_what_is_set_once_a_day_in_full():
    """10,000 rounds a row."""
    lines = [
        "The oven's temperature, set once a day, does nothing; how often, in 100 rounds, a test at",
        "5 % finds that it does: judged on days; on doughs, as if each had a day of its own; and",
        "on pieces, as if each had a dough of its own. Default spreads but for the days'; linear",
        "terms, two oven temperatures, two bakes a dough, 10,000 rounds a row.",
        "",
        "days  doughs a day  day spread | on days  on doughs  on pieces",
    ]
    for days, each, spread in ((6, 3, 0.25), (6, 3, 0.5), (4, 3, 0.5), (10, 3, 0.25)):
        right, *wrong = false_alarms(days, each, Spreads(day=spread), 10_000, seed=7)
        shown = "".join(f"{one:11.1f}" for one in wrong)
        lines.append(f"{days:4d}{each:14d}{spread:12.2f} | {right:7.1f}{shown}")
        assert right == pytest.approx(5, abs=1) and min(wrong) > 7.5
    results.write("days", "False alarms of a factor set once a day", lines)
