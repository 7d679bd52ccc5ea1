"""Before a tasting: blind codes, orders of serving, allergens matched."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from doughkit.panel.allergens import blocked_servings
from doughkit.panel.blocks import deal_blocks, ordered_blocks
from doughkit.panel.orders import balanced_rows, dealt, order_balance
from doughkit.panel.sitting import refuse_sitting
from doughkit.tables.problems import problem_error

CODES = np.array(
    [
        str(code)
        for code in range(102, 988)
        if len(set(str(code))) == 3 and str(code) not in ("123", "321", "789", "987")
    ]
)
"""Blind codes with three different digits and no run that reads as first or last."""


COLUMNS = [
    *("serving", "tasting", "assessor", "piece"),
    *("repeat", "position", "code", "served_after_min"),
]


@dataclass(frozen=True)
class ServingPlan:
    """Who is served what, in which order, under which code.

    servings: serving, tasting, assessor, piece, repeat, position, code, served_after_min (empty);
        a row per planned portion.
    blocked: tasting, assessor, piece, dough, why; what must not be served.
    balance: tasting, what, fewest, most (as from `order_balance`).
    notes: what to settle before the tasting, a sentence a row.
    """

    servings: pd.DataFrame
    blocked: pd.DataFrame
    balance: pd.DataFrame
    notes: pd.DataFrame

    def summary(self) -> str:
        """How many portions, how even the orders, what is blocked."""
        people = self.servings["assessor"].nunique()
        said = [f"{len(self.servings)} portions for {people} people"]
        for row in self.balance.itertuples():
            even = f"{row.fewest}" if row.fewest == row.most else f"{row.fewest} to {row.most}"
            said.append(f"{row.what}: {'once' if even == '1' else f'{even} times'}")
        text = "; ".join(said) + "."
        for row in self.blocked.itertuples():
            text += f" Not served: {row.piece} to {row.assessor} ({row.why})."
        return " ".join([text, *self.notes["note"]])


def serving_plan(
    pieces: pd.DataFrame,
    assessors: pd.DataFrame,
    *,
    tasting: str,
    mode: str = "fresh",
    repeats: int = 1,
    each: int | None = None,
    allergens: pd.DataFrame | None = None,
    seed: int,
) -> ServingPlan:
    """Plan one tasting: who gets which piece, in which order, under which blind code.

    Question: what is served to whom, and in which order?

    `fresh`: each piece is served a fixed minute after the oven, so the bake order is everybody's
    order and place can't be told from bake order. `rested`: all pieces have cooled for at least an
    hour; orders balanced for place and for the piece just before (Williams), a fresh order for
    each round of portions.

    Parameters
    ----------
    pieces : DataFrame
        piece, dough of everything to be tasted, control and reference included; in `fresh` also
        bake_order, and bake_day if there is one.
    assessors : DataFrame
        assessor, and allergens, consent_on, knows_formulas where known.
    tasting : str
        Name of the tasting.
    mode : str
        fresh or rested.
    repeats : int
        Portions of each piece for each person; more than one only in `rested`.
    each : int, optional
        Pieces for each person, where nobody can taste all; then every piece goes to as many
        people, and every two pieces meet in as many, as can be (incomplete blocks).
    allergens : DataFrame, optional
        dough, allergens (parted by |, the word none for none), and unknown as in
        `formulas.overview`; needed as soon as a taster has allergens. A dough that is not listed,
        is left empty, or is not fully known is not served to a taster with allergens.
    seed : int
        Seed of codes and orders; the same seed gives the same plan.

    Returns
    -------
    ServingPlan: servings (serving, tasting, assessor, piece, repeat, position, code,
        served_after_min, by person and position), blocked (tasting, assessor, piece, dough, why),
        balance (tasting, what, fewest, most), notes (note), summary().

    Raises
    ------
    StudyProblems: tables that don't fit, more than eight portions a person, a piece without its
        bake order or of another bake day in `fresh`, allergens of tasters without those of the
        doughs.

    Range: 1-8 portions a person; of more pieces than that, `each` of them. With an odd number of
        pieces, or people who are no multiple of a whole set of orders, some imbalance is left;
        `balance` says how much. Allergens are matched by word and group: this helps, the taster's
        own reading of the ingredients decides.

    Source: three-digit codes and designed orders as in ISO 6658 and ISO 13299 (from memory);
        orders: Williams, Australian Journal of Scientific Research A 2, 1949, 149-168; allergen
        groups: Regulation (EU) No 1169/2011, Annex II.

    >>> import pandas as pd
    >>> pieces = pd.DataFrame({"piece": list("ABCD"), "dough": list("ABCD")})
    >>> assessors = pd.DataFrame({"assessor": ["Ann", "Bo", "Cy", "Di"], "allergens": "none"})
    >>> plan = serving_plan(pieces, assessors, tasting="T1", mode="rested", seed=1)
    >>> plan.summary()
    '16 portions for 4 people; a piece right after another: once; a piece in a place: once.'
    >>> plan.servings.query("assessor == 'Ann'")["piece"].nunique()
    4
    """
    refuse_sitting(pieces, assessors, mode=mode, repeats=repeats, each=each)
    draw = np.random.default_rng(seed)
    blocked = blocked_servings(pieces, assessors, allergens)
    servings = _dealt_out(
        _orders(pieces, len(assessors), mode, repeats, each, draw), pieces, assessors, blocked
    )
    servings = servings.assign(
        serving=[f"{tasting}-{at:03d}" for at in range(1, len(servings) + 1)],
        tasting=tasting,
        code=_codes(servings["assessor"], draw),
        served_after_min=np.nan,
    )[COLUMNS]
    blocked.insert(0, "tasting", pd.Series(tasting, index=blocked.index, dtype="str"))
    return ServingPlan(
        servings=servings,
        blocked=blocked,
        balance=order_balance(servings),
        notes=pd.DataFrame({"note": pd.Series(_notes(assessors, blocked, mode), dtype="str")}),
    )


def _orders(pieces, people: int, mode: str, repeats: int, each: int | None, draw) -> np.ndarray:
    """Places in the list of pieces: portion × person × order."""
    some = each is not None and each < len(pieces)
    blocks = deal_blocks(len(pieces), people, each, draw) if some else None
    if mode == "fresh":
        order = np.argsort(pieces["bake_order"].to_numpy(), kind="stable")
        if some:
            return np.array([[[at for at in order if at in block] for block in blocks]])
        return np.broadcast_to(order, (1, people, order.size))
    if some:
        return np.array([ordered_blocks(blocks, len(pieces), draw) for _ in range(repeats)])
    return dealt(balanced_rows(len(pieces), people * repeats, draw), people, draw)


def _dealt_out(orders: np.ndarray, pieces, assessors, blocked) -> pd.DataFrame:
    """A row per portion that may be served, by person and order."""
    names = list(pieces["piece"])
    barred = set(zip(blocked["assessor"], blocked["piece"], strict=True))
    rows = [
        (who, names[at], float(portion))
        for person, who in enumerate(assessors["assessor"])
        for portion, one in enumerate(orders[:, person], start=1)
        for at in one
        if (who, names[at]) not in barred
    ]
    if not rows:
        raise problem_error(
            "servings",
            found="every portion blocked by an allergen",
            expected="something that somebody may taste",
            mend="look at the allergens of doughs and tasters",
        )
    servings = pd.DataFrame(rows, columns=["assessor", "piece", "repeat"])
    place = servings.groupby("assessor", sort=False).cumcount() + 1
    return servings.assign(position=place.astype(float))


def _codes(assessor: pd.Series, draw: np.random.Generator) -> list[str]:
    """Codes without replacement over the tasting; a new deck only when the last one is out."""
    codes: list[str] = []
    deck: list[str] = []
    for _, portions in assessor.groupby(assessor, sort=False):
        if len(deck) < len(portions):
            deck = draw.permutation(CODES).tolist()
        codes += [deck.pop() for _ in range(len(portions))]
    return codes


def _notes(assessors: pd.DataFrame, blocked: pd.DataFrame, mode: str) -> list[str]:
    notes = []
    if mode == "fresh":
        notes.append("Served in bake order: place and bake order can't be told apart.")
    noted = assessors.get("allergens", pd.Series(dtype="str"))
    if not noted.notna().any():
        notes.append("No taster's allergens are noted: ask everyone before anything is served.")
    if "consent_on" in assessors.columns:
        without = assessors.loc[assessors["consent_on"].isna(), "assessor"].tolist()
        if without:
            notes.append(f"No consent noted for {', '.join(without)}: ask before serving.")
    if "knows_formulas" in assessors.columns:
        knows = assessors.loc[assessors["knows_formulas"] == "yes", "assessor"].tolist()
        if knows:
            notes.append(f"{', '.join(knows)} knows which dough is which: somebody else deals.")
    if len(blocked):
        notes.append("Orders are less even where portions are blocked.")
    return notes
