"""The first command of the README, as a person runs it: a first start, the pages over HTTP, Ctrl-C, a second start."""

import http.cookiejar
import os
import re
import signal
import subprocess
import sys
import time
import urllib.parse
import urllib.request
from pathlib import Path

import psutil
import pytest

from deploy.processes import free_port
from fixtures.demo import DEMO_PASSWORD, demo_logins

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


@pytest.fixture
def var(tmp_path: Path) -> Path:
    """Overrides the data folder of the tests: this portal is on its own."""
    return tmp_path / "var"


@pytest.mark.long(78)
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
