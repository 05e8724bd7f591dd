"""What needs a hand comes to the first page, and goes from there when somebody has seen to it."""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.core.exceptions import ValidationError

from portal.actions.reminders.by_hand import ask_for_readings
from portal.actions.slipped import Slipped, slipped
from portal.models import Business, Import, ImportState, LeadStage, Reminder, ReminderKind, Role, Site, User, VisitState
from tests import factories
from tests.factories import NOW

pytestmark = pytest.mark.django_db


@pytest.fixture
def firm() -> Business:
    return factories.business()


@pytest.fixture
def office(firm: Business) -> User:
    return factories.member(firm, Role.OFFICE)


@pytest.fixture
def site(firm: Business) -> Site:
    roof = factories.site(customer=factories.customer(business=firm))
    factories.day_readings(factories.meter(site=roof), NOW.date() - timedelta(days=1))
    return roof


def _slipped(user: User) -> Slipped:
    sites = list(Site.objects.managed_by(user).order_by("pk"))
    return slipped(user, sites=sites, today=NOW.date(), now=NOW)


def test_a_firm_in_order_has_nothing_to_see_to(site: Site, office: User) -> None:
    crew = factories.member(site.customer.business, Role.TECHNICIAN)
    factories.visit(site=site, technicians=(crew,))
    factories.visit(site=site, starts_at=NOW - timedelta(days=3), state=VisitState.DONE, finished_at=NOW)
    factories.lead(site=site, stage=LeadStage.QUOTED, contacted_at=NOW - timedelta(days=6))
    assert len(_slipped(office)) == 0


def test_another_firm_sees_nothing_of_it(site: Site) -> None:
    factories.visit(site=site, starts_at=NOW - timedelta(days=3))
    assert len(_slipped(factories.member(factories.business()))) == 0


def test_visits_that_slipped_are_told_by_what_is_wrong(site: Site, office: User) -> None:
    crew = factories.member(site.customer.business, Role.TECHNICIAN)
    undone = factories.visit(site=site, technicians=(crew,), starts_at=NOW - timedelta(days=1))
    # NOW is noon in Denver: a visit of this morning may still be under way
    factories.visit(site=site, technicians=(crew,), starts_at=NOW - timedelta(hours=4))
    unsent = factories.visit(site=site, starts_at=NOW + timedelta(days=2))
    other = factories.site(customer=site.customer, name="Barn")
    factories.day_readings(factories.meter(site=other), NOW.date())
    put_off = factories.visit(site=other, starts_at=NOW - timedelta(days=2), state=VisitState.WEATHER)
    found = _slipped(office)
    assert (found.undone, found.unsent, found.put_off) == ([undone], [unsent], [put_off])
    factories.visit(site=other, technicians=(crew,), starts_at=NOW + timedelta(days=3))
    assert _slipped(office).put_off == []


def test_a_quote_waits_a_week_or_until_its_day(site: Site, office: User) -> None:
    lead = factories.lead(site=site, stage=LeadStage.QUOTED, contacted_at=NOW - timedelta(days=8))
    assert _slipped(office).unanswered == [lead]
    lead.snoozed_until = NOW.date() + timedelta(days=5)
    lead.save()
    assert _slipped(office).unanswered == []


def test_a_file_that_was_not_read_stays_until_a_later_one_was(site: Site, office: User) -> None:
    def sent(name: str, state: ImportState, days_ago: int) -> Import:
        at = NOW - timedelta(days=days_ago)
        return Import.objects.create(meter=site.meters.get(), filename=name, sha256=name, state=state, uploaded_at=at)

    asked = sent("asked.csv", ImportState.QUESTION, 90)
    failed = sent("failed.csv", ImportState.FAILED, 20)
    assert _slipped(office).files == [failed, asked]
    sent("good.csv", ImportState.DONE, 10)
    assert _slipped(office).files == []


def test_silent_roofs_come_with_since_when_and_are_written_to_once(firm: Business, office: User) -> None:
    quiet, never = (factories.site(customer=factories.customer(business=firm)) for _ in range(2))
    last = NOW.date() - timedelta(days=30)
    factories.day_readings(factories.meter(site=quiet), last)
    found: Slipped = _slipped(office)
    assert [(one.site, one.since, one.written_on) for one in found.silent] == [(quiet, last, None), (never, None, None)]
    first, again = ask_for_readings(site=quiet, now=NOW), ask_for_readings(site=quiet, now=NOW)
    assert first == again
    assert first.kind == ReminderKind.QUIET
    assert ask_for_readings(site=never, now=NOW).kind == ReminderKind.SEND_READINGS
    Reminder.objects.filter(pk=first.pk).update(state="sent", sent_at=NOW)
    assert _slipped(office).silent[0].written_on == NOW.date()
    with pytest.raises(ValidationError, match="They were written to on 15 June 2026"):
        ask_for_readings(site=quiet, now=NOW + timedelta(days=2))
    assert ask_for_readings(site=quiet, now=NOW + timedelta(days=4)) != first


@pytest.mark.parametrize(("fields", "why"), [({"email": ""}, "no e-mail"), ({"consented_on": None}, "not agreed")])
def test_nobody_is_written_to_without_an_address_and_consent(
    firm: Business, fields: dict[str, object], why: str
) -> None:
    site = factories.site(customer=factories.customer(business=firm, **fields))
    with pytest.raises(ValidationError, match=why):
        ask_for_readings(site=site, now=NOW)
    assert not Reminder.objects.exists()
