"""A chart as a Spanish reader gets it: no English word on either of its shapes."""

from __future__ import annotations

import json
import re
from datetime import date, timedelta

import numpy as np
import pandas as pd
from django.utils import translation

from portal.charts.performance import MarkedDay, performance_chart
from portal.words.drawn import chart_in_their_words

DAYS = [date(2026, 1, 1) + timedelta(days=n) for n in range(90)]
DAILY = pd.DataFrame(
    {
        "index": 0.95,
        "used": [n % 5 > 0 for n in range(90)],
        "refused": np.where(np.arange(90) % 5 > 0, "", ""),
        "soiling_ratio": 0.96,
        "soiling_ratio_low": 0.94,
        "soiling_ratio_high": 0.98,
    },
    index=pd.DatetimeIndex(DAYS),
)
EVENTS = [MarkedDay(date(2026, 2, 1), "gemessen", wash=True), MarkedDay(date(2026, 3, 1), "gemessen", wash=False)]
ENGLISH = re.compile(r"\b(?:the|of|days?|line|clean|output|Jan|left|through|recovery|used)\b")


def test_both_shapes_of_a_chart_speak_the_readers_language() -> None:
    chart = performance_chart(DAILY, EVENTS)
    assert chart is not None
    with translation.override("es"):
        said = chart_in_their_words(chart)
    assert said.title == "Producción de los paneles, comparada con paneles limpios"
    assert said.summary.startswith("Del 1 de enero de 2026 al 31 de marzo de 2026: 72 de 90 días")
    words = " ".join(re.findall(r">([^<]+)<", said.svg))
    names = " ".join(re.findall(r'"(?:name|hovertemplate)": "([^"]*)"', json.dumps(said.figure, ensure_ascii=False)))
    assert "ene" in words.lower()
    assert "sin la estación" in names
    for spoken in (said.title, said.summary, words, re.sub(r"%{[^}]*}", "", names)):
        assert not ENGLISH.findall(spoken)


def test_in_english_a_chart_stays_as_it_is() -> None:
    chart = performance_chart(DAILY, EVENTS)
    assert chart is not None
    assert chart_in_their_words(chart) == chart
