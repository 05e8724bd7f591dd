"""The first page: what a homeowner, the office and a technician find there."""

from __future__ import annotations

import gzip
import re
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest
from django.conf import settings
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from portal.management.appearance import make_appearance
from portal.models import (
    Import,
    ImportState,
    Membership,
    Night,
    NightState,
    Reminder,
    ReminderKind,
    ReminderState,
    Role,
    Site,
    SiteDaily,
    User,
)
from portal.models.assessment import pack_daily
from tests import factories

pytestmark = pytest.mark.django_db


def page(client: Client, user: User, address: str = "/") -> str:
    client.force_login(user)
    answer = client.get(address)
    assert answer.status_code == 200
    return " ".join(answer.content.decode().split())


def homeowner() -> tuple[User, Site]:
    user = factories.user()
    return user, factories.site(customer=factories.customer(user=user))


def daily_table(days: int = 30) -> pd.DataFrame:
    index = [date(2026, 5, 1) + timedelta(days=n) for n in range(days)]
    return pd.DataFrame(
        {
            "energy_wh": 20_000.0,
            "expected_wh": 25_000.0,
            "index": 0.95,
            "used": True,
            "refused": "",
            "soiling_ratio": 0.95,
            "soiling_ratio_low": 0.93,
            "soiling_ratio_high": 0.97,
        },
        index=index,
    )


def test_a_stranger_is_sent_to_log_in(client: Client) -> None:
    answer = client.get("/")
    assert answer.status_code == 302
    assert answer["Location"].startswith("/accounts/login/")


def test_somebody_without_any_role_is_told_what_to_do(client: Client) -> None:
    assert "Nothing here yet" in page(client, factories.user())


def test_a_dirty_roof_comes_with_its_range_since_when_and_what_it_costs(client: Client) -> None:
    user, site = homeowner()
    factories.assessment(
        site=site, present_loss=0.08, loss_low=0.06, loss_high=0.10, value_lost_per_month="16.00", neighbours=14
    )
    text = page(client, user)
    assert "Dirty" in text
    assert "About 8 % of what clean panels would make is lost to dirt (likely 6 % to 10 %)." in text
    # the cost moves with the loss: 16 × 6/8 = 12 and 16 × 10/8 = 20
    assert "Dirt costs about $16 a month (likely $12 to $20)." in text
    assert "since about 27 March 2026" in text
    assert "Compared with roofs nearby" in text
    assert "14" not in text.split("Compared with", 1)[1].split("</p>", 1)[0], "their number tells of other firms"
    assert re.search(r"As of \d", text)
    site.assessments.update(present_loss=None, loss_low=None, loss_high=None)
    assert not re.search(r"As of \d", page(client, user)), "of no readings"


def test_another_fault_says_that_a_wash_will_not_fix_it(client: Client) -> None:
    user, site = homeowner()
    factories.assessment(
        site=site, verdict="other fault", cause="string_loss", cause_began=date(2026, 5, 3), loss_low=0.0
    )
    text = page(client, user)
    assert "A wash will not mend it" in text
    assert "3 May 2026" in text
    assert "licensed electrician" in text
    assert "Dirty" not in text


def test_cant_tell_yet_gives_the_reason(client: Client) -> None:
    user, site = homeowner()
    factories.assessment(
        site=site,
        verdict="not enough data",
        present_loss=None,
        loss_low=None,
        loss_high=None,
        reasons=["Only 12 clear days so far."],
    )
    text = page(client, user)
    assert "Can&#x27;t tell yet" in text
    assert "Only 12 clear days so far." in text
    assert "None" not in text


APRIL = datetime(2026, 4, 20, 18, 0, tzinfo=UTC)


def test_no_measurable_gain_reads_like_a_result(client: Client) -> None:
    user, site = homeowner()
    factories.assessment(site=site, verdict="clean")
    factories.washed(site, APRIL, gain=0.004, low=-0.01, high=0.018)
    text = page(client, user)
    assert "No measurable gain" in text
    assert "between −1.0 % and 1.8 %" in text


def test_the_last_cleaning_is_told_in_output_energy_and_money(client: Client) -> None:
    user, site = homeowner()
    factories.assessment(site=site, energy_kwh_per_year=12_000.0)
    factories.washed(site, APRIL - timedelta(days=365), gain=0.02, low=0.01, high=0.03)
    factories.washed(site, APRIL, gain=0.06, low=0.04, high=0.08)
    text = page(client, user)
    assert "<b>+6 %</b>" in text
    assert "20 April 2026" in text
    # 6 % of 12,000 kWh a year over 12 months is 60 kWh a month; at 0.25 a kWh that is 15
    assert "about 60 kWh (likely 40 kWh to 80 kWh), worth about $15 (likely $10 to $20)" in text


@pytest.mark.parametrize(
    ("basis", "words"),
    [
        ("readings", "a wash from about {day} on keeps more"),
        ("calendar", "No wash of these panels is known. By the calendar a first wash would be about {day}"),
    ],
)
def test_the_due_date_says_who_spoke(client: Client, basis: str, words: str) -> None:
    user, site = homeowner()
    due = timezone.now().date() + timedelta(days=40)
    factories.assessment(site=site, clean_due=due, due_basis=basis)
    assert words.format(day=f"{due.day} {due:%B %Y}") in page(client, user)


def test_the_chart_comes_as_svg_with_the_data_beside_it_and_nothing_inline(client: Client) -> None:
    user, site = homeowner()
    factories.assessment(site=site)
    SiteDaily.objects.create(site=site, as_of=date(2026, 5, 30), table=pack_daily(daily_table()))
    text = page(client, user)
    assert 'role="img"' in text
    assert 'id="performance-data" type="application/json"' in text
    assert " style=" not in text
    assert "<style" not in text
    assert " onclick=" not in text


def test_a_page_of_four_years_with_all_that_comes_with_it_weighs_less_than_120_kb(
    client: Client, tmp_path: Path
) -> None:
    user, site = homeowner()
    table = daily_table(1461)
    rng = np.random.default_rng(4)
    table["index"] = 0.95 + rng.normal(0, 0.03, len(table))
    table["used"] = np.arange(len(table)) % 3 > 0
    table["refused"] = np.where(table["used"], "", "too few clear intervals")
    for n, column in enumerate(("soiling_ratio", "soiling_ratio_low", "soiling_ratio_high")):
        table[column] = 0.94 + 0.02 * n + rng.normal(0, 0.001, len(table))
    factories.assessment(site=site)
    points = [[days, 0.01, 0.05, 0.2] for days in range(0, 361, 15)]
    fan = {"as_of": "2026-05-30", "washed_after": 0, "unwashed": points, "washed": points, "rained": [0.5] * 25}
    SiteDaily.objects.create(site=site, as_of=date(2026, 5, 30), table=pack_daily(table), fan=fan)
    client.force_login(user)
    answer = client.get("/", headers={"accept-encoding": "gzip"})
    assert answer["Content-Encoding"] == "gzip"
    make_appearance(tmp_path)
    beside = {"figtree.woff2": (tmp_path / "figtree.woff2").stat().st_size}
    static = settings.ROOT / "portal" / "static"
    scripts = re.findall(r'<script[^>]* src="/static/([^"]+)"', gzip.decompress(answer.content).decode())
    assert {"chart.js", "keys.js"} <= set(scripts)
    for path in (
        tmp_path / "portal.css",
        tmp_path / "icons.svg",
        static / "mark.svg",
        *(static / one for one in scripts),
    ):
        beside[path.name] = len(gzip.compress(path.read_bytes()))
    print(f"\ncompressed: document {len(answer.content)} bytes, {beside}")
    assert beside["figtree.woff2"] < 60_000
    assert beside["portal.css"] < 25_000
    assert len(answer.content) + sum(beside.values()) < 120_000


@pytest.mark.parametrize(("phone", "way"), [("661-555-0100", "tel:661-555-0100"), ("", "mailto:us@ours.example")])
def test_who_expects_a_visit_reads_its_hour_and_whom_to_tell_if_it_does_not_suit(
    client: Client, phone: str, way: str
) -> None:
    owner = factories.user()
    firm = factories.business(phone=phone, email="us@ours.example")
    roof = factories.site(customer=factories.customer(business=firm, user=owner))
    starts = datetime.combine(timezone.now().date() + timedelta(days=3), time(9, 40), ZoneInfo(roof.tz))
    factories.visit(site=roof, starts_at=starts)
    client.force_login(owner)
    for address in (reverse("home"), reverse("site", args=[roof.pk])):
        answer = client.get(address).content.decode().partition('<section class="answer')[2].partition("</section>")[0]
        assert "We come at 09:40. Does that not suit you?" in answer
        assert f'<a class="button quiet" href="{way}">' in answer
    assert "Ask for a wash" not in client.get(reverse("home")).content.decode()


def test_an_owner_of_several_roofs_gets_a_list(client: Client) -> None:
    user, site = homeowner()
    factories.site(customer=site.customer, name="Barn")
    factories.assessment(site=site)
    text = page(client, user)
    assert "Your roofs" in text
    assert "Barn" in text
    assert "Dirt costs about $15 a month" in text


def test_the_office_sees_leads_by_value_and_what_needs_a_hand(client: Client) -> None:
    firm = factories.business()
    owner = factories.member(firm)
    small = factories.lead(site=factories.site(customer=factories.customer(business=firm)))
    factories.assessment(site=small.site, value_lost_per_month="9.00")
    large = factories.lead(site=factories.site(customer=factories.customer(business=firm)))
    factories.assessment(site=large.site, value_lost_per_month="31.00")
    meter = factories.meter(site=large.site)
    Import.objects.create(
        meter=meter,
        uploaded_at=timezone.now(),
        filename="april.csv",
        sha256="0",
        state=ImportState.FAILED,
        problem="No column looks like a time.",
    )
    Reminder.objects.create(
        business=firm,
        customer=small.site.customer,
        kind=ReminderKind.DUE,
        key="one",
        due_at=timezone.now() - timedelta(hours=1),
        stale_at=timezone.now() + timedelta(days=1),
        state=ReminderState.FAILED,
    )
    Night.objects.create(site=small.site, day=timezone.now().date(), state=NightState.FAILED, problem="It stopped.")
    text = page(client, owner)
    assert text.index(large.site.customer.name) < text.index(small.site.customer.name)
    assert "<summary>Not assessed <b" in text
    assert "It stopped." in text
    assert "No column looks like a time." in text
    assert "Mails that failed" in text
    assert text.count("never sent any") == 2


def test_the_office_sees_nothing_of_another_business(client: Client) -> None:
    theirs = factories.lead()
    ours = factories.business()
    factories.site(customer=factories.customer(business=ours))
    text = page(client, factories.member(ours))
    assert theirs.site.customer.name not in text
    assert "Nobody to call." in text


def test_the_office_page_asks_the_database_the_same_however_many_roofs_and_firms(client: Client) -> None:
    """Constant, not only bounded: with two roofs, with twelve, and for who belongs to three firms."""

    def asked(firms: int, roofs: int) -> list[str]:
        person = factories.user()
        for _ in range(firms):
            firm = factories.business()
            Membership.objects.create(business=firm, user=person, role=Role.OWNER)
            for _ in range(roofs):
                site = factories.site(customer=factories.customer(business=firm))
                factories.assessment(site=site)
                factories.lead(site=site)
                factories.visit(site=site, starts_at=timezone.now())
        client.force_login(person)
        client.get("/")  # what is remembered between pages is
        with CaptureQueriesContext(connection) as queries:
            assert client.get("/").status_code == 200
        return [query["sql"] for query in queries]

    few, many, several = asked(1, 2), asked(1, 12), asked(3, 4)
    assert len(few) == len(many) == len(several), "\n".join(sorted({one[:300] for one in several}))


def test_a_new_firms_first_steps_stay_until_all_are_done_each_with_its_mark(client: Client) -> None:
    firm = factories.business()
    owner = factories.member(firm)
    text = page(client, owner)
    assert "First steps" in text
    assert "Calls to make" not in text
    done = text.count(">Done<")  # the firm has a phone number
    site = factories.site(customer=factories.customer(business=firm))
    assert page(client, owner).count(">Done<") == done + 1
    factories.day_readings(factories.meter(site=site), date(2026, 5, 4))
    text = page(client, owner)
    assert text.count(">Done<") == done + 2
    assert "Calls to make" in text
    site.customer.user = factories.user()
    site.customer.save()
    assert "First steps" not in page(client, owner)


def test_a_technician_sees_own_visits_of_today_and_tomorrow(client: Client) -> None:
    firm = factories.business()
    technician = factories.member(firm, Role.TECHNICIAN)
    other = factories.member(firm, Role.TECHNICIAN)
    now = timezone.now()

    def send(person: User, name: str, days: int) -> None:
        customer = factories.customer(business=firm, name=name)
        factories.visit(
            site=factories.site(customer=customer), technicians=(person,), starts_at=now + timedelta(days=days)
        )

    send(technician, "Anna Today", 0)
    send(technician, "Ben Tomorrow", 1)
    send(technician, "Carl Later", 4)
    send(other, "Dora Elsewhere", 0)
    text = page(client, technician)
    assert text.index("Anna Today") < text.index("Tomorrow</h2>") < text.index("Ben Tomorrow")
    assert "Carl Later" not in text
    assert "Dora Elsewhere" not in text
    assert "Production history" in text
    assert "licensed electrician" in text


def test_somebody_with_several_roles_gets_links_between_them(client: Client) -> None:
    firm = factories.business()
    owner = factories.member(firm)
    factories.site(customer=factories.customer(business=firm, user=owner))
    assert '/?as=roof"' in page(client, owner)
    assert "Your roof: Home" in page(client, owner, "/?as=roof")
    assert "Calls to make" in page(client, owner, "/?as=roofs")  # not a technician: falls back
