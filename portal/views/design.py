"""The page that shows every part that pages are made of, by day and by night, to who changes them."""

from __future__ import annotations

import re
from pathlib import Path

from django.conf import settings
from django.contrib.staticfiles import finders
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render

from portal.charts.colours import tones
from portal.words.advice import SIGNS


def design(request: HttpRequest) -> HttpResponse:
    if not settings.DEBUG:
        raise Http404
    sprite = finders.find("icons.svg")
    icons = re.findall(r'<symbol id="([\w-]+)"', Path(sprite).read_text("utf-8")) if isinstance(sprite, str) else []
    parts = {"colours": list(tones()), "icons": icons, "verdicts": dict(SIGNS.values())}
    return render(request, "design.html", parts | {"modes": ("by-day", "by-night")})
