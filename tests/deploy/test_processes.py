"""The process manager leaves nothing behind, however it ends, and mends what ends by itself."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import psutil
import psycopg
import pytest
import redis

from deploy.processes import Program, Supervisor, Trouble, start_postgres, start_queue

ROOT = Path(__file__).resolve().parents[2]


def lives(pid: int) -> bool:
    """Whether a process runs; one that has ended but was not yet buried by its parent does not."""
    try:
        return psutil.Process(pid).status() != psutil.STATUS_ZOMBIE
    except psutil.NoSuchProcess:
        return False


def wait_for(happened: Callable[[], object], seconds: float) -> None:
    deadline = time.monotonic() + seconds
    while not happened():
        assert time.monotonic() < deadline, f"not within {seconds} s"
        time.sleep(0.05)


@pytest.mark.services
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP, signal.SIGKILL])
def test_every_process_is_gone_after_the_manager_is_stopped(number: signal.Signals, tmp_path: Path) -> None:
    manager = subprocess.Popen([sys.executable, "-m", "tests.deploy.standin", str(tmp_path)], cwd=ROOT)
    wait_for((tmp_path / "pids").exists, 30)
    pids = [int(word) for word in (tmp_path / "pids").read_text().split()]
    assert len(pids) == 3
    assert all(lives(pid) for pid in pids)
    manager.send_signal(number)
    assert manager.wait(20) == (-signal.SIGKILL if number == signal.SIGKILL else 0)
    wait_for(lambda: not any(lives(pid) for pid in pids), 15)


def test_a_program_that_ends_is_started_again_and_named(tmp_path: Path) -> None:
    with Supervisor(tmp_path) as supervisor:
        child = supervisor.start(Program("sleeper", ["sleep", "1000"]))
        assert supervisor.mend() == []
        child.process.kill()
        child.process.wait()
        assert supervisor.mend() == ["The sleeper process ended (code -9) and was started again."]
        assert lives(supervisor.children[0].process.pid)


def test_a_program_that_ends_again_and_again_is_given_up_with_a_sentence(tmp_path: Path) -> None:
    with Supervisor(tmp_path) as supervisor:
        supervisor.start(Program("broken", ["sh", "-c", "echo no such table >&2; exit 3"]))

        def mend_for_ever() -> None:
            for _ in range(100):
                time.sleep(0.05)
                supervisor.mend()

        with pytest.raises(Trouble, match=r"^The broken process ends again and again: see .*broken\.log\.$"):
            mend_for_ever()
        assert "no such table" in (tmp_path / "broken.log").read_text()


def test_a_program_that_ends_at_its_start_is_named_with_its_last_words(tmp_path: Path) -> None:
    with Supervisor(tmp_path) as supervisor:
        child = supervisor.start(Program("broken", ["sh", "-c", "echo no such table >&2; exit 3"]))
        with pytest.raises(Trouble, match=r"ended at once \(no such table\)"):
            supervisor.wait_until(lambda: False, child, 10)


@pytest.mark.services
def test_the_queue_keeps_what_it_was_told_when_killed_and_refuses_strangers(tmp_path: Path) -> None:
    with Supervisor(tmp_path / "log") as supervisor:
        queue, url = start_queue(supervisor, tmp_path / 'a "folder" with spaces')
        with redis.Redis.from_url(url) as client:
            with client.pipeline() as many:
                for number in range(5000):
                    many.rpush("kept", number)
                many.execute()
            time.sleep(1.1)  # it writes to its file every second
            os.kill(queue.process.pid, signal.SIGKILL)
            queue.process.wait()
        supervisor.mend()
        supervisor.wait_until(lambda: length(url, "kept") == 5000, supervisor.children[0], 10)
        with (
            redis.Redis(port=int(url.rsplit(":", 1)[1].split("/")[0])) as stranger,
            pytest.raises(redis.AuthenticationError),
        ):
            stranger.ping()


def length(url: str, name: str) -> int | None:
    with redis.Redis.from_url(url) as client:
        try:
            return int(client.llen(name))
        except redis.ConnectionError:
            return None


@pytest.mark.services
def test_a_postgresql_server_comes_out_of_the_wheel_and_ends_with_its_manager(
    tmp_path: Path,
) -> None:
    with Supervisor(tmp_path / "log") as supervisor:
        server, url = start_postgres(supervisor, tmp_path / "data")
        with psycopg.connect(url) as connection:
            found = connection.execute("show server_version_num").fetchone()
        assert found is not None
        assert int(found[0]) >= 180000
    assert not lives(server.process.pid)
