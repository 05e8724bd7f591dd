"""The board, a lead's page and the list as a file."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from datetime import timedelta

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from portal.models import Business, Lead, LeadStage, Proof, Role, VisitState
from tests import factories

pytestmark = pytest.mark.django_db
Counted = Callable[..., object]


def office(lead: Lead, client: Client) -> Client:
    client.force_login(factories.member(lead.site.customer.business, Role.OFFICE))
    return client


def test_the_board_lists_most_at_stake_first_and_only_the_own_business(client: Client) -> None:
    small = factories.lead()
    factories.assessment(site=small.site, value_lost_per_month=5)
    business = small.site.customer.business
    big = factories.lead(site=factories.site(customer=factories.customer(business=business, name="Big Invented")))
    factories.assessment(site=big.site, value_lost_per_month=50)
    strange = factories.lead(site=factories.site(customer=factories.customer(name="Strange Invented")))
    page = office(small, client).get(reverse("leads")).content.decode()
    assert page.index(reverse("lead", args=[big.pk])) < page.index(reverse("lead", args=[small.pk]))
    assert strange.site.customer.name not in page
    assert client.get(reverse("lead", args=[strange.pk])).status_code == 404


def test_the_board_needs_the_same_queries_for_two_leads_and_for_twenty(
    client: Client, django_assert_max_num_queries: Counted
) -> None:
    first = factories.lead()
    office(first, client)
    for number in range(19):
        customer = factories.customer(business=first.site.customer.business)
        lead = factories.lead(site=factories.site(customer=customer))
        factories.assessment(site=lead.site, value_lost_per_month=number)
    with django_assert_max_num_queries(16):  # type: ignore[attr-defined]
        client.get(reverse("leads"))


@pytest.mark.parametrize(("days", "words"), [(200, "wash from about"), (0, "wash now"), (None, "would not pay now")])
def test_the_board_says_what_the_roofs_owner_is_told(client: Client, days: int | None, words: str) -> None:
    lead = factories.lead()
    today = timezone.now().date()
    due = None if days is None else today + timedelta(days=days)
    factories.assessment(site=lead.site, as_of=today, clean_due=due)
    office(lead, client)
    for page in (reverse("leads"), reverse("lead", args=[lead.pk]), reverse("home")):
        assert words in client.get(page).content.decode().replace(
            "Leave them for now: a wash from", "wash from"
        ).replace("A wash would not pay at this price now", "would not pay now").replace("Wash now", "wash now")


def test_the_board_lets_the_calendar_say_nothing_of_money(client: Client) -> None:
    lead = factories.lead()
    factories.assessment(site=lead.site, due_basis="calendar")
    page = office(lead, client).get(reverse("leads")).content.decode()
    assert "wash from" not in page
    assert "wash now" not in page


@pytest.mark.parametrize(
    "query", ["near=on", "show=closed", "show=snoozed", "kind=referral&stage=new&whose=mine", "kind=x"]
)
def test_the_board_filters(client: Client, query: str) -> None:
    assert office(factories.lead(), client).get(f"{reverse('leads')}?{query}").status_code == 200


def test_technicians_and_homeowners_see_no_leads(client: Client) -> None:
    lead = factories.lead()
    for person in (
        factories.member(lead.site.customer.business, Role.TECHNICIAN),
        factories.user(),
    ):
        client.force_login(person)
        for name, args in (("leads", []), ("leads_csv", []), ("leads_weekly", []), ("lead", [lead.pk])):
            assert client.get(reverse(name, args=args)).status_code in (403, 404)


def test_the_file_holds_the_board_and_runs_nothing(client: Client) -> None:
    lead = factories.lead(
        site=factories.site(customer=factories.customer(name='=HYPERLINK("http://x")', phone="+1 555"))
    )
    factories.assessment(site=lead.site, clean_due=factories.NOW.date())
    response = office(lead, client).get(reverse("leads_csv"))
    (row,) = csv.DictReader(io.StringIO(response.content.decode("utf-8-sig")))
    assert row["customer"] == '\'=HYPERLINK("http://x")'
    assert (row["phone"], row["loss"], row["advice"], row["chance_it_pays_back"]) == (
        "'+1 555",
        "0.0800",
        "wash",
        "0.80",
    )


def test_a_lead_is_moved_noted_planned_and_lost(client: Client) -> None:
    lead = factories.lead()
    office(lead, client)
    client.post(reverse("lead_move", args=[lead.pk]), {"stage": "contacted"})
    client.post(reverse("lead_note", args=[lead.pk]), {"text": "Wants a quote\nby mail"})
    client.post(reverse("lead_plan", args=[lead.pk]), {"next_action_on": "2099-01-01"})
    lead.refresh_from_db()
    assert (lead.stage, str(lead.next_action_on), lead.notes.count()) == (LeadStage.CONTACTED, "2099-01-01", 2)
    assert client.post(reverse("lead_lose", args=[lead.pk]), {"reason": ""}).status_code == 422
    client.post(reverse("lead_lose", args=[lead.pk]), {"reason": "Too dear"})
    lead.refresh_from_db()
    assert (lead.stage, lead.closed_because) == (LeadStage.LOST, "Too dear")
    assert (
        "This lead is closed"
        in client.post(reverse("lead_move", args=[lead.pk]), {"stage": "new"}, follow=True).content.decode()
    )


def test_a_snooze_into_the_past_gets_a_sentence(client: Client) -> None:
    lead = factories.lead()
    response = office(lead, client).post(reverse("lead_plan", args=[lead.pk]), {"snoozed_until": "2020-01-01"})
    assert response.status_code == 422
    assert "still to come" in response.content.decode()


def test_weekly_figures_show_the_plot_once_there_is_a_measured_gain(client: Client) -> None:
    lead = factories.lead(stage=LeadStage.WON, closed_at=factories.NOW)
    office(lead, client)
    assert "Nothing to compare yet" in client.get(reverse("leads_weekly")).content.decode()
    factories.assessment(site=lead.site)  # what was promised: as of the day of the wash
    visit = factories.visit(site=lead.site, lead=lead, state=VisitState.DONE, finished_at=factories.NOW)
    Proof.objects.create(visit=visit, gain=0.07, gain_low=0.05, gain_high=0.09, updated_at=factories.NOW)
    page = client.get(reverse("leads_weekly")).content.decode()
    assert "in 1 of them the measured gain agrees" in page
    assert "<svg" in page


@pytest.mark.parametrize(("waiting", "days", "told"), [(True, 200, True), (True, 0, False), (False, 200, False)])
def test_a_lead_of_a_roof_that_would_rather_wait_says_why_it_is_there(
    client: Client, waiting: bool, days: int, told: bool
) -> None:
    lead = factories.lead()
    Business.objects.filter(pk=lead.site.customer.business_id).update(lead_waiting=waiting)
    today = timezone.now().date()
    factories.assessment(site=lead.site, as_of=today, clean_due=today + timedelta(days=days))
    page = office(lead, client).get(reverse("lead", args=[lead.pk])).content.decode()
    assert ("because you chose to call about such roofs too" in page) == told
