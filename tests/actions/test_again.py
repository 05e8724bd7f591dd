"""A visit that was called off, or a wash that is wished for: the customer books a day by the link of the mail."""

from __future__ import annotations

import re
import time
from collections.abc import Callable
from datetime import datetime, timedelta

import pytest
from django.core import mail, signing
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from portal.actions.mail.compose import compose
from portal.actions.mail.recipient import again_token, token_for, wish_token
from portal.actions.pricing import price_of_visit
from portal.actions.reminders.kinds import KINDS
from portal.actions.reminders.plan import plan_reminders, plan_standing
from portal.actions.reminders.send import send_due
from portal.actions.standing_wishes import call_for_wishes, want
from portal.actions.visits import cancel_visit, put_off_visit
from portal.models import Language, LeadStage, Reminder, ReminderKind, Role, Site, Visit, VisitState
from portal.pv.standing_wish import Rhythm
from tests import factories

pytestmark = pytest.mark.django_db


@pytest.fixture
def visit() -> Visit:
    firm = factories.business(latitude=39.7, longitude=-105.1)
    crew = factories.member(firm, Role.TECHNICIAN)
    site = factories.site(customer=factories.customer(business=firm, language=Language.SPANISH))
    return factories.visit(site=site, technicians=(crew,), starts_at=timezone.now() + timedelta(days=5))


def tell() -> list[str]:
    """The mails that go out now, each as subject and text."""
    mail.outbox.clear()
    now = timezone.now()
    plan_standing(now=now)
    send_due(now=now)
    return [f"{one.subject}\n{one.body}" for one in mail.outbox]


def links(text: str) -> list[str]:
    return re.findall(r"/visits/again/[^/\s]+/", text)


def test_it_is_told_once_in_the_customers_language_and_booked_anew_by_the_link(visit: Visit, client: Client) -> None:
    assert len(tell()) == 1, "the booking"
    put_off_visit(visit=visit, why=VisitState.ILLNESS, now=timezone.now())
    (told,) = tell()
    assert told.startswith("Su visita del")
    assert "Alguien de nuestro equipo está enfermo. No iremos el" in told
    assert tell() == []
    (address,) = links(told)
    text = client.get(address).content.decode()
    chosen = re.findall(r'name="slot" value="([^"]+)"', text)
    assert len(chosen) == 3
    assert Visit.objects.get().state == VisitState.ILLNESS, "who only looks books nothing"
    for _ in range(2):
        assert "Vamos el" in client.post(address, {"slot": chosen[1]}, follow=True).content.decode()
    again = Visit.objects.get()
    assert (again.state, again.revision) == (VisitState.BOOKED, visit.revision + 2)
    assert again.starts_at == datetime.fromisoformat(chosen[1].partition("@")[0])
    (booked,) = tell()
    assert links(booked) == []


def test_who_was_never_written_to_about_it_hears_of_no_calling_off(visit: Visit) -> None:
    cancel_visit(visit=visit, reason="", now=timezone.now())
    assert tell() == []


def test_a_time_that_was_taken_meanwhile_is_said_and_others_are_shown(visit: Visit, client: Client) -> None:
    visit = put_off_visit(visit=visit, why=VisitState.WEATHER, now=timezone.now())
    address = f"/visits/again/{again_token(visit)}/"
    first = re.findall(r'name="slot" value="([^"]+)"', client.get(address).content.decode())[0]
    other = factories.site(customer=factories.customer(business=visit.site.customer.business))
    taken = datetime.fromisoformat(first.partition("@")[0])
    factories.visit(site=other, technicians=tuple(visit.technicians.all()), starts_at=taken)
    text = client.post(address, {"slot": first}, follow=True).content.decode()
    assert "hace un momento" in text
    assert first not in text
    assert Visit.objects.get(pk=visit.pk).state == VisitState.WEATHER


def test_an_invented_time_or_token_books_nothing(visit: Visit, client: Client) -> None:
    visit = put_off_visit(visit=visit, why=VisitState.WEATHER, now=timezone.now())
    address = f"/visits/again/{again_token(visit)}/"
    for slot in ("", "x@y", f"{timezone.now().isoformat()}@{visit.technicians.get().pk}"):
        client.post(address, {"slot": slot})
    assert Visit.objects.get().state == VisitState.WEATHER
    assert client.get("/visits/again/forged/").status_code == 404


def test_where_a_roof_has_a_fault_the_firm_decides(visit: Visit, client: Client) -> None:
    factories.assessment(
        site=visit.site, verdict="other fault", cause="string_loss", as_of=timezone.now().date(), loss_low=0.0
    )
    visit = put_off_visit(visit=visit, why=VisitState.WEATHER, now=timezone.now())
    text = client.get(f"/visits/again/{again_token(visit)}/").content.decode()
    assert 'name="slot"' not in text
    assert "555-0100" in text


def test_the_page_behind_the_link_wears_the_firms_name_and_the_language_the_reader_chooses(
    visit: Visit, client: Client
) -> None:
    visit = put_off_visit(visit=visit, why=VisitState.WEATHER, now=timezone.now())
    firm = visit.site.customer.business
    stop = reverse("mail_stop", args=[token_for({"customer": visit.site.customer_id})])
    choices = reverse("mail_choices", args=[token_for({"customer": visit.site.customer_id})])
    again = f"/visits/again/{again_token(visit)}/"
    for address in (again, stop, choices):
        answer = client.get(address)
        assert answer["Content-Language"] == "es"
        assert re.search(rf'class="name"[^>]*>.*{firm.name}</a>', answer.content.decode())
    client.post(reverse("language"), {"language": "en", "next": again})
    assert "Stop all reminders" in client.get(stop).content.decode()
    text = client.get(again).content.decode()
    assert "We do not come on" in text
    assert "Choose a time." in text
    cancel_visit(visit=visit, reason="", now=timezone.now())
    text = client.get(again).content.decode()
    assert "Another day is agreed with us directly: " in text
    assert "None of these" not in text
    assert "Please call us." in client.post(again, {"slot": "x@y"}, follow=True).content.decode()


def test_an_old_link_books_nothing_once_the_visit_changed_or_the_roof_is_somebody_elses(
    visit: Visit, client: Client
) -> None:
    visit = put_off_visit(visit=visit, why=VisitState.WEATHER, now=timezone.now())
    address = f"/visits/again/{again_token(visit)}/"
    slot = re.findall(r'name="slot" value="([^"]+)"', client.get(address).content.decode())[0]
    cancel_visit(visit=visit, reason="", now=timezone.now())
    client.post(address, {"slot": slot})
    assert Visit.objects.get().state == VisitState.CANCELLED
    assert 'name="slot"' not in client.get(address).content.decode()
    newest = f"/visits/again/{again_token(Visit.objects.get())}/"
    assert 'name="slot"' in client.get(newest).content.decode()
    visit.site.customer = factories.customer(business=visit.site.customer.business)
    visit.site.save()
    assert client.get(newest).status_code == 404


def test_a_link_ends_after_two_months(visit: Visit, client: Client) -> None:
    visit = put_off_visit(visit=visit, why=VisitState.WEATHER, now=timezone.now())
    key = {"visit": visit.pk, "customer": visit.site.customer_id, "revision": visit.revision}
    signer = signing.TimestampSigner(salt="visit again")
    signer.timestamp = lambda: signing.b62_encode(int(time.time() - 61 * 86400))  # type: ignore[method-assign]  # made then
    assert client.get(f"/visits/again/{signer.sign_object(key)}/").status_code == 404


@pytest.fixture
def wisher() -> Site:
    """Washed more than a year ago; its owner wants a wash once a year."""
    firm = factories.business(latitude=39.7, longitude=-105.1)
    factories.member(firm, Role.TECHNICIAN)
    site = factories.site(customer=factories.customer(business=firm, language=Language.SPANISH))
    then = timezone.now() - timedelta(days=380)
    factories.visit(site=site, state=VisitState.DONE, starts_at=then, finished_at=then)
    Site.objects.update(created_at=then)
    want(site=site, rhythm=Rhythm.YEARLY, now=then)
    call_for_wishes(now=timezone.now())
    return Site.objects.select_related("customer__business").get()


def wished_address(site: Site) -> str:
    """Where the mail of the standing wish leads."""
    plan_reminders(sites=[site], now=timezone.now())
    reminder = Reminder.objects.get(kind=ReminderKind.WISHED)
    told = compose(reminder, KINDS[ReminderKind.WISHED].letter, now=timezone.now())
    (address,) = re.findall(r"Elija un día aquí: \S+?(/visits/wished/[^/\s]+/)", str(told.body))
    return str(address)


def test_the_wash_of_a_standing_wish_is_booked_by_the_link_of_its_mail(wisher: Site, client: Client) -> None:
    address = wished_address(wisher)
    text = client.get(address).content.decode()
    assert "Usted pidió un lavado una vez al año. Toca ahora." in text
    assert "Un lavado cuesta" in text
    chosen = re.findall(r'name="slot" value="([^"]+)"', text)
    assert len(chosen) == 3
    booked = Visit.objects.filter(state=VisitState.BOOKED)
    assert not booked.exists(), "who only looks books nothing"
    client.post(address, {"slot": "x@y"})
    assert not booked.exists()
    for slot in (chosen[1], chosen[2]):
        assert "Vamos el" in client.post(address, {"slot": slot}, follow=True).content.decode()
    visit = booked.get()
    assert visit.starts_at == datetime.fromisoformat(chosen[1].partition("@")[0])
    assert visit.price == price_of_visit(wisher)
    assert visit.lead is not None
    assert visit.lead.stage == LeadStage.BOOKED
    assert "Vamos el" in client.get(address).content.decode()


def wish_withdrawn(site: Site) -> None:
    want(site=site, rhythm=None, now=timezone.now())


def washed_meanwhile(site: Site) -> None:
    factories.visit(site=site, state=VisitState.DONE, starts_at=timezone.now(), finished_at=timezone.now())


def put_off(site: Site) -> None:
    visit = factories.visit(site=site, starts_at=timezone.now() + timedelta(days=2))
    put_off_visit(visit=visit, why=VisitState.WEATHER, now=timezone.now())


def at_fault(site: Site) -> None:
    factories.assessment(site=site, verdict="other fault", cause="string_loss", as_of=timezone.now().date())


@pytest.mark.parametrize("happened", [wish_withdrawn, washed_meanwhile, put_off, at_fault])
def test_where_the_wish_is_over_or_somebody_has_to_decide_the_link_leads_to_the_firm(
    happened: Callable[[Site], None], wisher: Site, client: Client
) -> None:
    address = f"/visits/wished/{wish_token(wisher)}/"
    (slot, *_rest) = re.findall(r'name="slot" value="([^"]+)"', client.get(address).content.decode())
    happened(wisher)
    text = client.get(address).content.decode()
    assert 'name="slot"' not in text
    assert "555-0100" in text
    client.post(address, {"slot": slot})
    assert not Visit.objects.filter(state=VisitState.BOOKED).exists()


def test_the_link_of_a_wish_ends_with_time_and_with_another_owner(wisher: Site, client: Client) -> None:
    address = f"/visits/wished/{wish_token(wisher)}/"
    assert client.get("/visits/wished/forged/").status_code == 404
    Site.objects.update(customer=factories.customer(business=wisher.customer.business))
    assert client.get(address).status_code == 404
