"""The mails of a wash: on its day with photos and findings, then the result; both open the report without a login."""

from __future__ import annotations

import io
import re
from datetime import timedelta
from typing import Any
from uuid import uuid4

import pytest
from django.conf import settings
from django.core import mail
from django.test import Client
from django.utils import timezone
from PIL import Image

from portal.actions.photos import keep_photo
from portal.actions.proof import LINK_LASTS, mailed_report
from portal.actions.record import record_entry
from portal.actions.reminders.plan import plan_reminders, plan_standing
from portal.actions.reminders.send import send_due
from portal.models import Language, Reminder, ReportLink, Role, Visit, VisitState
from tests import factories

pytestmark = pytest.mark.django_db


def washed(**fields: Any) -> Visit:
    now = timezone.now()
    when: dict[str, Any] = {"starts_at": now, "finished_at": now}
    return factories.visit(**{"state": VisitState.DONE} | when | fields)


def photograph(visit: Visit, phase: str, distance: str, item: str = "") -> None:
    picture = io.BytesIO()
    Image.new("RGB", (640, 480), "grey").save(picture, "JPEG")
    keep_photo(
        visit=visit,
        client_id=uuid4(),
        data=picture.getvalue(),
        filename="a.jpg",
        phase=phase,
        distance=distance,
        item=item,
        at=timezone.now(),
        by=factories.member(visit.site.customer.business, Role.TECHNICIAN),
        now=timezone.now(),
    )


def send(hours: float) -> None:
    moment = timezone.now() + timedelta(hours=hours)
    plan_standing(now=moment)
    send_due(now=moment)


def test_on_its_day_a_wash_is_told_once_with_its_photos_and_what_was_found() -> None:
    visit = washed()
    for phase in ("before", "after", "before"):  # the newer of two stands for both
        photograph(visit, phase, "wide")
    photograph(visit, "after", "close")
    photograph(visit, "finding", "close", "cables")
    record_entry(
        visit=visit,
        client_id=uuid4(),
        kind="inspection",
        item="cables",
        answer="urgent",
        note="Burnt connector",
        at=timezone.now(),
        by=factories.member(visit.site.customer.business, Role.TECHNICIAN),
        now=timezone.now(),
    )
    send(0.2)
    assert not mail.outbox, "photos may still wait on a phone for a signal"
    for _ in range(2):
        send(1)
    (sent,) = mail.outbox
    assert [(part[0], part[2]) for part in sent.attachments] == [
        ("before-wide.jpg", "image/jpeg"),
        ("after-wide.jpg", "image/jpeg"),
        ("after-close.jpg", "image/jpeg"),
    ]
    assert Image.open(io.BytesIO(sent.attachments[0][1])).size == (640, 480)
    assert "Cables and connectors: Burnt connector" in str(sent.body)
    assert "photos before and after are attached" in str(sent.body)
    send(30)
    assert Reminder.objects.filter(kind="washed").count() == 1


def test_a_wash_reopened_meanwhile_or_told_too_late_is_not_told() -> None:
    visit = washed()
    plan_standing(now=timezone.now() + timedelta(hours=1))
    Visit.objects.filter(pk=visit.pk).update(state=VisitState.BOOKED)
    washed(finished_at=timezone.now() - timedelta(days=3))  # marked done by the office, days later
    send(1)
    assert [one for one in mail.outbox if "washed" in one.subject] == []


def test_a_wash_is_told_in_the_owners_language() -> None:
    visit = washed(site=factories.site(customer=factories.customer(language=Language.SPANISH)))
    send(1)
    (sent,) = mail.outbox
    assert sent.subject == f"Hoy hemos lavado sus paneles en {visit.site.name}"
    assert "Esta vez no se hicieron fotos." in str(sent.body)


def test_the_mails_carry_one_link_that_opens_the_report_without_a_login() -> None:
    visit = washed(finished_at=timezone.now() - timedelta(hours=2))
    send(0)
    proof = factories.washed(visit.site, timezone.now() - timedelta(days=1), gain=0.05, low=0.04, high=0.06)
    proof.visit = visit
    proof.save()
    plan_reminders(sites=[visit.site], now=timezone.now() + timedelta(days=2))
    send_due(now=Reminder.objects.get(kind="result").due_at)
    links = [re.findall(rf"{re.escape(settings.BASE_URL)}(/r/\S+)", str(one.body)) for one in mail.outbox]
    assert len(links) == 2
    assert links[0] == links[1] != []
    answer = Client().get(links[0][0])
    assert answer.status_code == 200
    assert "What the wash gained" in answer.content.decode()


def test_a_link_that_soon_ends_or_was_revoked_is_made_anew() -> None:
    visit, now = washed(), timezone.now()
    first = mailed_report(visit=visit, now=now)
    assert mailed_report(visit=visit, now=now + LINK_LASTS / 2) == first
    late = mailed_report(visit=visit, now=now + LINK_LASTS * 0.9)
    assert late != first
    ReportLink.objects.update(revoked_at=now)
    assert mailed_report(visit=visit, now=now) not in (first, late)
