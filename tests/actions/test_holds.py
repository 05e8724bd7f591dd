"""A clock that has jumped does no harm: nobody is written to, nothing is assessed or thinned, until somebody looks."""

from __future__ import annotations

from datetime import timedelta

import pytest

from portal.actions.holds import BACK, FAR, clock_doubt, confirm_clock, trust_clock
from portal.actions.reminders.roofs import QUIET_AFTER
from tests.factories import NOW

pytestmark = pytest.mark.django_db

YEAR = timedelta(days=365)


def test_a_portal_that_runs_or_rests_for_some_days_is_asked_nothing() -> None:
    for day in (0, 1, 4, 7, 14):
        assert trust_clock(now=NOW + timedelta(days=day))
    assert clock_doubt(now=NOW + timedelta(days=13, hours=12)) is None  # another machine's clock is a little behind


@pytest.mark.parametrize("jump", [YEAR, FAR + timedelta(minutes=1), -YEAR, -BACK - timedelta(minutes=1)])
def test_a_jump_is_believed_only_when_somebody_says_so(jump: timedelta) -> None:
    trust_clock(now=NOW)
    for _ in range(3):
        assert not trust_clock(now=NOW + jump)
    doubt = clock_doubt(now=NOW + jump)
    assert doubt is not None
    assert (doubt.last, doubt.now) == (NOW, NOW + jump)
    confirm_clock(now=NOW + jump)
    assert trust_clock(now=NOW + jump + timedelta(minutes=1))


def test_a_clock_that_is_set_right_again_needs_no_answer() -> None:
    trust_clock(now=NOW)
    assert not trust_clock(now=NOW + YEAR)
    assert trust_clock(now=NOW + timedelta(minutes=5))


def test_a_jump_that_is_let_through_makes_nobody_quiet() -> None:
    """A roof whose readings came yesterday is not written to for a jump that is not noticed."""
    assert FAR + timedelta(days=1) < QUIET_AFTER
