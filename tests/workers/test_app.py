"""Jobs survive the death of what carries them. All on real workers and a real Redis-protocol server."""

import os
import signal
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from celery import Celery
from django.db import connection
from kombu.exceptions import OperationalError

from deploy.processes import Child, Supervisor, start_queue
from portal.models import Business
from tests import factories

pytestmark = [
    pytest.mark.services,
    pytest.mark.django_db(transaction=True),
    pytest.mark.any_database("the queue: its jobs touch no table"),
]

PROBE = "tests.workers.probe"
StartWorker = Callable[..., Child]


def ask(broker: str, folder: Path, seconds: float) -> None:
    with Celery("asking", broker=broker, set_as_current=False) as sender:
        sender.send_task("probe.slow", args=[str(folder), seconds], ignore_result=True)


def wait_for(happened: Callable[[], object], seconds: float) -> None:
    deadline = time.monotonic() + seconds
    while not happened():
        assert time.monotonic() < deadline, f"not within {seconds} s"
        time.sleep(0.05)


def started(folder: Path) -> list[int]:
    return [int(path.name.removeprefix("started-")) for path in folder.glob("started-*")]


def test_a_job_whose_process_is_killed_is_done_by_another(
    celery_worker_process: StartWorker, queue: str, tmp_path: Path
) -> None:
    celery_worker_process(PROBE)
    ask(queue, tmp_path, 600)
    wait_for(lambda: started(tmp_path), 90)
    os.kill(started(tmp_path)[0], signal.SIGKILL)
    wait_for((tmp_path / "done").exists, 180)
    assert len(started(tmp_path)) >= 2, "handed out again; under load even twice, which a job may be"


def test_a_job_whose_whole_worker_is_killed_is_done_by_the_next_worker(
    celery_worker_process: StartWorker, queue: str, tmp_path: Path
) -> None:
    worker = celery_worker_process(PROBE)
    ask(queue, tmp_path, 600)
    wait_for(lambda: started(tmp_path), 90)
    os.killpg(worker.process.pid, signal.SIGKILL)
    worker.process.wait()
    celery_worker_process(PROBE)
    wait_for((tmp_path / "done").exists, 180)
    assert len(started(tmp_path)) == 2


def test_jobs_queued_before_the_queue_is_killed_are_done_after_it_is_back(
    celery_worker_process: StartWorker, supervisor: Supervisor, tmp_path: Path
) -> None:
    queue, broker = start_queue(supervisor, tmp_path / "queue")
    folders = [tmp_path / str(number) for number in range(50)]
    for folder in folders:
        folder.mkdir()
        ask(broker, folder, 0)
    time.sleep(1.1)  # it writes to its file every second: what was told before that must be there
    queue.process.kill()
    queue.process.wait()
    supervisor.stop(queue)
    port, password = int(broker.rsplit(":", 1)[1].split("/")[0]), broker.split(":")[2].split("@")[0]
    queue, again = start_queue(supervisor, tmp_path / "queue", port=port, password=password)
    assert again == broker
    celery_worker_process(PROBE, broker)
    wait_for(lambda: all((folder / "done").exists() for folder in folders), 180)
    supervisor.stop(queue)


def test_a_worker_finds_the_queue_again_by_itself(
    celery_worker_process: StartWorker, supervisor: Supervisor, tmp_path: Path
) -> None:
    queue, broker = start_queue(supervisor, tmp_path / "queue")
    celery_worker_process(PROBE, broker)
    queue.process.kill()
    queue.process.wait()
    assert supervisor.mend(), "the supervisor starts it again on the same port"
    (tmp_path / "job").mkdir()
    wait_for(lambda: answered(broker, tmp_path / "job"), 90)
    wait_for((tmp_path / "job" / "done").exists, 180)


def test_two_processes_writing_the_same_row_lose_nothing_on_sqlite(
    celery_worker_process: StartWorker, queue: str
) -> None:
    """With WAL alone more than a third of such jobs fail or are lost; BEGIN IMMEDIATE makes them take turns."""
    if connection.vendor != "sqlite":
        pytest.skip("about SQLite: on PostgreSQL actions lock the rows they read")
    row = factories.business(phone="0")
    with Celery("asking", broker=queue, set_as_current=False) as sender:
        for _ in range(300):
            sender.send_task("probe.count", args=[row.pk], ignore_result=True)
    celery_worker_process(PROBE)
    wait_for(lambda: Business.objects.get(pk=row.pk).phone == "300", 240)


def answered(broker: str, folder: Path) -> bool:
    try:
        ask(broker, folder, 0)
    except OperationalError:
        return False
    return True
