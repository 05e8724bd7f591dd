"""A mail service hands a mail over by its webhook, in the form that it documents; it is kept as a row."""

from __future__ import annotations

import base64
from typing import Any

import pytest
from anymail.inbound import AnymailInboundMessage
from anymail.signals import AnymailInboundEvent, inbound
from django.test import Client

from portal.actions.by_mail.address import address_of
from portal.models import ReadingsMail
from portal.views import by_mail  # it listens once it is loaded, as the routes do
from tests import factories

pytestmark = pytest.mark.django_db


def came(message: AnymailInboundMessage) -> None:
    event = AnymailInboundEvent(event_type="inbound", event_id="1", esp_event={}, message=message)
    heard = inbound.send(sender=object(), event=event, esp_name="Some service")
    assert by_mail.mail_came in [receiver for receiver, _ in heard]


def test_a_handed_over_mail_is_kept_for_the_roof_of_its_envelope_and_spam_is_not(settings: Any) -> None:
    settings.READINGS_ADDRESS = "readings@washers.example"
    meter = factories.meter()
    message = AnymailInboundMessage.construct(
        from_email="ana@homes.example",
        to="Somebody <else@homes.example>",
        subject="Export",
        text="See the file.",
        attachments=[
            AnymailInboundMessage.construct_attachment(
                "text/csv", base64.b64encode(b"a,b\n1,2\n").decode(), base64=True, filename="may.csv"
            )
        ],
    )
    message.envelope_recipient = address_of(meter.site)
    message.spam_detected = True
    came(message)
    assert not ReadingsMail.objects.exists()
    message.spam_detected = False
    came(message)
    kept = ReadingsMail.objects.get()
    assert kept.site == meter.site
    assert kept.raw is not None
    assert b"may.csv" in bytes(kept.raw)


def test_without_a_shared_secret_nobody_reports_addresses_as_dead() -> None:
    report = {"RecordType": "Bounce", "TypeCode": 1, "Type": "HardBounce", "Email": "a@roof.example", "ID": 1}
    answer = Client().post("/mail/reports/postmark/tracking/", report, content_type="application/json")
    assert answer.status_code == 404
