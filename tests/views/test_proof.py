"""What the report of a visit says, from the first day to the last, whatever came of the wash."""

from __future__ import annotations

import html
import re
from datetime import timedelta
from decimal import Decimal
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from portal.actions.advice import recommendation
from portal.actions.proof import link_token, share_report
from portal.actions.visits import finish_visit
from portal.models import Proof, Visit
from portal.views.proof import report_of
from portal.words.advice import headline
from tests import factories

pytestmark = pytest.mark.django_db


def _washed(days_ago: int) -> Visit:
    washed_at = timezone.now() - timedelta(days=days_ago)
    site = factories.site(customer=factories.customer(user=factories.user()))
    visit = factories.visit(site=site, starts_at=washed_at, price=Decimal("85"))
    return finish_visit(visit=visit, now=washed_at)


def _says(visit: Visit, **proof: Any) -> str:
    """The report's text as its homeowner reads it."""
    if proof:
        Proof.objects.create(visit=visit, as_of=timezone.now().date(), updated_at=timezone.now(), **proof)
    client = Client()
    assert visit.site.customer.user is not None
    client.force_login(visit.site.customer.user)
    page = client.get(reverse("visit_report", args=[visit.pk])).content.decode()
    text = html.unescape(re.sub(r"<[^>]+>", " ", page.split("<main")[1]))
    return re.sub(r"\s+", " ", text)


def test_on_the_day_of_the_wash_nothing_is_known() -> None:
    said = _says(_washed(0))
    assert "Not yet known" in said
    assert "the final one by" in said
    assert "$" not in said


def test_as_long_as_days_come_in_their_number_is_said() -> None:
    assert "There are 2 so far." in _says(_washed(6), state="waiting", clear_days_after=2)
    assert "There is 1 so far." in _says(_washed(6), state="waiting", clear_days_after=1)


def test_a_report_that_no_readings_ever_reached_does_not_promise_a_day_that_is_past() -> None:
    for days_ago, promised in ((29, True), (36, False)):
        said = _says(_washed(days_ago))
        assert ("the final one by" in said) == promised
        assert ("If you send those" in said) != promised


@pytest.mark.parametrize(("clear_days", "why"), [(2, "too few days before or after it"), (9, "are too rough")])
def test_a_month_without_an_honest_figure_is_not_a_gain_of_nothing(clear_days: int, why: str) -> None:
    said = _says(_washed(40), state="settled", clear_days_before=clear_days, clear_days_after=9)
    assert "The readings cannot say" in said
    assert why in said
    assert "not a gain of nothing: it is not known." in said


def test_a_wash_of_long_ago_is_not_said_to_be_known_soon() -> None:
    visit = _washed(520)
    client = Client()
    assert visit.site.customer.user is not None
    client.force_login(visit.site.customer.user)
    page = client.get(reverse("site", args=[visit.site_id])).text
    assert "not known yet" not in page
    assert "could not be measured: no readings" in page


def test_the_report_tells_how_the_roof_stands_by_now_and_a_shared_one_nothing_of_who_comes() -> None:
    visit = _washed(60)
    factories.assessment(site=visit.site, as_of=timezone.now().date(), clean_due=timezone.now().date())
    factories.visit(site=visit.site, starts_at=timezone.now() + timedelta(days=3))
    told = recommendation(visit.site, now=timezone.now())
    own = _says(visit, state="settled")
    link = link_token(share_report(visit=visit, now=timezone.now()))
    shared = Client().get(reverse("shared_report", args=[link])).text
    for page in (own, shared):
        assert headline(told) in page
        assert "Wash now" in page
    assert "A visit is booked" in own
    assert "A visit is booked" not in shared


GAIN = {"gain": 0.08, "gain_low": 0.07, "gain_high": 0.1, "kwh": 54.0, "kwh_low": 45.0, "kwh_high": 62.0}


def test_a_gain_is_said_with_its_range_its_worth_and_when_it_has_paid() -> None:
    visit = _washed(20)
    counted_to = timezone.now().date() - timedelta(days=1)
    due = {"kwh_by_due": 606.0, "kwh_by_due_low": 504.0, "kwh_by_due_high": 695.0, "due_on": counted_to}
    said = _says(visit, state="first", counted_to=counted_to, **GAIN, **due)
    assert "More output 8 % of what clean panels make" in said
    assert "likely 7 % to 10 %" in said
    assert "First answer; final on" in said
    # at 0.25 a kWh: 54 kWh are 13.50, 606 are 151.50; the visit cost 85
    assert "54 kWh, about $14 (likely 45 kWh to 62 kWh, $11 to $16)" in said
    assert said.index("54 kWh, about $14") < said.index("The roof now"), "the effect first"
    assert "$126 to $174). Rain before that" in said
    assert "606 kWh in all, about $152 (likely 504 kWh to 695 kWh, $126 to $174)" in said
    assert "Net by then about $66 (likely $41 to $89)" in said
    # 85 / 13.50 of 19 days, counted from the day after the wash
    days = (counted_to - (visit.cleaned_on or counted_to)).days
    assert f"about {int(85 / 13.5 * days) + 1} days at this pace" in said


@pytest.mark.parametrize(
    ("high", "words"),
    # 0.25 a kWh: 200 kWh are 50, 400 are 100, and the visit cost 85
    [(200.0, "Net: it does not pay for itself by then"), (400.0, "Net: it likely does not pay for itself by then")],
)
def test_a_wash_that_does_not_pay_is_said_to(high: float, words: str) -> None:
    due = {"kwh_by_due": 120.0, "kwh_by_due_low": 60.0, "kwh_by_due_high": high}
    said = _says(_washed(40), state="settled", counted_to=timezone.now().date(), **GAIN, **due)
    assert f"{words} about −$55 (likely −$70 to" in said


def test_no_measurable_gain_is_a_result_and_reads_like_one() -> None:
    nothing = {"gain": 0.001, "gain_low": -0.003, "gain_high": 0.004}
    energy = {"kwh": 1.0, "kwh_low": -15.0, "kwh_high": 16.0, "counted_to": timezone.now().date()}
    said = _says(_washed(40), state="settled", **nothing, **energy)
    assert "No measurable gain 0.1 % is the estimate, likely −0.3 % to 0.4 %: it may have been nothing at all." in said
    assert "A wash pays when the readings show a loss first." in said
    assert "1 kWh, under $1 (likely −15 kWh to 16 kWh, −$4 to $4)" in said
    assert "Pays for itself" not in said


def test_what_else_could_explain_it_stands_on_the_report() -> None:
    doubt = (
        "It rained within a week of the wash (12 mm on 6 May 2026 at Townfield): part of the change may be the rain's."
    )
    assert f"What else could explain it {doubt}" in _says(_washed(40), state="settled", doubts=[doubt], **GAIN)


@pytest.mark.parametrize(("days_ago", "counts"), [(390, True), (250, False), (500, False)])
def test_a_wash_shortly_before_the_same_weeks_a_year_ago_is_told(days_ago: int, counts: bool) -> None:
    visit = _washed(20)
    earlier = factories.visit(site=visit.site, starts_at=timezone.now() - timedelta(days=days_ago))
    earlier = finish_visit(visit=earlier, now=earlier.starts_at)
    told = report_of(visit, lambda photo, size: "").washed_a_year_before
    assert told == (earlier.cleaned_on if counts else None)
