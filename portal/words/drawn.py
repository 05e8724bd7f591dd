"""What a chart says, in the reader's language. Charts know no Django: they are drawn with English words."""

from __future__ import annotations

import re
from dataclasses import replace
from html import escape, unescape
from typing import Any

from django.utils.dates import MONTHS_3
from django.utils.translation import gettext, gettext_noop

from portal.charts.chart import Chart, ChartTable
from portal.charts.svg import MONTH_NAMES
from portal.words.catalogues import MARKUP, bare
from portal.words.kept import in_their_words

WORDS = (
    gettext_noop("Day"),
    gettext_noop("Days"),
    gettext_noop("Kind"),
    gettext_noop("Measured, %"),
    gettext_noop("Month"),
    gettext_noop("Produced, kWh"),
    gettext_noop("Promised, %"),
    gettext_noop("Wash"),
    gettext_noop("What"),
    gettext_noop("to, %"),
    gettext_noop("measured"),
    gettext_noop("produced"),
    gettext_noop("promised"),
    gettext_noop("washed"),
)
"""Single words of charts; longer ones are found in the charts themselves."""
SPOKEN = ("name", "hovertemplate", "text")
"""What of a plotly figure people read: https://plotly.com/javascript/reference/"""

AXIS = re.compile(rf"(?:\d+ )?({'|'.join(MONTH_NAMES)})(?: \d{{4}})?")


def chart_in_their_words(chart: Chart) -> Chart:
    """The chart with its title, its summary, and the words on both of its shapes, in the active language."""
    return replace(
        chart,
        title=in_their_words(chart.title),
        summary=in_their_words(chart.summary),
        svg=svg_in_their_words(chart.svg),
        narrow=svg_in_their_words(chart.narrow),
        figure=_figure(chart.figure),
        table=_table(chart.table) if chart.table else None,
    )


def _table(table: ChartTable) -> ChartTable:
    said = (tuple(_piece(cell) for cell in row) for row in (table.heads, *table.rows))
    return replace(table, heads=next(said), rows=tuple(said))


def svg_in_their_words(svg: str) -> str:
    """The drawing with the words between its tags in the active language."""
    return re.sub(r"(?<=>)[^<]*\w[^<]*(?=<)", lambda found: _label(found[0]), svg)


def _label(kept: str) -> str:
    text = unescape(kept)
    said = _piece(text)
    return kept if said == text else escape(said)


def _piece(text: str) -> str:
    """A label. A month stands alone, before a year or after a day: "Mar", "Mar 2026", "5 Mar"."""
    word = bare(text)
    if found := AXIS.fullmatch(word):
        said = word.replace(found[1], str(MONTHS_3[MONTH_NAMES.index(found[1]) + 1]).title())
    else:
        said = gettext(word) if word in WORDS else in_their_words(word)
    return text.replace(word, said) if word else text


def _figure(part: Any) -> Any:
    if isinstance(part, dict):
        return {
            key: _spoken(value) if key in SPOKEN and not isinstance(value, dict) else _figure(value)
            for key, value in part.items()
        }
    return [_figure(each) for each in part] if isinstance(part, list) else part


def _spoken(value: Any) -> Any:
    if isinstance(value, str):
        pieces = re.split(f"({MARKUP.pattern})", value)
        return "".join(piece if at % 2 else _piece(piece) for at, piece in enumerate(pieces))
    return [_spoken(each) for each in value] if isinstance(value, list) else value
