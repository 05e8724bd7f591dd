"""The first command of the README, as a person runs it: a first start, the pages over HTTP, Ctrl-C, a second start.

What it has kept then moves to a server by the guide's commands.
"""

import contextlib
import hashlib
import http.cookiejar
import os
import re
import signal
import sqlite3
import subprocess
import sys
import time
import urllib.parse
import urllib.request
from pathlib import Path

import psutil
import psycopg
import pytest

from deploy.processes import free_port
from fixtures.demo import DEMO_PASSWORD, demo_logins
from tests.deploy.server import Server, blocks

ROOT = Path(__file__).resolve().parents[2]
HEADER = r"site +state +soiling loss \(90 %\) +advice +lead\? +reminder\?"
FIRST_LOAD_BYTES = 150_000  # of a page with its style sheet and scripts, before plotly comes


class Portal:
    """A running `./deploy/run`, with what it has said so far."""

    def __init__(self, var: Path, *arguments: str) -> None:
        env = {name: value for name, value in os.environ.items() if not name.startswith("PORTAL_")}
        self.output = var.parent / "output"
        with self.output.open("w") as output:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "deploy.embedded", *arguments],
                cwd=ROOT,
                env=env | {"PORTAL_VAR": str(var)},
                stdout=output,
                stderr=subprocess.STDOUT,
            )

    def said(self) -> str:
        return self.output.read_text()

    def wait_for(self, words: str, seconds: float) -> None:
        deadline = time.monotonic() + seconds
        while words not in self.said():
            assert self.process.poll() is None, self.said()
            assert time.monotonic() < deadline, self.said()
            time.sleep(0.1)


class Browser:
    """Fetches pages as a browser does: with cookies, and compressed."""

    def __init__(self, address: str) -> None:
        self.address = address
        self.opener = urllib.request.build_opener(urllib.request.HTTPCookieProcessor(http.cookiejar.CookieJar()))

    def get(self, path: str, *, encoding: str = "identity", form: dict[str, str] | None = None) -> tuple[bytes, str]:
        """The body as sent, and the page's content security policy."""
        data = urllib.parse.urlencode(form).encode() if form else None
        headers = {"Accept-Encoding": encoding, "Referer": self.address}
        request = urllib.request.Request(urllib.parse.urljoin(self.address, path), data, headers)
        with self.opener.open(request, timeout=60) as response:
            return response.read(), response.headers.get("Content-Security-Policy", "")

    def log_in(self, email: str) -> None:
        page, _ = self.get("/accounts/login/")
        token = re.search(r'name="csrfmiddlewaretoken" value="([^"]+)"', page.decode())
        assert token
        form = {"csrfmiddlewaretoken": token[1], "login": email, "password": DEMO_PASSWORD}
        page, _ = self.get("/accounts/login/", form=form)
        assert b'name="password"' not in page, f"{email} could not log in"


@pytest.fixture(scope="module")
def var(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Overrides the data folder of the tests: this portal is on its own."""
    return tmp_path_factory.mktemp("one-machine") / "var"


@pytest.mark.long(90, shares="var")
@pytest.mark.services
def test_the_whole_portal_starts_serves_each_role_stops_and_starts_again_with_its_data(var: Path) -> None:
    port = free_port()
    portal = Portal(var, "--port", str(port))
    address = f"http://localhost:{port}"
    try:
        portal.wait_for(f"Rinsemark is at {address}.", 480)
        said = portal.said()
        assert re.search(HEADER, said)
        assert len(re.findall(r" · .* (dirty|clean|not dirt|cannot tell|just washed|rained|unsure) ", said)) > 20
        children = psutil.Process(portal.process.pid).children(recursive=True)
        assert len(children) >= 7, "queue, worker and its two, beat, web and its four, and who looks after them"
        for login in (demo_logins()[0], demo_logins()[2], demo_logins()[4]):
            assert login.email in said
            browser = Browser(address)
            browser.log_in(login.email)
            check_first_load(browser)
    finally:
        portal.process.send_signal(signal.SIGINT)
        assert portal.process.wait(40) == 0
    _, alive = psutil.wait_procs(children, timeout=15)
    assert alive == []

    begun = time.monotonic()
    again = Portal(var, "--no-serve")
    try:
        assert again.process.wait(480) == 0, again.said()
    finally:
        again.process.terminate()
    print(f"second start: {time.monotonic() - begun:.1f} s")
    assert table(again.said()) == table(said)


def check_first_load(browser: Browser) -> None:
    """The home page and what it needs at once is small, and comes under a strict policy."""
    page, policy = browser.get("/")
    assert "unsafe" not in policy
    assert "default-src 'none'" in policy
    links = re.findall(r'<link[^>]+rel="stylesheet"[^>]+href="([^"]+)"', page.decode())
    links += re.findall(r'<script[^>]+src="([^"]+)"', page.decode())
    assert links
    sent = len(browser.get("/", encoding="gzip")[0])
    sent += sum(len(browser.get(link, encoding="br")[0]) for link in links if "plotly.min" not in link)
    assert sent < FIRST_LOAD_BYTES


def table(said: str) -> list[str]:
    """The table without its last column, since reminders are sent while the portal runs."""
    return [line[:109] for line in said.splitlines() if " · " in line]


@pytest.mark.services
def test_what_one_machine_kept_moves_to_the_server(var: Path, server: Server) -> None:
    """From SQLite and a folder onto PostgreSQL; what came over is counted without a line of the portal's own code."""
    if not (var / "portal.sqlite3").exists():  # the test above was not asked for
        assert Portal(var, "--no-serve").process.wait(480) == 0
    (var / "media").mkdir(exist_ok=True)
    moves = {name: blocks()[name].replace("/mnt/move", str(server.folder / "move")) for name in ("move-out", "move-in")}
    kept_there = {"PORTAL_VAR": str(var), "PORTAL_DATABASE_URL": f"sqlite:///{var / 'portal.sqlite3'}"}
    done = server.sh(f"cd {ROOT}\n{moves['move-out']}", **kept_there)
    assert done.returncode == 0, done.stderr
    done = server.sh(blocks()["set-up"].split("as_user python3")[0] + moves["move-in"])
    assert done.returncode == 0, done.stderr
    moved = re.search(r"([\d,]+) rows, each compared", done.stdout)
    assert moved
    left_behind = contextlib.closing(sqlite3.connect(var / "portal.sqlite3"))
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
    assert kept(server.folder / "var" / "media") == kept(var / "media")


ASKED_BY_A_RESTORE = {"portal_cache", "portal_mailhold", "portal_clock"}
"""What counts tries, what asks the firm about its mails, and when the portal last ran: they are the server's own."""


def kept(folder: Path) -> dict[str, str]:
    """The files of a folder by their content."""
    found = [path for path in folder.rglob("*") if path.is_file()]
    return {str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest() for path in found}
