"""A year of the invented firms, driven week by week: what each customer would have been sent, printed.

Needs some minutes: ``pytest -m benchmark tests/actions/test_year.py -s``.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from django.core import mail

from fixtures.demo import load_demo
from portal.actions.assessments import keep_assessments, site_readings
from portal.actions.leads import win_lead
from portal.actions.reminders.plan import plan_standing, plan_unassessed
from portal.actions.reminders.send import send_due
from portal.actions.washes import outlooks
from portal.models import (
    Customer,
    Lead,
    LeadKind,
    LeadStage,
    Proof,
    Reminder,
    ReminderKind,
    ReminderState,
    Site,
    SiteAssessment,
    User,
    Visit,
    VisitState,
)
from portal.pv.assessment import assess

pytestmark = [pytest.mark.benchmark, pytest.mark.django_db]
END = datetime(2026, 11, 20, 16, 0, tzinfo=UTC)
WEEKS = 52
EXEMPT = {ReminderKind.BOOKED}


def test_a_year_sends_a_plausible_stream_nobody_gets_more_than_the_cap_and_no_lead_flaps() -> None:
    load_demo(now=END)
    Reminder.objects.all().delete()
    Lead.objects.all().delete()
    SiteAssessment.objects.all().delete()
    Proof.objects.all().delete()  # what a wash gained is found again as the readings come in
    start = END - timedelta(weeks=WEEKS)
    Site.objects.update(created_at=start)
    sites = list(Site.objects.filter(planes__isnull=False).distinct().select_related("customer__business"))
    # read while the year's visits still stand: each night knows of those before it
    readings = {site.pk: site_readings(site) for site in sites}
    to_come = list(Visit.objects.filter(starts_at__gt=start).order_by("starts_at"))
    Visit.objects.filter(pk__in=[visit.pk for visit in to_come]).update(
        state=VisitState.CANCELLED, finished_at=None, lead=None
    )
    dates = {visit.pk: visit.starts_at.astimezone(ZoneInfo(visit.site.tz)).date() for visit in to_come}
    for week in range(WEEKS + 1):
        night = start + timedelta(weeks=week)
        _let_visits_happen(to_come, night)
        for site in sites:
            today = night.astimezone(ZoneInfo(site.tz)).date()
            known = [day for day in readings[site.pk].visits if day < today]
            seen = readings[site.pk].energy_wh
            if seen.empty or seen.index[0] > night - timedelta(days=1):
                continue
            result = assess(replace(readings[site.pk], visits=known), as_of=today - timedelta(days=1))
            keep_assessments(results=[(site, result)], ahead=outlooks([(site, result)]), now=night)
        plan_unassessed(now=night)
        for day in range(7):
            for hours in (0, 3, 8):
                moment = night + timedelta(days=day, hours=hours)
                plan_standing(now=moment)
                send_due(now=moment)
    assert dates
    _print_and_check()


def _let_visits_happen(visits: list[Visit], night: datetime) -> None:
    """Visits of the demo's past come up as the year goes on: booked some days ahead, then done."""
    for visit in visits:
        now = Visit.objects.get(pk=visit.pk)
        lead = Lead.objects.open().filter(site=visit.site_id, kind=LeadKind.CLEANING).first()
        if visit.starts_at <= night and visit.starts_at < END and now.state != VisitState.DONE:
            now.state, now.finished_at = VisitState.DONE, visit.starts_at + timedelta(minutes=70)
            if now.lead is not None:
                win_lead(lead=now.lead, now=night)
        elif night < visit.starts_at <= night + timedelta(days=7) and now.state == VisitState.CANCELLED:
            now.state, now.lead = VisitState.BOOKED, lead
            if lead is not None:
                lead.stage, lead.booked_at = LeadStage.BOOKED, night
                lead.save()
        now.save()


def _print_and_check() -> None:
    sent = defaultdict(list)
    for reminder in Reminder.objects.filter(customer__isnull=False).order_by("due_at"):
        sent[reminder.customer_id].append(reminder)
    for customer in Customer.objects.select_related("business").order_by("business", "name"):
        print(f"\n{customer.business.name} · {customer.name} ({customer.language})")
        lines = []
        for one in sent[customer.pk]:
            when = one.sent_at or one.due_at
            what = one.subject if one.state == ReminderState.SENT else f"{one.get_state_display()}: {one.reason}"
            lines.append((when, f"{one.get_kind_display():<28} {what}"))
        for lead in Lead.objects.filter(site__customer=customer):
            lines.append((lead.opened_at, f"{'LEAD opens':<28} {lead.get_kind_display()}"))
            if lead.closed_at:
                lines.append((lead.closed_at, f"{'LEAD closes':<28} {lead.get_stage_display()}"))
        for visit in Visit.objects.filter(site__customer=customer, state=VisitState.DONE, starts_at__lt=END):
            lines.append((visit.starts_at, "WASHED"))
        for when, what in sorted(lines):
            if when > END - timedelta(weeks=WEEKS):
                print(f"  {when:%Y-%m-%d %H:%M} {what}")

        mails = sorted(one.sent_at for one in sent[customer.pk] if one.sent_at is not None and one.kind not in EXEMPT)
        cap = customer.business.reminder_cap_per_month
        for first, last in zip(mails, mails[cap:], strict=False):
            assert last - first >= timedelta(days=30), f"{customer} got more than {cap} mails in 30 days"
        days = [moment.astimezone(ZoneInfo(customer.business.tz)).date() for moment in mails]
        assert len(days) == len(set(days)), f"{customer} got two mails on one day"

    for person in User.objects.filter(reminders__isnull=False).distinct():
        print(f"\n{person} (staff)")
        for one in person.reminders.exclude(kind=ReminderKind.TOMORROW).order_by("due_at"):
            what = one.subject if one.state == ReminderState.SENT else f"{one.get_state_display()}: {one.reason}"
            print(f"  {one.sent_at or one.due_at:%Y-%m-%d %H:%M} {one.get_kind_display():<28} {what}")

    flaps = 0
    for site in Site.objects.all():
        leads = list(Lead.objects.filter(site=site).order_by("opened_at"))
        for earlier, later in pairwise(leads):
            # a referral after a wash is news; the same kind of lead again so soon is a flap
            if earlier.closed_at and earlier.kind == later.kind:
                flaps += later.opened_at - earlier.closed_at < timedelta(days=28)
    states = {state: Reminder.objects.filter(state=state).count() for state in ReminderState}
    opened = Lead.objects.count()
    print(
        f"\nA year: {sum(len(rows) for rows in sent.values())} homeowners' reminders planned, {states}, "
        f"{len(mail.outbox)} mails, {opened} leads opened, {flaps} reopened within four weeks of closing"
    )
    assert flaps == 0
    assert not Reminder.objects.filter(state=ReminderState.FAILED).exists()
