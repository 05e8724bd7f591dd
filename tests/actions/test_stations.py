"""Stations are asked once a day, only for what is new, and what they cannot answer is a note."""

from __future__ import annotations

import logging
import threading
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

import pytest

from portal.actions.rain import record_rain
from portal.actions.stations import fetch_stations
from portal.models import Business, RainGauge
from portal.readers.rain import MOST_RAIN_BYTES
from tests import factories, ghcn
from tests.factories import NOW

pytestmark = pytest.mark.django_db

NUMBER = "USW00094728"
DAY = date(2026, 5, 1)


@dataclass
class Archive:
    """A server of station files: what it has, and what it was asked for."""

    files: dict[str, bytes] = field(default_factory=dict)
    asked: list[tuple[str, str | None, str | None]] = field(default_factory=list)
    status: int = 200
    endless: bool = False
    address: str = ""


@pytest.fixture
def archive() -> Iterator[Archive]:
    held = Archive()

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            since, tag = self.headers["If-Modified-Since"], self.headers["If-None-Match"]
            held.asked.append((self.path, tag, since))
            data = held.files.get(self.path)
            if held.status != 200 or data is None:
                self.send_error(held.status if held.status != 200 else 404)
                return
            if tag == f'"{len(data)}"':
                self.send_response(304)
                self.end_headers()
                return
            self.send_response(200)
            self.send_header("ETag", f'"{len(data)}"')
            self.send_header("Last-Modified", "Fri, 01 May 2026 05:00:00 GMT")
            self.end_headers()
            try:
                while held.endless:
                    self.wfile.write(data)
                self.wfile.write(data)
            except OSError:
                held.endless = False  # who asked has hung up

        def log_message(self, format: str, *args: object) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    held.address = f"http://127.0.0.1:{server.server_address[1]}/daily/{{station}}.csv"
    yield held
    server.shutdown()
    server.server_close()
    thread.join()


def station(business: Business | None = None, number: str = NUMBER) -> RainGauge:
    business = business or factories.business()
    return record_rain(business=business, name=number, latitude=40.0, longitude=-74.0, rain_mm={}, station=number)


def test_a_stations_days_come_once_for_every_firm_that_named_it(archive: Archive) -> None:
    archive.files[f"/daily/{NUMBER}.csv"] = ghcn.access(NUMBER, {DAY: (42, "", "")}).encode()
    ours, theirs = station(), station()
    assert fetch_stations(address=archive.address, now=NOW) == 1
    for gauge in (ours, theirs):
        gauge.refresh_from_db()
        assert gauge.rain_mm().to_dict() == {DAY: 4.2}
        assert (gauge.latitude, gauge.longitude) == (40.77898, -73.96925), "the file knows where it stands"
    assert len(archive.asked) == 1


def test_a_station_is_asked_once_a_day_and_then_only_for_what_is_new(archive: Archive) -> None:
    archive.files[f"/daily/{NUMBER}.csv"] = ghcn.by_station(NUMBER, {DAY: (42, "", "")}).encode()
    gauge = station()
    assert fetch_stations(address=archive.address, now=NOW) == 1
    assert fetch_stations(address=archive.address, now=NOW + timedelta(hours=22)) == 0
    assert len(archive.asked) == 1
    assert fetch_stations(address=archive.address, now=NOW + timedelta(hours=24)) == 0, "nothing has changed"
    size = len(archive.files[f"/daily/{NUMBER}.csv"])
    assert archive.asked[1] == (f"/daily/{NUMBER}.csv", f'"{size}"', "Fri, 01 May 2026 05:00:00 GMT")
    newer = {DAY: (42, "", ""), DAY + timedelta(1): (7, "", "")}
    archive.files[f"/daily/{NUMBER}.csv"] = ghcn.by_station(NUMBER, newer).encode()
    assert fetch_stations(address=archive.address, now=NOW + timedelta(hours=48)) == 1
    assert list(gauge.rain_mm()) == [4.2, 0.7]


def test_off_until_an_address_is_set(archive: Archive) -> None:
    station()
    assert fetch_stations(address="", now=NOW) == 0
    assert archive.asked == []


@pytest.mark.parametrize("trouble", ["missing", "down", "another station's", "no rain", "endless", "nobody listens"])
def test_a_failure_is_a_log_line_and_a_note_and_stops_no_other(
    archive: Archive, trouble: str, caplog: pytest.LogCaptureFixture
) -> None:
    good = "ASN00066062"
    archive.files[f"/daily/{good}.csv"] = ghcn.by_station(good, {DAY: (42, "", "")}).encode()
    content = {"another station's": ghcn.by_station(good, {DAY: (1, "", "")}), "no rain": "<html>sorry</html>"}
    if trouble not in ("missing", "nobody listens"):
        archive.files[f"/daily/{NUMBER}.csv"] = content.get(
            trouble, ghcn.by_station(NUMBER, {DAY: (1, "", "")})
        ).encode()
    if trouble == "endless":
        archive.files = {f"/daily/{NUMBER}.csv": b"0" * (1 << 20)}
        archive.endless = True
    archive.status = 503 if trouble == "down" else 200
    address = archive.address if trouble != "nobody listens" else "http://127.0.0.1:9/{station}"
    bad, well = station(), station(number=good)
    with caplog.at_level(logging.WARNING):
        fetch_stations(address=address, now=NOW)
    bad.refresh_from_db()
    assert not bad.days.exists()
    said = {
        "missing": "404",
        "down": "503",
        "another station's": good,
        "no rain": "No line of this file",
        "endless": f"larger than {MOST_RAIN_BYTES // 2**20} MB",
        "nobody listens": "cannot be reached",
    }[trouble]
    assert said in bad.problem
    assert said in caplog.text
    assert well.days.exists() == (trouble in ("missing", "another station's", "no rain"))
    archive.endless, archive.status = False, 200
    archive.files[f"/daily/{NUMBER}.csv"] = ghcn.by_station(NUMBER, {DAY: (1, "", "")}).encode()
    fetch_stations(address=archive.address, now=NOW + timedelta(hours=24))
    bad.refresh_from_db()
    assert (bad.problem, list(bad.rain_mm())) == ("", [0.1])
