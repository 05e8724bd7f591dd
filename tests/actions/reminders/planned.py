"""Reminders that wait, for the tests of what becomes of them."""

from __future__ import annotations

from datetime import timedelta
from zoneinfo import ZoneInfo

from portal.actions.reminders.plan import plan_reminders
from portal.models import Reminder, ReminderKind, SiteAssessment
from tests import factories
from tests.factories import NOW

DENVER = ZoneInfo("America/Denver")
DAY = timedelta(days=1)


def due(assessment: SiteAssessment | None = None) -> Reminder:
    """A planned "cleaning due" of a roof in Denver, at NOW: Monday noon there."""
    assessment = assessment or factories.assessment(clean_due=NOW.date())
    plan_reminders(sites=[assessment.site], now=NOW)
    return Reminder.objects.get(site=assessment.site, kind=ReminderKind.DUE)


def after(reminder: Reminder) -> Reminder:
    return Reminder.objects.get(pk=reminder.pk)
