"""On paper before a tasting: consent, protocol, and a ballot for each taster."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from doughkit.panel.ballots import ballots
from doughkit.panel.sitting import MODES
from doughkit.tables import paper
from doughkit.tables.problems import nearest, problem_error, require_columns

PAUSE_S = (60, 90)
"""Seconds between portions (trade practice)."""

AGE = {
    "fresh": "each piece the same number of minutes after the oven, in bake order",
    "rested": "all pieces at least an hour after the oven, minutes noted",
}

CAUTIONS = (
    "Local food law and your own doctor come before this sheet.",
    "Raw dough and raw flour are not tasted.",
    "Pieces with a very dark crust are left out (acrylamide).",
    "Eight portions can hold half a day's salt: small portions, spitting out is allowed.",
)


@dataclass(frozen=True)
class TastingSheets:
    """Sheets of one tasting.

    consent: line, text; what a taster reads and signs.
    protocol: what, how; what is held the same, with room for what went otherwise.
    ballots: assessor, position, code, then an empty column per attribute; names no piece.
    scales: attribute, low, low_words, high, high_words, step.
    """

    consent: pd.DataFrame
    protocol: pd.DataFrame
    ballots: pd.DataFrame
    scales: pd.DataFrame

    def summary(self) -> str:
        """How many ballots of how many portions."""
        people = self.ballots["assessor"].nunique()
        most = int(self.ballots.groupby("assessor").size().max())
        return f"Consent, protocol and {people} ballots of at most {most} portions."

    def pages(self) -> dict[str, str]:
        """Printable pages by name: "consent", "protocol", and one per assessor."""
        sign = pd.DataFrame({"name": [""] * 3, "date": [""] * 3, "signature": [""] * 3})
        made = {
            "consent": paper.page(
                "Consent to a tasting",
                [
                    self.consent["text"].tolist(),
                    paper.shown(
                        sign, "I have read this and agree", fill=["name", "date", "signature"]
                    ),
                    *(paper.note(text) for text in CAUTIONS),
                ],
            ),
            "protocol": paper.page(
                "Protocol of the tasting",
                [paper.shown(self.protocol, "What is held the same", fill=["went_otherwise"])],
            ),
        }
        scales = paper.shown(self.scales, "The scales")
        for name, rows in self.ballots.groupby("assessor", sort=False):
            own = rows.drop(columns="assessor")
            fill = [column for column in own if column not in ("position", "code")]
            ballot = paper.shown(own, "Taste in this order, from top to bottom", fill=fill)
            made[str(name)] = paper.page(f"Ballot of {name}", [scales, ballot])
        return made


def tasting_sheets(
    servings: pd.DataFrame,
    attributes: pd.DataFrame,
    *,
    mode: str,
    allergens: pd.DataFrame | None = None,
) -> TastingSheets:
    """Write the consent sheet, the protocol and the ballots of one tasting.

    Question: what lies on the table before anybody tastes?

    Parameters
    ----------
    servings : DataFrame
        tasting, assessor, piece, position, code of one tasting, as `serving_plan` gives them.
    attributes : DataFrame
        attribute, and low, high, step, low_words, high_words where known.
    mode : str
        fresh or rested, as the serving plan was made.
    allergens : DataFrame, optional
        dough, allergens (parted by |, "none" for none) of all doughs served; they are disclosed for
        the tasting as a whole, so that no code tells a dough.

    Returns
    -------
    TastingSheets: consent (line, text), protocol (what, how, went_otherwise), ballots (assessor,
        position, code, an empty column per attribute), scales (attribute, low, low_words, high,
        high_words, step), pages() (name → page), summary().

    Raises
    ------
    StudyProblems: a missing column, servings of several tastings, or an unknown mode.

    Range: a form to fill in, no legal advice; what a sheet must say is settled by local law.

    Source: practice of ISO 6658 and ISO 8589 (from memory); the 14 allergens of Regulation (EU) No
        1169/2011, Annex II, are to be named (from memory); health data: Regulation (EU) 2016/679,
        article 9 (from memory).

    >>> import pandas as pd
    >>> servings = pd.DataFrame({"tasting": "T1", "assessor": ["Ann", "Ann"], "piece": ["A1", "B1"],
    ...                          "position": [2.0, 1.0], "code": ["582", "371"]})
    >>> sheets = tasting_sheets(servings, pd.DataFrame({"attribute": ["chew"]}), mode="rested")
    >>> sheets.ballots[["position", "code"]].values.tolist()
    [[1.0, '371'], [2.0, '582']]
    >>> sorted(sheets.pages())
    ['Ann', 'consent', 'protocol']
    """
    require_columns(servings, "tasting", "assessor", "piece", "position", "code", table="servings")
    if mode not in MODES:
        raise problem_error(
            "options",
            column="mode",
            found=f"'{mode}'",
            expected="fresh or rested",
            mend=nearest(mode, MODES) or "as the serving plan was made",
        )
    tastings = servings["tasting"].unique().tolist()
    if len(tastings) != 1:
        raise problem_error(
            "servings",
            column="tasting",
            found=", ".join(map(str, tastings)) or "no row",
            expected="one tasting",
            mend="hand in the rows of one tasting",
        )
    grid = ballots(servings, attributes)
    place = servings[["assessor", "code", "position"]]
    grid = grid.drop(columns="tasting").merge(place, on=["assessor", "code"], how="left")
    names = [name for name in grid if name not in ("assessor", "code", "position")]
    scales = ["attribute", "low", "low_words", "high", "high_words", "step"]
    most = int(servings.groupby("assessor").size().max())
    return TastingSheets(
        consent=_consent(most, allergens),
        protocol=_protocol(mode),
        ballots=grid[["assessor", "position", "code", *names]],
        scales=attributes[[name for name in scales if name in attributes]].reset_index(drop=True),
    )


def _consent(most: int, allergens: pd.DataFrame | None) -> pd.DataFrame:
    text = [
        f"You taste up to {most} small portions of bread, one after another, and score each.",
        _disclosed(allergens),
        "Taking part is voluntary. You may stop at any time, leave out a portion or a question, "
        "and need not say why.",
        "You need not swallow; water stands ready.",
        "Your scores are kept under your taster's name in this study only. Your name, allergies "
        "and notes stay here, are shown to nobody else, and are deleted when you ask.",
        "Say before we begin if you have a cold, are unwell, pregnant or on a diet that bread or "
        "salt does not fit.",
    ]
    return pd.DataFrame({"line": range(1, len(text) + 1), "text": text})


def _disclosed(allergens: pd.DataFrame | None) -> str:
    if allergens is None:
        return (
            "Allergens in this tasting: not listed yet. Do not sign before they are written here: "
            "____________________"
        )
    require_columns(allergens, "dough", "allergens", table="allergens")
    unknown = allergens.loc[allergens["allergens"].isna() | (allergens["allergens"] == ""), "dough"]
    words = {
        word.strip()
        for cell in allergens["allergens"].dropna()
        for word in str(cell).split("|")
        if word.strip() and word.strip() != "none"
    }
    told = f"Allergens in this tasting: {', '.join(sorted(words)) or 'none known'}."
    if len(unknown):
        told += f" Not known for {len(unknown)} of the doughs: take them for able to hold any."
    return told + " Traces can be in everything. Tell us now what you must not eat."


def _protocol(mode: str) -> pd.DataFrame:
    low, high = PAUSE_S
    rows = {
        "age at serving": AGE[mode],
        "portion": "one size, same part of the piece, cut by one person with one knife",
        "warm-up": "one portion of another bread first, not scored",
        "order and codes": "by ballot; the key stays with whoever deals and is not tasted with",
        "pause": f"{low} to {high} s and a sip of water between portions; a break after four",
        "place": "seats apart or turned away, one light, no smell of baking, phones away",
        "talk": "none until the last ballot is in",
        "missing": "an empty box stays empty: never a zero, never filled in afterwards",
        "hygiene": "hands washed, clean board and knife, no tasting of dough, covered portions",
        "allergens": "portions blocked by the serving plan are not made at all",
        "who was here": "names and times; who came late, was ill or knew a dough",
    }
    frame = pd.DataFrame({"what": list(rows), "how": list(rows.values())})
    return frame.assign(went_otherwise="")
