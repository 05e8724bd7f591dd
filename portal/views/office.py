"""Who runs a firm, for the pages that are the office's alone."""

from __future__ import annotations

from typing import cast

from django.core.exceptions import PermissionDenied
from django.http import HttpRequest

from portal.models import Business, User


def office(request: HttpRequest) -> tuple[User, Business]:
    """The user and the first firm they run; everybody else is refused."""
    user = cast(User, request.user)
    firm = Business.objects.managed_by(user).order_by("pk").first()
    if firm is None:
        raise PermissionDenied
    return user, firm
