"""Secrets that open something without a login, tokens for scripts and calendar feeds: made, used, revoked."""

from __future__ import annotations

from datetime import datetime, timedelta

from django.db import transaction

from portal.actions.trail import note
from portal.models import Business, CalendarFeed, Deed, Scope, Site, Token, User, hash_token, new_secret

USE_NOTED_EVERY = timedelta(minutes=1)
"""A token's last use is written down no more often. No source."""
LONGEST_LIFE = timedelta(days=365)
"""A forgotten token of a forgotten computer ends by itself. Common practice, no source."""


@transaction.atomic
def make_token(
    *,
    name: str,
    created_by: User,
    now: datetime,
    business: Business | None = None,
    site: Site | None = None,
    scope: Scope = Scope.BOTH,
    lasts: timedelta = LONGEST_LIFE,
) -> tuple[Token, str]:
    """Make a token for a business or a site. Returns it with its secret, which is kept nowhere."""
    secret = new_secret()
    firm = site.customer.business if site else business
    token = Token.objects.create(
        name=name,
        hashed=hash_token(secret),
        hint=secret[-4:],
        business=business,
        site=site,
        created_by=created_by,
        created_at=now,
        scope=scope,
        expires_at=now + min(lasts, LONGEST_LIFE),
    )
    assert firm is not None, "a token is for a site or a business"
    note(deed=Deed.TOKEN, about=f"token {token.pk}", business=firm, by=created_by, now=now)
    return token, secret


def use_token(*, secret: str, now: datetime) -> Token | None:
    """Return the live token of a secret and note that it was used; None for any other text."""
    token = Token.objects.live(now).select_related("created_by").filter(hashed=hash_token(secret)).first()
    if token and (token.last_used_at is None or now - token.last_used_at > USE_NOTED_EVERY):
        Token.objects.filter(pk=token.pk).update(last_used_at=now)
    return token


@transaction.atomic
def revoke_token(*, token: Token, by: User | None, now: datetime) -> None:
    """Make a token useless at once; revoking it twice changes nothing."""
    if Token.objects.filter(pk=token.pk, revoked_at=None).update(revoked_at=now):
        firm = token.site.customer.business if token.site else token.business
        assert firm is not None, "a token is for a site or a business"
        note(deed=Deed.REVOKED, about=f"token {token.pk}", business=firm, by=by, now=now)


@transaction.atomic
def new_calendar_feed(*, user: User, now: datetime) -> str:
    """Give a technician a new secret for their feed's address, kept nowhere; the one before stops working."""
    User.objects.select_for_update().get(pk=user.pk)  # a doubled click comes one after the other
    revoke_calendar_feeds(user=user, now=now)
    secret = new_secret()
    CalendarFeed.objects.create(user=user, hashed=hash_token(secret))
    return secret


def revoke_calendar_feeds(*, user: User, now: datetime) -> None:
    CalendarFeed.objects.filter(user=user, revoked_at=None).update(revoked_at=now)
