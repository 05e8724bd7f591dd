"""A page behind the link of a mail, opened without a login."""

from __future__ import annotations

from django.conf import settings
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import translation

from portal.models import Business, Language, User


def linked_page(
    request: HttpRequest, template: str, context: dict[str, object], *, firm: Business, language: str
) -> HttpResponse:
    """It wears the name of the firm, which whom it is for knows."""
    spoken = spoken_behind_link(request, language)
    worn = {"business": {"name": firm.name, "phone": firm.phone, "email": firm.email}}
    with translation.override(spoken):
        answer = render(request, template, worn | context)
    answer["Content-Language"] = spoken
    return answer


def spoken_behind_link(request: HttpRequest, theirs: str) -> str:
    """Whom it is for reads it in their language, whatever the browser speaks, unless the reader chose one."""
    if isinstance(request.user, User):
        return request.user.language
    chosen = request.COOKIES.get(settings.LANGUAGE_COOKIE_NAME, "")
    return chosen if chosen in Language.values else theirs
