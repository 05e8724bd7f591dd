"""Who may open what of a visit, and what the pages say."""

from __future__ import annotations

import io
import json
import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any
from uuid import uuid4

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse
from django.utils import timezone
from icalendar import Calendar
from PIL import Image

from portal.actions.photos import MOST_BYTES, keep_photo
from portal.actions.proof import link_token, share_report
from portal.actions.visits import call_off_for_weather, cancel_visit, finish_visit, move_visit, new_calendar_feed
from portal.models import CalendarFeed, Membership, Role, User, Visit, VisitPhoto, VisitState
from tests import factories

pytestmark = pytest.mark.django_db


def _jpeg() -> bytes:
    packed = io.BytesIO()
    Image.new("RGB", (320, 240), (30, 60, 120)).save(packed, "JPEG")
    return packed.getvalue()


@dataclass
class Cast:
    """A finished visit with a photo, and everybody who might knock."""

    visit: Visit
    photo: VisitPhoto
    people: dict[str, User | None]

    def client(self, who: str) -> Client:
        client = Client()
        person = self.people[who]
        if person is not None:
            client.force_login(person)
        return client


@pytest.fixture
def people(django_capture_on_commit_callbacks: Any) -> Cast:
    owner_of_roof = factories.user()
    site = factories.site(customer=factories.customer(user=owner_of_roof))
    firm = site.customer.business
    technician = factories.member(firm, Role.TECHNICIAN)
    visit = factories.visit(site=site, technicians=(technician,), starts_at=timezone.now() - timedelta(hours=2))
    photo = keep_photo(
        visit=visit,
        client_id=uuid4(),
        data=_jpeg(),
        filename="a.jpg",
        phase="before",
        distance="wide",
        at=timezone.now(),
        by=technician,
        now=timezone.now(),
    )
    finish_visit(visit=visit, now=timezone.now())
    visit.refresh_from_db()
    elsewhere = factories.business()
    return Cast(
        visit,
        photo,
        {
            "owner": factories.member(firm, Role.OWNER),
            "office": factories.member(firm, Role.OFFICE),
            "technician": technician,
            "idle technician": factories.member(firm, Role.TECHNICIAN),
            "homeowner": owner_of_roof,
            "other homeowner": factories.customer(business=firm, user=factories.user()).user,
            "other business": factories.member(elsewhere, Role.OWNER),
            "stranger": None,
        },
    )


ALL = ("owner", "office", "technician", "idle technician", "homeowner", "other homeowner", "other business", "stranger")
OFFICE = {"owner", "office"}
CREW = OFFICE | {"technician"}
OF_THE_VISIT = CREW | {"homeowner"}


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


# ---- the link without login


def _token(people: Cast) -> str:
    owner = people.people["owner"]
    assert owner is not None
    return link_token(share_report(visit=people.visit, now=timezone.now()))


def test_a_link_opens_the_report_its_pdf_and_its_photos_without_login(people: Cast) -> None:
    token, client = _token(people), Client()
    page = client.get(reverse("shared_report", args=[token]))
    assert page.status_code == 200
    assert (page["Referrer-Policy"], page["X-Robots-Tag"]) == ("no-referrer", "noindex, nofollow")
    assert "no-store" in page["Cache-Control"]
    assert reverse("shared_photo", args=[token, people.photo.pk, "small"]) in page.content.decode()
    assert client.get(reverse("shared_photo", args=[token, people.photo.pk, "small"])).status_code == 200
    pdf = client.get(reverse("shared_report_pdf", args=[token]))
    assert pdf.content.startswith(b"%PDF-")


def test_a_link_does_not_open_another_visits_photo_or_a_finding_or_an_original(people: Cast) -> None:
    token, client = _token(people), Client()
    technician = people.people["technician"]
    assert technician is not None
    others = [
        keep_photo(
            visit=visit, client_id=uuid4(), data=_jpeg(), filename="b.jpg", phase=phase, item=item,
            at=timezone.now(), by=technician, now=timezone.now(),
        )
        for visit, phase, item in (
            (factories.visit(), "before", ""),
            (people.visit, "finding", "cables"),
        )
    ]  # fmt: skip
    for photo in others:
        assert client.get(reverse("shared_photo", args=[token, photo.pk, "small"])).status_code == 404
    assert client.get(f"/r/{token}/photos/{people.photo.pk}/original/").status_code == 404


def test_a_link_that_is_over_opens_neither_page_nor_pdf_nor_photo(people: Cast) -> None:
    token, client = _token(people), Client()
    addresses = [
        reverse("shared_report", args=[token]),
        reverse("shared_report_pdf", args=[token]),
        reverse("shared_photo", args=[token, people.photo.pk, "small"]),
    ]

    def answers() -> set[int]:
        return {client.get(address).status_code for address in addresses}

    assert answers() == {200}
    people.visit.report_links.update(expires_at=timezone.now())
    assert answers() == {404}, "expired"
    people.visit.report_links.update(expires_at=timezone.now() + timedelta(days=1), revoked_at=timezone.now())
    assert answers() == {404}, "revoked"
    people.visit.report_links.update(revoked_at=None)
    assert answers() == {200}
    people.client("office").post(reverse("visit_reopen", args=[people.visit.pk]))
    assert answers() == {404}, "there is no report of a visit that was not done"


@pytest.mark.parametrize("who", ["owner", "homeowner"])
def test_a_link_is_made_and_revoked_on_the_report(people: Cast, who: str) -> None:
    client = people.client(who)
    client.post(reverse("visit_report_share", args=[people.visit.pk]))
    link = people.visit.report_links.get()
    address = reverse("shared_report", args=[link_token(link)])
    assert address in client.get(reverse("visit_report", args=[people.visit.pk])).content.decode()
    client.post(reverse("visit_report_share", args=[people.visit.pk]), {"revoke": link.pk})
    over = Client().get(address)
    assert over.status_code == 404
    assert "This link is over" in over.content.decode()


def test_a_forged_link_is_refused(people: Cast) -> None:
    token = _token(people)
    forged = token.split(":")[0] + ":" + "A" * len(token.split(":")[1])
    assert Client().get(reverse("shared_report", args=[forged])).status_code == 404


# ---- the calendar


def test_a_feed_holds_the_technicians_own_visits_and_follows_moves(people: Cast) -> None:
    technician = people.people["technician"]
    assert technician is not None
    factories.visit(site=people.visit.site)  # somebody else's
    starts_at = timezone.now().replace(microsecond=0) + timedelta(days=3)
    coming = factories.visit(site=people.visit.site, technicians=(technician,), starts_at=starts_at)
    move_visit(visit=coming, starts_at=starts_at + timedelta(days=1), now=timezone.now())
    off = factories.visit(site=people.visit.site, technicians=(technician,), starts_at=starts_at)
    call_off_for_weather(visit=off, now=timezone.now())
    feed = new_calendar_feed(user=technician, now=timezone.now())
    answer = Client().get(reverse("calendar_feed", args=[feed.token]))
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
    data = Client().get(reverse("calendar_feed", args=[feed.token])).content
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
        book = Calendar.from_ical(Client().get(reverse("calendar_feed", args=[feed.token])).content)
        [found] = [one for one in book.walk("VEVENT") if str(one["uid"]) == f"visit-{visit.pk}@rinsemark"]
        return found.decoded("sequence"), str(found["status"]), found.decoded("dtstart")

    assert event() == (0, "CONFIRMED", day)
    call_off_for_weather(visit=visit, now=timezone.now())
    assert event() == (1, "CANCELLED", day)
    call_off_for_weather(visit=visit, now=timezone.now())  # pressed twice
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
    assert Client().get(reverse("calendar_feed", args=[first.token])).status_code == 404
    Membership.objects.filter(user=technician).delete()
    left = Client().get(reverse("calendar_feed", args=[second.token]))
    assert b"VEVENT" not in left.content
    User.objects.filter(pk=technician.pk).update(is_active=False)
    assert Client().get(reverse("calendar_feed", args=[second.token])).status_code == 404
    assert CalendarFeed.objects.filter(revoked_at=None).count() == 1
    assert Client().get(reverse("calendar_feed", args=["guess"])).status_code == 404


# ---- pages


def test_a_visit_is_booked_for_the_roofs_own_clock(people: Cast) -> None:
    technician = people.people["technician"]
    assert technician is not None
    client = people.client("office")
    url = f"{reverse('visit_book')}?site={people.visit.site.pk}"
    assert client.get(url).context["form"].initial["price"] == 120  # the price list's minimum
    client.post(
        url, {"day": "2026-07-01", "at": "08:30", "minutes": "60", "technicians": [technician.pk], "price": "130"}
    )
    booked = Visit.objects.exclude(pk=people.visit.pk).get()
    assert booked.starts_at.isoformat() == "2026-07-01T14:30:00+00:00"  # Denver is at −06:00 in July
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
        loss_low=0.0,
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
    rounds = {one.crew: [visit.site.name for visit in one.visits] for one in day.rounds}
    assert rounds["Another Van"] == ["theirs"]
    assert rounds[str(technician)] in (["near", "middle", "far"], ["far", "middle", "near"])
    by_time = people.client("office").get(reverse("visits")).context["days"]
    assert [visit.site.name for one in by_time if one.day == day.day for visit in one.rounds[0].visits] == [
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


# ---- what phones send


def test_a_phone_that_is_logged_out_is_told_so() -> None:
    for send in (
        Client().get(reverse("visit_hello"), headers={"accept": "application/json"}),
        Client().post("/visits/1/entries/", headers={"accept": "application/json"}),
    ):
        assert send.status_code == 401
        assert "nothing is lost" in send.json()["problem"]


def test_a_phone_needs_the_token(people: Cast) -> None:
    strict = Client(enforce_csrf_checks=True)
    technician = people.people["technician"]
    assert technician is not None
    strict.force_login(technician)
    url = reverse("visit_entries", args=[people.visit.pk])
    body = {"client_id": str(uuid4()), "kind": "step", "item": "tap"}
    assert strict.post(url, body).status_code == 403
    token = strict.get(reverse("visit_hello"), headers={"accept": "application/json"}).json()["token"]
    answer = strict.post(url, body, headers={"X-CSRFToken": token, "accept": "application/json"})
    assert answer.status_code == 200


def test_a_refused_photo_is_answered_with_a_sentence(people: Cast) -> None:
    answer = people.client("technician").post(
        reverse("visit_photos", args=[people.visit.pk]),
        {
            "client_id": str(uuid4()),
            "phase": "before",
            "distance": "wide",
            "photo": SimpleUploadedFile("roof.svg", b"<svg><script>alert(1)</script></svg>", "image/svg+xml"),
        },
        headers={"accept": "application/json"},
    )
    assert answer.status_code == 422
    assert "“roof.svg” is not a photo" in json.loads(answer.content)["problem"]


def test_a_photo_beyond_all_cameras_is_answered_with_a_sentence(people: Cast) -> None:
    answer = people.client("technician").post(
        reverse("visit_photos", args=[people.visit.pk]),
        {"client_id": str(uuid4()), "phase": "before", "photo": SimpleUploadedFile("a.jpg", bytes(MOST_BYTES + 1))},
        headers={"accept": "application/json"},
    )
    assert answer.status_code == 422
    assert "“a.jpg” is larger than 30 MB" in json.loads(answer.content)["problem"]


@pytest.mark.parametrize(
    ("at", "sent_at", "minutes_ago"),
    [
        ("2026-06-01T08:00:00+00:00", "2026-06-01T08:45:00+00:00", 45),  # whatever the phone's clock says
        ("1970-01-01T00:10:00Z", "1970-01-01T00:12:00Z", 2),
        ("2999-01-01T00:00:00Z", "2999-01-01T00:00:00Z", 0),
        ("2026-06-01T09:00:00Z", "2026-06-01T08:00:00Z", 0),  # it was set back meanwhile
        ("1970-01-01T00:00:00Z", "2026-06-01T08:00:00Z", 0),  # it was set right meanwhile
        ("yesterday", "", 0),
        ("", "", 0),
    ],
)
def test_an_entry_is_as_old_as_the_phone_says_by_its_own_clock(
    people: Cast, at: str, sent_at: str, minutes_ago: int
) -> None:
    people.client("technician").post(
        reverse("visit_entries", args=[people.visit.pk]),
        {"client_id": str(uuid4()), "kind": "step", "item": "tap", "at": at, "sent_at": sent_at},
    )
    entry = people.visit.entries.get()
    assert abs(timezone.now() - timedelta(minutes=minutes_ago) - entry.at) < timedelta(minutes=1)


def test_a_form_without_the_script_is_kept_too(people: Cast) -> None:
    client = people.client("technician")
    answer = client.post(
        reverse("visit_entries", args=[people.visit.pk]),
        {"client_id": str(uuid4()), "kind": "step", "item": "soak", "soak_minutes": "ten"},
        follow=True,
    )
    assert "must be a whole number" in answer.content.decode()
    client.post(
        reverse("visit_entries", args=[people.visit.pk]),
        {"client_id": str(uuid4()), "kind": "step", "item": "soak", "soak_minutes": "10"},
    )
    assert people.visit.entries.get().soak_minutes == 10


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
    call_off_for_weather(visit=visit, now=timezone.now())
    client = people.client("technician")
    assert "do not drive out" in client.get(reverse("visit_sheet", args=[visit.pk])).content.decode()
    assert (
        "finish only if the panels were washed" in client.get(reverse("visit_record", args=[visit.pk])).content.decode()
    )
