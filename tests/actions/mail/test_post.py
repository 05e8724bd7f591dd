"""What a mail server can do to a reminder, on a real SMTP server: every reminder arrives, none twice, or it is said.

Each test prints its figures: due, arrived, duplicates, and what was told to the office.
"""

from __future__ import annotations

import socket
import time
from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import Any

import pytest

from portal.actions.reminders.send import CLAIM_LASTS, MailRound, send_due
from portal.models import MailStop, Reminder, ReminderKind, ReminderState, SendingRules
from tests import factories
from tests.factories import NOW
from tests.workers.post_office import PostOffice

pytestmark = [
    pytest.mark.django_db,
    pytest.mark.any_database("what a mail server does; tests/workers/test_reminders.py sends on PostgreSQL too"),
]


@pytest.fixture
def office(settings: Any) -> Iterator[PostOffice]:
    with PostOffice() as open_office:
        use(settings, open_office.port)
        yield open_office


def use(settings: Any, port: int) -> None:
    settings.EMAIL_BACKEND = "portal.actions.mail.post.SmtpBackend"
    settings.EMAIL_HOST, settings.EMAIL_PORT, settings.EMAIL_TIMEOUT = "127.0.0.1", port, 0.5


def due(count: int, kind: ReminderKind = ReminderKind.DUE, now: datetime = NOW) -> list[Reminder]:
    """Reminders to as many people, due now."""
    business = factories.business(reminder_cap_per_month=1000)
    SendingRules.objects.create(business=business, from_hour=0, until_hour=24, on_sundays=True)
    made = []
    for _ in range(count):
        site = factories.site(customer=factories.customer(business=business))
        visit = None
        if kind == ReminderKind.BOOKED:
            visit = factories.visit(site=site, starts_at=now + timedelta(days=9))
        else:
            factories.assessment(site=site, clean_due=now.date())
        made.append(
            Reminder.objects.create(
                business=business,
                kind=kind,
                customer=site.customer,
                site=site,
                visit=visit,
                key=f"{kind}:{visit.pk if visit else site.pk}:0:0",
                due_at=now,
                stale_at=now + timedelta(days=21),
            )
        )
    return made


def figures(fault: str, office: PostOffice) -> tuple[int, int, int, int]:
    """Due, arrived, duplicates, lost: not arrived, and neither waiting nor shown to the office as failed."""
    rows = list(Reminder.objects.all())
    copies = office.copies()
    arrived = {row.pk for row in rows if any(mail.startswith(f"<reminder-{row.pk}@") for mail in copies)}
    shown = (ReminderState.DUE, ReminderState.SENDING, ReminderState.FAILED, ReminderState.DROPPED)
    told = {row.pk for row in rows if row.state in shown}
    lost = [row.pk for row in rows if row.pk not in arrived | told]
    doubles = sum(copies.values()) - len(copies)
    print(
        f"{fault}: due {len(rows)}, arrived {len(arrived)}, duplicates {doubles}, lost {len(lost)}, "
        f"told to the office {sum(row.state == ReminderState.FAILED for row in rows)}"
    )
    return len(rows), len(arrived), doubles, len(lost)


def rounds(first: datetime, count: int, *, minutes: float = 1) -> list[MailRound]:
    """As many beats."""
    return [send_due(now=first + timedelta(minutes=minutes * number)) for number in range(count)]


def test_a_willing_server_gets_each_mail_once_over_one_connection(office: PostOffice) -> None:
    due(20)
    rounds(NOW, 3)
    assert figures("nothing", office) == (20, 20, 0, 0)


@pytest.mark.parametrize("stage", ["greeting", "helo", "mail", "rcpt", "data"])
def test_a_server_that_stalls_before_the_mail_leaves_costs_time_and_nothing_else(
    office: PostOffice, stage: str
) -> None:
    due(5)
    office.hold = stage
    first = send_due(now=NOW)
    assert (first.server_away, first.sent, first.unsure) == (True, 0, 0)
    assert set(Reminder.objects.values_list("attempts", flat=True)) == {0}, "what is no mail's fault costs it no try"
    office.release()
    rounds(NOW + timedelta(minutes=3), 3)
    assert figures(f"stalls at {stage}", office) == (5, 5, 0, 0)


@pytest.mark.parametrize(
    ("stage", "kind", "arrived", "doubles"),
    [
        ("content", ReminderKind.DUE, 4, 0),  # at most once: one is told to the office instead
        ("content", ReminderKind.BOOKED, 5, 0),  # at least once
        ("kept", ReminderKind.DUE, 5, 0),
        ("kept", ReminderKind.BOOKED, 5, 1),  # the duplicate that cannot be excluded, under the same Message-ID
    ],
)
@pytest.mark.parametrize("how", ["stalls", "drops"])
def test_a_server_lost_after_the_mail_left_is_at_most_once_or_at_least_once_by_kind(
    office: PostOffice, stage: str, kind: ReminderKind, arrived: int, doubles: int, how: str
) -> None:
    due(5, kind)
    if how == "stalls":
        office.hold = stage
    else:
        office.drop = stage
    send_due(now=NOW, limit=1)
    office.drop = None
    if how == "stalls":
        office.hold = None
        if stage == "content":
            office.answer = lambda at, to: "451 too late" if at == "content" else None
        office.go_on.set()
        settle(office)
        office.answer = lambda at, to: None
    rounds(NOW + timedelta(minutes=1), 8)
    assert figures(f"{how} after DATA, {stage}, {kind}", office) == (5, arrived, doubles, 0)
    told = Reminder.objects.filter(state=ReminderState.FAILED)
    if kind == ReminderKind.DUE:
        assert "may have arrived. It is not sent again by itself" in told.get().reason
    else:
        assert not told.exists()


def settle(office: PostOffice) -> None:
    """Let the server's own thread finish what was held."""
    time.sleep(0.2)
    assert not office.holding.is_set() or office.go_on.is_set()


def test_a_greylisting_server_gets_each_mail_on_a_later_try(office: PostOffice) -> None:
    tries: dict[str, int] = {}

    def grey(stage: str, to: str) -> str | None:
        if stage != "rcpt":
            return None
        tries[to] = tries.get(to, 0) + 1
        return "451 4.7.1 come back later" if tries[to] <= 2 else None

    office.answer = grey
    due(10)
    rounds(NOW, 60)
    assert figures("greylists twice", office) == (10, 10, 0, 0)
    assert set(tries.values()) == {3}


def test_a_refused_address_fails_once_with_the_servers_words_and_the_others_go(office: PostOffice) -> None:
    made = due(5)
    assert made[2].customer
    bad = made[2].customer.email
    office.answer = lambda stage, to: "550 5.1.1 no such user" if stage == "rcpt" and to == bad else None
    rounds(NOW, 5)
    assert figures("refuses one address", office) == (5, 4, 0, 0)
    failed = Reminder.objects.get(state=ReminderState.FAILED)
    assert "no such user" in failed.reason
    assert failed.attempts == 1
    assert MailStop.objects.get().email == bad, "a dead address is not written to again"


def test_a_refusal_for_other_reasons_does_not_stop_the_address(office: PostOffice) -> None:
    due(1)
    office.answer = lambda stage, to: "554 5.7.1 looks like spam" if stage == "content" else None
    rounds(NOW, 3)
    assert Reminder.objects.get().state == ReminderState.FAILED
    assert not MailStop.objects.exists()


def test_a_server_that_refuses_for_now_again_and_again_is_given_up_with_its_words(office: PostOffice) -> None:
    due(1)
    office.answer = lambda stage, to: "452 4.2.2 mailbox full" if stage == "rcpt" else None
    rounds(NOW, 200, minutes=30)
    one = Reminder.objects.get()
    assert (one.state, one.attempts) == (ReminderState.FAILED, 6)
    assert "mailbox full" in one.reason


def test_a_server_that_is_away_for_a_day_harms_no_reminder(settings: Any) -> None:
    with socket.socket() as closed:
        closed.bind(("127.0.0.1", 0))
        port = closed.getsockname()[1]
    use(settings, port)
    due(5)
    assert all(one.sent == 0 for one in rounds(NOW, 24, minutes=60))
    assert set(Reminder.objects.values_list("state", "attempts")) == {(ReminderState.DUE, 0)}
    with PostOffice(port) as office:
        rounds(NOW + timedelta(days=1), 3)
        assert figures("refuses connections for a day", office) == (5, 5, 0, 0)


def test_a_server_that_closes_down_in_the_middle_gets_the_rest_later(office: PostOffice) -> None:
    due(5)
    seen: list[str] = []

    def closing(stage: str, to: str) -> str | None:
        if stage == "mail":
            seen.append(stage)
            return "421 4.3.2 closing" if len(seen) == 3 else None
        return None

    office.answer = closing
    rounds(NOW, 10)
    assert figures("421 at the third mail", office) == (5, 5, 0, 0)


def test_an_address_that_cannot_be_written_is_told_and_the_others_go(office: PostOffice) -> None:
    made = due(3)
    assert made[0].customer
    type(made[0].customer).objects.filter(pk=made[0].customer.pk).update(email="ä b@@nowhere")
    rounds(NOW, 2)
    assert figures("an impossible address", office) == (3, 2, 0, 0)
    assert Reminder.objects.get(pk=made[0].pk).reason


def test_a_reminder_that_cannot_be_written_is_told_and_the_others_go(office: PostOffice) -> None:
    """A site that lost the readings its mail speaks of."""
    made = due(2)
    Reminder.objects.filter(pk=made[0].pk).update(kind=ReminderKind.QUIET)
    rounds(NOW, 2)
    assert figures("a mail without its facts", office) == (2, 1, 0, 0)
    broken = Reminder.objects.get(pk=made[0].pk)
    assert (broken.state, "could not be written" in broken.reason) == (ReminderState.FAILED, True)


def test_a_claim_keeps_others_away_until_it_runs_out(office: PostOffice) -> None:
    (one,) = due(1)
    Reminder.objects.filter(pk=one.pk).update(state=ReminderState.SENDING, claimed_at=NOW)
    assert send_due(now=NOW + CLAIM_LASTS).sent == 0
    assert send_due(now=NOW + CLAIM_LASTS + timedelta(minutes=1)).sent == 1
    assert office.copies().total() == 1
