"""Which language a page comes in: the person's own, else the one chosen in this browser, else what the browser asks."""

from __future__ import annotations

from collections.abc import Callable

from django.conf import settings
from django.http import HttpRequest, HttpResponse, HttpResponseRedirect
from django.utils import translation
from django.utils.cache import patch_vary_headers
from django.utils.http import url_has_allowed_host_and_scheme
from django.views.decorators.csrf import csrf_exempt
from django.views.decorators.http import require_POST

from portal.actions.people import choose_language
from portal.models import Language, User


def in_their_language(get_response: Callable[[HttpRequest], HttpResponse]) -> Callable[[HttpRequest], HttpResponse]:
    """Django's own middleware knows no language of a person, and leaves the last one's set for whoever comes next."""

    def answer(request: HttpRequest) -> HttpResponse:
        language = language_of(request)
        with translation.override(language):
            response = get_response(request)
        response.headers.setdefault("Content-Language", language)
        patch_vary_headers(response, ("Accept-Language", "Cookie"))
        return response

    return answer


def language_of(request: HttpRequest) -> str:
    """A login's language stands on its row; then comes the cookie, then what the browser asks for."""
    if isinstance(request.user, User):
        return request.user.language
    return translation.get_language_from_request(request)


@csrf_exempt  # another site's form comes without the login, and can but choose a language; a token would vary each page
@require_POST
def language(request: HttpRequest) -> HttpResponse:
    """Take the language chosen at the foot of a page: with the login if there is one, else in this browser."""
    back = request.POST.get("next", "/")
    if not url_has_allowed_host_and_scheme(back, {request.get_host()}, require_https=request.is_secure()):
        back = "/"
    response = HttpResponseRedirect(back)
    chosen = request.POST.get("language", "")
    if chosen in Language.values:
        if isinstance(request.user, User):
            choose_language(user=request.user, language=Language(chosen))
        response.set_cookie(
            settings.LANGUAGE_COOKIE_NAME,
            chosen,
            max_age=365 * 24 * 3600,
            secure=settings.SECURE,
            httponly=True,
            samesite="Lax",
        )
    return response
