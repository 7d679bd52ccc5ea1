"""Runs every outside check, and asks that each room's estimators have real ones."""

import pytest

from tests.outside import all_checks

CHECKS = all_checks()


@pytest.mark.outside
@pytest.mark.parametrize("check", CHECKS, ids=[f"{one.about}: {one.says}" for one in CHECKS])
def test_published_statement(check):
    ours = check.get()
    stands = "must not be" if check.wrong else "printed"
    assert check.holds(ours), (
        f"{check.about}, {check.says}: ours {ours}, {stands} {check.printed} "
        f"± {check.within} ({check.kind}: {check.source})"
    )


def test_no_statement_is_checked_twice():
    seen = [(check.about, check.says) for check in CHECKS]
    assert len(seen) == len(set(seen))


SEEN = {"standard", "handbook", "open data", "reference library"}
RECALLED_ONLY = {
    "advice.next_round",
    "fitting.stand_out",
    "formulas.allergens",
    "formulas.mixing_friction",
}
"""A plan made of parts that are each checked, a textbook's figures by Lenth's method, the two laws'
lists, and a rule of the trade solved for another term: for these no printed source was at hand,
only recalled ones."""


@pytest.mark.parametrize("about", sorted({check.about for check in CHECKS}))
def test_a_checked_function_has_a_seen_source_and_a_wrong_value_it_must_not_give(about):
    own = [check for check in CHECKS if check.about == about]
    assert about in RECALLED_ONLY or SEEN & {check.kind for check in own}
    assert any(check.wrong for check in own)
