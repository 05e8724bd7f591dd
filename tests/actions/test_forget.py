"""The audit trail is only added to, and what is old goes by the deployment's own rules."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.contrib.sessions.models import Session
from django.test import Client

from portal.actions.forget import forget_old
from portal.actions.trail import note
from portal.models import AuditEntry, Deed, Enquiry, Role
from tests import factories
from tests.factories import NOW
from tests.views.cast import Cast
from tests.views.conftest import people  # noqa: F401 - a fixture, by its name

pytestmark = pytest.mark.django_db


def test_a_line_of_the_trail_is_neither_changed_nor_dropped() -> None:
    firm = factories.business()
    note(deed=Deed.ERASED, about="customer 1", business=firm, by=factories.member(firm), now=NOW)
    line = AuditEntry.objects.get()
    line.about = "customer 2"
    for change in (
        line.save,
        line.delete,
        AuditEntry.objects.all().delete,
        lambda: AuditEntry.objects.update(about=""),
    ):
        with pytest.raises(TypeError, match="only added to"):
            change()
    assert AuditEntry.objects.get().about == "customer 1"


def test_the_owner_reads_their_firms_trail_alone(client: Client) -> None:
    ours, theirs = factories.business(slug="ours"), factories.business(slug="theirs")
    for firm in (ours, theirs):
        note(deed=Deed.ERASED, about=f"of {firm.slug}", business=firm, by=factories.member(firm), now=NOW)
    client.force_login(factories.member(ours, Role.OWNER))
    page = client.get("/business/ours/trail/").content.decode()
    assert "of ours" in page
    assert "of theirs" not in page


def test_what_is_old_goes_and_the_rest_stays(people: Cast, settings: Any) -> None:  # noqa: F811
    firm = people.visit.site.customer.business
    settings.KEEP_ENQUIRIES_DAYS, settings.KEEP_AUDIT_DAYS, settings.KEEP_PHOTO_ORIGINALS_DAYS = 365, 1095, 30
    for days in (1094, 1096):
        note(deed=Deed.ERASED, about=f"{days} days", business=firm, by=None, now=NOW - timedelta(days=days))
    for days in (364, 366):
        Enquiry.objects.create(business=firm, at=NOW - timedelta(days=days), name=f"{days}", reach="555")
    for days in (-1, 1):
        Session.objects.create(session_key=f"s{days}", session_data="", expire_date=NOW + timedelta(days=days * 9000))
    photo = people.photo
    original = photo.original.storage
    name = str(photo.original.name)
    forget_old(now=NOW)
    assert list(AuditEntry.objects.filter(about__endswith=" days").values_list("about", flat=True)) == ["1094 days"]
    assert list(Enquiry.objects.values_list("name", flat=True)) == ["364"]
    assert set(Session.objects.values_list("session_key", flat=True)) == {"s1"}
    forget_old(now=photo.taken_at + timedelta(days=29))
    photo.refresh_from_db()
    assert photo.original, "not old yet"
    forget_old(now=photo.taken_at + timedelta(days=31))
    photo.refresh_from_db()
    assert not photo.original
    assert not original.exists(name)
    assert original.exists(str(photo.shown.name)), "what is shown stays"
    assert people.client("office").get(f"/visits/photos/{photo.pk}/original/").status_code == 404
    assert people.client("office").get(f"/visits/photos/{photo.pk}/shown/").status_code == 200
