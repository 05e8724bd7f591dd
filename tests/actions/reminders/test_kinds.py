"""The table of kinds: each row is whole, works by itself, and nothing else knows a kind by name."""

from __future__ import annotations

import ast
import re
from collections.abc import Callable, Iterator
from datetime import datetime, timedelta
from decimal import Decimal
from pathlib import Path
from uuid import uuid4

import pytest
from django.core import mail
from django.utils import translation

from portal.actions.asks import answer, ask
from portal.actions.invoices.draft import draft_invoice
from portal.actions.invoices.issue import credit_invoice, issue_invoice, left_to_credit
from portal.actions.invoices.payments import record_payment
from portal.actions.mail.facts import common_facts
from portal.actions.mail.letter import Audience
from portal.actions.mail.wording import sample_facts, standard_wording
from portal.actions.record import record_entry
from portal.actions.reminders.kinds import KINDS, kind_of
from portal.actions.reminders.plan import plan_reminders, plan_standing
from portal.actions.reminders.send import CLAIM_LASTS, release_expired, send_due
from portal.models import (
    EndedBy,
    EntryKind,
    EventKind,
    Invoice,
    Language,
    Method,
    Proof,
    Reminder,
    ReminderKind,
    ReminderState,
    Role,
    Site,
    UtilityConnection,
    UtilityState,
    VisitState,
)
from tests import factories
from tests.actions.reminders.planned import DAY, after
from tests.factories import NOW

EVENING = NOW + timedelta(hours=5)
"""Five in Denver: tomorrow's visits and the day's new leads have been told, and it is still a decent hour."""
PORTAL = Path(__file__).resolve().parents[3] / "portal"

Undo = Callable[[], object]


def roof(language: Language) -> Site:
    site = factories.site(customer=factories.customer(language=language))
    Site.objects.filter(pk=site.pk).update(created_at=NOW - 400 * DAY)
    return site


def without_readings(language: Language) -> Undo:
    site = roof(language)
    return lambda: factories.day_readings(factories.meter(site=site), NOW.date())


def gone_quiet(language: Language) -> Undo:
    meter = factories.meter(site=roof(language))
    factories.day_readings(meter, NOW.date() - 20 * DAY)
    return lambda: factories.day_readings(meter, NOW.date())


def utility_ended(language: Language) -> Undo:
    site = roof(language)
    UtilityConnection.objects.create(
        site=site,
        state=UtilityState.ENDED,
        asked_at=NOW - 90 * DAY,
        ended_at=NOW - DAY,
        ended_by=EndedBy.UTILITY,
    )
    factories.day_readings(factories.meter(site=site), NOW.date())
    return lambda: UtilityConnection.objects.update(state=UtilityState.ACTIVE, ended_at=None, ended_by="")


def with_fault(language: Language) -> Undo:
    site = roof(language)
    factories.assessment(site=site, verdict="other fault", cause="string_loss", cause_began=NOW.date() - 9 * DAY)
    return lambda: factories.change(site.assessments.get(), verdict="clean", clean_due=None)


def due_soon(language: Language) -> Undo:
    site = roof(language)
    factories.assessment(site=site, clean_due=NOW.date() + 10 * DAY)
    return lambda: factories.visit(site=site, state=VisitState.DONE, starts_at=NOW, finished_at=NOW)


def due_now(language: Language) -> Undo:
    site = roof(language)
    factories.assessment(site=site, clean_due=NOW.date())
    return lambda: factories.visit(site=site)


def wished(language: Language) -> Undo:
    site = roof(language)
    factories.visit(site=site, state=VisitState.DONE, starts_at=NOW - 370 * DAY, finished_at=NOW - 370 * DAY)
    Site.objects.update(wash_rhythm="yearly", wash_rhythm_since=(NOW - 500 * DAY).date())
    return lambda: Site.objects.update(wash_rhythm="", wash_rhythm_since=None)


def gain_measured(language: Language) -> Undo:
    proof = factories.washed(roof(language), NOW - 10 * DAY, gain=0.05, low=0.04, high=0.06)
    return lambda: Proof.objects.filter(pk=proof.pk).update(gain=None)


def booked(language: Language) -> Undo:
    visit = factories.visit(site=roof(language))
    return lambda: type(visit).objects.update(state=VisitState.CANCELLED)


def tomorrow_evening_told(language: Language) -> Undo:
    visit = factories.visit(site=roof(language))
    type(visit).objects.update(changed_at=NOW - 3 * DAY)
    return lambda: type(visit).objects.update(state=VisitState.CANCELLED)


def set_out(language: Language) -> Undo:
    visit = factories.visit(site=roof(language))
    by = factories.member(visit.site.customer.business, Role.TECHNICIAN)
    record_entry(
        visit=visit,
        kind=EntryKind.SET_OUT,
        drive_minutes=239,
        client_id=uuid4(),
        at=EVENING - timedelta(minutes=5),
        by=by,
        now=EVENING,
    )
    return lambda: record_entry(visit=visit, kind=EntryKind.ARRIVED, client_id=uuid4(), at=EVENING, by=by, now=EVENING)


def called_off(language: Language) -> Undo:
    visit = factories.visit(site=roof(language), state=VisitState.WEATHER, starts_at=NOW + 3 * DAY)
    told = Reminder(business=visit.site.customer.business, customer=visit.site.customer, visit=visit, sent_at=NOW)
    told.key, told.kind, told.due_at, told.stale_at, told.state = "told", "booked", NOW, NOW, ReminderState.SENT
    told.save()
    return lambda: type(visit).objects.update(state=VisitState.BOOKED)


def on_tomorrows_round(language: Language) -> Undo:
    site = roof(language)
    crew = factories.member(site.customer.business, Role.TECHNICIAN, language=language)
    visit = factories.visit(site=site, technicians=(crew,))
    return lambda: type(visit).objects.update(state=VisitState.CANCELLED)


def new_lead(language: Language) -> Undo:
    lead = factories.lead(site=roof(language), opened_at=NOW - timedelta(hours=6))
    factories.member(lead.site.customer.business, language=language)
    return lambda: type(lead).objects.update(stage="cleared", closed_at=NOW)


def lead_left_alone(language: Language) -> Undo:
    lead = factories.lead(site=roof(language), opened_at=NOW - 30 * DAY)
    factories.member(lead.site.customer.business, language=language)
    return lambda: type(lead).objects.update(contacted_at=NOW)


def asked(language: Language) -> Undo:
    site = roof(language)
    factories.member(site.customer.business, language=language)
    event = ask(site=site, kind=EventKind.WASH, by=factories.user(), now=NOW + timedelta(hours=1))
    return lambda: answer(lead=event.lead, now=NOW)


def washed_today(language: Language) -> Undo:
    visit = factories.visit(site=roof(language), state=VisitState.DONE, starts_at=NOW, finished_at=NOW)
    return lambda: type(visit).objects.update(state=VisitState.BOOKED)


def invoice_issued(language: Language) -> Undo:
    invoice = issued_invoice(roof(language), NOW)
    return lambda: credit_invoice(invoice=invoice, amounts=left_to_credit(invoice), reason="Wrong", by=None, now=NOW)


def invoice_overdue(language: Language) -> Undo:
    invoice = issued_invoice(roof(language), NOW - 40 * DAY)
    by = factories.member(invoice.business)
    return lambda: record_payment(
        invoice=invoice,
        client_id=uuid4(),
        amount=Decimal(150),
        method=Method.TRANSFER,
        received_on=NOW.date(),
        taken_by=None,
        by=by,
        now=NOW,
    )


def issued_invoice(site: Site, now: datetime) -> Invoice:
    visit = factories.visit(site=site, state=VisitState.DONE, starts_at=now, finished_at=now)
    draft = draft_invoice(visit=visit, now=now)
    assert draft is not None
    return issue_invoice(invoice=draft, by=None, now=now)


SCENES: dict[ReminderKind, Callable[[Language], Undo]] = {
    ReminderKind.SEND_READINGS: without_readings,
    ReminderKind.QUIET: gone_quiet,
    ReminderKind.UTILITY_ENDED: utility_ended,
    ReminderKind.OTHER_FAULT: with_fault,
    ReminderKind.DUE_SOON: due_soon,
    ReminderKind.DUE: due_now,
    ReminderKind.WISHED: wished,
    ReminderKind.RESULT: gain_measured,
    ReminderKind.BOOKED: booked,
    ReminderKind.ARRIVAL: tomorrow_evening_told,
    ReminderKind.SET_OUT: set_out,
    ReminderKind.CALLED_OFF: called_off,
    ReminderKind.WASHED: washed_today,
    ReminderKind.INVOICE: invoice_issued,
    ReminderKind.OVERDUE: invoice_overdue,
    ReminderKind.TOMORROW: on_tomorrows_round,
    ReminderKind.ASKED: asked,
    ReminderKind.LEAD_DIGEST: new_lead,
    ReminderKind.LEAD_COLD: lead_left_alone,
}
"""What calls for each kind; each returns what makes its reminder moot."""


def planned(kind: ReminderKind) -> Reminder:
    """The one reminder of a kind that what is there calls for; others that go with it are put out of the way."""
    plan_reminders(sites=list(Site.objects.all()), now=EVENING)
    plan_standing(now=EVENING)
    Reminder.objects.exclude(kind=kind).delete()
    return Reminder.objects.get()


@pytest.mark.parametrize("kind", list(ReminderKind))
def test_each_kind_has_a_whole_row(kind: ReminderKind) -> None:
    row = KINDS[kind]
    assert (row.of_roof is None) != (row.of_firm is None)
    assert kind.label
    assert row.lifetime > timedelta(0)
    assert row.again_after is not None or row.at_most is None, "how often says nothing of what never comes again"
    for language in Language:
        subject, text = standard_wording(kind, language)
        assert set(re.findall(r"\{(\w+)\}", subject + text)) <= set(row.letter.names)
        assert subject


def test_there_are_templates_of_kinds_only() -> None:
    for language in Language:
        found = {path.stem for path in (PORTAL / "templates" / "mail" / language).glob("*.txt")}
        assert found == set(ReminderKind.values)


@pytest.mark.django_db
@pytest.mark.parametrize("language", list(Language))
@pytest.mark.parametrize("kind", list(ReminderKind))
def test_each_kind_is_planned_and_sent_with_all_its_facts(kind: ReminderKind, language: Language) -> None:
    SCENES[kind](language)
    reminder = planned(kind)
    row = kind_of(reminder)
    assert (reminder.user is not None) == (row.letter.audience == Audience.STAFF)
    if row.letter.audience != Audience.BOOKER:
        assert reminder.stale_at - reminder.due_at == row.lifetime
    moment = max(reminder.due_at, EVENING)
    with translation.override(language):
        known = common_facts(reminder) | row.letter.facts(reminder, moment)
        assert set(row.letter.names) <= set(known)
        assert set(sample_facts(reminder.business, row.letter, language)) == set(row.letter.names)
    assert send_due(now=moment).sent == 1
    (sent,) = mail.outbox
    assert not re.search(r"[{}]", sent.subject + str(sent.body))
    standard, _ = standard_wording(kind, language)
    assert sent.subject.startswith(standard.split("{")[0])


@pytest.mark.django_db
@pytest.mark.parametrize("kind", list(ReminderKind))
def test_each_kind_is_dropped_with_its_own_reason_once_it_is_moot(kind: ReminderKind) -> None:
    undo = SCENES[kind](Language.ENGLISH)
    reminder = planned(kind)
    moment = max(reminder.due_at, EVENING)
    assert KINDS[kind].moot(reminder, moment) == ""
    undo()
    assert send_due(now=moment).dropped == 1
    dropped = after(reminder)
    assert dropped.state == ReminderState.DROPPED
    assert dropped.reason == KINDS[kind].moot(dropped, moment) != ""
    assert not mail.outbox


@pytest.mark.django_db
@pytest.mark.parametrize("kind", list(ReminderKind))
def test_each_kind_comes_again_as_late_and_as_often_as_its_row_says(kind: ReminderKind) -> None:
    SCENES[kind](Language.ENGLISH)
    planned(kind)
    mine, row = Reminder.objects.filter(kind=kind), KINDS[kind]
    pause, most = row.again_after or timedelta(hours=1), row.at_most or (99 if row.again_after else 1)
    for already in range(1, min(most, 4) + 1):
        last = mine.latest("pk")
        mine.update(state=ReminderState.SENT, sent_at=last.due_at)
        for moment, count in (
            (last.due_at + pause - timedelta(minutes=1), already),
            (last.due_at + pause, already + 1),
        ):
            plan_reminders(sites=list(Site.objects.all()), now=moment)
            plan_standing(now=moment)
            assert mine.count() == min(count, most)


@pytest.mark.django_db
@pytest.mark.parametrize("kind", list(ReminderKind))
def test_only_visits_are_told_twice_rather_than_never(kind: ReminderKind) -> None:
    SCENES[kind](Language.ENGLISH)
    reminder = planned(kind)
    Reminder.objects.update(state=ReminderState.SENDING, claimed_at=EVENING, handed_over_at=EVENING)
    release_expired(now=EVENING + CLAIM_LASTS + timedelta(seconds=1))
    twice = kind in ("booked", "called_off", "tomorrow")
    assert after(reminder).state == (ReminderState.DUE if twice else ReminderState.FAILED)


def kinds_named(tree: ast.AST) -> Iterator[str]:
    """Kinds that code knows by name: members of the enumeration, and values that some ``kind`` is held against."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Attribute) and ast.unparse(node.value) == "ReminderKind":
            yield from {node.attr} & set(ReminderKind.__members__)
        asked: list[ast.expr] = []
        if isinstance(node, ast.Compare):
            asked = [node.left, *node.comparators]
        elif isinstance(node, ast.Match):
            asked = [node.subject]
        if any(re.search(r"\bkind(\.value)?$", ast.unparse(one)) for one in asked):
            constants = {str(one.value) for one in ast.walk(node) if isinstance(one, ast.Constant)}
            yield from constants & set(ReminderKind.values)


def test_nothing_but_the_table_knows_a_kind_by_name() -> None:
    table = PORTAL / "actions" / "reminders" / "kinds.py"
    assert set(kinds_named(ast.parse(table.read_text()))) == set(ReminderKind.__members__)
    asked = 'reminder.kind == "due" or kind in ("booked", "tomorrow")\nmatch one.kind:\n    case "quiet": pass'
    assert set(kinds_named(ast.parse(asked))) == {"due", "booked", "tomorrow", "quiet"}
    files = [*PORTAL.rglob("*.py"), *(PORTAL.parent / "workers").rglob("*.py")]
    for path in files:
        if path != table and "migrations" not in path.parts:
            assert not list(kinds_named(ast.parse(path.read_text()))), path
    in_template = re.compile(r"kind(?:\.value)?\s*[!=]=\s*[\"']({})[\"']".format("|".join(ReminderKind.values)))
    for path in (PORTAL / "templates").rglob("*.html"):
        assert not in_template.search(path.read_text()), path
