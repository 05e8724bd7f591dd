"""What an address or a form asks for: a row by its number, a search by its words, a page of a list."""

from __future__ import annotations

from typing import Any

from django.core.paginator import Page, Paginator
from django.http import HttpRequest

MOST_DIGITS = 9
"""Digits: no table of a firm comes near a billion rows, and no column that holds a number is too small for these."""

MOST_SOUGHT = 100

A_PAGE = 25
"""Rows of a list at once."""


def row_asked(text: str | None) -> int:
    """A row's number; 0, which no row has, for whatever is none."""
    return int(text) if text and text.isascii() and text.isdecimal() and len(text) <= MOST_DIGITS else 0


def words_asked(request: HttpRequest) -> str:
    """What is searched for; a whole page pasted into the field by mistake is more than a database compares."""
    return request.GET.get("q", "").strip()[:MOST_SOUGHT]


def page_asked(request: HttpRequest, rows: Any, size: int = A_PAGE) -> Page[Any]:
    """The page of a list that is asked for; the first or the last where that is none."""
    return Paginator(rows, size).get_page(request.GET.get("page"))
