"""The queue page, the mails in files, rules and wordings; leaving and choosing mails without a login."""

from __future__ import annotations

import re
from typing import Any

import pytest
from anymail.signals import AnymailTrackingEvent, tracking
from django.core import mail as outgoing
from django.test import Client
from django.urls import reverse

from portal.actions.mail.recipient import token_for
from portal.actions.reminders.plan import plan_reminders
from portal.actions.reminders.send import send_due
from portal.models import Customer, Language, MailStop, Preference, Reminder, ReminderKind, ReminderState, Role, Wording
from tests import factories
from tests.factories import NOW

pytestmark = pytest.mark.django_db


def planned(**customer: Any) -> Reminder:
    site = factories.site(customer=factories.customer(**customer))
    factories.assessment(site=site, clean_due=NOW.date())
    plan_reminders(sites=[site], now=NOW)
    return Reminder.objects.get(site=site)


def login(client: Client, reminder: Reminder, role: Role = Role.OWNER) -> Client:
    client.force_login(factories.member(reminder.business, role))
    return client


def test_the_queue_shows_state_and_reason_and_can_put_back(client: Client) -> None:
    reminder = planned()
    login(client, reminder, Role.OFFICE)
    Reminder.objects.update(state=ReminderState.FAILED, reason="The mail server refused it (550): no.")
    page = client.get(reverse("reminders")).content.decode()
    assert "The mail server refused it (550): no." in page
    client.post(reverse("reminder_retry", args=[reminder.pk]))
    assert Reminder.objects.get().state == ReminderState.DUE
    other = planned()
    Reminder.objects.filter(pk=other.pk).update(state=ReminderState.FAILED)
    assert client.post(reverse("reminder_retry", args=[other.pk])).status_code == 404


def test_mails_in_files_are_read_by_the_owner_of_their_business_alone(client: Client, settings: Any) -> None:
    settings.EMAIL_BACKEND = "django.core.mail.backends.filebased.EmailBackend"
    mine, other = planned(name="Ann Invented"), planned(name="Zoë <b>Strange</b>")
    assert send_due(now=NOW).sent == 2
    login(client, mine)
    page = client.get(reverse("mails")).content.decode()
    assert "Ann Invented" in page
    assert "Strange" not in page
    text = client.get(reverse("mail", args=[mine.pk])).content.decode()
    assert "A wash of your panels at Home is due" in text
    assert "List-Unsubscribe=One-Click" in text
    assert client.get(reverse("mail", args=[other.pk])).status_code == 404
    login(client, mine, Role.OFFICE)
    assert client.get(reverse("mails")).status_code == 403
    login(client, other)
    assert "<b>Strange" not in client.get(reverse("mail", args=[other.pk])).content.decode()


def stop_address() -> str:
    return re.sub("^http://[^/]+", "", str(outgoing.outbox[-1].extra_headers["List-Unsubscribe"]).strip("<>"))


def test_one_click_stops_the_mails_without_login_or_cookie_and_looking_does_not() -> None:
    reminder = planned()
    send_due(now=NOW)
    program = Client(enforce_csrf_checks=True)
    assert "Stop all reminders" in program.get(stop_address()).content.decode()
    assert not MailStop.objects.exists()
    # RFC 8058 section 3.2: this body, as a form
    response = program.post(stop_address(), {"List-Unsubscribe": "One-Click"})
    assert response.status_code == 200
    assert reminder.customer
    assert MailStop.objects.get().email == reminder.customer.email
    program.post(stop_address())
    assert MailStop.objects.count() == 1


def test_a_forged_token_opens_nothing(client: Client) -> None:
    customer = factories.customer()
    token = token_for({"customer": customer.pk})
    for name in ("mail_stop", "mail_choices"):
        assert client.get(reverse(name, args=[token])).status_code == 200
        assert client.get(reverse(name, args=[token[:-1] + ("x" if token[-1] != "x" else "y")])).status_code == 404
        assert client.post(reverse(name, args=["nonsense"])).status_code == 404


def test_a_homeowner_chooses_kinds_and_comes_back() -> None:
    customer = factories.customer()
    MailStop.objects.create(email=customer.email, business=customer.business, why="unsubscribed", since=NOW)
    client = Client()
    address = reverse("mail_choices", args=[token_for({"customer": customer.pk})])
    page = client.get(address).content.decode()
    assert "No readings lately" in page
    assert "New leads of the day" not in page
    assert "The wash you asked for" in page
    assert "The wash they asked for" not in page
    client.post(address, {"due": "on"})
    unwanted = set(Preference.objects.filter(customer=customer, wanted=False).values_list("kind", flat=True))
    assert ReminderKind.QUIET in unwanted
    assert ReminderKind.DUE not in unwanted
    assert not MailStop.objects.exists()


def test_who_chooses_mails_has_agreed_to_be_written_to_and_who_wants_none_has_not() -> None:
    address = ""
    for wanted, agreed in (({}, False), ({"due": "on"}, True)):
        customer = factories.customer(consented_on=None)
        address = reverse("mail_choices", args=[token_for({"customer": customer.pk})])
        assert "has not heard from you" in Client().get(address).content.decode()
        Client().post(address, wanted)
        customer.refresh_from_db()
        assert (customer.consented_on is not None) is agreed
    assert "has not heard from you" not in Client().get(address).content.decode()


def test_the_pages_behind_a_spanish_mail_are_spanish(client: Client) -> None:
    token = token_for({"customer": factories.customer(language=Language.SPANISH).pk})
    for name, words in (("mail_stop", "No recibir más recordatorios"), ("mail_choices", "Hace días que no llegan")):
        page = client.get(reverse(name, args=[token])).content.decode()
        assert words in page
        assert '<html lang="es">' in page
        assert "Stop all" not in page
    assert "ya no enviará recordatorios" in client.post(reverse("mail_stop", args=[token])).content.decode()
    assert "vuelve a recibirlo" in client.get(reverse("mail_choices", args=[token])).content.decode()


def test_staff_choose_their_own_kinds() -> None:
    business = factories.business()
    owner = factories.member(business)
    address = reverse("mail_choices", args=[token_for({"user": owner.pk, "business": business.pk})])
    Client().post(address, {"tomorrow": "on"})
    assert Preference.objects.get(user=owner, kind=ReminderKind.LEAD_DIGEST).wanted is False
    assert Preference.objects.get(user=owner, kind=ReminderKind.TOMORROW).wanted is True


def test_rules_are_kept_or_get_a_sentence(client: Client) -> None:
    reminder = planned()
    login(client, reminder)
    address = f"{reverse('mail_rules')}?business={reminder.business.slug}"
    good = {"from_hour": 10, "until_hour": 17, "stop_from": 12, "stop_until": 2, "cold_after_days": 7}
    assert client.post(address, good).status_code == 302
    assert reminder.business.sending_rules.from_hour == 10
    page = client.post(address, good | {"until_hour": 9, "stop_until": ""}).content.decode()
    assert "The last hour must come after the first." in page
    assert "Set both or neither." in page
    other = factories.business()
    assert client.get(f"{reverse('mail_rules')}?business={other.slug}").status_code == 404


def test_a_wording_is_previewed_kept_and_given_up_again(client: Client) -> None:
    reminder = planned()
    login(client, reminder)
    address = reverse("mail_wording", args=[reminder.business.slug, "due", "es"])
    assert "Hola, Alex Example" in client.get(address).content.decode()
    words = {"subject": "Hola {name}", "text": "{loss} <script>"}
    page = client.post(address, words | {"preview": "1"}).content.decode()
    assert "Hola Alex Example" in page
    assert "&lt;script&gt;" in page
    assert not Wording.objects.exists()
    page = client.post(address, words | {"text": "{password}", "keep": "1"}).content.decode()
    assert "There is no {password} in this mail" in page
    page = client.post(address, words | {"text": "Hola {name, su tejado", "keep": "1"}).content.decode()
    assert "A brace has lost its partner, at “{name, su tejado”" in page
    assert not Wording.objects.exists()
    client.post(address, words | {"keep": "1"})
    assert Wording.objects.get().subject == "Hola {name}"
    client.post(address, {"subject": "", "text": "", "keep": "1"})
    assert not Wording.objects.exists()


@pytest.mark.parametrize("kind", list(ReminderKind))
@pytest.mark.parametrize("language", ["en", "es"])
def test_every_standard_wording_knows_all_its_facts(client: Client, kind: ReminderKind, language: str) -> None:
    business = factories.business()
    client.force_login(factories.member(business))
    page = client.get(reverse("mail_wording", args=[business.slug, kind, language])).content.decode()
    preview = page[page.index('<section class="panel" lang=') :]
    assert "{" not in preview


def test_a_report_of_a_mail_service_stops_dead_addresses_and_complaints() -> None:
    first, second = factories.customer(email="gone@homes.example"), factories.customer(email="gone@homes.example")
    deferred = AnymailTrackingEvent(event_type="deferred", recipient=first.email)
    bounced = AnymailTrackingEvent(
        event_type="bounced",
        recipient="Gone@homes.example",
        metadata={"business": str(first.business_id)},
        timestamp=NOW,
    )
    complained = AnymailTrackingEvent(event_type="complained", recipient=first.email, timestamp=NOW)
    for event in (deferred, bounced):
        tracking.send(sender=object, event=event, esp_name="test")
    assert [(stop.business, stop.why) for stop in MailStop.objects.all()] == [(first.business, "bounced")]
    tracking.send(sender=object, event=complained, esp_name="test")
    assert set(MailStop.objects.values_list("business", "why")) == {
        (first.business_id, "bounced"),
        (second.business_id, "complained"),
    }
    assert Customer.objects.count() == 2


def test_the_queue_needs_few_queries_however_long(client: Client, django_assert_max_num_queries: Any) -> None:
    first = planned()
    login(client, first)
    for _ in range(20):
        site = factories.site(customer=factories.customer(business=first.business))
        factories.assessment(site=site, clean_due=NOW.date())
        plan_reminders(sites=[site], now=NOW)
    with django_assert_max_num_queries(16):
        client.get(reverse("reminders"))
