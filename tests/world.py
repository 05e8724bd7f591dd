"""A firm with something of everything, its rival, and everybody who may ask for a page."""

from __future__ import annotations

import io
from dataclasses import dataclass, field
from datetime import timedelta
from typing import Any
from uuid import uuid4

import pytest
from django.core.files.base import ContentFile
from django.utils import timezone
from PIL import Image

from portal.actions.joining import JobOffer, join_token
from portal.actions.mail.recipient import again_token, token_for, wish_token
from portal.actions.photos import keep_photo
from portal.actions.proof import link_token, share_report
from portal.actions.tokens import make_token, new_calendar_feed
from portal.models import (
    Business,
    Call,
    CustomerFile,
    DayOff,
    Distance,
    Enquiry,
    Import,
    ImportState,
    Meter,
    Phase,
    Referral,
    Reminder,
    Role,
    User,
    Visit,
    VisitEntry,
    VisitPhoto,
    VisitState,
)
from tests import factories


@dataclass
class World:
    """Two businesses; the one under test has one roof with everything on it, and a neighbour's roof."""

    people: dict[str, User] = field(default_factory=dict)
    keys: dict[str, Any] = field(default_factory=dict)


def _picture(kind: str) -> bytes:
    packed = io.BytesIO()
    Image.new("RGB", (640, 480), "grey").save(packed, kind)
    return packed.getvalue()


def _photo(visit: Visit, by: User) -> VisitPhoto:
    return keep_photo(
        visit=visit,
        client_id=uuid4(),
        data=_picture("JPEG"),
        filename="before.jpg",
        phase=Phase.BEFORE,
        distance=Distance.WIDE,
        at=visit.starts_at,
        by=by,
        now=visit.starts_at,
    )


def _file_of(meter: Meter) -> Import:
    return Import.objects.create(
        meter=meter,
        uploaded_at=timezone.now(),
        filename="june.csv",
        original=ContentFile(b"time,kwh\n", "june.csv"),
        sha256="0" * 64,
        state=ImportState.DONE,
    )


def _people(firm: Business, rival: Business) -> dict[str, User]:
    return {
        "owner": factories.member(firm, Role.OWNER),
        "office": factories.member(firm, Role.OFFICE),
        "technician": factories.member(firm, Role.TECHNICIAN),
        "idle technician": factories.member(firm, Role.TECHNICIAN),
        "homeowner": factories.user(),
        "neighbour": factories.user(),
        "rival owner": factories.member(rival, Role.OWNER),
    }


@pytest.fixture
def utility(settings: Any) -> None:
    settings.GREEN_BUTTON = dict.fromkeys(settings.GREEN_BUTTON, "https://utility.example/")  # or it has no page


@pytest.fixture
def world(utility: None) -> World:
    return make_world()


def make_world() -> World:
    firm, rival = factories.business(slug="ours"), factories.business(slug="theirs")
    firm.logo.save("ours.png", ContentFile(_picture("PNG")))
    people = _people(firm, rival)
    customer = factories.customer(business=firm, user=people["homeowner"])
    next_door = factories.site(customer=factories.customer(business=firm, user=people["neighbour"]))
    elsewhere = factories.site(customer=factories.customer(business=rival))
    for other, technician in ((next_door, people["idle technician"]), (elsewhere, people["rival owner"])):
        factories.meter(site=other)
        factories.visit(site=other, technicians=(technician,))
    site = factories.site(customer=customer)
    factories.assessment(site=site)
    lead = factories.lead(site=site)
    now = timezone.now()
    visit = factories.visit(
        site=site, lead=lead, technicians=(people["technician"],), starts_at=now + timedelta(days=1)
    )
    done = factories.visit(
        site=site, technicians=(people["technician"],), starts_at=now, state=VisitState.DONE, finished_at=now
    )
    photo = _photo(done, people["technician"])
    entry = VisitEntry.objects.create(
        visit=done, client_id=uuid4(), kind="inspection", item="cables", answer="urgent", at=now
    )
    meter = factories.meter(site=site)
    reminder = Reminder.objects.create(
        business=firm, kind="due", customer=customer, site=site, key="one", due_at=now, stale_at=now, state="failed"
    )
    keys = {
        **factories.invoiced(done, by=people["owner"]),
        "documents": "documents",
        "customer": customer.pk,
        "site": site.pk,
        "lead": lead.pk,
        "file": CustomerFile.objects.create(business=firm, at=now, filename="ours.csv", table=[["name"], ["Una"]]).pk,
        "again": again_token(visit),
        "wish": wish_token(site),
        "off": DayOff.objects.create(business=firm, first_day=now.date(), last_day=now.date()).pk,
        "call": Call.objects.create(lead=lead, at=now, outcome="quoted").pk,
        "visit": visit.pk,
        "done": done.pk,
        "photo": photo.pk,
        "referral": Referral.objects.create(visit=done, item="cables", entry=entry, opened_at=now).pk,
        "import": _file_of(meter).pk,
        "reminder": reminder.pk,
        "accent": "2e7d32",
        "token": make_token(name="night", created_by=people["owner"], now=now, business=firm)[0].pk,
        "meter": meter.pk,
        "link": link_token(share_report(visit=done, now=now)),
        "enquiry": Enquiry.objects.create(business=firm, at=now, name="Next door", reach="555-0177").pk,
        "feed": new_calendar_feed(user=people["technician"], now=now),
        "mail": token_for({"customer": customer.pk}),
        "ours": "ours",
        "due": "due",
        "en": "en",
        "small": "small",
        "join": join_token(JobOffer(firm, people["rival owner"], Role.TECHNICIAN, people["owner"]), now=now),
        "employee": firm.memberships.get(user=people["idle technician"]).pk,
    }
    return World(people, keys)
