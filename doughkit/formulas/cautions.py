"""What a formula asks one to be careful of: allergens by law, salt in the finished piece."""

from __future__ import annotations

import csv
import functools

import numpy as np
import pandas as pd

from doughkit.formulas.account import Account, account
from doughkit.formulas.checks import each_named
from doughkit.formulas.known import HERE
from doughkit.formulas.summed import figures_of, what_lines_bring
from doughkit.tables.problems import problem_error

SODIUM_PER_SALT = 22.990 / 58.443
"""Share of sodium in common salt, by the atomic masses of sodium and chlorine (IUPAC)."""

OTHER_WORDS = {
    "cereals": "gluten",
    "rye": "gluten",
    "barley": "gluten",
    "oats": "gluten",
    "spelt": "wheat",
    "eggs": "egg",
    "peanuts": "peanut",
    "soy": "soya",
    "soybean": "soya",
    "soybeans": "soya",
    "dairy": "milk",
    "lactose": "milk",
    "tree nuts": "nuts",
    "nut": "nuts",
    "almond": "nuts",
    "hazelnut": "nuts",
    "walnut": "nuts",
    "shellfish": "crustaceans",
    "sesame seeds": "sesame",
    "sulfites": "sulphites",
}
"""Other words for an allergen, as a study may write them."""


def allergens(formulas, ingredients=None) -> pd.DataFrame:
    """List what allergens each formula holds, by the lists of the EU and of the US.

    Question: what must be declared before anybody tastes this?

    Parameters
    ----------
    formulas : DataFrame
        As `bakers_percent` takes them.
    ingredients : DataFrame, optional
        The study's own composition, whose column `allergens` is read here; see `composition`.

    Returns
    -------
    DataFrame, one row per formula, jurisdiction and allergen: formula, jurisdiction (EU, US, or
    none for a word on neither list), allergen (as the list calls it), comes_with (ingredients),
    law, edition, in_force.

    Raises
    ------
    StudyProblems as `bakers_percent`.

    Range: what the table of ingredients says, by name alone. A label may say more (traces,
    sulphites in dried fruit, milk in margarine): read it. Local law comes first.

    Source: Regulation (EU) No 1169/2011, Annex II; US Federal Food, Drug, and Cosmetic Act, section
    201(qq) as amended 2021; both from memory, edition and date in each row.

    >>> import pandas as pd
    >>> plain = pd.DataFrame(
    ...     {"formula": "Flat", "ingredient": ["bread flour", "water", "butter"],
    ...      "amount": ["500", "300", "20"], "unit": "g"})
    >>> allergens(plain)[["jurisdiction", "allergen"]].values.tolist()
    [['EU', 'cereals containing gluten'], ['EU', 'milk'], ['US', 'milk'], ['US', 'wheat']]
    """
    one = account(formulas, ingredients)
    lines = np.flatnonzero(one.grams[1] > 0)
    listed = [_words(text) for text in one.known.table["allergens"].fillna("")]
    found: dict[tuple, dict] = {}
    for formula, place in dict.fromkeys(zip(one.formula[lines], one.place[lines], strict=True)):
        for word in listed[place]:
            for entry in _laws().get(word, [_on_no_list(word)]):
                key = (formula, entry["jurisdiction"], entry["allergen"])
                held = found.setdefault(key, {"comes_with": {}, **entry})
                held["comes_with"][one.known.names[place]] = None
    rows = [
        {
            "formula": one.formulas[formula],
            "jurisdiction": jurisdiction,
            "allergen": allergen,
            "comes_with": ", ".join(entry["comes_with"]),
            **{name: entry[name] for name in ("law", "edition", "in_force")},
        }
        for (formula, jurisdiction, allergen), entry in sorted(
            found.items(), key=lambda one: one[0]
        )
    ]
    columns = ["formula", "jurisdiction", "allergen", "comes_with", "law", "edition", "in_force"]
    frame = pd.DataFrame(rows, columns=columns).astype("str")
    return frame.assign(in_force=pd.to_datetime(frame["in_force"], format="%Y-%m-%d"))


def _words(text: str) -> list[str]:
    """Allergens of one ingredient, each under one word."""
    words = [" ".join(word.split()).casefold() for word in text.split("|")]
    return list(dict.fromkeys(OTHER_WORDS.get(word, word) for word in words if word))


def _on_no_list(word: str) -> dict:
    return {"jurisdiction": "none", "allergen": word, "law": "", "edition": "", "in_force": None}


@functools.cache
def _laws() -> dict[str, list[dict]]:
    laws: dict[str, list[dict]] = {}
    with (HERE / "allergens.csv").open(encoding="utf8", newline="") as file:
        for row in csv.DictReader(file):
            laws.setdefault(row.pop("word"), []).append(row)
    return laws


def salt_per_100g(formulas, ingredients=None, *, bake_loss_pct) -> pd.DataFrame:
    """Give the salt in 100 g of the finished piece, beside public-health figures.

    Question: how salty is the baked piece, and what would the health authorities say?

    Parameters
    ----------
    formulas : DataFrame
        As `bakers_percent` takes them.
    ingredients : DataFrame, optional
        The study's own composition, see `composition`.
    bake_loss_pct : float or mapping of formula to float
        Share of the dough's mass that the bake drives off [%]. A bake dries and so concentrates.

    Returns
    -------
    DataFrame, one row per formula and public figure: formula, salt_g (common salt in 100 g of the
    finished piece), sodium_mg (in 100 g), jurisdiction, body, figure, figure_salt_g, per (day or
    100 g), share_pct (what 100 g bring of that figure), edition, source, unknown.

    Raises
    ------
    StudyProblems for a bake loss missing or outside 0 to 100 %, and as `bakers_percent`.

    Range: plain pieces; a topping brings salt of its own. Figures change: look up your own
    country's, local law comes first.

    Source: WHO 2012 (5 g a day); Portugal, Lei 75/2009; South Africa, R.214 of 2013.

    >>> import pandas as pd
    >>> plain = pd.DataFrame(
    ...     {"formula": "Flat", "ingredient": ["bread flour", "water", "salt"],
    ...      "amount": ["100", "60", "2"], "unit": "%"})
    >>> salt_per_100g(plain, bake_loss_pct=12)["salt_g"].head(1).tolist()
    [1.40]
    """
    one = account(formulas, ingredients)
    names = list(one.formulas)
    loss = each_named(
        "bake_loss_pct", bake_loss_pct, names, table="salt_per_100g", what="formula", least=0.0
    )
    if (loss >= 100).any():
        raise problem_error(
            "salt_per_100g",
            column="bake_loss_pct",
            found=f"{loss.max():g}",
            expected="less than 100 % of the dough lost",
            mend="give the share of the dough's mass that the bake drives off",
        )
    salt = _salt_of(one) / (1 - loss / 100)
    unknown = _salt_unknown(one)
    rows = [
        {
            "formula": name,
            "salt_g": salt[row],
            "sodium_mg": 1000 * SODIUM_PER_SALT * salt[row],
            "jurisdiction": figure["jurisdiction"],
            "body": figure["body"],
            "figure": figure["figure"],
            "figure_salt_g": float(figure["salt_g"]),
            "per": figure["per"],
            "share_pct": 100 * salt[row] / float(figure["salt_g"]),
            "edition": figure["edition"],
            "source": figure["source"],
            "unknown": unknown[row],
        }
        for row, name in enumerate(names)
        for figure in _salt_figures()
    ]
    return _typed(rows)


def _typed(rows: list[dict]) -> pd.DataFrame:
    numbers = ("salt_g", "sodium_mg", "figure_salt_g", "share_pct")
    columns = ["formula", *numbers[:2], "jurisdiction", "body", "figure", "figure_salt_g", "per"]
    columns += ["share_pct", "edition", "source", "unknown"]
    kinds = {name: "float64" if name in numbers else "str" for name in columns}
    return pd.DataFrame(rows, columns=columns).astype(kinds)


def _salt_of(one: Account) -> np.ndarray:
    """Grams of common salt in 100 g of dough."""
    brings = what_lines_bring(one)
    figures = figures_of(one, brings, one.percent[1])
    return 100 * figures["salt_pct"] / (figures["dry_pct"] + figures["water_pct"])


def _salt_unknown(one: Account) -> list[str]:
    """Ingredients of each formula whose salt is not known and was counted as nothing."""
    gap = one.known.table["salt_pct"].isna().to_numpy()
    said: list[dict] = [{} for _ in one.formulas]
    for line in np.flatnonzero(gap[one.place] & (one.grams[1] > 0)):
        said[one.formula[line]][one.known.names[one.place[line]]] = None
    return [f"salt of {', '.join(names)} (taken as 0)" if names else "" for names in said]


@functools.cache
def _salt_figures() -> tuple[dict, ...]:
    with (HERE / "salt_figures.csv").open(encoding="utf8", newline="") as file:
        return tuple(csv.DictReader(file))
