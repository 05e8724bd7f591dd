"""The guide, followed from nothing by its own commands: PostgreSQL, the queue, all services, and each proxy in turn."""

from __future__ import annotations

import contextlib
import hashlib
import http.cookiejar
import json
import os
import re
import shutil
import sqlite3
import ssl
import tempfile
import threading
import time
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Callable, Iterator, Mapping
from email import message_from_bytes
from pathlib import Path
from types import MappingProxyType
from typing import Any

import psycopg
import pytest
from aiosmtpd.controller import Controller

from deploy.processes import Child, Program, Supervisor, free_port, start_postgres, start_queue
from deploy.testing import TABLES
from tests.deploy.server import DEPLOY, ROOT, Server, blocks, caddy, listening, make_certificate, nginx, unit

pytestmark = pytest.mark.services

PASSWORD = "rinse-soak-scrub-9"


class Box:
    """The mail server of the firm."""

    def __init__(self) -> None:
        self.mails: list[Any] = []

    async def handle_DATA(self, server: Any, session: Any, envelope: Any) -> str:
        self.mails.append(envelope)
        return "250 OK"


@pytest.fixture
def folder() -> Iterator[Path]:
    """Not in pytest's own folder, whose parents others may not enter: PostgreSQL runs as another user."""
    made = Path(tempfile.mkdtemp(prefix="rinsemark-guide-"))
    yield made
    shutil.rmtree(made, ignore_errors=True)


@pytest.fixture
def box() -> Iterator[tuple[Box, int]]:
    box = Box()
    controller = Controller(box, hostname="127.0.0.1", port=free_port())
    controller.start()
    yield box, controller.port
    controller.stop()


@pytest.fixture
def server(folder: Path, box: tuple[Box, int]) -> Iterator[Server]:
    """What the guide's server stands on, and its variables."""
    with Supervisor(folder / "log") as supervisor, listening() as site, listening() as figures:
        _, postgres = start_postgres(supervisor, folder / "postgres")
        _, broker = start_queue(supervisor, folder / "queue")
        made = Server(folder, supervisor, site, figures, free_port(), box[1], postgres, broker)
        make_certificate(folder)
        (folder / "var").mkdir(mode=0o700)
        made.write_variables()
        yield made


def set_up(server: Server) -> str:
    """Give the guide's commands; returns the link at which the owner chooses a password."""
    script = blocks()["set-up"]
    install = "as_user python3 deploy/install.py requirements.txt\n"
    assert install in script
    done = server.sh(script.replace(install, ""))  # that was done for the tests
    assert done.returncode == 0, done.stderr
    (link,) = re.findall(r"https://\S+", done.stdout)
    assert link.startswith(server.base_url)
    return str(link)


def start_services(server: Server) -> dict[str, Child]:
    """Those that the guide enables, by their units."""
    names = set(re.findall(r"(rinsemark-[a-z@]+)(?= |$)", blocks()["services"], re.M))
    workers = {name for name in names if "@" in name}
    assert workers == {f"rinsemark-worker@{queue}" for queue in ("mail", "imports", "nights")}
    assert names - workers == {"rinsemark-web", "rinsemark-beat"}
    ports = re.findall(r":(\d+)", (DEPLOY / "systemd" / "rinsemark-web.socket").read_text())
    assert ports == ["8000", "9464"]
    started = {name: server.start("rinsemark-worker@.service", name.partition("@")[2]) for name in workers}
    return started | {name: server.start(f"{name}.service") for name in names - workers}


@contextlib.contextmanager
def running(server: Server, command: Callable[[Server], list[str | Path]]) -> Iterator[str]:
    env = {"HOME": str(server.folder), "PATH": "/usr/bin:/bin"}
    started = server.supervisor.start(Program(command.__name__, command(server), env))
    server.supervisor.wait_until(lambda: Visitor(server).status("/health/live") == 200, started, 60)
    yield command.__name__
    server.supervisor.stop(started)


@pytest.mark.long(53)
def test_a_server_made_by_the_guides_commands_works_behind_either_proxy(server: Server, box: tuple[Box, int]) -> None:
    link = set_up(server)
    services = start_services(server)
    with running(server, caddy) as proxy:
        doctor_is_content(server, box[0])
        visitors_are_known_and_cannot_lie(server)
        large_files_pass(server)
        what_may_be_kept_is_kept_and_pages_are_not(server)
        no_key_is_written_down(server, proxy)
    with running(server, nginx) as proxy:
        doctor_is_content(server, box[0])
        visitors_are_known_and_cannot_lie(server)
        large_files_pass(server)
        what_may_be_kept_is_kept_and_pages_are_not(server)
        no_key_is_written_down(server, proxy)
        nobody_is_turned_away_at_a_restart(server, services, link)


class Visitor:
    """Comes by HTTPS through the proxy, and trusts no other certificate."""

    def __init__(self, server: Server) -> None:
        self.base = server.base_url
        trusted = ssl.create_default_context(cafile=server.folder / "cert.pem")
        cookies = urllib.request.HTTPCookieProcessor(http.cookiejar.CookieJar())
        self.opener = urllib.request.build_opener(cookies, urllib.request.HTTPSHandler(context=trusted))
        self.at = ""

    def open(
        self, path: str, data: bytes | None = None, headers: Mapping[str, str] = MappingProxyType({})
    ) -> tuple[int, Any, bytes]:
        address = urllib.parse.urljoin(self.base, path)
        request = urllib.request.Request(address, data, {"Referer": self.base, **headers})
        try:
            with self.opener.open(request, timeout=60) as answer:
                self.at = answer.url
                return answer.status, answer.headers, answer.read()
        except urllib.error.HTTPError as error:
            return error.code, error.headers, error.read()

    def status(self, path: str) -> int:
        try:
            return self.open(path)[0]
        except OSError:
            return 0

    def send(self, path: str, **fields: str) -> tuple[int, Any, bytes]:
        """Fill in the form that a page has."""
        page = self.open(path)[2].decode()
        (token, *_) = re.findall(r'name="csrfmiddlewaretoken" value="([^"]+)"', page)
        return self.open(self.at, urllib.parse.urlencode(fields | {"csrfmiddlewaretoken": token}).encode())


def doctor_is_content(server: Server, box: Box) -> None:
    box.mails.clear()
    script = blocks()["set-up"].split("as_user python3")[0] + blocks()["doctor"]
    deadline = time.monotonic() + 90
    while True:  # workers take a moment to come up
        done = server.sh(script, SSL_CERT_FILE=str(server.folder / "cert.pem"))
        if done.returncode == 0 or time.monotonic() > deadline:
            break
    assert done.returncode == 0, done.stdout + done.stderr
    assert done.stdout.endswith("All is well.\n")
    assert len(re.findall(r"^  \w+ +well$", done.stdout, re.M)) >= 9, done.stdout
    mail = message_from_bytes(box.mails[-1].content)
    assert mail["From"] == '"Your Firm" <portal@firm.test>'
    assert mail["To"] == "you@firm.example"


def visitors_are_known_and_cannot_lie(server: Server) -> None:
    lies = {"X-Forwarded-For": "203.0.113.9", "X-Forwarded-Proto": "http", "X-Forwarded-Host": "evil.test"}
    _, headers, body = Visitor(server).open("/health/live", None, lies)
    seen = json.loads(body)
    assert seen.pop("client") in ("127.0.0.1", "::1"), "this machine's own name is either, where it speaks IPv6"
    assert seen == {"alive": True, "https": True, "host": f"localhost:{server.https}", "forwarded": 1}
    assert headers["Strict-Transport-Security"].startswith("max-age=31536000")
    ready = json.loads(Visitor(server).open("/health/ready")[2])
    assert (ready["broker"], ready["workers_standing_still"]) == (True, [])


def large_files_pass(server: Server) -> None:
    """nginx takes 1 MB where nobody says otherwise (its documentation of client_max_body_size), less than a photo."""
    part = b'--x\r\nContent-Disposition: form-data; name="f"; filename="a.jpg"\r\n\r\n' + b"0" * 20_000_000
    visitor = Visitor(server)
    visitor.open("/accounts/login/")
    kind = {"Content-Type": "multipart/form-data; boundary=x"}
    status, headers, _ = visitor.open("/accounts/login/", part + b"\r\n--x--\r\n", kind)
    assert status == 403, "it came to the portal, which misses the form's token"
    assert headers["X-Request-ID"]


def what_may_be_kept_is_kept_and_pages_are_not(server: Server) -> None:
    visitor = Visitor(server)
    page = visitor.open("/accounts/login/")[2].decode()
    (sheet, *_) = re.findall(r'href="(/static/[^"]+\.css)"', page)
    kept = visitor.open(sheet)[1]["Cache-Control"]
    assert "immutable" in kept
    assert "public" in kept
    assert "public" not in (visitor.open("/accounts/login/")[1]["Cache-Control"] or "")


def no_key_is_written_down(server: Server, proxy: str) -> None:
    status, headers, _ = Visitor(server).open("/r/a-key-that-opens/?of=ada@homes.test")
    assert status == 404
    number = headers["X-Request-ID"]
    deadline = time.monotonic() + 60
    wanted = {"web", "nginx"} if proxy == "nginx" else {"web"}  # the request can be found, by one number in both
    logs: dict[str, str] = {}
    while wanted - {one for one in wanted for path, text in logs.items() if one in path and number in text}:
        assert time.monotonic() < deadline, f"{number} is not in the logs of {wanted}"
        time.sleep(0.1)
        found = server.folder.rglob("*.log")
        logs = {str(path.relative_to(server.folder)): path.read_text(errors="replace") for path in found}
    assert [path for path, text in logs.items() if "a-key-that-opens" in text or "ada@homes" in text] == []


def nobody_is_turned_away_at_a_restart(server: Server, services: dict[str, Child], link: str) -> None:
    owner = Visitor(server)
    status, _, page = owner.send(link, password1=PASSWORD, password2=PASSWORD)
    assert status == 200, page[-500:]
    answers: list[int] = []
    over = threading.Event()

    def go_on_asking() -> None:
        while not over.is_set():
            answers.append(owner.open("/method/")[0])

    asking = threading.Thread(target=go_on_asking)
    asking.start()
    time.sleep(0.5)
    server.supervisor.stop(services["rinsemark-web"])  # as systemd does: the socket goes on listening
    server.start("rinsemark-web.service")
    before = len(answers)
    deadline = time.monotonic() + 60
    while len(answers) < before + 10 and time.monotonic() < deadline:
        time.sleep(0.1)
    over.set()
    asking.join(90)
    print(f"{len(answers)} requests around a restart, answered with {sorted(set(answers))}")
    assert len(answers) >= before + 10, "it came back"
    assert set(answers) == {200}


@pytest.mark.long(20)
def test_what_one_machine_kept_moves_to_the_server(server: Server) -> None:
    """From SQLite and a folder onto PostgreSQL; what came over is counted without a line of the portal's own code."""
    old = server.folder / "one-machine"
    old.mkdir()
    before = {"PORTAL_VAR": str(old), "PORTAL_SECRET_KEY": "Kq3vX8" * 10}
    if (made := Path(os.environ.get(TABLES, "none"))).is_file():
        shutil.copyfile(made, old / "portal.sqlite3")  # it is what is moved; `tests/deploy/test_run.py` makes one
    for command in ("migrate", "demo"):  # as `./deploy/run` does
        kept_there = f"sqlite:///{old / 'portal.sqlite3'}"
        done = server.sh(f"cd {ROOT}; .venv/bin/python manage.py {command}", **before, PORTAL_DATABASE_URL=kept_there)
        assert done.returncode == 0, done.stderr
    (old / "media").mkdir(exist_ok=True)
    moves = {name: blocks()[name].replace("/mnt/move", str(server.folder / "move")) for name in ("move-out", "move-in")}
    done = server.sh(f"cd {ROOT}\n{moves['move-out']}", **before)
    assert done.returncode == 0, done.stderr
    done = server.sh(blocks()["set-up"].split("as_user python3")[0] + moves["move-in"])
    assert done.returncode == 0, done.stderr
    moved = re.search(r"([\d,]+) rows, each compared", done.stdout)
    assert moved
    left_behind = contextlib.closing(sqlite3.connect(old / "portal.sqlite3"))
    with left_behind as there, psycopg.connect(server.database) as here:
        asked = there.execute("SELECT name FROM sqlite_master WHERE name LIKE 'portal_%' AND type = 'table'").fetchall()
        tables = {name for (name,) in asked} - ASKED_BY_A_RESTORE
        counts = {name: there.execute(f"SELECT count(*) FROM {name}").fetchone()[0] for name in tables}
        came = {name: here.execute(f"SELECT count(*) FROM {name}").fetchone()[0] for name in tables}  # type: ignore[index]
        assert came == counts
        days = "SELECT id, packed FROM portal_dayreadings ORDER BY id"
        assert [(key, bytes(packed)) for key, packed in here.execute(days)] == there.execute(days).fetchall()
    assert counts["portal_dayreadings"] > 1000
    assert int(moved[1].replace(",", "")) >= sum(counts.values())
    assert kept(server.folder / "var" / "media") == kept(old / "media")


ASKED_BY_A_RESTORE = {"portal_cache", "portal_mailhold", "portal_clock"}
"""What counts tries, what asks the firm about its mails, and when the portal last ran: they are the server's own."""


def kept(folder: Path) -> dict[str, str]:
    """The files of a folder by their content."""
    found = [path for path in folder.rglob("*") if path.is_file()]
    return {str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest() for path in found}


def test_every_variable_the_guide_sets_is_in_its_table_and_known_to_the_settings() -> None:
    guide = (DEPLOY / "production.md").read_text()
    settings = (DEPLOY.parent / "portal" / "settings.py").read_text()
    told = set(re.findall(r"`(_?[A-Z_]+)`", "".join(re.findall(r"^\| `.*", guide, re.M))))
    whole = {name for name in told if name.startswith("PORTAL_")}
    for name in re.findall(r"^(PORTAL_\w+)=", blocks()["variables"], re.M):
        short = "_" + name.rpartition("_")[2]
        assert name in whole or short in told, name
        assert name in settings, name
    assert unit("rinsemark-web.service")["Service"]["EnvironmentFile"] == "/etc/rinsemark.env"
