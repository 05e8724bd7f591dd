"""What is known of a roof comes before the visit to it: the same for every page, and who has read it is kept."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from typing import Any
from uuid import uuid4

import pytest
from django.core import mail
from django.core.exceptions import ValidationError

from portal.actions.record import close_referral, record_entry
from portal.actions.reminders.plan import plan_standing
from portal.actions.roof_warnings import AskFirst, roof_warnings, visit_warnings
from portal.actions.visits import book_visit, cancel_visit, move_visit
from portal.models import Referral, Reminder, Role, Site, User, Visit, VisitEntry, VisitPhoto, VisitState
from tests import factories
from tests.factories import NOW

pytestmark = pytest.mark.django_db
TOMORROW = NOW + timedelta(days=1)


def find(visit: Visit, answer: str, item: str = "cables", note: str = "Browned connector", *, by: User) -> None:
    record_entry(
        visit=visit,
        client_id=uuid4(),
        kind="inspection",
        item=item,
        answer=answer,
        note=note,
        at=NOW - timedelta(days=1),
        by=by,
        now=NOW,
    )


@pytest.fixture
def site() -> Site:
    return factories.site()


@pytest.fixture
def crew(site: Site) -> User:
    return factories.member(site.customer.business, Role.TECHNICIAN)


@pytest.fixture
def earlier(site: Site, crew: User) -> Visit:
    long_ago = NOW - timedelta(days=90)
    return factories.visit(
        site=site, state=VisitState.DONE, starts_at=long_ago, finished_at=long_ago, technicians=(crew,)
    )


def test_a_roof_of_which_nothing_is_known_asks_nothing(site: Site) -> None:
    known = roof_warnings([site], now=NOW)[site.pk]
    assert not known
    assert (known.grave, known.mark) == (False, "")
    assert book_visit(site=site, starts_at=TOMORROW, technicians=[], now=NOW).state == VisitState.BOOKED


def test_urgent_findings_come_first_and_end_when_somebody_has_seen_to_them(
    site: Site, earlier: Visit, crew: User
) -> None:
    find(earlier, "seen", "frame", by=crew)
    find(earlier, "urgent", by=crew)
    find(earlier, "seen", "debris", by=crew)  # a wash takes care of that
    found = roof_warnings([site], now=NOW)[site.pk].findings
    assert [one.referral.item for one in found] == ["cables", "frame"]
    for referral in Referral.objects.all():
        close_referral(referral=referral, outcome="Electrician replaced it", now=NOW)
    assert not roof_warnings([site], now=NOW)[site.pk]


@pytest.mark.parametrize("why", ["urgent finding", "other than dirt"])
def test_nothing_is_written_or_mailed_before_what_is_grave_was_read(
    why: str, site: Site, earlier: Visit, crew: User
) -> None:
    if why == "urgent finding":
        find(earlier, "urgent", by=crew)
    else:
        factories.assessment(site=site, verdict="other fault", cause="string_loss")
    office, rows = factories.member(site.customer.business, Role.OFFICE), Visit.objects.count()
    for read in ("", "0123456789ab"):
        with pytest.raises(AskFirst):
            book_visit(site=site, starts_at=TOMORROW, technicians=[crew], now=NOW, by=office, read=read)
    plan_standing(now=NOW)
    assert (Visit.objects.count(), Reminder.objects.count(), len(mail.outbox)) == (rows, 0, 0)
    mark = roof_warnings([site], now=NOW)[site.pk].mark
    visits = {
        book_visit(site=site, starts_at=TOMORROW, technicians=[crew], now=NOW, by=office, read=mark).pk
        for _ in range(2)
    }
    entry = VisitEntry.objects.get(kind="read")
    assert (entry.by, entry.at, {entry.visit_id}) == (office, NOW, visits)


def test_a_fault_is_known_by_the_recommendation_and_not_by_the_verdict_of_some_day(site: Site) -> None:
    row = factories.assessment(site=site, verdict="other fault", cause="string_loss", readings_until=NOW.date())
    fault = roof_warnings([site], now=NOW)[site.pk].fault
    assert fault is not None
    assert fault.cause == row.cause
    # Of readings that stopped since nobody knows: what the pages of the roof no longer say stops no booking.
    assert roof_warnings([site], now=NOW + timedelta(days=60))[site.pk].fault is None


def test_a_note_alone_does_not_hold_a_booking_up(site: Site) -> None:
    site.customer.notes = "Dog in the yard."
    site.customer.save()
    book_visit(site=site, starts_at=TOMORROW, technicians=[], now=NOW)
    assert not VisitEntry.objects.exists()


def test_what_is_found_meanwhile_is_asked_about_again(site: Site, earlier: Visit, crew: User) -> None:
    find(earlier, "urgent", by=crew)
    read = roof_warnings([site], now=NOW)[site.pk].mark
    find(earlier, "urgent", "glass", "Broken", by=crew)
    with pytest.raises(AskFirst):
        book_visit(site=site, starts_at=TOMORROW, technicians=[], now=NOW, by=crew, read=read)


def test_a_visit_called_off_is_booked_again_only_by_who_has_read_it(site: Site, earlier: Visit, crew: User) -> None:
    visit = book_visit(site=site, starts_at=TOMORROW, technicians=[crew], now=NOW)
    find(earlier, "urgent", by=crew)
    move_visit(visit=visit, starts_at=TOMORROW + timedelta(hours=1), now=NOW)  # it is booked: nobody is sent anew
    cancel_visit(visit=visit, reason="Connector", now=NOW)
    with pytest.raises(AskFirst):
        move_visit(visit=visit, starts_at=TOMORROW, now=NOW, by=crew)
    visit.refresh_from_db()
    assert visit.state == VisitState.CANCELLED
    move_visit(visit=visit, starts_at=TOMORROW, now=NOW, by=crew, read=roof_warnings([site], now=NOW)[site.pk].mark)
    assert VisitEntry.objects.filter(visit=visit, kind="read", by=crew).count() == 1


def test_each_who_is_sent_reads_it_and_reads_what_is_new_again(site: Site, earlier: Visit, crew: User) -> None:
    find(earlier, "urgent", by=crew)
    other = factories.member(site.customer.business, Role.TECHNICIAN)
    visit = factories.visit(site=site, technicians=(crew, other))

    def unread(by: User) -> bool:
        return visit_warnings([visit], reader=by, now=NOW)[visit.pk].unread

    def read(by: User) -> None:
        known = visit_warnings([visit], reader=by, now=NOW)[visit.pk]
        assert known.identity is not None
        for _ in range(2):  # sent twice by a phone
            record_entry(visit=visit, client_id=known.identity, kind="read", item=known.mark, at=NOW, by=by, now=NOW)

    assert unread(crew)
    assert unread(other)
    read(crew)
    assert not unread(crew)
    assert unread(other)
    assert VisitEntry.objects.filter(visit=visit).count() == 1
    find(earlier, "seen", "roof", "Cracked tile", by=other)
    assert unread(crew)
    read(crew)
    assert not unread(crew)
    find(visit, "urgent", "glass", "Broken today", by=crew)  # who is there knows
    assert not unread(crew)
    with pytest.raises(ValidationError, match="what was read"):
        record_entry(visit=visit, client_id=uuid4(), kind="read", item="", at=NOW, by=crew, now=NOW)


def test_who_is_sent_to_a_roof_sees_the_photos_of_what_was_found_there_and_no_others(
    site: Site, earlier: Visit, crew: User
) -> None:
    find(earlier, "urgent", by=crew)
    said = {"visit": earlier, "taken_at": NOW, "filename": "a.jpg", "by": crew}
    of_finding = VisitPhoto.objects.create(client_id=uuid4(), phase="finding", item="cables", **said)
    VisitPhoto.objects.create(client_id=uuid4(), phase="before", distance="wide", **said)
    sent, idle = (factories.member(site.customer.business, Role.TECHNICIAN) for _ in range(2))
    factories.visit(site=site, technicians=(sent,))
    assert list(VisitPhoto.objects.visible_to(sent)) == [of_finding]
    assert not VisitPhoto.objects.visible_to(idle).exists()
    (finding,) = roof_warnings([site], now=NOW)[site.pk].findings
    assert finding.photos == [of_finding]


def test_many_roofs_ask_the_database_no_more_than_one(
    site: Site, earlier: Visit, crew: User, django_assert_num_queries: Callable[[int], Any]
) -> None:
    find(earlier, "urgent", by=crew)
    visits = [factories.visit(site=site, technicians=(crew,))]
    for _ in range(6):
        other = factories.site(customer=factories.customer(business=site.customer.business))
        find(factories.visit(site=other, technicians=(crew,)), "urgent", by=crew)
        visits.append(factories.visit(site=other))
    for some in (visits[:1], visits):
        fresh = list(Visit.objects.filter(pk__in=[one.pk for one in some]).select_related("site__customer__business"))
        with django_assert_num_queries(9):
            visit_warnings(fresh, reader=crew, now=NOW)
