"""Figures in words: rounding that does not pretend, signs, and the frame's links by role."""

from __future__ import annotations

from datetime import date
from decimal import Decimal

import pytest
from django.test import Client

from portal.models import Proof, Role, SiteAssessment
from portal.views.words import days, kwh, loss_estimated, season_words
from portal.words.figures import NBSP, about_money, compass, money, percent, roughly
from tests import factories


@pytest.mark.parametrize(
    ("fraction", "words"),
    [
        (0.083, "8 %"),
        (0.0194, "1.9 %"),
        (0.0196, "2 %"),
        (0.004, "0.4 %"),
        (0.0, "0 %"),
        (0.0002, "0 %"),
        (-0.0002, "0 %"),
        (-0.012, "−1.2 %"),
        (-0.05, "−5 %"),
        (1.0, "100 %"),
        (None, "unknown"),
    ],
)
def test_percentages_show_no_more_than_is_known(fraction: float | None, words: str) -> None:
    assert percent(fraction).replace(NBSP, " ") == words


@pytest.mark.parametrize(
    ("amount", "currency", "exact", "about"),
    [
        (Decimal("1234.5"), "USD", "$1,234.50", "$1,234"),
        (Decimal("-9.6"), "EUR", "−€9.60", "−€10"),
        (Decimal("0.3"), "USD", "$0.30", "under $1"),
        (Decimal(0), "USD", "$0.00", "$0"),
        (Decimal(12), "CHF", f"CHF{NBSP}12.00", f"CHF{NBSP}12"),
    ],
)
def test_prices_are_exact_and_estimates_whole(amount: Decimal, currency: str, exact: str, about: str) -> None:
    assert money(amount, currency) == exact
    assert about_money(amount, currency) == about


def test_a_loss_of_before_has_its_range() -> None:
    known: dict[str, object] = {"as_of": date(2026, 6, 14), "present_loss": 0.08, "loss_low": 0.06, "loss_high": 0.1}
    assert loss_estimated(SiteAssessment(**known)).replace(NBSP, " ") == "8 % (6 to 10 %)"
    assert loss_estimated(SiteAssessment(**known | {"present_loss": None})) == ""


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("role", "words"),
    [
        (Role.OWNER, ["Today", "Leads", "Customers", "Visits", "Invoices", "Imports", "Reminders", "Business"]),
        (Role.OFFICE, ["Today", "Leads", "Customers", "Visits", "Invoices", "Imports", "Reminders"]),
        (Role.TECHNICIAN, ["Today", "Visits"]),
    ],
)
def test_the_frame_links_where_a_role_may_go_and_each_link_opens(client: Client, role: Role, words: list[str]) -> None:
    client.force_login(factories.member(factories.business(), role))
    nav = client.get("/").context["nav"]
    assert [place.word for place in nav] == words
    assert [place.here for place in nav] == [True] + [False] * (len(words) - 1)
    assert {client.get(place.url).status_code for place in nav} == {200}


@pytest.mark.django_db
def test_a_homeowners_links_open_too(client: Client) -> None:
    user = factories.user()
    factories.meter(site=factories.site(customer=factories.customer(user=user)))
    client.force_login(user)
    nav = client.get("/").context["nav"]
    assert [place.word for place in nav] == ["My roof", "Send readings"]
    assert {client.get(place.url).status_code for place in nav} == {200}


@pytest.mark.parametrize(("azimuth", "wind"), [(0, "north"), (175, "south"), (203, "south-west"), (350, "north")])
def test_a_direction_is_said_as_one_of_eight_winds(azimuth: float, wind: str) -> None:
    assert compass(azimuth) == wind


def test_an_energy_below_nothing_has_a_minus_and_no_hyphen() -> None:
    assert (kwh(-15.2), kwh(-0.3), kwh(1234)) == (
        "−15\N{NO-BREAK SPACE}kWh",
        "0\N{NO-BREAK SPACE}kWh",
        "1,234\N{NO-BREAK SPACE}kWh",
    )


def test_a_small_amount_is_not_about_under_something() -> None:
    amounts = [Decimal("0.30"), Decimal("14.2"), Decimal("-14"), Decimal("-0.3")]
    assert [roughly(amount, "USD") for amount in amounts] == ["under $1", "about $14", "about −$14", "about $0"]


@pytest.mark.parametrize(
    ("count", "words"),
    # 592 / 30.44 is 19.4; 3000 / 365.25 is 8.2
    [(1, "1 day"), (86, "86 days"), (592, "19 months"), (3000, "8 years")],
)
def test_a_long_time_is_not_told_in_days(count: int, words: str) -> None:
    assert days(count) == words


@pytest.mark.parametrize(
    ("difference", "low", "high", "words"),
    [
        (0.05, 0.03, 0.07, "was 5 % higher, likely 3 % to 7 % higher"),
        (-0.03, -0.05, -0.01, "was 3 % lower, likely 1.0 % to 5 % lower"),
        (-0.003, -0.018, 0.013, "was much the same: −0.3 %, likely −1.8 % to 1.3 %"),
    ],
)
def test_a_season_is_compared_in_one_direction(difference: float, low: float, high: float, words: str) -> None:
    proof = Proof(season_difference=difference, season_low=low, season_high=high)
    assert season_words(proof).replace(NBSP, " ").endswith(words)
