"""How pages look: a firm's own colours, and the page that shows every part to who changes them."""

from __future__ import annotations

import re
from pathlib import Path

from django.conf import settings
from django.contrib.staticfiles import finders
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.cache import cache_control
from django.views.decorators.http import require_safe

from portal.charts.colours import sheet, tones
from portal.words.advice import SIGNS


@cache_control(public=True, max_age=86_400)
@require_safe
def colours(request: HttpRequest, accent: str) -> HttpResponse:
    """Answer with the tones of an accent, in the layer in which the house's own stand; they tell nothing of a firm."""
    return HttpResponse(f"@layer colours {{\n{sheet(f'#{accent}')}}}\n", content_type="text/css")


def design(request: HttpRequest) -> HttpResponse:
    if not settings.DEBUG:
        raise Http404
    sprite = finders.find("icons.svg")
    icons = re.findall(r'<symbol id="([\w-]+)"', Path(sprite).read_text("utf-8")) if isinstance(sprite, str) else []
    parts = {"colours": list(tones()), "icons": icons, "verdicts": dict(SIGNS.values())}
    return render(request, "design.html", parts | {"modes": ("by-day", "by-night")})
