"""What the owner of a roof is told, how often, and what makes it moot."""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.core import mail

from portal.actions.reminders.plan import plan_reminders, plan_unassessed
from portal.actions.reminders.send import send_due
from portal.models import Proof, Reminder, ReminderKind, ReminderState, SendingRules, Visit, VisitState
from tests import factories
from tests.actions.reminders.planned import DAY, after, due
from tests.factories import NOW

pytestmark = pytest.mark.django_db


def test_due_is_planned_once_however_often_it_is_planned() -> None:
    assessment = factories.assessment(clean_due=NOW.date())
    for hours in range(3):
        plan_reminders(sites=[assessment.site], now=NOW + timedelta(hours=hours))
    assert Reminder.objects.get().kind == ReminderKind.DUE


def test_due_soon_comes_first_and_due_follows_it_after_a_pause() -> None:
    assessment = factories.assessment(clean_due=NOW.date() + timedelta(days=12))
    plan_reminders(sites=[assessment.site], now=NOW)
    assert Reminder.objects.get().kind == ReminderKind.DUE_SOON
    assert send_due(now=NOW).sent == 1
    assessment.clean_due = NOW.date() + timedelta(days=5)
    assessment.save()
    plan_reminders(sites=[assessment.site], now=NOW + 5 * DAY)
    assert Reminder.objects.count() == 1
    plan_reminders(sites=[assessment.site], now=NOW + 12 * DAY)
    assert set(Reminder.objects.values_list("kind", flat=True)) == {ReminderKind.DUE_SOON, ReminderKind.DUE}


def test_nothing_is_planned_without_consent_or_address() -> None:
    for fields in ({"consented_on": None}, {"email": ""}):
        site = factories.site(customer=factories.customer(**fields))
        factories.assessment(site=site, clean_due=NOW.date())
        plan_reminders(sites=[site], now=NOW)
    assert not Reminder.objects.exists()


def test_no_cleaning_reminder_while_a_visit_is_booked_or_in_the_season_stop() -> None:
    booked = factories.assessment(clean_due=NOW.date())
    factories.visit(site=booked.site)
    snowed = factories.assessment(clean_due=NOW.date())
    SendingRules.objects.create(business=snowed.site.customer.business, stop_from=5, stop_until=6)
    for assessment in (booked, snowed):
        plan_reminders(sites=[assessment.site], now=NOW)
    assert not Reminder.objects.exists()


def test_a_fault_is_told_instead_of_a_cleaning_and_only_if_it_holds() -> None:
    assessment = factories.assessment(verdict="other fault", cause="string_loss", clean_due=NOW.date())
    plan_reminders(sites=[assessment.site], now=NOW)
    (reminder,) = Reminder.objects.all()
    assert reminder.kind == ReminderKind.OTHER_FAULT
    assert reminder.due_at - NOW >= 3 * DAY
    factories.change(assessment, verdict="clean", clean_due=None)
    send_due(now=reminder.due_at)
    assert after(reminder).state == ReminderState.DROPPED
    assert "no longer show" in after(reminder).reason


def test_a_site_gone_quiet_is_told_after_ten_days_and_not_if_readings_come_meanwhile() -> None:
    meter = factories.meter(site=factories.site(customer=factories.customer()))
    factories.day_readings(meter, NOW.date() - timedelta(days=9))
    plan_reminders(sites=[meter.site], now=NOW)
    assert not Reminder.objects.filter(kind=ReminderKind.QUIET).exists()
    plan_reminders(sites=[meter.site], now=NOW + DAY)
    quiet = Reminder.objects.get(kind=ReminderKind.QUIET)
    factories.day_readings(meter, NOW.date())
    send_due(now=NOW + DAY)
    assert after(quiet).reason == "Readings have come in."


def test_sites_without_readings_get_calendar_reminders_and_one_that_asks_for_readings() -> None:
    site = factories.site(installed_on=NOW.date() - timedelta(days=400))
    type(site).objects.filter(pk=site.pk).update(created_at=NOW - 8 * DAY)
    plan_unassessed(now=NOW)
    kinds = {one.kind: one for one in Reminder.objects.all()}
    assert set(kinds) == {ReminderKind.DUE, ReminderKind.SEND_READINGS}
    send_due(now=NOW)
    (first,) = mail.outbox
    send_due(now=NOW + DAY)
    bodies = [str(first.body), str(mail.outbox[1].body)]
    assert any("By the calendar a wash would be due" in " ".join(body.split()) for body in bodies)
    assert any("we have no readings" in body for body in bodies)


def test_a_washed_or_booked_roof_is_not_reminded() -> None:
    washed, booked = due(), due()
    assert washed.site
    assert booked.site
    factories.visit(site=washed.site, state=VisitState.DONE, finished_at=NOW, starts_at=NOW)
    factories.visit(site=booked.site)
    send_due(now=NOW)
    assert after(washed).reason == "The panels were washed meanwhile."
    assert after(booked).reason == "A visit is booked."


def test_who_does_not_answer_hears_of_a_due_wash_twice_a_year_at_most() -> None:
    assessment = factories.assessment(clean_due=NOW.date())
    for day in range(0, 364, 7):
        plan_reminders(sites=[assessment.site], now=NOW + day * DAY)
        send_due(now=NOW + day * DAY)
    told = Reminder.objects.filter(kind=ReminderKind.DUE, state=ReminderState.SENT).order_by("sent_at")
    assert [(one.sent_at - NOW).days for one in told if one.sent_at] == [0, 182]


def test_a_fault_seen_meanwhile_stops_the_cleaning_mail() -> None:
    reminder = due()
    assert reminder.site
    factories.assessment(
        site=reminder.site,
        as_of=NOW.date() + DAY,
        verdict="other fault",
        cause="string_loss",
        clean_due=NOW.date(),
    )
    send_due(now=NOW)
    assert after(reminder).reason == "By now the readings show something other than dirt."


def test_snow_on_the_panels_calls_nobody() -> None:
    snowed = factories.assessment(verdict="other fault", cause="snow", clean_due=NOW.date())
    factories.day_readings(factories.meter(site=snowed.site), NOW.date())
    plan_reminders(sites=[snowed.site], now=NOW)
    assert not Reminder.objects.exists()


def test_the_result_is_told_once_the_gain_is_narrow_enough_even_if_it_is_nothing() -> None:
    site = factories.site()
    proof = factories.washed(site, NOW - 10 * DAY, gain=0.02, low=-0.04, high=0.08)
    factories.assessment(site=site, clean_due=None)
    plan_reminders(sites=[site], now=NOW)
    assert not Reminder.objects.exists()
    Proof.objects.filter(pk=proof.pk).update(gain=0.004, gain_low=-0.01, gain_high=0.02)
    plan_reminders(sites=[site], now=NOW)
    send_due(now=NOW)
    assert "We could not measure a gain" in str(mail.outbox[0].body)


def test_newer_readings_put_off_or_bring_forward_what_was_planned() -> None:
    put_off, brought_forward = (factories.assessment(clean_due=NOW.date() + 10 * DAY) for _ in range(2))
    plan_reminders(sites=[put_off.site, brought_forward.site], now=NOW)
    for assessment, due_on in ((put_off, NOW.date() + 15 * DAY), (brought_forward, NOW.date())):
        factories.change(assessment, clean_due=due_on)
    send_due(now=NOW)
    reasons = dict(Reminder.objects.filter(kind=ReminderKind.DUE_SOON).values_list("site", "reason"))
    assert reasons == {
        put_off.site_id: "By the newest readings no wash is due.",
        brought_forward.site_id: "It is due by now; the mail that says so goes instead.",
    }
    plan_reminders(sites=[brought_forward.site], now=NOW)
    assert Reminder.objects.filter(kind=ReminderKind.DUE, site=brought_forward.site, state=ReminderState.DUE).exists()


@pytest.mark.parametrize(("days", "told"), [(29, False), (30, True), (50, True), (52, False)])
def test_a_wide_gain_is_told_after_thirty_days_and_is_no_news_three_weeks_later(days: int, told: bool) -> None:
    site = factories.site()
    factories.washed(site, NOW - days * DAY, gain=0.02, low=-0.04, high=0.08)
    factories.assessment(site=site, clean_due=None)
    plan_reminders(sites=[site], now=NOW)
    assert Reminder.objects.filter(kind=ReminderKind.RESULT).exists() == told


def test_readings_older_than_three_weeks_call_for_no_wash_but_the_calendar_still_does() -> None:
    new, old = factories.site(), factories.site()
    for site, days in ((new, 21), (old, 22)):
        factories.visit(site=site, state=VisitState.DONE, starts_at=NOW - 40 * DAY, finished_at=NOW - 40 * DAY)
        factories.assessment(site=site, clean_due=NOW.date(), readings_until=NOW.date() - days * DAY)
        plan_reminders(sites=[site], now=NOW)
    assert [reminder.site for reminder in Reminder.objects.filter(kind=ReminderKind.DUE)] == [new]
    Visit.objects.filter(site=old).update(finished_at=NOW - 900 * DAY)
    plan_reminders(sites=[old], now=NOW)
    assert Reminder.objects.filter(kind=ReminderKind.DUE, site=old).exists()
