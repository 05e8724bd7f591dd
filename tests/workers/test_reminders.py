"""Every due reminder is sent and none twice, through whatever happens to the worker and the queue.

What a killed worker, broker or database does to a whole portal is seen in ``tests/killed``.

Real workers, a real Redis-protocol server, a real SMTP server; processes are killed with SIGKILL. Each test prints its
figures. A mail whose sender died between the moment it left and the moment that was written down may or may not have
arrived, and nobody can tell: a "due" mail is then told to the office and not sent again (at most once), a "booked" one
is sent again under the same Message-ID (at least once).
"""

from __future__ import annotations

import os
import random
import shutil
import signal
import sys
import time
from collections.abc import Callable, Iterator
from datetime import timedelta
from pathlib import Path

import pytest
from celery import Celery
from django.db.models import F
from django.utils import timezone
from kombu.exceptions import OperationalError

from deploy.embedded import WORKER_OPTIONS
from deploy.processes import Child, Program, Supervisor, start_queue
from portal.actions.reminders.send import CLAIM_LASTS
from portal.models import Reminder, ReminderState
from tests.workers.post_office import STAGES, PostOffice
from tests.workers.post_rows import make_due

pytestmark = [pytest.mark.services, pytest.mark.django_db(transaction=True)]
StartWorker = Callable[..., Child]
KINDS = ["due", "booked"]


@pytest.fixture
def office() -> Iterator[PostOffice]:
    with PostOffice() as open_office:
        yield open_office


@pytest.fixture
def process_env(process_env: dict[str, str], office: PostOffice) -> dict[str, str]:
    return process_env | posting(office)


def posting(office: PostOffice) -> dict[str, str]:
    return {
        "PORTAL_EMAIL_BACKEND": "portal.actions.mail.post.SmtpBackend",
        "PORTAL_SMTP_HOST": "127.0.0.1",
        "PORTAL_SMTP_PORT": str(office.port),
    }


def nudge(broker: str) -> None:
    """What beat does every minute."""
    with Celery("asking", broker=broker, set_as_current=False) as sender:
        sender.send_task("send_reminders", queue="mail", ignore_result=True)


def wait_for(happened: Callable[[], object], seconds: float = 60) -> None:
    deadline = time.monotonic() + seconds
    while not happened():
        assert time.monotonic() < deadline, f"not within {seconds} s"
        time.sleep(0.05)


def waiting() -> int:
    return Reminder.objects.filter(state__in=[ReminderState.DUE, ReminderState.SENDING]).count()


def kill_children(worker: Child, *, most: int = 1000) -> int:
    """SIGKILL the processes that do a worker's jobs; it starts new ones and takes their jobs back. Returns how many."""
    pid = worker.process.pid
    children = [int(child) for child in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()][:most]
    for child in children:
        os.kill(child, signal.SIGKILL)
    return len(children)


def let_time_pass() -> None:
    """As if claims of dead workers and waits had begun a quarter of an hour earlier.

    A mail takes milliseconds here: who has held one for five seconds is dead.
    """
    dead = Reminder.objects.filter(state=ReminderState.SENDING, claimed_at__lt=timezone.now() - timedelta(seconds=5))
    dead.filter(claimed_at__gt=timezone.now() - CLAIM_LASTS).update(claimed_at=F("claimed_at") - timedelta(minutes=15))
    Reminder.objects.filter(state=ReminderState.DUE, retry_at__isnull=False).update(retry_at=None)


def drain(broker: str, seconds: float = 60) -> None:
    """Beat after beat until nothing waits."""

    def done() -> bool:
        let_time_pass()
        nudge(broker)
        time.sleep(0.5)
        return waiting() == 0

    wait_for(done, seconds)


class Figures:
    """What became of the reminders of one test."""

    def __init__(self, fault: str, office: PostOffice, keys: list[int]) -> None:
        copies = office.copies()
        of = {key: sum(n for mail, n in copies.items() if mail.startswith(f"<reminder-{key}@")) for key in keys}
        rows = {row.pk: row for row in Reminder.objects.filter(pk__in=keys)}
        self.due = len(keys)
        self.arrived = sum(number > 0 for number in of.values())
        self.duplicates = {key: number - 1 for key, number in of.items() if number > 1}
        self.told = [key for key in keys if rows[key].state == ReminderState.FAILED]
        self.lost = [key for key in keys if not of[key] and key not in self.told]
        self.kinds = {key: rows[key].kind for key in keys}
        print(
            f"{fault}: due {self.due}, arrived {self.arrived}, duplicates {sum(self.duplicates.values())}, "
            f"lost {len(self.lost)}, told to the office as unsure {len(self.told)}"
        )


@pytest.mark.long(13)
@pytest.mark.parametrize("kind", KINDS)
def test_a_worker_killed_at_every_step_of_a_mail_loses_none_and_doubles_none_but_where_nobody_can_know(
    supervisor: Supervisor, queue: str, office: PostOffice, process_env: dict[str, str], kind: str, tmp_path: Path
) -> None:
    """Seven jobs, each held by the mail server at another step of its mail, and SIGKILL to all of them at once."""
    office.holds = list(STAGES)
    keys = make_due([kind] * 10, timezone.now())
    argv = [sys.executable, "-m", "celery", "--app", "workers.app", "worker", *WORKER_OPTIONS]
    argv += ["--concurrency", str(len(STAGES))]
    env = process_env | {"PORTAL_REDIS_URL": queue}
    worker = supervisor.start(Program(f"worker-{tmp_path.name}", argv, env, stop_seconds=15))
    supervisor.wait_until(lambda: " ready." in worker.log.read_text(), worker, 60)
    for _ in STAGES:
        nudge(queue)
    wait_for(lambda: sorted(office.held) == sorted(STAGES))
    assert kill_children(worker) == len(STAGES)
    time.sleep(0.2)  # the server sees the connections go
    office.release()
    drain(queue)
    supervisor.stop(worker)
    found = Figures(f"killed at each of {', '.join(STAGES)}; {kind}", office, keys)
    assert found.lost == []
    if kind == "due":  # at most once: those after DATA are told to the office
        assert (found.duplicates, len(found.told)) == ({}, 2)
        assert found.arrived >= 9
    else:  # at least once
        assert (found.arrived, found.told) == (10, [])
        assert sum(found.duplicates.values()) in (1, 2)


def kill_again_and_again(kills: int, worker: Child, queue: str, office: PostOffice, keys: list[int]) -> None:
    """SIGKILL one of the worker's processes at a random moment, while the other one goes on."""
    office.seconds_a_mail = 0.01
    dice = random.Random(6)
    killed = 0
    while waiting():
        let_time_pass()
        nudge(queue)
        time.sleep(dice.uniform(0.1, 0.7))
        if killed < kills and office.arrived:
            killed += kill_children(worker, most=1)
    found = Figures(f"{killed} kills at random moments", office, keys)
    assert killed > 0
    assert found.lost == []
    assert len(found.told) + len(found.duplicates) <= killed
    assert {found.kinds[key] for key in found.told} <= {"due"}
    assert {found.kinds[key] for key in found.duplicates} <= {"booked"}


@pytest.mark.any_database("the worker's and the queue's doing; tests/killed kills both on PostgreSQL")
def test_processes_killed_at_random_moments(celery_worker_process: StartWorker, queue: str, office: PostOffice) -> None:
    worker = celery_worker_process()
    kill_again_and_again(4, worker, queue, office, make_due(KINDS * 30, timezone.now()))


@pytest.mark.benchmark
def test_processes_killed_forty_times_at_random_moments(
    celery_worker_process: StartWorker, queue: str, office: PostOffice
) -> None:
    worker = celery_worker_process()
    kill_again_and_again(40, worker, queue, office, make_due(KINDS * 300, timezone.now()))


@pytest.mark.any_database("the worker's and the queue's doing; tests/killed kills both on PostgreSQL")
def test_a_queue_that_comes_back_empty_costs_nothing(
    celery_worker_process: StartWorker, supervisor: Supervisor, office: PostOffice, tmp_path: Path
) -> None:
    folder = tmp_path / "queue"
    server, broker = start_queue(supervisor, folder)
    office.seconds_a_mail = 0.05
    keys = make_due(KINDS * 20, timezone.now())
    celery_worker_process("workers.app", broker)
    nudge(broker)
    wait_for(lambda: len(office.arrived) > 5)
    server.process.kill()
    server.process.wait()
    shutil.rmtree(folder)
    folder.mkdir()
    assert supervisor.mend()

    def answered() -> bool:
        try:
            nudge(broker)
        except OperationalError:
            return False
        return True

    wait_for(answered, 90)
    drain(broker)
    found = Figures("the queue restarted with its data lost", office, keys)
    assert (found.arrived, found.duplicates, found.lost, found.told) == (40, {}, [], [])


@pytest.mark.long(24)
def test_two_beats_and_two_workers_send_each_mail_once(
    celery_worker_process: StartWorker,
    supervisor: Supervisor,
    queue: str,
    office: PostOffice,
    process_env: dict[str, str],
    tmp_path: Path,
) -> None:
    for _ in range(2):  # all four start at once
        celery_worker_process(wait=False)
    office.seconds_a_mail = 0.02
    keys = make_due(KINDS * 50, timezone.now())
    beats = []
    for number in range(2):
        argv = [sys.executable, "-m", "celery", "--app", "tests.workers.fast_beat", "beat"]
        argv += ["--schedule", str(tmp_path / f"beat-{number}"), "--pidfile", ""]
        env = process_env | {"PORTAL_REDIS_URL": queue}
        beats.append(supervisor.start(Program(f"beat-{tmp_path.name}-{number}", argv, env)))
    wait_for(lambda: waiting() == 0, 240)  # they start meanwhile
    time.sleep(1)
    for beat in beats:
        supervisor.stop(beat)
    found = Figures("two beats, two workers", office, keys)
    assert (found.arrived, found.duplicates, found.lost, found.told) == (100, {}, [], [])
