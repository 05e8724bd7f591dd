"""A whole portal of its own: database, broker, web, worker and beat, of which any may be killed and started again."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import psutil
import psycopg
from django.core.management import call_command
from psycopg.rows import TupleRow

from deploy.embedded import WORKER_OPTIONS
from deploy.embedded import answers as web_answers
from deploy.processes import Child, Program, Supervisor, postgres_programs, queue_answers, start_postgres, start_queue
from deploy.testing import TABLES

VICTIMS = ("web", "worker", "beat", "broker", "database")
PAGES_FIRST = ("nice", "-n", "10")
"""Begins the command of a night's worker: a tenth of a core that a page wants, as the units' weight on a server."""
PATIENCE = 180.0
"""Seconds; nothing is judged by how long it takes, this only ends a test that hangs."""


def sql(url: str, statement: str) -> list[TupleRow]:
    with psycopg.connect(url, autocommit=True) as connection:
        cursor = connection.execute(statement)
        return cursor.fetchall() if cursor.description else []


def database_answers(url: str) -> bool:
    try:
        psycopg.connect(url, connect_timeout=2).close()
    except psycopg.OperationalError:
        return False
    return True


def kill(supervisor: Supervisor, child: Child) -> None:
    """SIGKILL to a program with all the processes it has started, some of which may lead groups of their own.

    A process of PostgreSQL that outlives its leader holds the shared memory, and a new server in the same folder
    refuses to start (PostgreSQL's manual, 18.3.1, "pre-existing shared memory block").
    """
    leader = psutil.Process(child.process.pid)
    leader.suspend()  # it starts no more
    started = leader.children(recursive=True)
    for process in (leader, *started):
        process.kill()
    child.process.wait()
    psutil.wait_procs(started)
    supervisor.stop(child)


class Portal:
    """Starts the five; `kill_and_restart` does to one of them, or to all, what a machine's bad day does."""

    def __init__(self, supervisor: Supervisor, folder: Path, smtp_port: int) -> None:
        self.supervisor = supervisor
        self.children: dict[str, Child] = {}
        self.ended_by_themselves = 0
        self.children["database"], self.database = start_postgres(supervisor, folder / "postgres")
        self.children["broker"], self.broker = start_queue(supervisor, folder / "queue")
        # It goes on listening while there is no web server, as systemd's socket does.
        self.socket = socket.socket()
        self.socket.bind(("127.0.0.1", 0))
        self.socket.listen(128)
        self.address = f"http://127.0.0.1:{self.socket.getsockname()[1]}"
        self.folder = folder
        self.variables = {
            "DJANGO_SETTINGS_MODULE": "portal.settings",
            "PORTAL_DATABASE_URL": self.database,
            "PORTAL_REDIS_URL": self.broker,
            "PORTAL_BASE_URL": self.address,
            "PORTAL_VAR": str(folder / "var"),
            "PORTAL_EMAIL_BACKEND": "portal.actions.mail.post.SmtpBackend",
            "PORTAL_SMTP_HOST": "127.0.0.1",
            "PORTAL_SMTP_PORT": str(smtp_port),
            "OMP_NUM_THREADS": "1",
            "OPENBLAS_NUM_THREADS": "1",
        }

    def make_tables(self) -> None:
        """Those that `deploy.testing` has made, where it runs the tests; else by the migrations."""
        made = Path(os.environ.get(TABLES, "none")).with_suffix(".sql")
        if made.is_file():
            argv: list[str | Path] = [postgres_programs()[0] / "psql", "--quiet", "--set", "ON_ERROR_STOP=1"]
            subprocess.run([*argv, "--file", made, self.database], check=True, stdout=subprocess.DEVNULL)
        else:
            call_command("migrate", verbosity=0)

    def start_services(self, app: str = "tests.workers.fast_beat", queues: str = "mail,imports") -> None:
        """Once the tables are there."""
        env = dict(os.environ) | self.variables | {"PYTHONUNBUFFERED": "1"}
        celery: list[str | Path] = [sys.executable, "-m", "celery", "--app", app]
        first = PAGES_FIRST if "nights" in queues else ()
        argv: dict[str, list[str | Path]] = {
            "web": [sys.executable, "-m", "gunicorn", "--config", "deploy/gunicorn_conf.py"],
            "worker": [*first, *celery, "worker", "--queues", queues, "--concurrency", "2", *WORKER_OPTIONS],
            "beat": [*celery, "beat", "--loglevel", "INFO", "--schedule", self.folder / "beat", "--pidfile", ""],
        }
        argv["web"] += ["--bind", f"fd://{self.socket.fileno()}"]
        for name, line in argv.items():
            held = (self.socket.fileno(),) if name == "web" else ()
            program = Program(name, line, env, pass_fds=held, stop_seconds=PATIENCE)
            self.children[name] = self.supervisor.start(program)
        for name in argv:
            self._wait(name, 0)

    def kill_and_restart(self, *names: str, between: Callable[[], None] = lambda: None) -> None:
        """`between` while they are dead. They start in the order given: what others need first."""
        dead = [self.children[name] for name in names]
        for child in dead:
            kill(self.supervisor, child)
        between()
        for child in dead:
            self._start(child)

    def look_after(self) -> None:
        """Start again what has ended by itself, as systemd does by its units, and `./deploy/run`.

        A worker of Celery 5 ends where it loses its broker in the midst of a job.
        """
        for child in list(self.children.values()):
            if child.process.poll() is not None:
                self.supervisor.stop(child)
                self._start(child)
                self.ended_by_themselves += 1

    def restart_worker(self, between: Callable[[], None]) -> None:
        """Let the worker end its jobs, and begin anew: in between nobody holds anything."""
        child = self.children["worker"]
        self.supervisor.stop(child)
        between()
        self._start(child)

    def _start(self, child: Child) -> None:
        name = child.program.name
        written = child.log.stat().st_size
        again = self.supervisor.start(child.program)
        self.children[{"postgres": "database", "queue": "broker"}.get(name, name)] = again
        self._wait({"postgres": "database", "queue": "broker"}.get(name, name), written)

    def _wait(self, name: str, written: int) -> None:
        child = self.children[name]

        def said(words: bytes) -> bool:
            return words in child.log.read_bytes()[written:]

        ready: dict[str, Callable[[], bool]] = {
            "database": lambda: database_answers(self.database),
            "broker": lambda: queue_answers(self.broker),
            "web": lambda: web_answers(f"{self.address}/health/live"),
            "worker": lambda: said(b" ready."),
            "beat": lambda: said(b"beat: Starting"),
        }
        self.supervisor.wait_until(ready[name], child, PATIENCE)
