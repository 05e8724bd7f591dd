"""What the readings see otherwise than told, and how old they are: what the pages say of it, and the one press."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from html import unescape
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from django.test import Client
from django.utils import timezone

from portal.actions.assessments import keep_assessments, site_readings
from portal.actions.sites import correct_planes
from portal.actions.washes import outlooks
from portal.models import Night, Plane, Role, Site, SiteAssessment
from portal.pv.assessment import assess
from portal.pv.orientation import Seen
from portal.pv.result import Assessment
from portal.words.figures import day_words
from tests import factories
from tests.factories import NOW

pytestmark = pytest.mark.django_db


def page(client: Client, site: Site) -> str:
    return " ".join(unescape(client.get(f"/sites/{site.pk}/").content.decode()).split())


def seen(site: Site, tilt: int = 30, azimuth: int = 135) -> list[dict[str, Any]]:
    """Each plane seen as given, against what is told of it now."""
    return [
        {"plane": plane.pk, "told": [plane.tilt, plane.azimuth], "seen": [tilt, azimuth]} for plane in site.planes.all()
    ]


def result_for(site: Site, found: Seen | None) -> Assessment:
    """An assessment of nothing, that sees the modules so."""
    return replace(assess(site_readings(site), as_of=NOW.date()), seen=found)


@pytest.mark.parametrize(
    ("tilt", "azimuth", "words"),
    [
        # told 30 degrees, 180 from north (factories.site); the wind rose's eighths are 45 degrees wide
        (30, 135, "The modules look turned to the south-east; told: south."),
        (30, 192, "The modules look turned about 12 degrees towards the west; told: south."),
        (42, 180, "The modules look about 12 degrees steeper than told."),
        (18, 225, "The modules look turned to the south-west; told: south, and about 12 degrees flatter than told."),
    ],
)
def test_owner_and_office_read_what_is_seen_and_only_the_office_corrects(
    client: Client, tilt: int, azimuth: int, words: str
) -> None:
    owner = factories.user()
    site = factories.site(customer=factories.customer(user=owner))
    factories.assessment(site=site, seen=seen(site, tilt, azimuth))
    for person, may in ((owner, False), (factories.member(site.customer.business, Role.OFFICE), True)):
        client.force_login(person)
        text = page(client, site)
        assert words in text
        assert "The estimate already goes by what the readings show." in text
        assert ("Correct it</button>" in text) is may
        assert (f"tilt 30° becomes {tilt}°, azimuth 180° becomes {azimuth}°" in text) is may
    client.force_login(owner)
    assert words in unescape(client.get("/").content.decode())


def keep(site: Site, result: Assessment) -> SiteAssessment:
    (row,) = keep_assessments(results=[(site, result)], ahead=outlooks([(site, result)]), now=NOW)
    return row


def test_one_press_corrects_the_planes_asks_for_a_new_estimate_and_ends_the_notice(client: Client) -> None:
    site = factories.site()
    row = factories.assessment(site=site, seen=seen(site))
    client.force_login(factories.member(site.customer.business, Role.OFFICE))
    assert f'name="made_at" value="{row.made_at.astimezone().isoformat()[:10]}' in page(client, site)
    form = {"made_at": row.made_at.isoformat()}
    for _ in range(2):  # pressed twice
        assert client.post(f"/sites/{site.pk}/correct/", form).status_code == 302
        assert list(site.planes.values_list("tilt", "azimuth")) == [(30, 135)]
    assert Night.objects.filter(site=site).count() == 1
    assert "The modules look" not in page(client, site)


def test_planes_keep_their_relation_and_whole_degrees_and_the_row_keeps_what_was_told() -> None:
    site = factories.site()
    Plane.objects.create(site=site, name="Side", tilt=10, azimuth=350, dc_kw=2, module_count=5)
    row = keep(site, result_for(site, Seen(8.4, 20.3)))
    assert correct_planes(site=site, made_at=NOW, now=NOW)
    assert list(site.planes.values_list("tilt", "azimuth")) == [(38, 200), (18, 10)]
    assert [one["told"] for one in row.seen] == [[30, 180], [10, 350]]


def test_an_outdated_page_corrects_nothing() -> None:
    site = factories.site()
    row = factories.assessment(site=site, seen=seen(site))
    assert not correct_planes(site=site, made_at=NOW - timedelta(days=1), now=NOW)  # an older estimate's page
    assert not correct_planes(site=site, made_at=None, now=NOW)
    site.planes.update(azimuth=170)  # somebody changed the facts meanwhile
    assert not correct_planes(site=site, made_at=row.made_at, now=NOW)
    assert list(site.planes.values_list("tilt", "azimuth")) == [(30, 170)]


def test_a_slope_as_told_is_kept_as_nothing() -> None:
    site = factories.site()
    assert keep(site, result_for(site, None)).seen == []


def test_an_unsure_roof_is_called_neither_clean_nor_dirty(client: Client) -> None:
    owner = factories.user()
    site = factories.site(customer=factories.customer(user=owner))
    now = timezone.now()
    told = {"verdict": "unsure", "present_loss": 0.03, "loss_low": 0.0, "loss_high": 0.07, "clean_due": None}
    factories.assessment(site=site, as_of=now.date(), made_at=now, readings_until=now.date(), **told)
    client.force_login(owner)
    text = unescape(page(client, site))
    assert '<span class="verdict unsure">Unsure</span>' in text
    for word in ("The panels are dirty", "The panels are clean", "Wash now"):
        assert word not in text


@pytest.mark.parametrize(("days", "speaks"), [(20, True), (21, True), (22, False), (61, False)])
def test_a_verdict_carries_its_age(client: Client, days: int, speaks: bool) -> None:
    now, site = timezone.now(), factories.site()
    today = now.astimezone(ZoneInfo(site.tz)).date()
    until, due = today - timedelta(days=days), today + timedelta(days=5)
    factories.assessment(site=site, as_of=today, made_at=now, readings_until=until, clean_due=due)
    client.force_login(factories.member(site.customer.business, Role.OFFICE))
    silent = f"No readings since {day_words(until)}"
    for text in (page(client, site), client.get(f"/customers/{site.customer.pk}/").content.decode()):
        assert ("The panels are dirty" in text) is speaks
        assert (silent in unescape(text)) is not speaks


def test_keeping_an_assessment_notes_its_last_reading() -> None:
    meter = factories.meter()
    factories.day_readings(meter, NOW.date() - timedelta(days=30))
    keep(meter.site, result_for(meter.site, None))
    row = SiteAssessment.objects.get()
    assert (row.readings_until, row.silent) == (NOW.date() - timedelta(days=30), False)
