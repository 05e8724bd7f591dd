"""The guide, followed from nothing by its own commands: PostgreSQL, the queue, all services, and each proxy in turn."""

from __future__ import annotations

import contextlib
import http.cookiejar
import json
import re
import ssl
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

import pytest

from deploy.processes import Child, Program
from tests.deploy.server import DEPLOY, Box, Server, blocks, caddy, nginx, unit

pytestmark = pytest.mark.services

PASSWORD = "rinse-soak-scrub-9"


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
