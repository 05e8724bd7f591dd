"""The page on security names tests: each of them is there."""

from __future__ import annotations

import re

from tests.conftest import ROOT

PAGE = (ROOT / "deploy" / "security.md").read_text()


def test_each_file_that_the_page_names_is_there() -> None:
    named = set(re.findall(r"`((?:tests|views|actions|systemd)/[\w/]*(?:\.py)?)", PAGE))
    assert len(named) > 15
    roots = (ROOT, ROOT / "portal", ROOT / "deploy")
    assert [name for name in sorted(named) if not any((root / name).exists() for root in roots)] == []


def test_each_test_that_the_page_names_is_there() -> None:
    source = "\n".join(path.read_text() for path in (ROOT / "tests").rglob("test_*.py"))
    named = set(re.findall(r"::(\w+)`", PAGE)) | set(re.findall(r"`(test_\w+)`", PAGE))
    assert len(named) > 8
    assert [name for name in sorted(named) if f"def {name}(" not in source] == []


def test_each_setting_that_the_page_names_is_read() -> None:
    settings = (ROOT / "portal" / "settings.py").read_text()
    named = set(re.findall(r"`(PORTAL_\w+)`", PAGE))
    assert named
    assert [name for name in sorted(named) if name not in settings] == []
