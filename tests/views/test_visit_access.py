"""Who may open what of a visit."""

from __future__ import annotations

import pytest
from django.urls import reverse
from django.utils import timezone

from portal.models import Membership, Visit, VisitState
from tests import factories
from tests.views.cast import ALL, CREW, OF_THE_VISIT, OFFICE, Cast

pytestmark = pytest.mark.django_db


@pytest.mark.parametrize(
    ("name", "may"),
    [
        ("visit_sheet", CREW),
        ("visit_record", CREW),
        ("visit_move", OFFICE),
        ("visit_report", OF_THE_VISIT),
        ("visit_report_pdf", OF_THE_VISIT),
    ],
)
def test_the_pages_of_a_visit_are_for_its_people(people: Cast, name: str, may: set[str]) -> None:
    url = reverse(name, args=[people.visit.pk])
    assert {who: people.client(who).get(url).status_code for who in ALL} == {
        who: 200 if who in may else 302 if who == "stranger" else 404 for who in ALL
    }


@pytest.mark.parametrize(("size", "may"), [("small", OF_THE_VISIT), ("shown", OF_THE_VISIT), ("original", OFFICE)])
def test_photos_are_for_the_people_of_their_visit(people: Cast, size: str, may: set[str]) -> None:
    url = reverse("visit_photo", args=[people.photo.pk, size])
    assert {who: people.client(who).get(url).status_code for who in ALL} == {
        who: 200 if who in may else 403 if who == "stranger" else 404 for who in ALL
    }


def test_media_files_are_never_served_by_their_path(people: Cast) -> None:
    for who in ("owner", "stranger"):
        client = people.client(who)
        for file in (people.photo.original, people.photo.shown, people.photo.small):
            for prefix in ("/media/", "/var/media/", "/static/", "/"):
                assert client.get(f"{prefix}{file.name}").status_code == 404


@pytest.mark.parametrize(
    ("name", "may"),
    [
        ("visit_call_off", OFFICE),
        ("visit_finish", OFFICE),
        ("visit_reopen", OFFICE),
        ("visit_report_share", OFFICE | {"homeowner"}),
        ("visit_entries", CREW),
        ("visit_photos", CREW),
    ],
)
def test_changes_are_for_those_who_may(people: Cast, name: str, may: set[str]) -> None:
    url = reverse(name, args=[people.visit.pk])
    stranger = people.client("stranger").post(url)
    assert stranger.status_code == 302
    assert "/login/" in stranger["Location"]
    refused = [who for who in ALL if who not in may and who != "stranger"]
    assert {who: people.client(who).post(url).status_code for who in refused} == dict.fromkeys(refused, 404)
    assert Visit.objects.get(pk=people.visit.pk).changed_at == people.visit.changed_at
    for who in may:
        Visit.objects.filter(pk=people.visit.pk).update(state=VisitState.DONE, finished_at=timezone.now())
        assert people.client(who).post(url).status_code == 302, who


@pytest.mark.parametrize(
    ("name", "may"),
    [
        ("visits", CREW | {"idle technician", "other business"}),
        ("calendar", CREW | {"idle technician", "other business"}),
        ("visit_book", OFFICE | {"other business"}),
    ],
)
def test_lists_are_for_members(people: Cast, name: str, may: set[str]) -> None:
    answers = {who: people.client(who).get(reverse(name)) for who in ALL}
    assert {who: answer.status_code for who, answer in answers.items()} == {
        who: 200 if who in may else 302 if who == "stranger" else 403 for who in ALL
    }
    for who in ("other business", "idle technician"):
        assert str(people.visit.site) not in answers[who].content.decode()


def test_a_technician_taken_off_a_visit_opens_nothing_of_it(people: Cast) -> None:
    technician = people.people["technician"]
    assert technician is not None
    factories.visit(site=people.visit.site, technicians=(technician,))  # and still has another on this roof
    people.visit.technicians.clear()
    client, pk = people.client("technician"), people.visit.pk
    pages = ["visit_sheet", "visit_record", "visit_report", "visit_report_pdf"]
    addresses = [reverse(page, args=[pk]) for page in pages]
    addresses += [reverse("visit_photo", args=[people.photo.pk, size]) for size in ("small", "shown", "original")]
    assert {address: client.get(address).status_code for address in addresses} == dict.fromkeys(addresses, 404)


def test_an_address_with_an_absurd_number_is_no_error(people: Cast) -> None:
    office, number = people.client("office"), "9" * 30
    assert office.get(reverse("visits"), {"technician": number}).status_code == 200
    assert office.get(reverse("visit_book"), {"site": number}).status_code == 404
    assert office.get(f"/visits/{number}/").status_code == 404


def test_a_technician_who_left_sees_nothing_more(people: Cast) -> None:
    Membership.objects.filter(user=people.people["technician"]).delete()
    client = people.client("technician")
    assert client.get(reverse("visit_sheet", args=[people.visit.pk])).status_code == 404
    assert client.get(reverse("visit_photo", args=[people.photo.pk, "small"])).status_code == 404
