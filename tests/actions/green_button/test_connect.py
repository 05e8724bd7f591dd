"""A utility hands readings over where the owner of the roof allows it, until either side ends it.

Against a data custodian that runs here and speaks OAuth 2 by another library than the portal's.
"""

from __future__ import annotations

import hashlib
from base64 import urlsafe_b64encode
from datetime import date, timedelta
from typing import Any
from urllib.parse import parse_qs, urlsplit

import pytest
from django.core import mail
from django.db import connections
from django.test import Client
from django.urls import reverse
from django.utils import timezone, translation

from portal.actions.erase import erase_site
from portal.actions.green_button.connect import end
from portal.actions.green_button.farewell import FAREWELLS, say_farewell
from portal.actions.green_button.fetch import DAILY, poll_utilities
from portal.actions.reminders.plan import plan_reminders
from portal.actions.reminders.send import send_due
from portal.actions.sites import hand_over_site
from portal.actions.troubles import troubles
from portal.models import (
    AuditEntry,
    CameBy,
    DayReadings,
    Deed,
    EndedBy,
    Import,
    ImportState,
    Meter,
    Reminder,
    ReminderKind,
    Role,
    UtilityConnection,
    UtilityFarewell,
    UtilityState,
)
from portal.words.kept import in_their_words
from tests import factories
from tests.actions.green_button.custodian import Custodian
from tests.actions.green_button.scene import SUBSCRIPTION, TZ, allow, browser, connected, gets, tell, work
from tests.factories import NOW
from tests.readers.dialects import truth

pytestmark = pytest.mark.django_db(transaction=True)


def test_the_owner_allows_it_and_the_readings_come(meter: Meter, custodian: Custodian) -> None:
    client = browser(meter)
    sent = client.post(reverse("utility_connect", args=[meter.site_id]))
    asked = {name: said[0] for name, said in parse_qs(urlsplit(sent["Location"]).query).items()}
    assert sent["Location"].startswith(custodian.settings()["authorize"])
    assert (asked["response_type"], asked["code_challenge_method"]) == ("code", "S256")
    assert len(asked["state"]) >= 22  # 128 bits in base 64: RFC 6749, section 10.10
    verifier = client.session["utility"]["verifier"]
    digest = urlsafe_b64encode(hashlib.sha256(verifier.encode()).digest()).rstrip(b"=").decode()
    assert asked["code_challenge"] == digest  # RFC 7636, section 4.2
    client.get(reverse("utility_back"), custodian.says_yes(sent["Location"]))
    connection = work(meter)
    import_ = Import.objects.get()
    assert (import_.came_by, import_.state, import_.problem) == (CameBy.UTILITY, ImportState.DONE, "")
    energy, minutes = DayReadings.objects.all().site_energy_wh(meter.site)
    assert minutes == 15
    assert energy.dropna().sum() == truth(date(2026, 6, 1), 3, TZ, 15).sum()
    assert connection.subscription.endswith(SUBSCRIPTION)
    page = client.get(reverse("utility", args=[meter.site_id])).content.decode()
    assert "Connected to Valley Power." in page
    assert "288 new readings" in page
    entry = AuditEntry.objects.get(deed=Deed.CONNECTED)
    assert (entry.by, entry.about) == (meter.site.customer.user, f"roof {meter.site_id}")


def test_tokens_are_kept_encrypted_and_opened_by_an_earlier_key(
    meter: Meter, custodian: Custodian, settings: Any
) -> None:
    connection = connected(meter, custodian)
    (access,) = custodian.books.access
    assert connection.secret is not None
    assert access.encode() not in bytes(connection.secret)
    before = settings.SECRET_KEY
    settings.SECRET_KEY, settings.SECRET_KEY_FALLBACKS = "another" * 10, [before]
    assert work(meter, NOW + DAILY).problem == ""
    settings.SECRET_KEY_FALLBACKS = []
    ended = work(meter, NOW + 2 * DAILY)
    assert (ended.state, ended.problem) == (UtilityState.ENDED, "The keys can no longer be opened here.")


@pytest.mark.parametrize("how", ["another state", "no state", "somebody else's browser", "used twice"])
def test_an_answer_that_belongs_to_nothing_begun_here_connects_nothing(
    meter: Meter, custodian: Custodian, how: str
) -> None:
    client = browser(meter)
    sent = client.post(reverse("utility_connect", args=[meter.site_id]))
    brought = custodian.says_yes(sent["Location"])
    if how == "another state":
        brought["state"] = "x" * 32
    elif how == "no state":
        del brought["state"]
    elif how == "somebody else's browser":
        client = browser(factories.meter(site=factories.site(customer=factories.customer(user=factories.user()))))
    else:
        client.get(reverse("utility_back"), {"error": "access_denied", "state": brought["state"]})
    answer = client.get(reverse("utility_back"), brought, follow=True)
    assert "Begin again." in answer.content.decode()
    assert not UtilityConnection.objects.exists()


def test_who_says_no_at_the_utility_is_told_so(meter: Meter, custodian: Custodian) -> None:
    client = browser(meter)
    client.post(reverse("utility_connect", args=[meter.site_id]))
    brought = {"error": "access_denied", "state": client.session["utility"]["state"]}
    assert "You did not allow it." in client.get(reverse("utility_back"), brought, follow=True).content.decode()
    assert not UtilityConnection.objects.exists()


def test_only_the_owner_of_the_roof_is_sent_to_the_utility(meter: Meter, custodian: Custodian) -> None:
    office = Client()
    office.force_login(factories.member(meter.site.customer.business, Role.OFFICE))
    sent = office.post(reverse("utility_connect", args=[meter.site_id]), follow=True)
    assert "Only the owner of the roof" in sent.content.decode()
    assert "utility" not in office.session


def test_a_code_that_the_utility_does_not_take_is_said(meter: Meter, custodian: Custodian) -> None:
    client = allow(meter, custodian)
    custodian.books.codes.clear()
    connection = work(meter)
    assert (connection.state, connection.ended_by) == (UtilityState.ENDED, EndedBy.NEVER_BEGAN)
    page = client.get(reverse("utility", args=[meter.site_id])).content.decode()
    assert "Connect once more." in page
    allow(meter, custodian)
    assert work(meter).state == UtilityState.ACTIVE


def test_a_token_endpoint_that_is_down_is_asked_again_for_an_hour(meter: Meter, custodian: Custodian) -> None:
    allow(meter, custodian)
    custodian.down_for_tokens = True
    waiting = work(meter)
    assert (waiting.state, waiting.problem) == (UtilityState.ASKED, "The utility's server cannot be reached.")
    custodian.down_for_tokens = False
    assert work(meter, NOW + timedelta(minutes=5)).state == UtilityState.ACTIVE


@pytest.mark.parametrize("how", ["refused", "told"])
def test_what_the_utility_ends_is_said_to_owner_and_office_and_readings_stay(
    meter: Meter, custodian: Custodian, how: str
) -> None:
    connection = connected(meter, custodian)
    days = DayReadings.objects.count()
    if how == "told":
        custodian.status = "0"
        tell(custodian, "/resource/Authorization/13")
        ended = work(meter)
        assert gets(custodian)[-1] == "/resource/Authorization/13"
    else:
        custodian.forget_tokens()
        ended = work(meter, NOW + DAILY)
    assert (ended.state, ended.ended_by, ended.secret) == (UtilityState.ENDED, EndedBy.UTILITY, None)
    assert DayReadings.objects.count() == days == 3
    assert not UtilityFarewell.objects.exists(), "who ended it need not be told"
    assert AuditEntry.objects.get(deed=Deed.ENDED).about == f"roof {meter.site_id} (utility)"
    told = [one.utility for one in troubles([meter.site], now=NOW + DAILY)[meter.site_id] if one.utility]
    assert told == [connection]
    plan_reminders(sites=[meter.site], now=NOW + DAILY)
    mailed = Reminder.objects.get(kind=ReminderKind.UTILITY_ENDED)
    Reminder.objects.exclude(pk=mailed.pk).delete()  # the days are of long ago, so that one asks for readings
    send_due(now=mailed.due_at)
    (sent,) = mail.outbox
    assert "no longer come from Valley Power" in sent.subject
    assert meter.site.customer.email in sent.to[0]
    assert reverse("utility", args=[meter.site_id]) in str(sent.body)
    client = browser(meter)
    assert "Valley Power ended the connection" in client.get(reverse("utility", args=[meter.site_id])).content.decode()
    UtilityConnection.objects.update(ended_at=timezone.now())  # the page looks at the clock
    assert "hands no readings over any more" in client.get(reverse("home")).content.decode()
    office = Client()
    office.force_login(factories.member(meter.site.customer.business, Role.OFFICE))
    assert "The utility hands no readings over any more" in office.get(reverse("home")).content.decode()


def test_an_authorization_that_still_stands_ends_nothing(meter: Meter, custodian: Custodian) -> None:
    connected(meter, custodian)
    tell(custodian, "/resource/Authorization/13")
    assert work(meter).state == UtilityState.ACTIVE
    custodian.books.of_clients.clear()


def test_the_owner_ends_it_and_the_utility_is_told(meter: Meter, custodian: Custodian) -> None:
    connected(meter, custodian)
    client = browser(meter)
    client.post(reverse("utility_end", args=[meter.site_id]))
    plan_reminders(sites=[meter.site], now=NOW + DAILY)
    assert not Reminder.objects.filter(kind=ReminderKind.UTILITY_ENDED).exists(), "they did it themselves"
    connection = UtilityConnection.objects.get()
    assert (connection.state, connection.ended_by, connection.secret) == ("ended", EndedBy.CUSTOMER, None)
    farewell = UtilityFarewell.objects.get()
    say_farewell(farewell_id=farewell.pk, now=farewell.due_at)
    assert custodian.books.revoked == ["refresh_token", "access_token"]
    assert not custodian.books.refresh
    assert custodian.deleted == ["/resource/Authorization/13"]
    assert not UtilityFarewell.objects.exists()
    work(meter, NOW + DAILY)
    assert gets(custodian) == [SUBSCRIPTION], "nothing more is fetched"
    assert DayReadings.objects.count() == 3


def test_a_utility_that_cannot_be_told_is_given_up_and_said(meter: Meter, custodian: Custodian, settings: Any) -> None:
    connection = connected(meter, custodian)
    settings.GREEN_BUTTON = custodian.settings() | {"revoke": "http://127.0.0.1:9/"}  # nobody listens there
    end(connection_id=connection.pk, how=EndedBy.CUSTOMER, by=meter.site.customer.user, now=NOW)
    for _ in range(FAREWELLS):
        farewell = UtilityFarewell.objects.get()
        say_farewell(farewell_id=farewell.pk, now=farewell.due_at - timedelta(seconds=1))  # too soon: nothing
        say_farewell(farewell_id=farewell.pk, now=farewell.due_at)
    assert not UtilityFarewell.objects.exists()
    connection.refresh_from_db()
    assert "end the permission on the utility's own page too" in connection.problem
    with translation.override("es"):
        assert in_their_words(connection.problem) != connection.problem


def test_an_erased_roof_and_one_with_a_new_owner_end_it_at_the_utility(meter: Meter, custodian: Custodian) -> None:
    connected(meter, custodian)
    other = factories.customer(business=meter.site.customer.business)
    hand_over_site(site=meter.site, customer=other, now=NOW)
    assert UtilityConnection.objects.get().ended_by == EndedBy.OFFICE
    say_farewell(farewell_id=UtilityFarewell.objects.get().pk, now=NOW)
    assert not custodian.books.access
    second = factories.meter(site=factories.site(customer=factories.customer(user=factories.user())))
    connected(second, custodian)
    erase_site(site=second.site, by=None, now=NOW)
    farewell = UtilityFarewell.objects.get()
    say_farewell(farewell_id=farewell.pk, now=NOW)
    assert not custodian.books.access
    assert not UtilityFarewell.objects.exists()


def test_what_ended_while_it_was_fetched_takes_nothing_in(meter: Meter, custodian: Custodian) -> None:
    """The owner presses "End" while the utility is answering: who was first counts."""
    allow(meter, custodian)
    custodian.before_answer = lambda: _end(meter)
    work(meter)
    assert not Import.objects.exists()
    assert UtilityConnection.objects.get().problem == ""


def _end(meter: Meter) -> None:
    connection = UtilityConnection.objects.get(site=meter.site)
    end(connection_id=connection.pk, how=EndedBy.CUSTOMER, by=None, now=NOW)
    connections.close_all()  # those of the custodian's thread


def test_without_the_settings_there_is_no_page_and_no_job(meter: Meter, settings: Any) -> None:
    settings.GREEN_BUTTON = dict.fromkeys(settings.GREEN_BUTTON, "")
    client = browser(meter)
    assert client.get(reverse("utility", args=[meter.site_id])).status_code == 404
    assert client.post(reverse("utility_connect", args=[meter.site_id])).status_code == 404
    assert client.get(reverse("utility_back")).status_code == 404
    assert Client().post(reverse("utility_notice"), b"x", content_type="application/xml").status_code == 404
    poll_utilities(now=NOW)
