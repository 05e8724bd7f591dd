"""A site's page and its facts: who sees it, who changes it, and what wrong facts are told."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from html import unescape
from typing import Any

import pytest
from django.test import Client
from django.utils import timezone

from portal.actions.tokens import make_token
from portal.models import Night, Reminder, Role, Site, SiteAssessment
from tests import factories
from tests.factories import NOW

pytestmark = pytest.mark.django_db


def facts(**changes: str) -> dict[str, str]:
    """What the office types for a new site with one plane."""
    return {
        "name": "Home",
        "address": "3 Invented Lane",
        "latitude": "39.742",
        "longitude": "-105.17",
        "tz": "America/Denver",
        "ac_kw": "5",
        "price_per_kwh": "0.25",
        "storeys": "1",
        "planes-TOTAL_FORMS": "2",
        "planes-INITIAL_FORMS": "0",
        "planes-MIN_NUM_FORMS": "1",
        "planes-MAX_NUM_FORMS": "1000",
        "planes-0-tilt": "25",
        "planes-0-azimuth": "180",
        "planes-0-dc_kw": "6",
        "planes-0-module_count": "15",
    } | changes


def text_of(answer: Any) -> str:
    return " ".join(unescape(answer.content.decode()).split())


def test_the_page_shows_facts_and_reasons_to_owner_office_and_technician_on_a_visit(client: Client) -> None:
    firm = factories.business()
    homeowner = factories.user()
    technician = factories.member(firm, Role.TECHNICIAN)
    site = factories.site(customer=factories.customer(business=firm, user=homeowner))
    factories.assessment(site=site, reasons=["Alike at all hours, as dirt is."])
    factories.visit(site=site, technicians=(technician,))
    for person in (homeowner, factories.member(firm, Role.OFFICE), technician):
        client.force_login(person)
        text = text_of(client.get(f"/sites/{site.pk}/"))
        assert "Alike at all hours, as dirt is." in text
        assert "6 kW, 15 panels" in text
        assert "180°" in text


def test_others_do_not_learn_that_the_site_exists(client: Client) -> None:
    firm = factories.business()
    site = factories.site(customer=factories.customer(business=firm))
    others = (
        factories.user(),
        factories.member(factories.business()),
        factories.member(firm, Role.TECHNICIAN),
    )
    for person in others:
        client.force_login(person)
        assert client.get(f"/sites/{site.pk}/").status_code == 404
        assert client.get(f"/sites/{site.pk}/edit/").status_code == 404


def test_a_homeowner_sees_but_does_not_change_the_facts(client: Client) -> None:
    user = factories.user()
    site = factories.site(customer=factories.customer(user=user))
    client.force_login(user)
    assert "Change facts" not in text_of(client.get(f"/sites/{site.pk}/"))
    assert client.post(f"/sites/{site.pk}/edit/", facts()).status_code == 404


def test_recoveries_and_cleanings_are_listed_with_their_range(client: Client) -> None:
    site = factories.site()
    factories.assessment(site=site, energy_kwh_per_year=6000)
    factories.washed(site, datetime(2026, 4, 20, 18, 0, tzinfo=UTC), gain=0.05, low=0.03, high=0.07)
    client.force_login(factories.member(site.customer.business))
    text = text_of(client.get(f"/sites/{site.pk}/"))
    assert "20 Apr 2026" in text
    assert "5 % (3 % to 7 %)" in text
    # 3, 5, 7 % of 6,000 kWh over 12 months: 15, 25, 35 kWh; at 0.25 a kWh 3.75, 6.25, 8.75, told in whole units
    assert "25 kWh (15 kWh to 35 kWh), $6 ($4 to $9)" in text


def test_earlier_estimates_are_the_last_of_each_month(client: Client) -> None:
    site = factories.site()
    for day in (date(2026, 4, 2), date(2026, 4, 29), date(2026, 5, 30), date(2026, 6, 14)):
        factories.assessment(site=site, as_of=day)
    client.force_login(factories.member(site.customer.business))
    text = text_of(client.get(f"/sites/{site.pk}/"))
    listed = text[text.index("Earlier estimates") :]
    assert listed.index("14 Jun 2026") < listed.index("30 May 2026") < listed.index("29 Apr 2026")
    assert "2 Apr 2026" not in listed


def test_a_technician_gets_no_link_to_reports_of_visits_of_others(client: Client) -> None:
    firm = factories.business()
    site = factories.site(customer=factories.customer(business=firm))
    done = timezone.now() - timedelta(days=90)
    past = factories.visit(site=site, starts_at=done, state="done", finished_at=done)
    technician = factories.member(firm, Role.TECHNICIAN)
    factories.visit(site=site, technicians=(technician,))
    client.force_login(technician)
    assert f"/visits/{past.pk}/report/" not in text_of(client.get(f"/sites/{site.pk}/"))
    client.force_login(factories.member(firm))
    assert f"/visits/{past.pk}/report/" in text_of(client.get(f"/sites/{site.pk}/"))


def test_the_office_adds_a_site_with_planes_and_a_meter(client: Client) -> None:
    customer = factories.customer()
    client.force_login(factories.member(customer.business, Role.OFFICE))
    second = {
        "planes-1-tilt": "10",
        "planes-1-azimuth": "270",
        "planes-1-dc_kw": "2",
        "planes-1-module_count": "5",
    }
    answer = client.post(f"/customers/{customer.pk}/sites/new/", facts(**second))
    site = Site.objects.get(customer=customer)
    assert answer["Location"] == f"/sites/{site.pk}/"
    assert [(plane.tilt, plane.dc_kw) for plane in site.planes.all()] == [(25.0, 6.0), (10.0, 2.0)]
    assert site.meters.count() == 1


@pytest.mark.parametrize(
    ("field", "value", "sentence"),
    [
        ("planes-0-tilt", "120", "Tilt lies between 0 (flat) and 90 (upright) degrees."),
        ("latitude", "95", "Latitude lies between −90 and 90."),
        ("longitude", "-190", "Longitude lies between −180 and 180."),
        ("planes-0-dc_kw", "0", "The DC size must be above 0 kW."),
        ("planes-0-dc_kw", "6000", "That makes 400 kW a panel"),
        ("planes-0-azimuth", "361", "Azimuth lies between 0 and 360"),
        ("planes-0-module_count", "0", "greater than or equal to 1"),
        ("ac_kw", "0", "AC size must be above 0 kW."),
        ("longitude", "105.17", "West of Greenwich the longitude is negative."),
        ("ac_kw", "5000", "5000 kW of inverter does not go with 6 kW of panels."),
        ("tz", "Mars/Olympus", "is not a time zone"),
        ("price_per_kwh", "-1", "greater than or equal to 0"),
    ],
)
def test_a_wrong_fact_gets_a_sentence_at_its_field_and_keeps_the_rest(
    client: Client, field: str, value: str, sentence: str
) -> None:
    customer = factories.customer()
    client.force_login(factories.member(customer.business))
    answer = client.post(f"/customers/{customer.pk}/sites/new/", facts(**{field: value}))
    text = text_of(answer)
    assert answer.status_code == 200
    assert sentence in text
    assert f'id="id_{field}_error"' in text
    assert "3 Invented Lane" in text
    assert not Site.objects.exists()


NOT_KNOWN = {
    **{f"planes-0-{name}": "" for name in ("tilt", "azimuth", "dc_kw", "module_count")},
    **dict.fromkeys(("address", "latitude", "longitude", "ac_kw"), ""),
}


def test_a_roof_is_kept_without_its_place_inverter_and_planes_and_says_what_it_lacks(client: Client) -> None:
    customer = factories.customer(phone="555-0123", email="")
    client.force_login(factories.member(customer.business, Role.OFFICE))
    answer = client.post(f"/customers/{customer.pk}/sites/new/", facts(**NOT_KNOWN))
    assert answer["Location"] == f"/customers/{customer.pk}/"
    site = Site.objects.get()
    assert (site.place, site.ac_kw, site.planes.count(), site.array()) == (None, None, 0, None)
    lacks = "where the roof is, the inverter's size, tilt, direction and panels of a roof plane"
    assert f"No estimate can be made yet. Missing: {lacks}." in text_of(client.get(f"/sites/{site.pk}/"))
    missing = text_of(client.get(f"/customers/{customer.pk}/"))
    for what in (*lacks.split(", ", 2), "Address of Home"):
        assert what in missing
    visit = factories.visit(site=site, price=None)
    for page in (
        f"/visits/{visit.pk}/",
        f"/visits/{visit.pk}/record/",
        "/visits/",
        "/visits/?order=route",
        "/visits/week/",
        f"/visits/book/?site={site.pk}",
        "/customers/",
        "/leads/",
        "/",
    ):
        assert client.get(page).status_code == 200, page
    assert "geo:" not in client.get(f"/visits/{visit.pk}/").content.decode()
    filled = {f"planes-0-{name}": facts()[f"planes-0-{name}"] for name in ("tilt", "azimuth", "module_count")}
    known = {"where": "https://map.example/#map=18/39.742/-105.17", "ac_kw": "5", "planes-0-watts": "400"}
    client.post(f"/sites/{site.pk}/edit/", facts(**(NOT_KNOWN | filled | known)))
    site = Site.objects.get()
    assert (site.lacks, site.place) == ([], (39.742, -105.17))
    assert site.planes.get().dc_kw == pytest.approx(6.0)  # 15 panels of 400 W


def test_one_number_of_a_place_is_none(client: Client) -> None:
    customer = factories.customer()
    client.force_login(factories.member(customer.business))
    answer = client.post(f"/customers/{customer.pk}/sites/new/", facts(longitude=""))
    assert "Paste where it is, or give this number." in text_of(answer)
    assert not Site.objects.exists()


def test_planes_that_are_empty_are_folded_away_and_one_that_is_wrong_is_not(client: Client) -> None:
    customer = factories.customer()
    client.force_login(factories.member(customer.business))
    address = f"/customers/{customer.pk}/sites/new/"
    folded, opened = (f'<details class="fold"{how}><summary>One more plane' for how in ("", " open"))
    text = text_of(client.get(address))
    assert (text.count(folded), text.count(opened)) == (1, 0)
    assert text.index("Roof plane 1") < text.index(folded)
    text = text_of(client.post(address, facts(**{"planes-1-tilt": "120"})))
    assert (text.count(folded), text.count(opened)) == (0, 1)


def test_planes_change_and_go(client: Client) -> None:
    site = factories.site()
    first = site.planes.get()
    client.force_login(factories.member(site.customer.business))
    changed = facts(
        **{
            "planes-INITIAL_FORMS": "1",
            "planes-0-id": str(first.pk),
            "planes-0-DELETE": "on",
            "planes-1-tilt": "40",
            "planes-1-azimuth": "90",
            "planes-1-dc_kw": "3",
            "planes-1-module_count": "8",
        }
    )
    assert client.post(f"/sites/{site.pk}/edit/", changed).status_code == 302
    assert [plane.tilt for plane in site.planes.all()] == [40.0]


def test_changed_facts_ask_for_a_new_estimate_where_there_are_readings(client: Client) -> None:
    site = factories.site()
    factories.day_readings(factories.meter(site=site), date(2026, 6, 1))
    client.force_login(factories.member(site.customer.business))
    known = facts(**{"planes-INITIAL_FORMS": "1", "planes-0-id": str(site.planes.get().pk), "ac_kw": "4"})
    client.post(f"/sites/{site.pk}/edit/", known)
    assert Site.objects.get().ac_kw == 4
    assert Night.objects.waiting().filter(site=site).count() == 1


def test_a_plane_of_another_site_cannot_be_taken_over(client: Client) -> None:
    site, other = factories.site(), factories.site()
    client.force_login(factories.member(site.customer.business))
    stolen = facts(**{"planes-INITIAL_FORMS": "1", "planes-0-id": str(other.planes.get().pk), "planes-0-tilt": "77"})
    client.post(f"/sites/{site.pk}/edit/", stolen)
    assert other.planes.get().tilt == 30


@pytest.mark.parametrize(
    ("address", "sentence"),
    [
        ("/method/", "What it cannot know"),
        ("/method/", "in 9 cases of 10 the true loss lies in that range"),
        ("/cautions/", "Panels are live whenever there is daylight"),
        ("/cautions/", "Never stand, kneel or lean on a panel"),
        ("/cautions/", "Cold water on hot glass can crack it"),
        ("/cautions/", "call a licensed electrician"),
        ("/cautions/", "overhead lines"),
        ("/cautions/", "local codes"),
    ],
)
def test_method_and_cautions_are_open_to_all(client: Client, address: str, sentence: str) -> None:
    answer = client.get(address)
    assert answer.status_code == 200
    assert sentence in text_of(answer)


def test_what_is_not_there_is_said_in_plain_words(client: Client) -> None:
    answer = client.get("/nowhere/")
    assert answer.status_code == 404
    assert "There is nothing at this address that you may see." in text_of(answer)


@pytest.mark.parametrize(
    ("longitude", "tz"),
    [
        # the places whose clocks are farthest from the sun (IANA zones; longitudes of the towns, from memory)
        ("75.99", "Asia/Shanghai"),  # Kashgar, whose official clock is Beijing's
        ("-8.6", "Europe/Madrid"),  # the west of Galicia
        ("-157.4", "Pacific/Kiritimati"),  # UTC+14, beyond the date line
        ("179.3", "Pacific/Auckland"),
    ],
)
def test_a_clock_far_from_the_sun_is_believed(client: Client, longitude: str, tz: str) -> None:
    customer = factories.customer()
    client.force_login(factories.member(customer.business))
    answer = client.post(f"/customers/{customer.pk}/sites/new/", facts(longitude=longitude, tz=tz))
    assert answer.status_code == 302


def test_a_roof_goes_with_its_history_to_another_customer_of_the_firm(client: Client) -> None:
    firm = factories.business()
    before, after = factories.user(), factories.user()
    site = factories.site(customer=factories.customer(business=firm, user=before))
    factories.assessment(site=site, reasons=["Alike at all hours, as dirt is."])
    key, _ = make_token(name="logger", created_by=before, now=timezone.now(), site=site)
    waits = Reminder.objects.create(
        business=firm, kind="due", customer=site.customer, site=site, key="one", due_at=NOW, stale_at=NOW
    )
    new_owner = factories.customer(business=firm, name="Nia Newcome", user=after)
    client.force_login(factories.member(firm, Role.OFFICE))
    assert "Nia Newcome" in text_of(client.get(f"/sites/{site.pk}/customer/", {"q": "newcome"}))
    client.post(f"/sites/{site.pk}/customer/", {"customer": str(new_owner.pk)})
    client.force_login(after)
    assert "Alike at all hours, as dirt is." in text_of(client.get(f"/sites/{site.pk}/"))
    client.force_login(before)
    assert client.get(f"/sites/{site.pk}/").status_code == 404
    key.refresh_from_db()
    assert key.revoked_at
    waits.refresh_from_db()
    assert (waits.state, waits.reason) == ("dropped", "The roof has another owner now.")


@pytest.mark.parametrize("chosen", ["theirs", "none", "", "9" * 30])
def test_a_roof_goes_to_nobody_elses_customer(client: Client, chosen: str) -> None:
    site, theirs = factories.site(), factories.customer(name="Theo Elsewhere")
    client.force_login(factories.member(site.customer.business))
    assert "Theo" not in text_of(client.get(f"/sites/{site.pk}/customer/", {"q": "elsewhere"})).partition("Nobody")[2]
    given = str(theirs.pk) if chosen == "theirs" else chosen
    assert client.post(f"/sites/{site.pk}/customer/", {"customer": given}).status_code == 404
    assert Site.objects.get(pk=site.pk).customer == site.customer


def test_an_erased_roof_is_gone_and_its_customer_stays(client: Client) -> None:
    site = factories.site()
    client.force_login(factories.member(site.customer.business))
    answer = client.post(f"/sites/{site.pk}/erase/")
    assert answer["Location"] == f"/customers/{site.customer.pk}/"
    assert not Site.objects.exists()
    assert "is erased" in text_of(client.post(f"/customers/{site.customer.pk}/erase/", follow=True))


def meters(*rows: dict[str, str], known: int) -> dict[str, str]:
    """What the page of a site's meters sends."""
    sent = {"meters-TOTAL_FORMS": str(len(rows)), "meters-INITIAL_FORMS": str(known)}
    for number, row in enumerate(rows):
        sent |= {f"meters-{number}-{name}": value for name, value in row.items()}
    return sent


def test_a_second_inverter_gets_a_meter_of_its_own_and_one_without_files_can_go(client: Client) -> None:
    meter = factories.meter()
    factories.day_readings(meter, date(2026, 6, 1))
    client.force_login(factories.member(meter.site.customer.business, Role.OFFICE))
    page = f"/sites/{meter.site.pk}/meters/"
    first = {"id": str(meter.pk), "name": "House"}
    client.post(page, meters(first, {"name": "Garage"}, known=1))
    assert [one.name for one in meter.site.meters.all()] == ["House", "Garage"]
    garage = {"id": str(meter.site.meters.get(name="Garage").pk), "name": "Garage"}
    said = text_of(client.post(page, meters(first | {"DELETE": "on"}, garage, known=2), follow=True))
    assert "Files were sent for House: it stays." in said
    assert client.post(page, meters(first, garage | {"name": "House"}, known=2)).status_code == 200, "a name twice"
    client.post(page, meters(first, garage | {"DELETE": "on"}, known=2))
    assert [one.name for one in meter.site.meters.all()] == ["House"]


def test_a_site_is_never_without_a_meter(client: Client) -> None:
    meter = factories.meter()
    client.force_login(factories.member(meter.site.customer.business))
    gone = {"id": str(meter.pk), "name": "Production", "DELETE": "on"}
    client.post(f"/sites/{meter.site.pk}/meters/", meters(gone, known=1))
    assert meter.site.meters.exclude(pk=meter.pk).count() == 1


def test_dirty_panels_that_had_better_wait_are_explained(client: Client) -> None:
    site = factories.site()
    today = timezone.now().date()
    client.force_login(factories.member(site.customer.business))
    for basis, told in (("calendar", False), ("readings", True)):
        SiteAssessment.objects.all().delete()
        factories.assessment(site=site, clean_due=today + timedelta(days=200), due_basis=basis)
        text = text_of(client.get(f"/sites/{site.pk}/"))
        assert ("keeps more for its price than one today" in text) is told, basis
        assert "Wash now" not in text


def test_an_unsure_roof_is_not_called_clean(client: Client) -> None:
    site = factories.site()
    client.force_login(factories.member(site.customer.business))
    factories.assessment(site=site, verdict="unsure", clean_due=None, present_loss=0.03, loss_low=0.002, loss_high=0.2)
    text = text_of(client.get(f"/sites/{site.pk}/"))
    assert "Nothing to wash yet" in text
    assert "clean enough" not in text
