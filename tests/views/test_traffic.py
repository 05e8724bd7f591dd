"""Requests have numbers, lines without paths, and figures at a port of their own."""

from __future__ import annotations

import http.client
import json
import logging
import sys
import urllib.request

import pytest
from django.test import Client
from prometheus_client.parser import text_string_to_metric_families

from deploy.processes import Program, Supervisor, free_port
from portal.actions.health import beat
from portal.actions.logs import JsonLines
from portal.actions.proof import link_token, share_report
from portal.views.traffic import figures
from tests.factories import NOW
from tests.views.cast import Cast


@pytest.mark.django_db
def test_a_request_is_told_by_its_route_and_number_and_never_by_its_path(
    client: Client, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO)
    number = client.get("/r/secretsecret/?who=ada", headers={"X-Request-ID": "proxy-12345678"})["X-Request-ID"]
    assert number == "proxy-12345678"
    (record,) = [one for one in caplog.records if one.name == "portal.traffic"]
    line = json.loads(JsonLines().format(record))
    assert line.pop("at")
    assert line.pop("ms") >= 0
    assert line == {
        "level": "info",
        "from": "portal.traffic",
        "method": "GET",
        "route": "/r/<str:token>/",
        "status": 404,
    }


@pytest.mark.parametrize("forged", ["short", 'x"},{"level":"alert', "a" * 65, "nine nine"])
def test_a_number_that_could_be_no_number_is_not_repeated(client: Client, forged: str) -> None:
    given = client.get("/health/live", headers={"X-Request-ID": forged})["X-Request-ID"]
    assert given != forged
    assert len(given) == 32


@pytest.mark.django_db
def test_figures_hold_counts_and_no_path(people: Cast) -> None:
    token = link_token(share_report(visit=people.visit, now=NOW))
    Client().get(f"/r/{token}/")
    beat(queue="mail", now=NOW)
    text = b"".join(figures({"REQUEST_METHOD": "GET", "PATH_INFO": "/metrics", "QUERY_STRING": ""}, lambda *_: None))  # type: ignore[arg-type]
    assert token.encode() not in text
    told = {
        (one.name, one.labels.get("queue") or one.labels.get("route")): one.value
        for family in text_string_to_metric_families(text.decode())
        for one in family.samples
    }
    assert told["rinsemark_request_seconds_count", "/r/<str:token>/"] >= 1
    assert told["rinsemark_heartbeat_age_seconds", "mail"] > 0
    assert told["rinsemark_database_up", None] == 1


@pytest.mark.long(6)
@pytest.mark.any_database("the web server; tests/deploy/test_guide.py starts it on PostgreSQL")
@pytest.mark.services
def test_the_web_server_serves_pages_and_figures_of_all_its_processes_and_logs_no_key(
    supervisor: Supervisor, process_env: dict[str, str]
) -> None:
    site, watched = free_port(), free_port()
    binds = [part for port in (site, watched) for part in ("--bind", f"127.0.0.1:{port}")]
    argv = [sys.executable, "-m", "gunicorn", "--config", "deploy/gunicorn_conf.py", *binds]
    env = process_env | {"PORTAL_FIGURES_PORT": str(watched)}
    web = supervisor.start(Program("web-figures", argv, env))
    guarded = "/customers/?q=ada@homes.test&token=secretsecret"  # sent to the log-in page
    try:
        supervisor.wait_until(lambda: status(f"http://127.0.0.1:{site}/health/live") == 200, web, 60)
        for _ in range(20):
            assert status(f"http://127.0.0.1:{site}{guarded}") == 302
        with urllib.request.urlopen(f"http://127.0.0.1:{watched}/metrics", timeout=20) as answer:
            text = answer.read().decode()
        counted = sum(
            one.value
            for family in text_string_to_metric_families(text)
            for one in family.samples
            if one.name == "rinsemark_request_seconds_count" and one.labels["status"] == "302"
        )
        assert counted == 20, "by whichever process they were answered"
        assert status(f"http://127.0.0.1:{site}/metrics") >= 404, "the site has none"
    finally:
        supervisor.stop(web)
    lines = [json.loads(line) for line in web.log.read_text().splitlines()]
    assert sum(line.get("status") == 302 for line in lines) == 20
    assert all(line["request"] for line in lines if "route" in line)
    assert "secretsecret" not in web.log.read_text()
    assert "ada@" not in web.log.read_text()


def status(url: str) -> int:
    host, path = url.removeprefix("http://").split("/", 1)
    connection = http.client.HTTPConnection(host, timeout=20)
    try:
        connection.request("GET", "/" + path)
        return connection.getresponse().status
    except OSError:
        return 0
    finally:
        connection.close()
