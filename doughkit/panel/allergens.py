"""Which taster must not be served which dough; in doubt, not served."""

from __future__ import annotations

import pandas as pd

from doughkit.tables.problems import nearest, problem_error, require_columns, require_unique

SAME_ALLERGEN = {
    "gluten": "gluten wheat rye barley oat oats spelt emmer einkorn khorasan triticale durum "
    "semolina bulgur malt",
    "crustaceans": "crustacean crustaceans shrimp prawn crab lobster shellfish",
    "egg": "egg eggs",
    "fish": "fish anchovy",
    "peanut": "peanut peanuts groundnut",
    "soy": "soy soya soybean soybeans lecithin",
    "milk": "milk dairy lactose butter cheese cream whey casein",
    "nuts": "nut nuts almond almonds hazelnut hazelnuts walnut walnuts cashew pecan pistachio "
    "macadamia",
    "celery": "celery celeriac",
    "mustard": "mustard",
    "sesame": "sesame tahini",
    "sulphite": "sulphite sulphites sulfite sulfites",
    "lupin": "lupin lupine",
    "molluscs": "mollusc molluscs mollusk mollusks mussel mussels squid shellfish",
}
"""Words held to be one allergen when a taster is matched to a dough.

Groups: Regulation (EU) No 1169/2011, Annex II. Gathering the words of a group (all gluten
cereals, all tree nuts) and some carriers (lecithin under soy) blocks rather too much than too
little.
"""

_GROUP = {
    word: [group for group, words in SAME_ALLERGEN.items() if word in words.split()]
    for words in SAME_ALLERGEN.values()
    for word in words.split()
}
_NOT_SAID = "what is in dough {dough} is not said (write its allergens, or the word none)"


def blocked_servings(
    pieces: pd.DataFrame, assessors: pd.DataFrame, allergens: pd.DataFrame | None
) -> pd.DataFrame:
    """Pairs that must not be served: assessor, piece, dough, why."""
    avoids = _avoided(assessors)
    columns = ["assessor", "piece", "dough", "why"]
    if not avoids:
        return pd.DataFrame(columns=columns, dtype="str")
    if allergens is None:
        raise problem_error(
            "assessors",
            key=f"assessor {next(iter(avoids))}",
            column="allergens",
            found=", ".join(f"{who} must not eat {', '.join(of)}" for who, of in avoids.items()),
            expected="the allergens of every dough, to match them to the tasters",
            mend="give allergens= (dough, allergens), e.g. from formulas.overview",
        )
    holds = _held(allergens)
    used = set().union(*(words for words in holds.values() if words is not None), set())
    rows = [
        (who, piece, dough, why)
        for who, words in avoids.items()
        for piece, dough in zip(pieces["piece"], pieces["dough"], strict=True)
        if (why := _why(words, dough, holds, used))
    ]
    return pd.DataFrame(rows, columns=columns, dtype="str")


def _why(avoided: list[str], dough: str, holds: dict, used: set[str]) -> str:
    held = holds.get(dough)
    if held is None:
        return _NOT_SAID.format(dough=dough)
    reasons = []
    for word in avoided:
        met = [one for one in held if one == word or _groups(one) & _groups(word)]
        if met:
            reasons.append(f"{word}: dough {dough} holds {', '.join(sorted(met))}")
        elif word not in _GROUP and word not in used:
            guess = nearest(word, _GROUP)
            reasons.append(
                f"'{word}' is no known allergen word, so dough {dough} can't be cleared of it"
                + (f" ({guess})" if guess else "")
            )
    return "; ".join(reasons)


def _groups(word: str) -> set[str]:
    return set(_GROUP.get(word, ()))


def _avoided(assessors: pd.DataFrame) -> dict[str, list[str]]:
    if "allergens" not in assessors.columns:
        return {}
    words = {
        who: _words(text)
        for who, text in zip(assessors["assessor"], assessors["allergens"], strict=True)
    }
    return {who: of for who, of in words.items() if of}


def _held(allergens: pd.DataFrame) -> dict[str, list[str] | None]:
    """Allergen words of each dough; None where they are not said or not all is known."""
    require_columns(allergens, "dough", "allergens", table="allergens")
    require_unique(allergens, "dough", table="allergens")
    unknown = (
        allergens["unknown"].fillna("").astype(str).str.strip()
        if "unknown" in allergens.columns
        else pd.Series("", index=allergens.index)
    )
    return {
        dough: None if gap or _empty(text) else _words(text)
        for dough, text, gap in zip(
            allergens["dough"], allergens["allergens"], unknown, strict=True
        )
    }


def _empty(text) -> bool:
    return pd.isna(text) or not str(text).strip()


def _words(text) -> list[str]:
    if _empty(text):
        return []
    words = [word.strip().casefold() for word in str(text).replace(",", "|").split("|")]
    return [word for word in words if word and word not in ("none", "no")]
