"""What cannot be started here is read and checked: units, image and containers."""

from __future__ import annotations

import http.server
import json
import re
import shutil
import subprocess
import threading
from typing import Any

import pytest
import yaml

from deploy import alive
from deploy.processes import free_port
from portal.actions.health import QUEUE_SILENT_AFTER
from tests.deploy.server import DEPLOY, ROOT, unit
from workers.app import JOB_LIMIT

UNITS = ["rinsemark-web.service", "rinsemark-worker@.service", "rinsemark-beat.service"]
SYSTEMD_ANALYZE = shutil.which("systemd-analyze")


@pytest.mark.parametrize("name", UNITS)
def test_a_service_may_write_into_its_own_folder_only_and_gain_nothing(name: str) -> None:
    """Each by its entry in systemd.exec(5)."""
    service = unit(name)["Service"]
    for yes in (
        "NoNewPrivileges",
        "PrivateTmp",
        "PrivateDevices",
        "ProtectHome",
        "ProtectClock",
        "ProtectControlGroups",
        "ProtectHostname",
        "ProtectKernelLogs",
        "ProtectKernelModules",
        "ProtectKernelTunables",
        "RestrictNamespaces",
        "RestrictRealtime",
        "RestrictSUIDSGID",
        "LockPersonality",
    ):
        assert service[yes] == "yes", yes
    assert service["ProtectSystem"] == "strict"
    assert (service["StateDirectory"], service["StateDirectoryMode"], service["UMask"]) == ("rinsemark", "0700", "0077")
    assert service["CapabilityBoundingSet"] == ""
    assert service["User"] == "rinsemark"
    assert service["Restart"] == "always"


@pytest.mark.parametrize("name", UNITS)
def test_systemd_itself_finds_a_service_little_exposed(name: str) -> None:
    """Of 10.0; systemd-analyze(1) calls what is below 3.0 well protected ("OK")."""
    if SYSTEMD_ANALYZE is None:
        pytest.skip("no systemd-analyze on this machine")
    said = subprocess.run(
        [SYSTEMD_ANALYZE, "security", "--no-pager", "--offline=true", "--threshold=30", DEPLOY / "systemd" / name],
        capture_output=True,
        text=True,
        check=False,
    )
    (level,) = re.findall(r"Overall exposure level for \S+: ([\d.]+)", said.stdout)
    print(f"{name}: {level} of 10")
    assert float(level) < 3
    assert said.returncode == 0


def test_a_worker_is_given_time_for_its_job_and_waits_for_no_network_that_is_not_there() -> None:
    service = unit("rinsemark-worker@.service")["Service"]
    assert service["KillMode"] == "mixed", "the main process is asked, its children finish"
    assert int(service["TimeoutStopSec"]) >= 60
    assert JOB_LIMIT.total_seconds() > 60, "what takes longer is cut off and done again"


def test_pages_go_before_nights_where_both_want_a_core() -> None:
    """systemd.resource-control(5): a service has a CPUWeight= of 100; docker-run(1): a container has 1024 shares."""
    weights = {name: unit(name)["Service"].get("CPUWeight", "100") for name in UNITS}
    assert set(weights.values()) == {"100"}
    assert unit("rinsemark-worker@nights.service.d/pages-first.conf")["Service"]["CPUWeight"] == "10"
    assert "cp -r deploy/systemd/rinsemark-* " in (DEPLOY / "production.md").read_text(), "folders are copied too"
    shares = {
        name: one.get("cpu_shares", 1024)
        for name, one in portal_services(yaml.safe_load((DEPLOY / "compose.yaml").read_text())).items()
    }
    assert {name for name, share in shares.items() if share < 1024} == {"worker-nights"}
    assert shares["worker-nights"] == 102, "a tenth, as with systemd"


def portal_services(compose: dict[str, Any]) -> dict[str, dict[str, Any]]:
    return {name: one for name, one in compose["services"].items() if one["image"] == "rinsemark"}


def test_the_containers_are_those_of_the_guide_and_hold_as_little() -> None:
    compose = yaml.safe_load((DEPLOY / "compose.yaml").read_text())
    ours = portal_services(compose)
    workers = {f"worker-{queue}" for queue in QUEUE_SILENT_AFTER}
    assert set(ours) == {"web", "beat", "tables"} | workers
    assert set(compose["services"]) - set(ours) == {"database", "queue", "proxy"}
    for name, one in ours.items():
        assert one["read_only"] is True, name
        assert one["cap_drop"] == ["ALL"], name
        assert one["security_opt"] == ["no-new-privileges:true"], name
        assert one["volumes"] == ["data:/var/lib/rinsemark"], "web and workers share the folder"
        assert "ports" not in one, "only the proxy is reached from outside"
        assert name == "tables" or one["depends_on"]["tables"] == {"condition": "service_completed_successfully"}
    for queue in QUEUE_SILENT_AFTER:
        command = ours[f"worker-{queue}"]["command"]
        assert command[command.index("--queues") + 1] == queue
    assert [name for name, one in compose["services"].items() if "ports" in one] == ["proxy"]
    for name in ("database", "queue"):
        assert compose["services"][name]["networks"] == ["inside"], "neither is reached but by the portal"
    assert compose["networks"]["inside"]["internal"] is True
    used = {volume.split(":")[0] for one in compose["services"].values() for volume in one["volumes"]}
    assert {volume for volume in used if not volume.startswith(".")} == set(compose["volumes"])
    queue = " ".join(compose["services"]["queue"]["command"])
    assert "--appendonly yes" in queue
    assert "--maxmemory-policy noeviction" in queue


def test_the_image_runs_as_a_normal_user_and_holds_what_is_needed() -> None:
    lines = (DEPLOY / "Containerfile").read_text().splitlines()
    steps = [line.split(None, 1) for line in lines if line and line[0].isupper()]
    assert [word for word, _ in steps].count("FROM") == 2, "what builds is not what runs"
    assert steps[-1][0] == "CMD"
    users = [rest for word, rest in steps if word == "USER"]
    assert users == ["10001:10001"]
    after = steps[[word for word, _ in steps].index("USER") :]
    assert not {"COPY", "RUN", "ADD"} & {word for word, _ in after}, "nothing of the image is that user's"
    copied = [rest.split()[:-1] for word, rest in steps if word == "COPY"]
    for name in (name for names in copied for name in names if not name.startswith(("--", "/"))):
        assert (ROOT / name).exists(), name
    command = json.loads(steps[-1][1])
    assert command[:3] == ["gunicorn", "--config", "deploy/gunicorn_conf.py"]


@pytest.mark.parametrize(("status", "ends"), [(200, 0), (400, 1), (503, 1)])
def test_a_container_says_whether_its_web_server_answers(
    status: int, ends: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    hosts = []

    class Portal(http.server.BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            hosts.append(self.headers["Host"])
            self.send_response(status)
            self.end_headers()

        def log_message(self, *_: object) -> None:
            pass

    monkeypatch.setenv("PORTAL_BASE_URL", "https://portal.firm.example")
    with http.server.HTTPServer(("127.0.0.1", 0), Portal) as server:
        threading.Thread(target=server.handle_request).start()
        assert alive.main(f"http://127.0.0.1:{server.server_port}/health/live") == ends
    assert hosts == ["portal.firm.example"], "the portal refuses other names"
    assert alive.main(f"http://127.0.0.1:{free_port()}/health/live") == 1
    assert "deploy.alive" in (DEPLOY / "compose.yaml").read_text()
