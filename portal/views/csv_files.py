"""The CSV files we hand out, and their cells."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Sequence
from typing import Any, cast

from django.http import HttpRequest, HttpResponse
from django.utils import timezone

from portal.actions.trail import note
from portal.models import Business, Deed, User


def exported_csv(
    request: HttpRequest, name: str, columns: Sequence[str], firms: Iterable[Business]
) -> tuple[HttpResponse, Any]:
    """A CSV that takes many people's data away, noted for each firm, and what writes its rows.

    UTF-8 with the mark that spreadsheets know it by, ISO days, decimal points.
    """
    for firm in firms:
        note(deed=Deed.EXPORTED, about=name, business=firm, by=cast(User, request.user), now=timezone.now())
    answer = HttpResponse("\ufeff", content_type="text/csv; charset=utf-8")
    answer["Content-Disposition"] = f'attachment; filename="{name}"'
    out = csv.writer(answer)
    out.writerow(columns)
    return answer, out


def safe_cell(text: str) -> str:
    """Return a cell that no spreadsheet runs as a formula when a CSV of ours is opened.

    The marks a spreadsheet may start a formula with (=, +, -, @, tab, carriage return) get an apostrophe before them,
    as OWASP's page on CSV injection advises; a plain number stays a number.
    """
    stripped = text.lstrip(" \u00a0\u200b\ufeff")
    if stripped[:1] in ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠", "|", "%"):
        try:
            float(stripped)
        except ValueError:
            return "'" + text
    return text
