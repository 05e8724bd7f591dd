"""The technician's calendar feed."""

from __future__ import annotations

import re
from datetime import datetime, timedelta

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone
from icalendar import Calendar

from portal.actions.tokens import new_calendar_feed
from portal.actions.visits import cancel_visit, move_visit, put_off_visit
from portal.models import CalendarFeed, Membership, User, VisitState
from tests import factories
from tests.views.cast import Cast

pytestmark = pytest.mark.django_db


def test_a_feed_holds_the_technicians_own_visits_and_follows_moves(people: Cast) -> None:
    technician = people.people["technician"]
    assert technician is not None
    factories.visit(site=people.visit.site)  # somebody else's
    starts_at = timezone.now().replace(microsecond=0) + timedelta(days=3)
    coming = factories.visit(site=people.visit.site, technicians=(technician,), starts_at=starts_at)
    move_visit(visit=coming, starts_at=starts_at + timedelta(days=1), now=timezone.now())
    off = factories.visit(site=people.visit.site, technicians=(technician,), starts_at=starts_at)
    put_off_visit(visit=off, why=VisitState.WEATHER, now=timezone.now())
    feed = new_calendar_feed(user=technician, now=timezone.now())
    answer = Client().get(reverse("calendar_feed", args=[feed]))
    assert answer["Content-Type"].startswith("text/calendar")
    book = Calendar.from_ical(answer.content)
    events = {str(event["uid"]): event for event in book.walk("VEVENT")}
    # UID, SEQUENCE, STATUS: RFC 5545, 3.8.4.7, 3.8.7.4, 3.8.1.11
    assert set(events) == {f"visit-{one.pk}@rinsemark" for one in (people.visit, coming, off)}
    moved = events[f"visit-{coming.pk}@rinsemark"]
    assert moved.decoded("dtstart") == starts_at + timedelta(days=1)
    assert (moved.decoded("sequence"), str(moved["status"])) == (1, "CONFIRMED")
    assert str(events[f"visit-{off.pk}@rinsemark"]["status"]) == "CANCELLED"


def test_a_feed_keeps_to_the_letter_of_the_calendar_standard(people: Cast) -> None:
    technician = people.people["technician"]
    assert technician is not None
    site = people.visit.site
    site.address = "12; Señora Ángela's Lane, behind the long yard with the two gates, Nowhere\\Else\nSecond gate"
    site.save()
    feed = new_calendar_feed(user=technician, now=timezone.now())
    data = Client().get(reverse("calendar_feed", args=[feed])).content
    lines = data.split(b"\r\n")
    # RFC 5545, 3.1: lines end in CRLF and are no longer than 75 octets; folded ones go on after one space
    assert data.endswith(b"END:VCALENDAR\r\n")
    assert b"\n" not in data.replace(b"\r\n", b"")
    assert max(map(len, lines)) <= 75
    unfolded = data.replace(b"\r\n ", b"").decode().split("\r\n")
    # 3.6: PRODID and VERSION once; 3.6.1: UID and DTSTAMP in each event; 3.8.7.2: DTSTAMP in UTC
    assert [line for line in unfolded if line.startswith("VERSION")] == ["VERSION:2.0"]
    assert sum(line.startswith("PRODID:") for line in unfolded) == 1
    events = "\n".join(unfolded).split("BEGIN:VEVENT")[1:]
    assert len(events) == 1
    for name in ("UID:", "DTSTAMP:", "DTSTART:", "DTEND:", "SEQUENCE:", "STATUS:"):
        assert events[0].count(f"\n{name}") == 1, name
    for name in ("DTSTAMP", "DTSTART", "DTEND"):
        assert re.search(rf"\n{name}:\d{{8}}T\d{{6}}Z\n", events[0]), name
    # 3.3.11: backslash, semicolon, comma and line end are escaped
    lane = "12\\; Señora Ángela's Lane\\, behind the long yard with the two gates\\, Nowhere\\\\Else\\nSecond gate"
    assert f"\nLOCATION:{lane}\n" in events[0]


def test_a_calendar_learns_of_each_move_and_call_off(people: Cast) -> None:
    technician = people.people["technician"]
    assert technician is not None
    feed = new_calendar_feed(user=technician, now=timezone.now())
    day = timezone.now().replace(microsecond=0) + timedelta(days=3)
    visit = factories.visit(site=people.visit.site, technicians=(technician,), starts_at=day)

    def event() -> tuple[int, str, datetime]:
        book = Calendar.from_ical(Client().get(reverse("calendar_feed", args=[feed])).content)
        [found] = [one for one in book.walk("VEVENT") if str(one["uid"]) == f"visit-{visit.pk}@rinsemark"]
        return found.decoded("sequence"), str(found["status"]), found.decoded("dtstart")

    assert event() == (0, "CONFIRMED", day)
    put_off_visit(visit=visit, why=VisitState.WEATHER, now=timezone.now())
    assert event() == (1, "CANCELLED", day)
    put_off_visit(visit=visit, why=VisitState.WEATHER, now=timezone.now())  # pressed twice
    assert event() == (1, "CANCELLED", day)
    move_visit(visit=visit, starts_at=day + timedelta(days=2), now=timezone.now())
    assert event() == (2, "CONFIRMED", day + timedelta(days=2))
    cancel_visit(visit=visit, reason="Sold the house", now=timezone.now())
    assert event() == (3, "CANCELLED", day + timedelta(days=2))


def test_a_feed_ends_with_its_address_with_the_login_and_with_the_job(people: Cast) -> None:
    technician = people.people["technician"]
    assert technician is not None
    first = new_calendar_feed(user=technician, now=timezone.now())
    second = new_calendar_feed(user=technician, now=timezone.now())
    assert Client().get(reverse("calendar_feed", args=[first])).status_code == 404
    Membership.objects.filter(user=technician).delete()
    left = Client().get(reverse("calendar_feed", args=[second]))
    assert b"VEVENT" not in left.content
    User.objects.filter(pk=technician.pk).update(is_active=False)
    assert Client().get(reverse("calendar_feed", args=[second])).status_code == 404
    assert CalendarFeed.objects.filter(revoked_at=None).count() == 1
    assert Client().get(reverse("calendar_feed", args=["guess"])).status_code == 404
