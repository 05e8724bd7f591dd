"""Reminders: planned once, sent at decent hours to those who want them, dropped with a reason."""

from __future__ import annotations

import re
from collections import Counter
from datetime import UTC, date, datetime, timedelta
from email.message import Message
from zoneinfo import ZoneInfo

import icalendar
import pytest
from django.core import mail
from django.db import connection
from django.test.utils import CaptureQueriesContext

from portal.actions.leads import review_lead
from portal.actions.mail.stops import allow_mail, stop_mail
from portal.actions.reminders.hours import next_decent, season_stopped
from portal.actions.reminders.plan import plan_reminders, plan_standing, plan_unassessed
from portal.actions.reminders.send import retry_reminder, send_due
from portal.models import (
    Business,
    Language,
    MailStop,
    Preference,
    Proof,
    Reminder,
    ReminderKind,
    ReminderState,
    Role,
    SendingRules,
    Site,
    SiteAssessment,
    User,
    VisitState,
    Wording,
)
from tests import factories
from tests.factories import NOW

pytestmark = pytest.mark.django_db
DENVER = ZoneInfo("America/Denver")
DAY = timedelta(days=1)


def due(assessment: SiteAssessment | None = None) -> Reminder:
    """A planned "cleaning due" of a roof in Denver, at NOW: Monday noon there."""
    assessment = assessment or factories.assessment(clean_due=NOW.date())
    plan_reminders(sites=[assessment.site], now=NOW)
    return Reminder.objects.get(site=assessment.site, kind=ReminderKind.DUE)


def after(reminder: Reminder) -> Reminder:
    return Reminder.objects.get(pk=reminder.pk)


# --- planning --------------------------------------------------------------------------------------------------------


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
    assessment.verdict = "clean"
    assessment.save()
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
    assert any("this date comes from the calendar: one wash every 12 months" in body for body in bodies)
    assert any("we have no readings" in body for body in bodies)


def test_tomorrows_visits_go_to_each_technician_at_four() -> None:
    business = factories.business()
    crew = factories.member(business, Role.TECHNICIAN)
    site = factories.site(customer=factories.customer(business=business, name="Pat Invented"))
    factories.visit(site=site, starts_at=datetime(2026, 6, 16, 9, 0, tzinfo=DENVER), technicians=(crew,))
    plan_standing(now=datetime(2026, 6, 15, 15, 59, tzinfo=DENVER))
    assert not Reminder.objects.filter(kind=ReminderKind.TOMORROW).exists()
    four = datetime(2026, 6, 15, 16, 0, tzinfo=DENVER)
    plan_standing(now=four)
    plan_standing(now=four + timedelta(minutes=1))
    reminder = Reminder.objects.get(kind=ReminderKind.TOMORROW)
    Reminder.objects.exclude(pk=reminder.pk).delete()
    send_due(now=four)
    (sent,) = mail.outbox
    assert sent.to == [f'"{crew.name}" <{crew.email}>']
    assert "9 a.m., Pat Invented, 12 Invented Road" in str(sent.body)


def test_the_office_gets_one_digest_a_day_with_the_new_leads() -> None:
    lead = factories.lead(opened_at=NOW - timedelta(hours=6))
    owner = factories.member(lead.site.customer.business)
    factories.member(lead.site.customer.business, Role.TECHNICIAN)
    for minutes in (0, 1, 60):
        plan_standing(now=NOW + timedelta(minutes=minutes))
    (digest,) = Reminder.objects.filter(kind=ReminderKind.LEAD_DIGEST)
    send_due(now=NOW)
    assert digest.user == owner
    assert lead.why_now in str(mail.outbox[0].body)
    plan_standing(now=NOW + DAY)
    send_due(now=NOW + DAY)
    assert len(mail.outbox) == 1, "yesterday's lead is told once"
    assert Reminder.objects.filter(kind=ReminderKind.LEAD_DIGEST).count() == 1, "and no empty digest is planned"


def test_a_lead_going_cold_is_told_to_whom_it_is_given_until_somebody_acts() -> None:
    lead = factories.lead(opened_at=NOW - 15 * DAY)
    owner = factories.member(lead.site.customer.business)
    clerk = factories.member(lead.site.customer.business, Role.OFFICE)
    lead.assigned_to = clerk
    lead.save()
    plan_standing(now=NOW)
    cold = Reminder.objects.get(kind=ReminderKind.LEAD_COLD)
    assert cold.user == clerk != owner
    lead.contacted_at = NOW
    lead.save()
    send_due(now=NOW)
    assert after(cold).reason == "Somebody has taken care of the lead."


def a_busy_roof(business: Business, crew: User) -> None:
    """A roof of which planning has everything to look at: readings gone quiet, a wash, a booking, a cold lead."""
    site = factories.site(customer=factories.customer(business=business))
    Site.objects.filter(pk=site.pk).update(created_at=NOW - 400 * DAY)
    factories.day_readings(factories.meter(site=site), NOW.date() - 30 * DAY)
    factories.assessment(site=site, made_at=NOW - 30 * DAY, as_of=NOW.date() - 30 * DAY, clean_due=NOW.date())
    factories.washed(site, NOW - 20 * DAY, gain=0.05, low=0.04, high=0.06)
    factories.lead(site=site, opened_at=NOW - 40 * DAY)
    tomorrow = factories.site(customer=factories.customer(business=business))
    factories.visit(site=tomorrow, starts_at=NOW + DAY, technicians=(crew,))


def test_planning_asks_the_database_as_often_for_two_sites_as_for_thirty() -> None:
    business = factories.business()
    factories.member(business)
    crew = [factories.member(business, Role.TECHNICIAN) for _ in range(15)]
    evening = NOW + timedelta(hours=5)  # after four in Denver, when tomorrow's visits are told

    def queries() -> tuple[int, int]:
        counts = []
        for plan in (plan_standing, plan_unassessed):
            with CaptureQueriesContext(connection) as first:
                plan(now=evening)
            with CaptureQueriesContext(connection) as again:
                plan(now=evening)
            assert len(again) <= len(first)
            counts.append(len(first))
        return counts[0], counts[1]

    a_busy_roof(business, crew[0])
    few = queries()
    before = Counter(Reminder.objects.values_list("kind", flat=True))
    assert set(before) == set(ReminderKind) - {"other_fault", "due_soon", "lead_digest", "send_readings"}
    for technician in crew[1:]:
        a_busy_roof(business, technician)
    assert queries() == few
    assert Counter(Reminder.objects.values_list("kind", flat=True)) == dict.fromkeys(before, 15)


# --- when ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("moment", "decent"),
    [
        ("2026-06-15T12:00-06:00", "2026-06-15T12:00-06:00"),  # a Monday noon
        ("2026-06-15T03:00-06:00", "2026-06-15T09:00-06:00"),
        ("2026-06-15T18:00-06:00", "2026-06-16T09:00-06:00"),
        ("2026-06-13T20:00-06:00", "2026-06-15T09:00-06:00"),  # Saturday evening: over Sunday
        ("2026-03-07T20:00-07:00", "2026-03-09T09:00-06:00"),  # over the night the clocks go forward
        ("2026-10-31T20:00-06:00", "2026-11-02T09:00-07:00"),  # and back
    ],
)
def test_decent_hours_are_the_recipients_own(moment: str, decent: str) -> None:
    found = next_decent(datetime.fromisoformat(moment), tz="America/Denver", rules=SendingRules())
    assert found == datetime.fromisoformat(decent)


@pytest.mark.parametrize(("month", "stopped"), [(10, False), (11, True), (1, True), (2, True), (3, False)])
def test_a_season_may_run_over_new_year(month: int, stopped: bool) -> None:
    assert season_stopped(date(2026, month, 10), SendingRules(stop_from=11, stop_until=2)) == stopped


def test_at_night_a_mail_waits_for_the_morning_where_the_roof_is() -> None:
    reminder = due()
    night = datetime(2026, 6, 15, 23, 0, tzinfo=DENVER)
    Reminder.objects.filter(pk=reminder.pk).update(due_at=night)
    assert send_due(now=night).postponed == 1
    assert after(reminder).due_at == datetime(2026, 6, 16, 9, 0, tzinfo=DENVER)
    assert send_due(now=datetime(2026, 6, 16, 9, 0, tzinfo=DENVER)).sent == 1


# --- whether ---------------------------------------------------------------------------------------------------------


def test_what_is_stale_is_dropped_with_its_reason_and_nothing_floods_after_a_month_of_downtime() -> None:
    customer = factories.customer()
    for number in range(8):
        site = factories.site(customer=customer, name=f"Roof {number}")
        due(factories.assessment(site=site, clean_due=NOW.date()))
    late = NOW + 30 * DAY
    done = send_due(now=late)
    assert (done.sent, done.dropped) == (0, 8)
    assert all("came too late to be of use" in one.reason for one in Reminder.objects.all())
    assert not mail.outbox


def test_one_mail_a_day_and_no_more_than_the_cap_in_thirty_days() -> None:
    customer = factories.customer()  # cap 3
    for number in range(8):
        site = factories.site(customer=customer, name=f"Roof {number}")
        due(factories.assessment(site=site, clean_due=NOW.date()))
    sent = [send_due(now=NOW + day * DAY).sent for day in range(21)]
    assert max(sent) == 1
    assert sum(sent) == 3
    assert Reminder.objects.filter(state=ReminderState.DROPPED, reason="They already got 3 mails in 30 days.").exists()


@pytest.mark.parametrize("change", ["consent", "stop", "preference", "address"])
def test_consent_stops_and_wishes_are_looked_at_when_sending(change: str) -> None:
    reminder = due()
    customer = reminder.customer
    assert customer is not None
    if change == "consent":
        customer.consented_on = None
    elif change == "address":
        customer.email = ""
    elif change == "stop":
        stop_mail(email=customer.email.upper(), business=reminder.business, why="unsubscribed", now=NOW)
    else:
        Preference.objects.create(customer=customer, kind=ReminderKind.DUE, wanted=False)
    customer.save()
    assert send_due(now=NOW).dropped == 1
    assert after(reminder).reason
    assert not mail.outbox


def test_one_customers_wish_does_not_silence_another() -> None:
    reminder, other = due(), due()
    Preference.objects.create(customer=other.customer, kind=ReminderKind.DUE, wanted=False)
    send_due(now=NOW)
    assert (after(reminder).state, after(other).state) == (ReminderState.SENT, ReminderState.DROPPED)


def test_a_washed_or_booked_roof_is_not_reminded() -> None:
    washed, booked = due(), due()
    assert washed.site
    assert booked.site
    factories.visit(site=washed.site, state=VisitState.DONE, finished_at=NOW, starts_at=NOW)
    factories.visit(site=booked.site)
    send_due(now=NOW)
    assert after(washed).reason == "The panels were washed meanwhile."
    assert after(booked).reason == "A visit is booked."


def test_unsubscribing_stops_reminders_but_not_the_confirmation_of_a_visit() -> None:
    visit = factories.visit()
    customer = visit.site.customer
    stop_mail(email=customer.email, business=customer.business, why="unsubscribed", now=NOW)
    plan_standing(now=NOW)
    assert send_due(now=NOW).sent == 1
    visit.revision += 1
    visit.save()
    MailStop.objects.update(why="bounced")
    plan_standing(now=NOW)
    assert send_due(now=NOW).dropped == 1


def test_the_office_can_put_a_dropped_reminder_back() -> None:
    reminder = due()
    send_due(now=NOW + 30 * DAY)
    retry_reminder(reminder=after(reminder), now=NOW + 31 * DAY)
    assert send_due(now=NOW + 31 * DAY).sent == 1


def test_who_does_not_answer_hears_of_a_due_wash_twice_a_year_at_most() -> None:
    assessment = factories.assessment(clean_due=NOW.date())
    for day in range(0, 364, 7):
        plan_reminders(sites=[assessment.site], now=NOW + day * DAY)
        send_due(now=NOW + day * DAY)
    told = Reminder.objects.filter(kind=ReminderKind.DUE, state=ReminderState.SENT).order_by("sent_at")
    assert [(one.sent_at - NOW).days for one in told if one.sent_at] == [0, 182]


def test_a_cold_lead_nobody_touches_is_told_three_times() -> None:
    lead = factories.lead(opened_at=NOW - 15 * DAY)
    factories.member(lead.site.customer.business)
    for day in range(0, 200, 2):
        plan_standing(now=NOW + day * DAY)
        send_due(now=NOW + day * DAY)
    assert len(mail.outbox) == 3


# --- what ------------------------------------------------------------------------------------------------------------


def sent_message() -> Message:
    (one,) = mail.outbox
    message: Message = one.message()
    return message


def test_a_reminder_has_text_and_html_the_facts_a_reason_an_address_and_a_way_out() -> None:
    reminder = due()
    send_due(now=NOW)
    message = sent_message()
    plain, html = (part.get_payload(decode=True).decode() for part in message.get_payload())  # type: ignore[union-attr]
    for body in (plain, html):
        assert "8\u00a0% (likely 6\u00a0% to 10\u00a0%)" in body
        assert "1 Invented Street, Nowhere" in body
        assert "because you agreed to hear from us" in body
        assert "120.00 USD" in body
    assert message["Reply-To"] == reminder.business.email
    # RFC 8058 section 3.1: both headers, an HTTPS address in production, and the fixed value of the second.
    assert message["List-Unsubscribe-Post"] == "List-Unsubscribe=One-Click"
    (stop,) = re.findall(r"^<(http[^>]+/mail/stop/[^>]+)>$", message["List-Unsubscribe"])
    assert stop in plain
    assert f'<a href="{stop}"' in html
    assert after(reminder).message_id == message["Message-ID"]


def test_html_of_a_mail_does_not_run_what_a_name_contains() -> None:
    assessment = factories.assessment(
        clean_due=NOW.date(), site=factories.site(customer=factories.customer(name="<script>alert(1)</script>"))
    )
    due(assessment)
    send_due(now=NOW)
    html = sent_message().get_payload(1).get_payload(decode=True).decode()  # type: ignore[union-attr]
    assert "<script>" not in html
    assert "&lt;script&gt;" in html


def test_the_recipients_language_decides() -> None:
    due(
        factories.assessment(
            clean_due=date(2026, 6, 15),
            site=factories.site(customer=factories.customer(language=Language.SPANISH)),
        )
    )
    send_due(now=NOW)
    assert "les toca un lavado" in mail.outbox[0].subject
    assert "15 de junio de 2026" in str(mail.outbox[0].body)
    assert "No recibir más correos" in str(mail.outbox[0].body)


def test_a_business_words_its_mails_itself() -> None:
    assessment = factories.assessment(clean_due=NOW.date())
    Wording.objects.create(
        business=assessment.site.customer.business,
        kind=ReminderKind.DUE,
        language=Language.ENGLISH,
        subject="Time to rinse, {name}",
        text="{loss} gone. {__class__} {name.__class__} stays as it is.",
    )
    due(assessment)
    send_due(now=NOW)
    assert mail.outbox[0].subject == f"Time to rinse, {assessment.site.customer.name}"
    assert "8\u00a0% (likely 6\u00a0% to 10\u00a0%) gone. {__class__} {name.__class__} stays" in str(
        mail.outbox[0].body
    )


def test_a_wash_that_does_not_pay_is_not_recommended_without_saying_so() -> None:
    # 120 a wash at 4 a month is 30 months.
    due(factories.assessment(clean_due=NOW.date(), due_basis="calendar", value_lost_per_month=4))
    send_due(now=NOW)
    assert "in money alone the wash does not pay within a year" in str(mail.outbox[0].body)


def test_the_calendar_names_no_loss_it_does_not_know_and_no_day_gone_by() -> None:
    """Readings that cannot say, no readings at all, and figures whose ends decide whether the wash pays."""
    never_washed = date(2020, 5, 1)  # the factory's roofs were installed then
    unsure = factories.assessment(
        clean_due=date(2021, 5, 1), due_basis="calendar", loss_low=0.0, loss_high=0.16, value_lost_per_month=10
    )
    dear = factories.assessment(clean_due=date(2021, 5, 1), due_basis="calendar", value_lost_per_month=4)
    blind = factories.site()
    assert blind.installed_on == never_washed
    for meter in (factories.meter(site=unsure.site), factories.meter(site=dear.site)):
        factories.day_readings(meter, NOW.date())
    plan_reminders(sites=[unsure.site, dear.site, blind], now=NOW)
    assert send_due(now=NOW).sent == 3
    bodies = {one.to[0].rpartition("<")[2].strip(">"): str(one.body) for one in mail.outbox}
    assert all("is due (15 June 2026)" in body for body in bodies.values())
    body = bodies[unsure.site.customer.email]
    # 8 % cost 10 a month, so 16 % cost 20: the 120 of a wash are 6 months at that end and never at the other
    assert "Dirt may cost you anything from 0 USD to 20 USD a month (estimate), so we cannot tell" in body
    assert "Your readings cannot tell how dirty they are" in body
    # 10 % would cost 5 a month: two years
    assert (
        "no more than about 5 USD a month (estimate): in money alone the wash does not pay"
        in (bodies[dear.site.customer.email])
    )
    body = bodies[blind.customer.email]
    assert "We have no readings of your panels, so this date comes from the calendar: one wash every 12 months" in body
    assert "Without an estimate of the loss we cannot tell whether it pays." in body


def test_readings_say_what_dirt_costs_with_its_doubt_and_when_a_wash_is_earned_back() -> None:
    # 8 % (6 to 10 %) cost 20 a month, so the ends are 15 and 25, and 120 are 6 months
    due(factories.assessment(clean_due=NOW.date(), value_lost_per_month=20))
    send_due(now=NOW)
    body = str(mail.outbox[0].body)
    assert "Dirt now costs you about 20 USD a month (estimate, likely 15 USD to 25 USD)." in body
    assert "earned back in about 6 months if no rain" in body


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


def test_a_customer_with_two_roofs_hears_of_each_by_name_on_different_days() -> None:
    customer = factories.customer()
    for name in ("Barn", "House"):
        site = factories.site(customer=customer, name=name)
        factories.day_readings(factories.meter(site=site), NOW.date())
        factories.assessment(site=site, clean_due=NOW.date())
        plan_reminders(sites=[site], now=NOW)
    assert [send_due(now=NOW + day * DAY).sent for day in range(3)] == [1, 1, 0]
    assert [one.subject for one in mail.outbox] == [
        "Your panels at Barn are due for a wash",
        "Your panels at House are due for a wash",
    ]


def test_the_cap_counts_all_kinds_together() -> None:
    customer = factories.customer()  # cap 3
    gone_quiet, faulty, clean = (factories.site(customer=customer, name=name) for name in ("A", "B", "C"))
    for site, day in ((gone_quiet, 20), (faulty, 0), (clean, 0)):
        factories.day_readings(factories.meter(site=site), NOW.date() - day * DAY)
    factories.assessment(site=gone_quiet, clean_due=NOW.date())
    factories.assessment(site=faulty, verdict="other fault", cause="string_loss")
    factories.washed(clean, NOW - 10 * DAY, gain=0.05, low=0.04, high=0.06)
    plan_reminders(sites=[gone_quiet, faulty, clean], now=NOW)
    assert Reminder.objects.count() == 4
    for day in range(12):
        send_due(now=NOW + day * DAY)
    assert Counter(Reminder.objects.values_list("state", flat=True)) == {"sent": 3, "dropped": 1}
    assert len({one.kind for one in Reminder.objects.filter(state=ReminderState.SENT)}) == 3


def test_who_left_and_came_back_is_told_what_is_due_then() -> None:
    reminder = due()
    customer = reminder.customer
    assert customer is not None
    assert reminder.site
    stop_mail(email=customer.email, business=reminder.business, why="unsubscribed", now=NOW)
    send_due(now=NOW)
    assert after(reminder).state == ReminderState.DROPPED
    allow_mail(email=customer.email, business=reminder.business)
    for day in range(1, 15):
        plan_reminders(sites=[reminder.site], now=NOW + day * DAY)
        send_due(now=NOW + day * DAY)
    assert [one.subject for one in mail.outbox if "due for a wash" in one.subject] == [
        "Your panels at Home are due for a wash"
    ]


def test_no_list_mail_goes_without_the_postal_address() -> None:
    reminder = due()
    Business.objects.update(postal_address=" ")
    assert send_due(now=NOW).dropped == 1
    assert "postal address" in after(reminder).reason


def test_the_office_reads_in_its_own_language_why_a_lead_is_new() -> None:
    dirty = factories.assessment(soiling_since=date(2026, 3, 27))
    business = dirty.site.customer.business
    owner = factories.member(business, language=Language.SPANISH)
    broken = factories.assessment(
        site=factories.site(customer=factories.customer(business=business)),
        verdict="other fault",
        cause="string_loss",
        cause_began=date(2026, 5, 3),
    )
    for assessment in (dirty, broken):
        review_lead(site=assessment.site, assessment=assessment, now=NOW - timedelta(hours=6))
    plan_standing(now=NOW)
    send_due(now=NOW)
    (digest,) = (str(one.body) for one in mail.outbox if owner.email in one.to[0])
    assert "La pérdida supera el 5\u00a0% con una probabilidad de" in digest
    assert "La suciedad se acumula desde el 27 de marzo de 2026." in digest
    assert "No es suciedad. Una parte de los paneles parece haberse parado" in digest
    assert "Empezó hacia el 3 de mayo de 2026." in digest
    assert "Dirt" not in digest


def test_a_booked_visit_comes_with_a_calendar_entry_and_a_moved_one_is_told_again() -> None:
    visit = factories.visit(starts_at=datetime(2026, 6, 17, 15, 0, tzinfo=UTC), minutes=90)
    plan_standing(now=NOW)
    plan_standing(now=NOW)
    assert send_due(now=NOW).sent == 1
    name, content, kind = mail.outbox[0].attachments[0]
    (event,) = icalendar.Calendar.from_ical(content).walk("VEVENT")
    assert (name, kind) == ("visit.ics", "text/calendar")
    assert event.decoded("dtstart") == datetime(2026, 6, 17, 15, 0, tzinfo=UTC)
    assert event.decoded("dtend") == datetime(2026, 6, 17, 16, 30, tzinfo=UTC)
    assert "at 9 a.m." in str(mail.outbox[0].body)  # Denver
    assert "List-Unsubscribe" not in mail.outbox[0].extra_headers
    visit.revision += 1
    visit.save()
    plan_standing(now=NOW)
    assert send_due(now=NOW).sent == 1


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
