"""Accounts: allauth's pages, but nobody signs up unasked."""

from typing import Any

from allauth.account.adapter import DefaultAccountAdapter
from django.http import Http404, HttpRequest, HttpResponse


class InvitedOnly(DefaultAccountAdapter):  # type: ignore[misc]  # allauth carries no types
    """People come by invitation of a business; there is no open sign-up."""

    def is_open_for_signup(self, request: HttpRequest) -> bool:
        return False

    def populate_username(self, request: HttpRequest, user: Any) -> None:
        """Users have no user name: the e-mail address is the login."""


def login_address(request: HttpRequest) -> HttpResponse:
    """Nobody changes their login address here: it is not confirmed, and access is given by address.

    Whoever took somebody else's address would be given what the firm means for its owner.
    """
    raise Http404
