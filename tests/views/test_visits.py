"""What the pages of a visit say."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from typing import Any
from uuid import uuid4
from zoneinfo import ZoneInfo

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from portal.actions.visits import finish_visit, put_off_visit
from portal.models import Reminder, ReminderState, Role, Visit, VisitState
from tests import factories
from tests.views.cast import Cast

pytestmark = pytest.mark.django_db


def test_a_visit_is_booked_for_the_roofs_own_clock(people: Cast) -> None:
    technician = people.people["technician"]
    assert technician is not None
    client, summer = people.client("office"), timezone.now().year + 1  # a time that is past would be asked about
    url = f"{reverse('visit_book')}?site={people.visit.site.pk}"
    assert client.get(url).context["form"].initial["price"] == 120  # the price list's minimum
    client.post(
        url, {"day": f"{summer}-07-01", "at": "08:30", "minutes": "60", "technicians": [technician.pk], "price": "130"}
    )
    booked = Visit.objects.exclude(pk=people.visit.pk).get()
    assert booked.starts_at.isoformat() == f"{summer}-07-01T14:30:00+00:00"  # Denver is at −06:00 in July
    assert list(booked.technicians.all()) == [technician]


def test_an_hour_that_the_clocks_skip_is_refused(people: Cast) -> None:
    answer = people.client("office").post(
        f"{reverse('visit_book')}?site={people.visit.site.pk}",
        {"day": "2026-03-08", "at": "02:30", "minutes": "60", "price": "130"},
    )
    assert "the clocks skip 02:30" in answer.content.decode()
    assert Visit.objects.count() == 1


def test_a_lead_of_another_business_is_not_booked(people: Cast) -> None:
    lead = factories.lead()
    assert people.client("owner").get(f"{reverse('visit_book')}?lead={lead.pk}").status_code == 404


def test_the_sheet_says_what_the_readings_say(people: Cast) -> None:
    factories.assessment(
        site=people.visit.site,
        verdict="other fault",
        cause="string_loss",
        cause_began="2026-05-03",
        present_loss=0.012,
        loss_low=0.004,
        loss_high=0.03,
    )
    page = people.client("technician").get(reverse("visit_sheet", args=[people.visit.pk])).content.decode()
    for words in (
        "3 May 2026",
        "Don&#x27;t promise that washing mends it",
        "1.2\u00a0%",
        "live whenever there is light",
    ):
        assert words.replace("&#x27;", "'") in page.replace("&#x27;", "'"), words


def test_each_crew_gets_its_own_round_from_the_yard(people: Cast) -> None:
    firm, technician = people.visit.site.customer.business, people.people["technician"]
    assert technician is not None
    firm.latitude, firm.longitude = 39.70, -105.00
    firm.save()
    other = factories.member(firm, Role.TECHNICIAN, name="Another Van")
    start = (timezone.now() + timedelta(days=2)).replace(hour=17)
    roofs = {"near": 39.71, "middle": 39.75, "far": 39.80}
    for hour, name in enumerate(("far", "near", "middle")):
        site = factories.site(customer=people.visit.site.customer, name=name, latitude=roofs[name], longitude=-105.0)
        factories.visit(site=site, technicians=(technician,), starts_at=start + timedelta(hours=hour))
    factories.visit(
        site=factories.site(customer=people.visit.site.customer, name="theirs"), technicians=(other,), starts_at=start
    )
    day = next(
        day
        for day in people.client("office").get(reverse("visits"), {"order": "route"}).context["days"]
        if len(day.rounds) == 2
    )
    rounds = {one.crew: [visit.site.name for visit, *_ in one.stops] for one in day.rounds}
    assert rounds["Another Van"] == ["theirs"]
    assert rounds[str(technician)] in (["near", "middle", "far"], ["far", "middle", "near"])
    by_time = people.client("office").get(reverse("visits")).context["days"]
    assert [visit.site.name for one in by_time if one.day == day.day for visit, *_ in one.rounds[0].stops] == [
        "far",
        "theirs",
        "near",
        "middle",
    ]


def test_the_list_asks_the_database_no_more_for_more_visits(
    people: Cast, django_assert_max_num_queries: Callable[..., Any]
) -> None:
    client = people.client("office")
    for number in range(12):
        factories.visit(
            site=factories.site(customer=people.visit.site.customer),
            starts_at=timezone.now() + timedelta(days=1, hours=number),
        )
    with django_assert_max_num_queries(30):
        client.get(reverse("visits"))


def test_the_worker_is_served_from_the_folder_it_works_for() -> None:
    answer = Client().get("/visits/worker.js")
    assert answer["Content-Type"] == "text/javascript"


def test_the_office_passes_a_finding_on(people: Cast) -> None:
    client = people.client("technician")
    client.post(
        reverse("visit_entries", args=[people.visit.pk]),
        {"client_id": str(uuid4()), "kind": "inspection", "item": "cables", "answer": "urgent", "note": "Burnt"},
    )
    referral = people.visit.referrals.get()
    url = reverse("visit_referral", args=[referral.pk])
    assert client.post(url, {"outcome": "x"}).status_code == 404
    office = people.client("office")
    for page in ("visits", "home"):
        assert "Burnt" in office.get(reverse(page)).content.decode()
    office.post(url, {"outcome": "Electrician called"})
    for page in ("visits", "home"):
        assert "Burnt" not in office.get(reverse(page)).content.decode()
    assert "Electrician called" in office.get(reverse("visits")).content.decode()
    report = people.client("homeowner").get(reverse("visit_report", args=[people.visit.pk])).content.decode()
    assert "Have a licensed electrician look at it" in report


def test_a_visit_finished_by_mistake_is_reopened(people: Cast) -> None:
    people.client("office").post(reverse("visit_reopen", args=[people.visit.pk]))
    people.visit.refresh_from_db()
    assert people.visit.state == VisitState.BOOKED
    assert people.client("homeowner").get(reverse("visit_report", args=[people.visit.pk])).status_code == 404


def test_the_office_says_on_which_day_a_visit_was_washed(people: Cast) -> None:
    # 14 June 2026, 08:00 in Denver (−06:00), 90 minutes
    starts_at = datetime(2026, 6, 14, 14, 0, tzinfo=UTC)
    visit = factories.visit(site=people.visit.site, starts_at=starts_at, minutes=90)
    office, url = people.client("office"), reverse("visit_finish", args=[visit.pk])
    sheet = office.get(reverse("visit_sheet", args=[visit.pk])).content.decode()
    assert 'value="2026-06-14"' in sheet, "the booked day is what it most likely was"
    for day, sentence in (("2999-01-01", "still to come"), ("yesterday", "Choose the day")):
        assert sentence in office.post(url, {"day": day}, follow=True).content.decode()
    office.post(url, {"day": "2026-06-15"})
    visit.refresh_from_db()
    assert (visit.state, visit.cleaned_on) == (VisitState.DONE, date(2026, 6, 15))
    assert visit.finished_at == datetime(2026, 6, 15, 15, 30, tzinfo=UTC)


def test_a_visit_called_off_says_so_before_anything_else(people: Cast) -> None:
    technician = people.people["technician"]
    assert technician is not None
    visit = factories.visit(site=people.visit.site, technicians=(technician,))
    put_off_visit(visit=visit, why=VisitState.WEATHER, now=timezone.now())
    client = people.client("technician")
    assert "do not drive out" in client.get(reverse("visit_sheet", args=[visit.pk])).content.decode()
    assert (
        "finish only if the panels were washed" in client.get(reverse("visit_record", args=[visit.pk])).content.decode()
    )


def test_who_calls_a_visit_off_finds_the_button_to_move_it_there(people: Cast) -> None:
    technician = people.people["technician"]
    assert technician is not None
    visit = factories.visit(site=people.visit.site, technicians=(technician,))
    office, sheet = people.client("office"), reverse("visit_sheet", args=[visit.pk])
    office.post(reverse("visit_call_off", args=[visit.pk]), {"kind": "weather"})
    moves = f'href="{reverse("visit_move", args=[visit.pk])}">Move it to a new day</a>'
    assert moves in office.get(sheet).content.decode().split("<h2>")[0]
    told = people.client("technician").get(sheet).content.decode()
    assert moves not in told
    assert "The office books a new day." in told
    people.visit.refresh_from_db()
    office.post(reverse("visit_call_off", args=[people.visit.pk]), {"kind": "cancel"})
    assert "Move it to a new day" not in office.get(reverse("visit_sheet", args=[people.visit.pk])).content.decode()


def test_one_press_on_the_sheet_says_when_the_van_is_there(people: Cast) -> None:
    technician = people.people["technician"]
    assert technician is not None
    visit = factories.visit(site=people.visit.site, starts_at=timezone.now(), technicians=(technician,))
    client, sheet = people.client("technician"), reverse("visit_sheet", args=[visit.pk])
    assert 'value="set_out"' in client.get(sheet).content.decode()
    said = {"client_id": str(uuid4()), "kind": "set_out", "drive_minutes": "25"}
    headers = {"accept": "application/json"}
    assert client.post(reverse("visit_entries", args=[visit.pk]), said, headers=headers).status_code == 200
    page = client.get(sheet)
    assert 'value="set_out"' not in page.content.decode()
    there = page.context["out"].there_at.astimezone(ZoneInfo(visit.site.tz))
    on_the_way = f"On the way: there at about <b>{there:%H:%M}</b>."
    # no worker runs here, as where the broker is away: the mail is written down, and nobody is told that it went out
    assert f"{on_the_way} The mail has not gone out yet. If it is urgent, ring them." in page.content.decode()
    Reminder.objects.filter(visit=visit).update(state=ReminderState.FAILED)
    assert f"{on_the_way} No mail went out: ring them." in client.get(sheet).content.decode()
    Reminder.objects.filter(visit=visit).update(state=ReminderState.SENT, sent_at=there)
    assert f"The customer was told by mail at {there:%H:%M}." in client.get(sheet).content.decode()


@pytest.mark.parametrize("path", ["/", "/visits/"])
def test_the_days_list_has_the_button_of_ones_own_visits_and_opens_the_next(people: Cast, path: str) -> None:
    technician = people.people["technician"]
    assert technician is not None
    midnight = timezone.now().astimezone(ZoneInfo(people.visit.site.tz)).replace(hour=0, minute=0, second=0)
    Visit.objects.all().delete()
    crew = (technician,)
    done, second, third, tomorrow = (
        factories.visit(site=people.visit.site, starts_at=midnight + timedelta(hours=hours), technicians=crew)
        for hours in (8, 10, 12, 34)
    )
    finish_visit(visit=done, now=timezone.now())
    client = people.client("technician")
    said = {"client_id": str(uuid4()), "kind": "set_out", "drive_minutes": "60", "back": "visits"}
    page = client.get(path).content.decode()
    assert page.count('value="set_out"') == 3
    assert page.count("<details open><summary>Setting out") == 2, "today's next and tomorrow's first"
    answer = client.post(reverse("visit_entries", args=[second.pk]), said)
    assert answer["Location"] == f"/visits/#visit-{second.pk}"
    page = client.get(path).content.decode()
    assert page.count('value="set_out"') == 2
    assert "On the way: there at about" in page
    assert page.index("<details open><summary>Setting out") > page.index(f'id="visit-{third.pk}"')
    assert f'id="drive-minutes-{tomorrow.pk}"' in page
    assert 'value="set_out"' not in people.client("office").get(path).content.decode(), "they are not sent there"


def test_nobody_sets_out_on_another_day(people: Cast) -> None:
    later = factories.visit(site=people.visit.site, starts_at=timezone.now() + timedelta(days=2))
    page = people.client("office").get(reverse("visit_sheet", args=[later.pk])).content.decode()
    assert 'value="set_out"' not in page
