"""What a utility has is fetched: what is new, what it tells of, politely, whatever it answers."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import translation

from portal.actions.green_button.fetch import ASKED_APART, DAILY
from portal.actions.green_button.notices import MOST_NOTICES, read_notice
from portal.models import (
    DayReadings,
    Import,
    ImportState,
    Meter,
    UtilityBatch,
    UtilityConnection,
    UtilityNotice,
    UtilityState,
)
from portal.words.kept import in_their_words
from tests.actions.green_button.custodian import Custodian, notice
from tests.actions.green_button.scene import SUBSCRIPTION, allow, batch, connected, gets, tell, work
from tests.factories import NOW
from tests.readers.test_espi import feed

pytestmark = pytest.mark.django_db(transaction=True)


def test_each_day_only_what_is_new_is_asked_for(meter: Meter, custodian: Custodian) -> None:
    connected(meter, custodian)
    work(meter, NOW + timedelta(hours=12))
    assert gets(custodian) == [SUBSCRIPTION]
    work(meter, NOW + DAILY)
    second = custodian.asked[-1]
    assert (second.query, second.since) == ({"published-min": ["2026-06-13T00:00:00Z"]}, custodian.modified)
    assert Import.objects.count() == 1, "not modified: nothing came"
    custodian.modified = "Wed, 17 Jun 2026 06:00:00 GMT"
    work(meter, NOW + 2 * DAILY)
    assert Import.objects.count() == 1, "the very same file is not taken in twice"
    custodian.batches[SUBSCRIPTION] = feed(tz_offset=-25_200)
    custodian.modified = "Thu, 18 Jun 2026 06:00:00 GMT"
    work(meter, NOW + 3 * DAILY)
    assert Import.objects.count() == 1, "a feed without readings is no file"
    custodian.batches[SUBSCRIPTION] = batch(date(2026, 6, 4), 1)
    custodian.modified = "Fri, 19 Jun 2026 06:00:00 GMT"
    work(meter, NOW + 4 * DAILY)
    assert list(DayReadings.objects.order_by("day").values_list("day", flat=True))[-1] == date(2026, 6, 4)


def test_what_a_notice_names_is_fetched_and_nothing_else(meter: Meter, custodian: Custodian) -> None:
    connected(meter, custodian)
    told = "/resource/Batch/Subscription/5/UsagePoint/1"
    custodian.batches[told] = batch(date(2026, 6, 5), 1)
    tell(custodian, told, "/resource/Batch/Subscription/6", "/elsewhere/Subscription/5", "/resource/../Subscription/5")
    body = notice("http://elsewhere.example/espi/1_1/resource/Batch/Subscription/5")
    Client().post(reverse("utility_notice"), body, content_type="application/xml")
    read_notice(notice_id=UtilityNotice.objects.get().pk, now=NOW)
    assert not UtilityNotice.objects.exists()
    work(meter)
    assert gets(custodian) == [SUBSCRIPTION, told]
    assert DayReadings.objects.filter(day=date(2026, 6, 5)).exists()
    assert list(UtilityBatch.objects.values_list("address", flat=True)) == [f"{custodian.home}{SUBSCRIPTION}"]
    tell(custodian, told, told)
    work(meter)
    assert gets(custodian) == [SUBSCRIPTION, told, told]
    assert Import.objects.count() == 2


def test_a_notice_of_all_customers_has_each_asked_for_by_its_own_permission(meter: Meter, custodian: Custodian) -> None:
    connected(meter, custodian)
    tell(custodian, "/resource/Batch/Bulk/3")
    work(meter, NOW + timedelta(minutes=1))
    assert gets(custodian) == [SUBSCRIPTION], "not sooner than ten minutes after the last time"
    work(meter, NOW + ASKED_APART)
    assert gets(custodian) == [SUBSCRIPTION, SUBSCRIPTION]


@pytest.mark.parametrize(
    "body", [b"", b"no xml", b"<a>&b;</a>", b'<!DOCTYPE a [<!ENTITY b "c">]><a>&b;</a>', b"<BatchList/>", b"\0" * 900]
)
def test_a_notice_that_says_nothing_does_nothing(custodian: Custodian, body: bytes) -> None:
    assert Client().post(reverse("utility_notice"), body, content_type="application/xml").status_code == 200
    read_notice(notice_id=UtilityNotice.objects.get().pk, now=NOW)
    assert not UtilityNotice.objects.exists()


def test_no_heap_of_notices_is_kept(custodian: Custodian) -> None:
    large = Client().post(reverse("utility_notice"), b"x" * 300_000, content_type="application/xml")
    assert large.status_code == 413
    UtilityNotice.objects.bulk_create(UtilityNotice(received_at=NOW, body=b"x") for _ in range(MOST_NOTICES))
    full = Client().post(reverse("utility_notice"), b"x", content_type="application/xml")
    assert (full.status_code, full["Retry-After"]) == (503, "600")


def test_tokens_are_refreshed_when_they_run_out_and_when_they_are_refused(meter: Meter, custodian: Custodian) -> None:
    connected(meter, custodian)
    (first,) = custodian.books.refresh
    custodian.books.access.clear()  # the access token is good no longer, though its time is not over
    assert work(meter, NOW + DAILY).problem == ""
    (second,) = custodian.books.refresh
    assert second != first
    assert work(meter, NOW + 2 * DAILY).problem == ""
    assert {second} == custodian.books.refresh
    assert gets(custodian) == [SUBSCRIPTION] * 4, "refused once, and asked again with the new one"


@pytest.mark.parametrize(
    ("answer", "said"),
    [
        ((500, {}, b"broken"), "The utility's server answered 500 Internal Server Error."),
        ((302, {"Location": "http://elsewhere.example/"}, b""), "The utility's server answered 302 Redirect."),
        ((200, {}, b"<!DOCTYPE html><html>Log in</html>"), "What the utility's server sent is no Green Button file."),
        ((200, {}, b"sorry"), "What the utility's server sent is no Green Button file."),
    ],
)
def test_an_answer_that_is_none_is_said_and_asked_for_again_ever_less(
    meter: Meter, custodian: Custodian, answer: tuple[int, dict[str, str], bytes], said: str
) -> None:
    allow(meter, custodian)
    custodian.answers_with = answer
    connection = work(meter)
    assert (connection.state, connection.problem) == (UtilityState.ACTIVE, said)
    row = UtilityBatch.objects.get()
    assert (row.tries, row.due_at) == (1, NOW + 2 * ASKED_APART)
    work(meter, row.due_at)
    row.refresh_from_db()
    assert row.due_at == NOW + 2 * ASKED_APART + 4 * ASKED_APART
    custodian.answers_with = None
    assert work(meter, row.due_at).problem == ""
    assert Import.objects.count() == 1
    with translation.override("es"):
        assert in_their_words(said) != said


def test_a_server_that_wants_to_be_left_alone_is(meter: Meter, custodian: Custodian) -> None:
    allow(meter, custodian)
    custodian.answers_with = (429, {"Retry-After": "7200"}, b"")
    work(meter)
    assert UtilityBatch.objects.get().due_at == NOW + timedelta(hours=2)
    custodian.answers_with = (503, {"Retry-After": "Wed, 17 Jun 2026 18:00:00 GMT"}, b"")
    work(meter, NOW + timedelta(hours=2))
    assert UtilityBatch.objects.get().due_at == NOW + timedelta(hours=26), "a day at most"


def test_readings_that_are_not_ready_come_when_the_utility_tells(meter: Meter, custodian: Custodian) -> None:
    """202: it prepares them, and posts a notice when they are there."""
    allow(meter, custodian)
    custodian.answers_with = (202, {}, b"")
    assert work(meter).problem == "The utility's server is still making the readings ready."
    custodian.answers_with = None
    tell(custodian, SUBSCRIPTION, now=NOW + ASKED_APART)
    assert work(meter, NOW + ASKED_APART).problem == ""
    assert Import.objects.get().state == ImportState.DONE
    assert custodian.asked[-1].query == {}, "what it had not made ready is asked for in full"


def test_an_address_that_leaves_the_subscription_or_the_resources_is_never_asked(
    meter: Meter, custodian: Custodian
) -> None:
    allow(meter, custodian)
    work(meter)
    asked = len(custodian.asked)
    for elsewhere in (
        "/resource/ApplicationInformation?/Batch/Subscription/5",
        "/resource/%2e%2e/admin/Batch/Subscription/5",
        "/resource/Batch/Subscription/55",
    ):
        tell(custodian, elsewhere, now=NOW + ASKED_APART)
        work(meter, NOW + ASKED_APART)
    assert len(custodian.asked) == asked
    assert UtilityConnection.objects.get().state == UtilityState.ACTIVE


def test_a_file_that_is_too_large_is_left(meter: Meter, custodian: Custodian) -> None:
    allow(meter, custodian)
    custodian.answers_with = (200, {}, b"<" + b" " * (64 * 2**20))
    assert work(meter).problem == "What the utility sent is larger than 64 MB."
