"""The owner's page: settings, logo, people."""

from __future__ import annotations

import io
import zipfile
from decimal import Decimal
from html import unescape
from typing import Any

import pytest
from django.core import mail
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from PIL import Image

from portal.models import Business, Membership, Role
from tests import factories

pytestmark = pytest.mark.django_db


def text_of(answer: Any) -> str:
    return " ".join(unescape(answer.content.decode()).split())


def settings_of(firm: Business, **changes: Any) -> dict[str, Any]:
    return {
        "name": firm.name,
        "email": firm.email,
        "phone": firm.phone,
        "postal_address": firm.postal_address,
        "tz": firm.tz,
        "currency": "USD",
        "language": "en",
        "latitude": "",
        "longitude": "",
        "price_minimum": "120",
        "price_per_module": "7",
        "surcharge_per_storey": "30",
        "surcharge_steep": "40",
        "price_nesting_removal": "90",
        "tax_percent": "0",
        "payment_days": "14",
        "lead_loss": "5",
        "lead_chance": "80",
        "lead_days": "14",
        "lead_pays_months": "12",
        "calendar_months": "12",
        "reminder_cap_per_month": "3",
        "works_from": "07:00",
        "works_until": "16:30",
        "work_days": ["0", "1", "2", "3", "4"],
    } | changes


def picture(kind: str = "PNG", size: tuple[int, int] = (1200, 300), **extra: Any) -> bytes:
    out = io.BytesIO()
    Image.new("RGB", size, "#224466").save(out, kind, **extra)
    return out.getvalue()


def test_only_owners_get_in(client: Client) -> None:
    firm = factories.business()
    customer = factories.customer(business=firm, user=factories.user())
    assert customer.user
    for person in (factories.member(firm, Role.OFFICE), factories.member(firm, Role.TECHNICIAN), customer.user):
        client.force_login(person)
        assert client.get("/business/").status_code == 403
        assert client.get(f"/business/{firm.slug}/").status_code == 403
        assert client.post(f"/business/{firm.slug}/members/", {}).status_code == 403
    client.force_login(factories.member(factories.business()))
    assert client.get(f"/business/{firm.slug}/").status_code == 404


def test_thresholds_are_percent_on_the_screen_and_fractions_in_the_table(client: Client) -> None:
    firm = factories.business()
    client.force_login(factories.member(firm))
    assert 'name="lead_loss" value="5.0"' in text_of(client.get("/business/"))
    client.post(f"/business/{firm.slug}/", settings_of(firm, lead_loss="7.5", lead_chance="90", price_per_module="8.5"))
    firm.refresh_from_db()
    assert (firm.lead_loss, firm.lead_chance, firm.price_per_module) == (0.075, 0.9, Decimal("8.50"))


@pytest.mark.parametrize(
    ("field", "value", "sentence"),
    [
        ("lead_loss", "0.05", "greater than or equal to 1"),
        ("lead_chance", "120", "less than or equal to 99"),
        ("currency", "12", "three letters of the currency"),
        ("tz", "Denver", "is not a time zone"),
        ("latitude", "95", "less than or equal to 90"),
        ("longitude", "-190", "greater than or equal to -180"),
        ("price_per_module", "-4", "greater than or equal to 0"),
        ("calendar_months", "0", "greater than or equal to 1"),
    ],
)
def test_a_wrong_setting_gets_a_sentence_and_changes_nothing(
    client: Client, field: str, value: str, sentence: str
) -> None:
    firm = factories.business()
    client.force_login(factories.member(firm))
    answer = client.post(f"/business/{firm.slug}/", settings_of(firm, **{field: value}, name="Changed"))
    assert sentence in text_of(answer)
    firm.refresh_from_db()
    assert firm.name != "Changed"


def test_a_logo_is_drawn_anew_and_served_to_the_firms_people_alone(client: Client) -> None:
    firm = factories.business()
    owner = factories.member(firm)
    client.force_login(owner)
    hidden = b"<script>alert(1)</script>"
    sent = SimpleUploadedFile("x.png", picture() + hidden, "image/png")
    client.post(f"/business/{firm.slug}/", settings_of(firm, logo=sent))
    answer: Any = client.get(f"/business/{firm.slug}/logo/")
    body = b"".join(answer.streaming_content)
    assert answer["Content-Type"] == "image/png"
    assert hidden not in body
    with Image.open(io.BytesIO(body)) as kept:
        assert kept.format == "PNG"
        assert kept.size == (600, 150)
    client.force_login(factories.member(factories.business()))
    assert client.get(f"/business/{firm.slug}/logo/").status_code == 404


def _zip() -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as packed:
        packed.writestr("a.txt", "a")
    return out.getvalue()


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("zip named .png", _zip()),
        ("script as SVG", b'<svg xmlns="http://www.w3.org/2000/svg"><script>alert(1)</script></svg>'),
        ("cut short", picture("JPEG", quality=95)[:400]),
        ("too many pixels", picture(size=(5000, 10))),
        ("another format", picture("GIF")),
    ],
)
def test_a_bad_logo_gets_a_sentence_and_keeps_the_old_one(client: Client, name: str, content: bytes) -> None:
    firm = factories.business()
    client.force_login(factories.member(firm))
    answer = client.post(
        f"/business/{firm.slug}/", settings_of(firm, logo=SimpleUploadedFile("logo.png", content, "image/png"))
    )
    assert answer.status_code == 200
    assert 'id="id_logo_error"' in text_of(answer), name
    firm.refresh_from_db()
    assert not firm.logo


def test_a_new_member_gets_a_role_and_a_mail(client: Client) -> None:
    firm = factories.business()
    client.force_login(factories.member(firm))
    client.post(
        f"/business/{firm.slug}/members/", {"name": "Tom Reed", "email": "Tom@washers.example", "role": "technician"}
    )
    membership = Membership.objects.get(business=firm, user__email="tom@washers.example")
    assert membership.role == Role.TECHNICIAN
    assert mail.outbox[0].to == ["tom@washers.example"]


def test_the_last_owner_stays(client: Client) -> None:
    firm = factories.business()
    owner = factories.member(firm)
    client.force_login(owner)
    place = Membership.objects.get(user=owner)
    answer = client.post(f"/business/{firm.slug}/members/{place.pk}/remove/", follow=True)
    assert "The firm needs an owner" in text_of(answer)
    client.post(f"/business/{firm.slug}/members/", {"name": "x", "email": owner.email, "role": "office"})
    place.refresh_from_db()
    assert place.role == Role.OWNER


def test_a_member_can_be_removed_but_not_one_of_another_firm(client: Client) -> None:
    firm = factories.business()
    client.force_login(factories.member(firm))
    mine = Membership.objects.get(user=factories.member(firm, Role.TECHNICIAN))
    theirs = Membership.objects.get(user=factories.member(factories.business(), Role.TECHNICIAN))
    assert client.post(f"/business/{firm.slug}/members/{mine.pk}/remove/").status_code == 302
    assert client.post(f"/business/{firm.slug}/members/{theirs.pk}/remove/").status_code == 404
    assert not Membership.objects.filter(pk=mine.pk).exists()
    assert Membership.objects.filter(pk=theirs.pk).exists()
