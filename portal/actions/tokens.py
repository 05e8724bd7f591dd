"""Tokens for scripts: made, used, revoked."""

from __future__ import annotations

from datetime import datetime, timedelta

from portal.models import Business, Site, Token, User, hash_token, new_secret

USE_NOTED_EVERY = timedelta(minutes=1)


def make_token(
    *, name: str, created_by: User, now: datetime, business: Business | None = None, site: Site | None = None
) -> tuple[Token, str]:
    """Make a token for a business or a site. Returns it with its secret, which is kept nowhere."""
    secret = new_secret()
    token = Token.objects.create(
        name=name,
        hashed=hash_token(secret),
        hint=secret[-4:],
        business=business,
        site=site,
        created_by=created_by,
        created_at=now,
    )
    return token, secret


def use_token(*, secret: str, now: datetime) -> Token | None:
    """Return the live token of a secret and note that it was used; None for any other text."""
    token = Token.objects.live().select_related("created_by").filter(hashed=hash_token(secret)).first()
    if token and (token.last_used_at is None or now - token.last_used_at > USE_NOTED_EVERY):
        Token.objects.filter(pk=token.pk).update(last_used_at=now)
    return token


def revoke_token(*, token: Token, now: datetime) -> None:
    """Make a token useless at once; revoking it twice changes nothing."""
    Token.objects.filter(pk=token.pk, revoked_at=None).update(revoked_at=now)
