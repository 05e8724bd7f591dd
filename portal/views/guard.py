"""What stands before every page: no text that no database takes, a second step where a login opens customers' data,
a short session there, and no copy of a private page on the way or in the browser."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import Any, TypeVar, cast

from allauth.account.adapter import get_adapter
from allauth.core.exceptions import ReauthenticationRequired
from allauth.mfa.models import Authenticator
from allauth.mfa.utils import is_mfa_enabled
from django.conf import settings
from django.contrib import messages
from django.contrib.auth import user_logged_in
from django.core.exceptions import SuspiciousOperation
from django.dispatch import receiver
from django.http import HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.shortcuts import redirect
from django.utils.translation import gettext as _

from portal.models import OFFICE_ROLES, User

GetResponse = Callable[[HttpRequest], HttpResponse]
View = Callable[..., HttpResponse]
V = TypeVar("V", bound=Callable[..., HttpResponseBase])

WITHOUT = ("/accounts/", "/language/")
"""Where somebody sets their second step up, logs out, and chooses a language."""
SECOND_STEPS = (Authenticator.Type.TOTP, Authenticator.Type.WEBAUTHN)


def refuse_nul(get_response: GetResponse) -> GetResponse:
    """A zero byte comes from no keyboard, and PostgreSQL takes none in a text."""

    def answer(request: HttpRequest) -> HttpResponse:
        if "\0" in request.path_info or "%00" in request.META.get("QUERY_STRING", ""):
            raise SuspiciousOperation("zero byte")
        return get_response(request)

    answer.process_view = _refuse_nul_in_a_form  # type: ignore[attr-defined]  # Django's way to ask before a view
    return answer


def _refuse_nul_in_a_form(request: HttpRequest, view: Any, args: Any, kwargs: Any) -> None:
    if any("\0" in text for key, texts in request.POST.lists() for text in (key, *texts)):
        raise SuspiciousOperation("zero byte")


def guard(get_response: GetResponse) -> GetResponse:
    def answer(request: HttpRequest) -> HttpResponse:
        user = request.user
        if not isinstance(user, User):
            return get_response(request)
        if opens_customers_data(user):
            if request.session.get_expiry_age() > settings.STAFF_SESSION_AGE:
                request.session.set_expiry(settings.STAFF_SESSION_AGE)
            without = request.path.startswith(WITHOUT)
            if settings.SECOND_FACTOR_REQUIRED and not without and not is_mfa_enabled(user, SECOND_STEPS):
                messages.warning(request, _("Your login opens customers' data. Set up a second step first."))
                return redirect("mfa_activate_totp")
        response = get_response(request)
        if not response.has_header("Cache-Control"):
            response["Cache-Control"] = "private, no-store"
        return response

    return answer


def asks_again(view: V) -> V:
    """A form that matters wants the password or code again, unless they were given a moment ago; then it goes on."""
    return _asks_again(view, to_read=False)


def asks_again_to_read(view: V) -> V:
    """The same for what takes many people's data away."""
    return _asks_again(view, to_read=True)


def _asks_again(view: V, *, to_read: bool) -> V:
    @wraps(view)
    def answer(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponseBase:
        if (to_read or request.method == "POST") and get_adapter().is_reauthentication_required(app="portal"):
            if request.FILES:
                messages.warning(request, _("The file did not come along: choose it once more."))
            raise ReauthenticationRequired
        return view(request, *args, **kwargs)

    return cast(V, answer)


def opens_customers_data(user: User) -> bool:
    """Owners, the office and who runs the portal; an invented firm has no customers, and its logins are public."""
    if user.is_staff or user.is_superuser:
        return True
    return any(role in OFFICE_ROLES and not invented for role, invented in user.held)


@receiver(user_logged_in)
def end_sooner(sender: Any, request: HttpRequest, user: User, **more: Any) -> None:
    """From the start, so that no later page has to write the session anew."""
    if opens_customers_data(user):
        request.session.set_expiry(settings.STAFF_SESSION_AGE)
