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
