"""Asking by button: the homeowner of their own roof, and the neighbour who sees a shared report."""

from __future__ import annotations

import io
import re
from datetime import timedelta

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone
from pypdf import PdfReader

from portal.actions.asks import ENQUIRIES_A_DAY
from portal.actions.leads import move_lead
from portal.actions.pricing import price_of_visit
from portal.actions.proof import link_token, share_report
from portal.models import Enquiry, Lead, LeadEvent, LeadStage, Site, VisitEntry, VisitState
from tests import factories
from tests.views.cast import Cast

pytestmark = pytest.mark.django_db


def test_the_owner_asks_and_the_office_finds_it_on_its_first_page(people: Cast) -> None:
    home, office, site = people.client("homeowner"), people.client("office"), people.visit.site
    assert "Ask for a wash" in home.get("/").content.decode()
    assert "Asked of you" not in office.get("/").content.decode()
    for _ in range(2):
        home.post(reverse("site_ask", args=[site.pk]), {"kind": "wash"})
    assert LeadEvent.objects.count() == 1
    for address in ("/", reverse("site", args=[site.pk])):
        text = home.get(address).content.decode()
        assert "You asked for a wash on" in text
        assert 'value="wash"' not in text
        assert 'value="call"' in text
    text = office.get("/").content.decode()
    assert text.index("Asked of you") < text.index("Asks for a wash") < text.index("Calls to make")
    assert "tel:555-0123" in text
    lead = Lead.objects.get()
    assert "Asks for a wash" in office.get(reverse("lead", args=[lead.pk])).content.decode()
    office.post(reverse("lead_answer", args=[lead.pk]))
    assert "Asked of you" not in office.get("/").content.decode()


def test_who_was_just_washed_reads_when_another_wash_pays_and_may_ask_all_the_same() -> None:
    site = factories.site(customer=factories.customer(user=factories.user()))
    then = timezone.now() - timedelta(days=1)
    factories.assessment(site=site, as_of=then.date(), clean_due=then.date())
    factories.visit(site=site, state=VisitState.DONE, starts_at=then, finished_at=then)
    home = Client()
    assert site.customer.user is not None
    home.force_login(site.customer.user)
    text = " ".join(home.get("/").content.decode().split())
    assert "When another wash would pay can be told once the result is in, about" in text
    main, folded = re.split("<details><summary>Ask for a wash all the same</summary>", text)
    assert 'value="wash"' not in main
    assert folded.index('value="wash"') < folded.index("</details>")
    home.post(reverse("site_ask", args=[site.pk]), {"kind": "wash"})
    assert "You asked for a wash on" in home.get("/").content.decode()


@pytest.mark.parametrize(
    "sent", [{}, {"kind": "lost"}, {"kind": "not_now", "months": "7"}, {"kind": "accept", "price": "x"}]
)
def test_what_no_button_sends_changes_nothing(sent: dict[str, str], people: Cast) -> None:
    answer = people.client("homeowner").post(reverse("site_ask", args=[people.visit.site_id]), sent, follow=True)
    assert answer.status_code == 200
    assert 'role="alert"' in answer.content.decode()
    assert not Lead.objects.exists()


def test_a_quote_is_shown_with_its_price_and_accepted(people: Cast) -> None:
    office, site, home = people.people["office"], people.visit.site, people.client("homeowner")
    assert office is not None
    lead = factories.lead(site=site)
    assert "Accept this quote" not in home.get("/").content.decode()
    move_lead(lead=lead, stage=LeadStage.QUOTED, by=office, now=timezone.now())
    text = home.get("/").content.decode()
    assert "for $120" in text  # the price list's minimum
    assert f'name="price" value="{price_of_visit(site)}"' in text
    home.post(reverse("site_ask", args=[site.pk]), {"kind": "accept", "price": str(price_of_visit(site))})
    text = home.get("/").content.decode()
    assert "Accept this quote" not in text
    assert "You accepted the quote on" in text
    assert (
        "Accepts the quote</b>: $120" in people.client("office").get(reverse("lead", args=[lead.pk])).content.decode()
    )


def test_a_lead_is_called_wrong_and_reopened_on_its_page(people: Cast) -> None:
    lead, office = factories.lead(site=people.visit.site), people.client("office")
    page = reverse("lead", args=[lead.pk])
    office.post(reverse("lead_wrong", args=[lead.pk]), {"reason": "A new tree"})
    text = office.get(page).content.decode()
    assert "Raised wrongly" in text
    assert "A new tree" in text
    office.post(reverse("lead_reopen", args=[lead.pk]))
    assert "Close as raised wrongly" in office.get(page).content.decode()
    assert "Was it right to call?" in office.get(reverse("leads_weekly")).content.decode()


# --- neighbours ------------------------------------------------------------------------------------------------------


@pytest.fixture
def link(people: Cast) -> str:
    customer = people.visit.site.customer
    customer.name = "Odette Ownersen"
    customer.save()
    people.visit.photos.update(note="Odette at the ladder")
    said = {"visit": people.visit, "at": timezone.now(), "by": people.people["technician"]}
    VisitEntry.objects.create(
        client_id="00000000-0000-4000-8000-000000000001", kind="sign_off", answer="signed", note="Odette O.", **said
    )
    VisitEntry.objects.create(
        client_id="00000000-0000-4000-8000-000000000002",
        kind="inspection",
        item="roof",
        answer="seen",
        note="Above Odette's bedroom",
        **said,
    )
    return link_token(share_report(visit=people.visit, now=timezone.now()))


def test_a_shared_report_wears_the_firm_and_nothing_of_the_owner(people: Cast, link: str) -> None:
    firm = people.visit.site.customer.business
    own = people.client("homeowner").get(reverse("visit_report", args=[people.visit.pk])).content.decode()
    page = Client().get(reverse("shared_report", args=[link])).content.decode()
    pdf = PdfReader(io.BytesIO(Client().get(reverse("shared_report_pdf", args=[link])).content))
    printed = "\n".join(one.extract_text() for one in pdf.pages) + str(pdf.metadata)
    for text in (page, printed):
        assert firm.name in text
        assert firm.phone in text
        for private in ("Odette", "Invented Road"):
            assert private not in text
    assert own.count("Odette") >= 4
    assert f"tel:{firm.phone}" in page


def test_a_neighbour_asks_without_an_account_and_the_office_sees_it(people: Cast, link: str) -> None:
    client = Client(enforce_csrf_checks=True)
    page, url = reverse("shared_report", args=[link]), reverse("shared_ask", args=[link])
    client.get(page)
    sent = {
        "name": "Nell Next",
        "reach": "555-0177",
        "address": "14 Invented Road",
        "csrfmiddlewaretoken": client.cookies["csrftoken"].value,
    }
    for _ in range(2):
        answer = client.post(url, sent)
        assert answer.status_code == 302
    assert "has it and gets in touch with you" in client.get(answer["Location"]).content.decode()
    enquiry = Enquiry.objects.get()
    office = people.client("office")
    text = office.get("/").content.decode()
    assert "Nell Next" in text
    assert "555-0177" in text
    assert "Nell Next" not in people.client("other business").get("/").content.decode()
    entered = office.get(f"{reverse('customer_new')}?enquiry={enquiry.pk}").content.decode()
    for words in ('value="Nell Next"', 'value="555-0177"', "14 Invented Road"):
        assert words in entered, words
    assert "Nell" not in people.client("other business").get(f"{reverse('customer_new')}?enquiry={enquiry.pk}").text
    office.post(reverse("enquiry", args=[enquiry.pk]), {"do": "close"})
    assert "Nell Next" not in office.get("/").content.decode()
    assert Enquiry.objects.count() == 1
    office.post(reverse("enquiry", args=[enquiry.pk]), {"do": "erase"})
    assert not Enquiry.objects.exists()


def test_an_enquiry_without_a_way_to_answer_is_asked_again_and_many_are_bounded(people: Cast, link: str) -> None:
    client, url = Client(), reverse("shared_ask", args=[link])
    answer = client.post(url, {"name": "Nell Next", "reach": ""})
    assert answer.status_code == 422
    assert 'value="Nell Next"' in answer.content.decode()
    assert client.post(url, {"name": "x" * 121, "reach": "555-0177"}).status_code == 422
    assert not Enquiry.objects.exists()
    for number in range(ENQUIRIES_A_DAY):
        client.post(url, {"name": "Nell Next", "reach": f"555-01{number:02}"})
    answer = client.post(url, {"name": "Nell Next", "reach": "555-0999"})
    assert answer.status_code == 422
    assert "Many have asked today" in answer.content.decode()
    assert Enquiry.objects.count() == ENQUIRIES_A_DAY
    people.visit.report_links.update(revoked_at=timezone.now())
    assert client.post(url, {"name": "Nell Next", "reach": "555-0177"}).status_code == 404


def test_a_standing_wish_is_set_by_either_and_shown_where_it_matters(people: Cast) -> None:
    home, office, site = people.client("homeowner"), people.client("office"), people.visit.site
    address = reverse("site_rhythm", args=[site.pk])
    assert home.post(address, {"rhythm": "weekly"}, follow=True).status_code == 200
    site.refresh_from_db()
    assert site.wash_rhythm == ""
    home.post(address, {"rhythm": "twice"})
    for client, page, said in (
        (home, "/", "You asked for a wash twice a year."),
        (office, reverse("site", args=[site.pk]), "A wash twice a year was asked for."),
        (office, f"{reverse('visit_book')}?site={site.pk}", "A wash twice a year was asked for."),
    ):
        assert said in client.get(page).content.decode()
    for latitude, counts in ((40.0, "March to May; a wash from the middle of January"), (-33.0, "the middle of July")):
        Site.objects.filter(pk=site.pk).update(latitude=latitude)
        assert counts in home.get("/").content.decode()
    office.post(address, {"rhythm": ""})
    assert "As the readings say." in home.get("/").content.decode()
