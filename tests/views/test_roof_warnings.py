"""The block of what is known of a roof, on the booking form, the day's lists, the sheet and the record."""

from __future__ import annotations

from datetime import timedelta
from uuid import uuid4

import pytest
from django.urls import reverse
from django.utils import timezone

from portal.actions.record import record_entry
from portal.models import Reminder, Visit, VisitEntry, VisitState
from tests import factories
from tests.views.cast import Cast

pytestmark = pytest.mark.django_db


@pytest.fixture
def coming(people: Cast) -> Visit:
    """A visit of today to a roof of which much is known; the finished one found it."""
    technician = people.people["technician"]
    assert technician is not None
    customer = people.visit.site.customer
    customer.notes = "Wants to be called before we come."
    customer.save()
    record_entry(
        visit=people.visit,
        client_id=uuid4(),
        kind="inspection",
        item="cables",
        answer="urgent",
        note="Burnt connector",
        at=timezone.now(),
        by=technician,
        now=timezone.now(),
    )
    return factories.visit(site=people.visit.site, technicians=(technician,), starts_at=timezone.now())


def test_every_page_of_a_coming_visit_says_it_first(people: Cast, coming: Visit) -> None:
    book = f"{reverse('visit_book')}?site={coming.site_id}"
    sheet, record = reverse("visit_sheet", args=[coming.pk]), reverse("visit_record", args=[coming.pk])
    move = reverse("visit_move", args=[coming.pk])
    pages = {
        "office": (book, move, reverse("visits"), "/", sheet, record),
        "technician": ("/visits/", "/", sheet, record),
    }
    for who, addresses in pages.items():
        client = people.client(who)
        for address in addresses:
            text = client.get(address).content.decode()
            block = text[text.index('class="heed grave"') :]
            assert block.index("Burnt connector") < block.index("Wants to be called before we come."), address
            if address not in ("/visits/", "/"):
                assert "<form" not in text[text.index("<main") : text.index('class="heed grave"')], address


def test_booking_asks_first_and_loses_nothing_of_what_was_entered(people: Cast, coming: Visit) -> None:
    technician = people.people["technician"]
    assert technician is not None
    office, url = people.client("office"), f"{reverse('visit_book')}?site={coming.site_id}"
    before = Visit.objects.count()
    entered = {
        "day": "2027-03-04",
        "at": "09:15",
        "minutes": "75",
        "technicians": [technician.pk],
        "price": "133.50",
        "note": "Bring the long ladder",
    }
    answer = office.post(url, entered)
    text = answer.content.decode()
    assert "Nothing is booked yet." in text
    for kept in ('value="2027-03-04"', 'value="09:15"', 'value="75"', 'value="133.50"', "Bring the long ladder"):
        assert kept in text, kept
    assert f'value="{technician.pk}"' in text[text.index('type="checkbox"') :]
    assert "checked" in text
    assert (Visit.objects.count(), Reminder.objects.count()) == (before, 0)
    mark = answer.context["known"].mark
    assert f'name="read" value="{mark}"' in text
    office.post(url, entered | {"read": mark})
    booked = Visit.objects.order_by("pk").last()
    assert booked is not None
    assert (booked.minutes, booked.note, str(booked.price)) == (75, "Bring the long ladder", "133.50")
    assert VisitEntry.objects.get(visit=booked, kind="read").by == people.people["office"]


@pytest.mark.parametrize("back", ["visits", "roofs"])
def test_it_is_read_on_the_days_list_and_then_asked_no_more(back: str, people: Cast, coming: Visit) -> None:
    client, page = people.client("technician"), {"visits": "/visits/", "roofs": "/"}[back]
    text = client.get(page).content.decode()
    form = text[text.index(f'action="{reverse("visit_entries", args=[coming.pk])}"') :]
    sent = {
        name: form.split(f'name="{name}" value="')[1].split('"')[0] for name in ("client_id", "kind", "item", "back")
    }
    assert sent["back"] == back
    for _ in range(2):
        answer = client.post(reverse("visit_entries", args=[coming.pk]), sent)
        assert answer["Location"].endswith(f"#visit-{coming.pk}")
    assert VisitEntry.objects.filter(visit=coming, kind="read", by=people.people["technician"]).count() == 1
    for address in (page, reverse("visit_sheet", args=[coming.pk])):
        text = client.get(address).content.decode()
        assert "Burnt connector" in text
        assert "I have read it" not in text
        assert f"Read by {people.people['technician']}" in text
    assert "I have read it" in people.client("office").get("/visits/").content.decode(), "each reads for himself"


def test_the_record_opens_when_it_was_read(people: Cast, coming: Visit) -> None:
    client, record = people.client("technician"), reverse("visit_record", args=[coming.pk])
    assert "<div data-after-heed hidden>" in client.get(record).content.decode()
    known = client.get(record).context["known"]
    client.post(
        reverse("visit_entries", args=[coming.pk]),
        {"client_id": str(known.identity), "kind": "read", "item": known.mark, "back": "phone"},
    )
    assert "<div data-after-heed>" in client.get(record).content.decode()


def test_an_earlier_visits_own_page_does_not_ask_any_more(people: Cast, coming: Visit) -> None:
    coming.state, coming.finished_at = VisitState.DONE, timezone.now() + timedelta(hours=1)
    coming.save()
    text = people.client("technician").get(reverse("visit_sheet", args=[coming.pk])).content.decode()
    assert "Burnt connector" in text
    assert "I have read it" not in text
