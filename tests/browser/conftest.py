"""No step of a page hangs on how fast the machine is."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from playwright.sync_api import BrowserContext, expect

LONG_MS = 60_000
"""Ends a test that hangs; nothing is judged by it."""


@pytest.fixture(autouse=True, scope="session")
def _patient() -> None:
    expect.set_options(timeout=LONG_MS)


@pytest.fixture
def new_context(new_context: Callable[..., BrowserContext]) -> Callable[..., BrowserContext]:
    def patient(**asked: Any) -> BrowserContext:
        context = new_context(**asked)
        context.set_default_timeout(LONG_MS)
        return context

    return patient
