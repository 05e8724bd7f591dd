"""What is answered when something broke on our side, when the disk is full, and to what cannot be read at all."""

from __future__ import annotations

import sys

from django.http import HttpRequest, HttpResponse, JsonResponse
from django.template.loader import render_to_string
from django.utils.translation import gettext as _
from django.views.defaults import bad_request, server_error

from portal.actions.files import no_room


def broken(request: HttpRequest) -> HttpResponse:
    """Answer for an error that nothing else has answered for; a full disk is told in a sentence (RFC 4918, 507)."""
    if not no_room(sys.exception()):
        return server_error(request)
    said = _("The portal's disk is full, so this was not kept. Send it again later.")
    if request.path.startswith("/api/"):
        return JsonResponse({"detail": said}, status=507)
    if request.headers.get("accept", "").startswith("application/json"):
        return JsonResponse({"problem": said}, status=507)
    return HttpResponse(render_to_string("507.html", {"said": said}), status=507)


def unreadable(request: HttpRequest, exception: Exception) -> HttpResponse:
    """Answer for a form in pieces or with zero bytes: a page for people, the API's own kind of answer for scripts."""
    if request.path.startswith("/api/"):
        return JsonResponse({"detail": _("That request could not be read")}, status=400)
    return bad_request(request, exception)
