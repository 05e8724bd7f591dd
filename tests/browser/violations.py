"""What axe finds wrong with a page; handing over what it finds right took longer than looking for it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from axe_playwright_python.base import AXE_SCRIPT
from playwright.sync_api import Page


def violations(page: Page, *, rules: Sequence[str] = (), again: bool = False) -> list[dict[str, Any]]:
    """Run all rules, or those named; ``again`` on a page that has axe already."""
    if not again:
        page.evaluate(AXE_SCRIPT)
    how = {"resultTypes": ["violations"]} | ({"runOnly": list(rules)} if rules else {})
    found: list[dict[str, Any]] = page.evaluate("how => axe.run(document, how).then((found) => found.violations)", how)
    return found


def said(found: Sequence[dict[str, Any]]) -> list[tuple[str, list[str]]]:
    """Each rule that is broken, with the first places that break it."""
    return [(one["id"], [node["html"] for node in one["nodes"]][:3]) for one in found]
