"""The worker's jobs after a clock's jump: a trial in which 25 homeowners were told that their readings had stopped."""

from __future__ import annotations

from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from django.core import mail
from django.utils import timezone

from portal.actions.holds import confirm_clock
from portal.models import Clock, Night, Reminder, Role, SiteAssessment
from tests import factories
from workers import tasks

pytestmark = pytest.mark.django_db


def nightly() -> None:
    for task in (
        tasks.start_night,
        tasks.assess_next,
        tasks.poll_nights,
        tasks.plan_reminders,
        tasks.send_reminders,
        tasks.thin_assessments,
        tasks.update_proofs,
    ):
        task()


@pytest.fixture
def town() -> datetime:
    """Twenty-five roofs with readings of yesterday and an assessment, of a portal that last ran a year ago today."""
    now = timezone.now()
    business = factories.business()
    factories.member(business, Role.OWNER)
    for _ in range(25):
        site = factories.site(customer=factories.customer(business=business))
        yesterday = (now - timedelta(days=366)).astimezone(ZoneInfo(site.tz)).date()
        factories.day_readings(factories.meter(site=site), yesterday)
        factories.assessment(site=site, as_of=yesterday, made_at=now - timedelta(days=365))
    Clock.objects.create(pk=1, seen_at=now - timedelta(days=365))
    return now


def test_after_a_jump_nothing_is_planned_sent_assessed_or_thinned(town: datetime) -> None:
    assessed = SiteAssessment.objects.count()
    for _ in range(3):
        nightly()
    assert not Reminder.objects.exists()
    assert not mail.outbox
    assert not Night.objects.exists()
    assert SiteAssessment.objects.count() == assessed
    print("\n25 roofs, a year's jump: 0 mails planned")


def test_when_somebody_has_looked_it_all_goes_on(town: datetime) -> None:
    confirm_clock(now=town)
    tasks.plan_reminders()
    assert Reminder.objects.filter(kind="quiet").count() == 25  # so it would have been without the question
