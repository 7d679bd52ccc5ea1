"""Mixed models against R's reference fits and the handbooks' analyses of variance."""

from __future__ import annotations

from functools import cache, partial

import pandas as pd

from doughkit.fitting import fit_mixed
from tests.outside import DATA, Check

OPEN, LIBRARY, BOOK, MEMORY = "open data", "reference library", "handbook", "from memory"
R = "R 4.2.2, lme4 1.1-31, lmerTest 3.1-3, pbkrtest 0.5.2 and emmeans 1.8.4 on "
NLME = "Pinheiro and Bates, Mixed-Effects Models in S and S-PLUS, 2000, "
COX = "exact mean squares of the cakes of Cochran and Cox, Experimental Designs, 1957, p. 300"
KR, SATTERTHWAITE = "kenward-roger", "satterthwaite"

TEXT = {"subject": "str", "treatment": "str", "time": "str", "Worker": "str", "judge": "str"}
TEXT |= {"Subject": "str", "product": "str", "panelist": "str", "replicate": "str", "rep": "str"}
TEXT |= {"heat": "str", "temp": "str", "method": "str", "nitro": "str"}
REPLICATES = ["replicate", ("recipe", "replicate")]
WEEKS = [("subject", "time"), ("subject", "treatment", "time")]
PULP, PLOTS = ["rep", ("rep", "method")], ["Block", ("Block", "Variety")]
FRIES = ["potato", "buttery", "grassy", "rancid", "painty"]
INSIDE = ["subject", ("subject", "treatment")]

MODELS = {
    "machines": ("machines", "score", ["Machine"], ["Worker", ("Worker", "Machine")], "linear"),
    "stools": ("stools", "effort", ["Type"], ["Subject"], "linear"),
    "apples": ("apple_taste", "aftertaste", ["product"], ["panelist"], "linear"),
    "corrosion": ("corrosion", "y", ["temp", "coating"], ["heat"], "interactions"),
    "paper": (
        "paper_strength",
        "y",
        ["method", "temp"],
        ["rep", ("rep", "method")],
        "interactions",
    ),
    "oats": (
        "oats",
        "yield",
        ["Variety", "nitro"],
        ["Block", ("Block", "Variety")],
        "interactions",
    ),
    "oats by rate": ("oats", "yield", ["rate"], PLOTS, "linear"),
    "wine": ("wine", "response", ["temp", "contact"], ["judge"], "interactions"),
    "wine bottles": (
        *("wine", "response", ["temp", "contact"]),
        *(["judge", ("judge", "temp", "contact")], "interactions"),
    ),
    "cakes alone": ("cakes", "angle", ["recipe", "step"], REPLICATES[1:], "interactions"),
    "cakes": ("cakes", "angle", ["recipe", "step"], REPLICATES, "interactions"),
    "cakes by degree": ("cakes", "angle", ["recipe", "degree"], REPLICATES, "interactions"),
    "cakes by one slope": ("cakes", "angle", ["recipe", "degree"], REPLICATES, "linear"),
    "cakes alone by one slope": ("cakes", "angle", ["recipe", "degree"], REPLICATES[1:], "linear"),
    "fries": ("french_fries", FRIES, ["treatment"], INSIDE, "linear"),
    "fries by week": (
        *("french_fries", FRIES, ["treatment", "time"]),
        *([*INSIDE, *WEEKS], "interactions"),
    ),
}
"""Name → file, responses, factors, levels of error, terms."""


@cache
def data(name):
    if name == "cakes":
        frame = pd.read_csv(DATA / "chocolate_cakes.csv", dtype=TEXT)
        step = frame["temperature"].astype(str)
        return frame.assign(step=step, degree=frame["temperature"].astype(float))
    frame = pd.read_csv(DATA / f"{name}.csv", dtype=TEXT)
    return frame.assign(rate=frame["nitro"].astype(float)) if name == "oats" else frame


@cache
def fit(name, method=KR):
    file, responses, factors, levels, terms = MODELS[name]
    return fit_mixed(data(file), responses, factors, levels, terms=terms, method=method, level=0.95)


@cache
def differences(name, factor, against=None):
    return fit(name).differences(factor, against=against)


@cache
def means(name, factors, method=KR):
    return fit(name, method).means(*factors)


def cell(frame, column, where):
    for name, value in where.items():
        frame = frame[frame[name] == value]
    assert len(frame) == 1, f"{where}: {len(frame)} rows"
    return frame[column].iloc[0]


def of(table, column, name, method, where):
    return cell(getattr(fit(name, method), table), column, where)


def make(says, where, kind, printed, within, table, column, name, method=KR, /, **at):
    wrong = at.pop("wrong", False)
    get = partial(of, table, column, name, method, at)
    return Check("fitting.fit_mixed", says, where, kind, printed, get, within, wrong)


def compared(says, source, kind, printed, within, get, *, wrong=False):
    return Check("fitting.fit_mixed", says, source, kind, printed, get, within, wrong)


def _criteria():
    for name, printed in {
        "machines": 215.68757,
        "stools": 121.1308,
        "apples": 554.75712,
        "corrosion": 111.2314114,
        "paper": 122.2555982,
        "wine": 558.843,
        "cakes alone": 1633.246181,
        "cakes": 1595.346484,
        "cakes by degree": 1665.3677826,
        "cakes by one slope": 1655.9446150,
        "cakes alone by one slope": 1693.8443124,
        "oats by rate": 593.0418,
    }.items():
        says = f"{name}: twice the negative log restricted likelihood"
        digits = len(str(printed).split(".")[1])
        within = max(1e-6, 0.51 * 10.0**-digits)
        yield make(
            says, R + MODELS[name][0], LIBRARY, printed, within, "figures", "criterion", name
        )


def _variances():
    for name, source, printed, within in (
        ("machines", "Worker", 22.85844, 5e-6),
        ("machines", "Worker × Machine", 13.90946, 5e-6),
        ("machines", "rest", 0.92463, 5e-6),
        ("stools", "Subject", 1.7755, 5e-5),
        ("stools", "rest", 1.2106, 5e-5),
        ("apples", "panelist", 317.333, 5e-4),
        ("apples", "rest", 732.079, 6e-4),
        ("corrosion", "heat", 1172.16663, 1e-3),
        ("corrosion", "rest", 124.54167, 1e-5),
        ("paper", "rep", 2.475694, 1e-6),
        ("paper", "rep × method", 1.274306, 1e-6),
        ("paper", "rest", 3.972222, 1e-6),
        ("oats", "Block", 214.47711, 1e-4),
        ("oats", "Block × Variety", 106.06181, 1e-4),
        ("oats", "rest", 177.08333, 1e-5),
        ("wine", "judge", 73.332, 1e-3),
        ("wine", "rest", 152.084, 1e-3),
        ("wine bottles", "judge × temp × contact", 15.624, 3e-3),
    ):
        says = f"{name}: variance {source}"
        at = {"source": source}
        where = R + MODELS[name][0]
        yield make(says, where, LIBRARY, printed, within, "sources", "variance", name, **at)
    for source, printed in (
        ("rest", 3869 / 189),
        ("recipe × replicate", 12059 / 3240),
        ("replicate", 123493 / 3240),
    ):
        says = f"cakes: variance {source} as a fraction"
        at = {"source": source}
        yield make(says, COX, BOOK, printed, 1e-8, "sources", "variance", "cakes", **at)
    for source, printed in (("Worker", 4.781), ("Worker × Machine", 3.7295), ("rest", 0.9616)):
        says = f"machines: standard deviation {source}"
        at = {"source": source}
        where = NLME + "Machines"
        yield make(says, where, MEMORY, printed, 5.1e-4, "sources", "sd", "machines", **at)


def _tests():
    for name, term, f, df_error, within in (
        ("machines", "Machine", 20.5761, 10, 5e-5),
        ("stools", "Type", 22.3556, 24, 5e-5),
        ("apples", "product", 14.85935, 40.934, 6e-4),
        ("corrosion", "temp", 2.75484, 3, 5e-6),
        ("corrosion", "temp × coating", 4.37571, 9, 5e-6),
        ("paper", "method", 7.0781, 4, 5e-5),
        ("oats", "Variety", 1.48534, 10, 5e-6),
        ("oats", "nitro", 37.68565, 45, 5e-6),
        ("wine", "temp", 61.7059, 60, 5e-5),
        ("wine bottles", "contact", 18.8881, 24, 5e-4),
        ("cakes", "recipe", 1.57805, 28, 5e-6),
        ("cakes", "recipe × step", 1.00620, 210, 5e-6),
        ("cakes alone", "recipe", 0.24879, 42, 5e-6),
        ("cakes by degree", "degree", 94.16323, 222, 5e-6),
        ("cakes by degree", "recipe × degree", 0.04169, 222, 5e-6),
        ("cakes by one slope", "degree", 94.97587, 224, 5e-6),
    ):
        where = R + MODELS[name][0]
        for column, printed, room in (("f", f, within), ("df_error", df_error, 5e-4)):
            says = f"{name}: {column} of {term}"
            yield make(says, where, LIBRARY, printed, room, "tests", column, name, term=term)
    for column, printed, within in (("f", 15.09447, 6e-4), ("df_error", 40.470, 6e-4)):
        where = R + "apple_taste"
        says = f"apples: Satterthwaite's {column}"
        yield make(says, where, LIBRARY, printed, within, "tests", column, "apples", SATTERTHWAITE)
    says = "cakes by degree: recipe's F in an oven at 0 degrees, where no cake was baked"
    at = {"term": "recipe"}
    args = (0.10320, 1e-3, "tests", "f", "cakes by degree")
    yield make(says, R + "cakes", LIBRARY, *args, wrong=True, **at)
    says = "paper: F of the interaction on the unpooled subplot error"
    where = "Montgomery, Design and Analysis of Experiments, split-plot example (12 df)"
    args = (2.957, 1e-2, "tests", "f", "paper")
    yield make(says, where, BOOK, *args, wrong=True, term="method × temp")
    says = "machines: F over what three scores of a worker differ by"
    args = (949.17, 1.0, "tests", "f", "machines")
    yield make(says, R + "machines", LIBRARY, *args, wrong=True)


def _means():
    where = R + "cakes"
    for recipe, printed in (("A", 33.122222), ("B", 31.644444), ("C", 31.6)):
        get = partial(means, "cakes", ("recipe",))
        one = partial(lambda get, r: cell(get(), "mean", {"recipe": r}), get, recipe)
        yield compared(f"cakes: mean of recipe {recipe}", where, LIBRARY, printed, 1e-6, one)
    for column, printed, within in (("se", 1.736833, 1e-6), ("df", 17.36, 5e-3)):
        one = partial(lambda c: cell(means("cakes", ("recipe",)), c, {"recipe": "A"}), column)
        yield compared(f"cakes: {column} of a recipe", where, LIBRARY, printed, within, one)
    pair = {"recipe": "A", "other_recipe": "B"}
    for column, printed, within in (
        ("difference", 1.477778, 1e-6),
        ("se", 0.975276, 1e-6),
        ("df", 28, 1e-6),
        ("p", 0.2993, 5e-5),
    ):
        one = partial(lambda c: cell(differences("cakes", "recipe"), c, pair), column)
        yield compared(f"cakes: {column} of A - B", where, LIBRARY, printed, within, one)
    says = "cakes: SE of A - B when the replicate is forgotten"
    one = partial(lambda: cell(differences("cakes", "recipe"), "se", pair))
    yield compared(says, where, LIBRARY, 2.8823124, 0.1, one, wrong=True)
    for product, printed in (("937", 26.059), ("298", 70.004), ("493", 92.972), ("649", 55.164)):
        one = partial(
            lambda p: cell(means("apples", ("product",)), "mean", {"product": p}), product
        )
        yield compared(f"apples: mean {product}", R + "apple_taste", LIBRARY, printed, 6e-4, one)
    for temp, contact, printed in (("cold", "no", 31.056), ("warm", "yes", 67.278)):
        at = {"temp": temp, "contact": contact}
        one = partial(lambda at: cell(means("wine", ("temp", "contact")), "mean", at), at)
        says = f"wine: mean {temp}, contact {contact}"
        yield compared(says, R + "wine", LIBRARY, printed, 5e-4, one)
    for term, se in (("rate", 6.78148),):
        at = {"term": term}
        args = (73.66667, 5e-6, "coefficients", "estimate", "oats by rate")
        yield make("oats: yield per unit of rate", NLME + "Oats", MEMORY, *args, **at)
        args = (se, 5e-6, "coefficients", "se", "oats by rate")
        yield make("oats: its standard error", NLME + "Oats", MEMORY, *args, **at)


def _at_once():
    where = R + "stools"
    for one, other, column, printed, within in (
        ("T1", "T2", "difference", -3.8889, 5e-5),
        ("T1", "T2", "se", 0.51868, 5e-6),
        ("T1", "T2", "ci_low", -5.3197, 5e-5),
        ("T1", "T2", "ci_high", -2.4580, 5e-5),
        ("T1", "T3", "p", 0.00137, 5e-6),
        ("T1", "T4", "p", 0.58075, 5e-6),
        ("T3", "T4", "p", 0.02958, 5e-6),
    ):
        at = {"Type": one, "other_Type": other}
        get = partial(lambda c, at: cell(differences("stools", "Type"), c, at), column, at)
        says = f"stools, all pairs: {column} of {one}-{other}"
        yield compared(says, where, LIBRARY, printed, within, get)
    for stool, printed in (("T3", 0.0007), ("T4", 0.4457)):
        at = {"Type": stool}
        get = partial(lambda at: cell(differences("stools", "Type", "T1"), "p", at), at)
        says = f"stools, against T1: p of {stool}"
        yield compared(says, where, LIBRARY, printed, 5e-5, get)
    where = "Dunnett, Biometrics 20, 1964, 482-491, two-sided 5 % points"
    half = partial(_half_width_against, "stools", "Type", "T1")
    printed = 2.51
    yield compared("Dunnett's point for 3 on 24 df", where, MEMORY, printed, 6e-3, half)
    says = "Dunnett's point for 3 on 24 df, taken for one comparison"
    yield compared(says, where, MEMORY, 2.064, 6e-3, half, wrong=True)


def _half_width_against(name, factor, against):
    first = differences(name, factor, against).iloc[0]
    return (first["ci_high"] - first["difference"]) / first["se"]


REFERENCE = """
potato,3454.24997926554,3215.96993482554
buttery,2655.47986464462,2572.78195066974
grassy,2293.0615314497,2260.76546562484
rancid,3716.45115091153,3544.80155668107
painty,3600.57101621821,3348.52131186866
"""
"""Attribute, criterion of `fries` and of `fries by week` where lme4's default search stopped."""

AGREE = {
    "criterion": 1e-6,
    "variances over the rest's": 1e-5,
    "means": 1e-6,
    "standard errors, of 1": 1e-6,
    "Kenward-Roger's F, of 1": 1e-5,
    "Kenward-Roger's df, of 1": 1e-5,
    "Satterthwaite's df, of 1": 1e-4,
}
"""What is compared with R's fits driven to the end, and the room it has."""

TIGHT = (
    "R 4.2.2, lme4 1.1-31 (bobyqa, rhoend 1e-10), lmerTest 3.1-3, pbkrtest 0.5.2: "
    "data/mixed_in_r.csv, made by mixed_in_r.R beside it"
)


@cache
def in_r():
    frame = pd.read_csv(DATA / "mixed_in_r.csv", keep_default_na=False)
    return {key: part.set_index(["what", "of"])["value"] for key, part in _fits(frame)}


def _fits(frame):
    return frame.groupby(["model", "response"], sort=False)


@cache
def gaps(name, response):
    """The largest distance between our fit and R's, per kind of figure in AGREE."""
    theirs = in_r()[name, response]
    ours, loose = (
        {table: _own(getattr(fit(name, method), table), response) for table in TABLES}
        for method in (KR, SATTERTHWAITE)
    )
    variance = ours["sources"].set_index("source")["variance"]
    found = {_key(of): value for of, value in theirs["variance"].items()}
    apart = [abs(value - found[_key(of)]) for of, value in variance.items()]
    made = {
        "criterion": abs(ours["figures"]["criterion"].iloc[0] - theirs["criterion", ""]),
        "variances over the rest's": max(apart) / variance["rest"],
        "Kenward-Roger's F, of 1": _away(ours, theirs, "f", "Kenward-Roger"),
        "Kenward-Roger's df, of 1": _away(ours, theirs, "df_error", "Kenward-Roger"),
        "Satterthwaite's df, of 1": _away(loose, theirs, "df_error", "Satterthwaite"),
    }
    if "mean" not in theirs.index.get_level_values(0):
        return made
    factor = MODELS[name][2][0]
    rows, plain = (
        _own(means(name, (factor,), method), response).set_index(factor)
        for method in (KR, SATTERTHWAITE)
    )
    se = [rows["se"] / theirs["se Kenward-Roger"], plain["se"] / theirs["se plain"]]
    made["means"] = (rows["mean"] - theirs["mean"]).abs().max()
    made["standard errors, of 1"] = max((one - 1).abs().max() for one in se)
    return made


TABLES = ("sources", "tests", "figures")


def _own(frame, response):
    return frame[frame["response"] == response]


def _key(of):
    return "rest" if of in ("rest", "Residual") else frozenset(of.replace(" × ", ":").split(":"))


def _away(ours, theirs, column, method):
    tests = ours["tests"].set_index("term")[column]
    return max(
        abs(value / theirs[f"{column} {method}", term.replace(" × ", ":")] - 1)
        for term, value in tests.items()
    )


def _driven_to_the_end():
    for name, response in in_r():
        for what, within in AGREE.items():
            if name == "oats by rate" and what in ("means", "standard errors, of 1"):
                continue
            says = f"{name}, {response}: {what}, largest distance"
            get = partial(lambda key, what: gaps(*key)[what], (name, response), what)
            yield compared(says, TIGHT, LIBRARY, 0.0, within, get)


def _fries():
    where = R + "french_fries (R's reshape2)"
    for line in REFERENCE.split():
        attribute, *printed = line.split(",")
        for name, criterion in zip(("fries", "fries by week"), printed, strict=True):
            args = (float(criterion), 1e-6, "figures", "criterion", name)
            says = f"{name}, {attribute}: criterion where the default search stopped"
            yield make(says, where, LIBRARY, *args, response=attribute)
    says = "fries, potato: degrees of freedom that a variance of zero lets soar"
    args = (681.007, 100, "tests", "df_error", "fries", KR)
    yield make(says, where, LIBRARY, *args, wrong=True, response="potato", term="treatment")


CHECKS = [
    *_criteria(),
    *_variances(),
    *_tests(),
    *_means(),
    *_at_once(),
    *_driven_to_the_end(),
    *_fries(),
]
