"""Accounts: allauth's pages, but nobody signs up unasked, and who guesses locks out only themselves."""

from __future__ import annotations

import time
from typing import Any, ClassVar
from urllib.parse import quote

from allauth.account.adapter import DefaultAccountAdapter
from allauth.account.internal.flows.login import get_authentication_records
from allauth.core import ratelimit
from allauth.core.internal.ratelimit import get_ip
from allauth.mfa.adapter import DefaultMFAAdapter
from allauth.mfa.models import Authenticator
from django.conf import settings
from django.http import Http404, HttpRequest, HttpResponse
from django.urls import reverse
from django.utils import translation
from django.utils.translation import gettext_lazy

from portal.actions import sealed
from portal.views.guard import SECOND_STEPS, opens_customers_data


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

    def is_reauthentication_required(self, *, app: str, **more: Any) -> bool:
        """What matters asks for the password or code again, but not of who gave them a moment ago."""
        records = get_authentication_records(self.request, self.request.user)
        return not records or time.time() - records[-1]["at"] > settings.ACCOUNT_REAUTHENTICATION_TIMEOUT

    def send_notification_mail(self, template_prefix: str, user: Any, context: Any = None, email: Any = None) -> None:
        """Tell whoever owns a login, in their language, whoever it was that changed it."""
        reset = settings.BASE_URL + reverse("account_reset_password")
        with translation.override(user.language):
            super().send_notification_mail(template_prefix, user, {**(context or {}), "reset_address": reset}, email)

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


class SecondStep(DefaultMFAAdapter):  # type: ignore[misc]  # allauth carries no types
    """The second step's secrets are kept encrypted; who must have one cannot take the last one off."""

    def get_totp_issuer(self) -> str:
        return "Rinsemark"

    def encrypt(self, text: str) -> str:
        return sealed.box("second step").encrypt(text.encode()).decode()

    def decrypt(self, encrypted_text: str) -> str:
        return sealed.box("second step").decrypt(encrypted_text.encode()).decode()

    def can_delete_authenticator(self, authenticator: Authenticator) -> bool:
        user = authenticator.user
        if not settings.SECOND_FACTOR_REQUIRED or not opens_customers_data(user):
            return True
        others = Authenticator.objects.filter(user=user, type__in=SECOND_STEPS).exclude(pk=authenticator.pk)
        return authenticator.type not in SECOND_STEPS or others.exists()

    error_messages: ClassVar[dict[str, Any]] = DefaultMFAAdapter.error_messages | {
        "cannot_delete_authenticator": gettext_lazy(
            "Your login needs a second step. Add a passkey first, then take this one off."
        ),
    }


def login_address(request: HttpRequest) -> HttpResponse:
    """Nobody changes their login address here: it is not confirmed, and access is given by address.

    Whoever took somebody else's address would be given what the firm means for its owner.
    """
    raise Http404
