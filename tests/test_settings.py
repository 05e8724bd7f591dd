"""What a deployment's variables do at the start: nonsense is refused in a sentence, and nothing is made silently."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]


def python(var: Path, *arguments: str, **variables: str) -> subprocess.CompletedProcess[str]:
    env = {name: value for name, value in os.environ.items() if not name.startswith("PORTAL_")}
    env |= {"PORTAL_VAR": str(var), "DJANGO_SETTINGS_MODULE": "portal.settings"}
    return subprocess.run(
        [sys.executable, *arguments], cwd=ROOT, env=env | variables, capture_output=True, text=True, timeout=60
    )


def manage(var: Path, *arguments: str, **variables: str) -> subprocess.CompletedProcess[str]:
    return python(var, "manage.py", *arguments, **variables)


@pytest.mark.parametrize(
    ("variable", "value"),
    [
        ("PORTAL_FROM_EMAIL", "Firm office@firm.test"),
        ("PORTAL_FROM_EMAIL", "a@firm.test, b@firm.test"),
        ("PORTAL_READINGS_ADDRESS", "readings"),
        ("PORTAL_SMTP_PORT", "smtp"),
    ],
)
def test_nonsense_is_refused_at_the_start_in_a_sentence(tmp_path: Path, variable: str, value: str) -> None:
    said = manage(tmp_path, "migrate", **{variable: value})
    assert said.returncode == 1
    assert said.stderr.startswith(f"{variable} holds {value!r}, which is no ")
    assert said.stderr.count("\n") == 1


def test_a_sender_may_have_a_name(tmp_path: Path) -> None:
    code = "from django.conf import settings; print(settings.SENDER_ADDRESS, settings.DEFAULT_FROM_EMAIL)"
    said = python(tmp_path, "-c", code, PORTAL_FROM_EMAIL='"Roof & Rinse" <office@firm.test>')
    assert said.stdout == 'office@firm.test "Roof & Rinse" <office@firm.test>\n', said.stderr


def test_the_way_to_a_utility_is_open_to_its_form_and_to_no_other(tmp_path: Path) -> None:
    code = "from django.conf import settings; print(settings.CONTENT_SECURITY_POLICY['DIRECTIVES']['form-action'])"
    said = python(tmp_path, "-c", code, PORTAL_GREEN_BUTTON_AUTHORIZE="https://utility.test/oauth/go?a=b")
    assert said.stdout == "[\"'self'\", 'https://utility.test']\n", said.stderr
    assert python(tmp_path, "-c", code).stdout == "[\"'self'\"]\n"


def test_browsers_may_ask_a_tile_server_only_where_one_is_named(tmp_path: Path) -> None:
    code = "from django.conf import settings; print(settings.CONTENT_SECURITY_POLICY['DIRECTIVES']['img-src'])"
    said = python(tmp_path, "-c", code, PORTAL_MAP_TILES="https://tiles.test/{z}/{x}/{y}.png")
    assert said.stdout == "[\"'self'\", 'data:', 'blob:', 'https://tiles.test']\n", said.stderr
    assert "tiles" not in python(tmp_path, "-c", code).stdout


def test_no_database_is_made_where_the_variables_were_forgotten(tmp_path: Path) -> None:
    said = manage(tmp_path, "migrate")
    assert said.returncode == 1
    assert said.stderr.startswith(f"There is no database in {tmp_path}, and PORTAL_DATABASE_URL is not set.")
    assert list(tmp_path.glob("*.sqlite3")) == []
