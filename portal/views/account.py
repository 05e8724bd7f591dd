"""Accounts: allauth's pages, but nobody signs up unasked, and who guesses locks out only themselves."""

from __future__ import annotations

from typing import Any, ClassVar
from urllib.parse import quote

from allauth.account.adapter import DefaultAccountAdapter
from allauth.core import ratelimit
from allauth.core.internal.ratelimit import get_ip
from django.conf import settings
from django.http import Http404, HttpRequest, HttpResponse
from django.urls import reverse
from django.utils.translation import gettext_lazy


class InvitedOnly(DefaultAccountAdapter):  # type: ignore[misc]  # allauth carries no types
    """People come by invitation of a business; there is no open sign-up."""

    error_messages: ClassVar[dict[str, Any]] = DefaultAccountAdapter.error_messages | {
        "too_many_login_attempts": gettext_lazy(
            "Too many wrong passwords. Wait five minutes, or choose a new password by mail: that works at once."
        )
    }

    def is_open_for_signup(self, request: HttpRequest) -> bool:
        return False

    def populate_username(self, request: HttpRequest, user: Any) -> None:
        """Users have no user name: the e-mail address is the login."""

    def get_reset_password_from_key_url(self, key: str) -> str:
        """The link of the mail, at the portal's own address: a request may name any host."""
        path = reverse("account_reset_password_from_key", kwargs={"uidb36": "UID", "key": "KEY"})
        return str(settings.BASE_URL) + path.replace("UID-KEY", quote(key))

    def _get_login_attempts_cache_key(self, request: HttpRequest, **credentials: Any) -> str:
        """Wrong passwords are counted by login and address: allauth counts by login, so anybody locks anybody out."""
        return f"{get_ip(request)}:{credentials.get('email', '').lower()}"

    def pre_authenticate(self, request: HttpRequest, **credentials: Any) -> None:
        super().pre_authenticate(request, **credentials)
        login = credentials.get("email", "").lower()
        self._from_anywhere = ratelimit._impl.consume(
            request, app="allauth.account", action="login_failed_from_anywhere", key=login
        )
        if not self._from_anywhere:
            raise self.validation_error("too_many_login_attempts")

    def _rollback_login_failed_rl_usage(self) -> None:
        super()._rollback_login_failed_rl_usage()
        if usage := getattr(self, "_from_anywhere", None):
            usage.rollback()

    def set_password(self, user: Any, password: str) -> None:
        """Who has chosen a new password, by mail or by telling the old one, is counted from the start."""
        super().set_password(user, password)
        self._delete_login_attempts_cached_email(self.request, email=user.email)
        ratelimit.clear(self.request, action="login_failed_from_anywhere", key=user.email.lower())


def login_address(request: HttpRequest) -> HttpResponse:
    """Nobody changes their login address here: it is not confirmed, and access is given by address.

    Whoever took somebody else's address would be given what the firm means for its owner.
    """
    raise Http404
