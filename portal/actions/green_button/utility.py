"""The utility's server: who may be asked for what, with which tokens, and how its answers are taken."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from email.utils import parsedate_to_datetime
from typing import Any, NamedTuple
from urllib.parse import unquote

from authlib.integrations.base_client import OAuthError
from authlib.integrations.requests_client import OAuth2Session
from django.conf import settings
from django.urls import reverse
from django.utils.translation import gettext_noop
from requests import RequestException, TooManyRedirects

from portal.actions import sealed
from portal.actions.bounded import PATIENCE_S, TooLarge, TooSlow, take_in

NEEDED = ("name", "authorize", "token", "resources", "client", "secret", "scope")
UTILITY_DEADLINE_S = 120
"""Seconds after which a utility's server is left alone for a while. Common practice, no
source."""
MOST_ANSWER_BYTES = 64 * 1024 * 1024
"""Ten years of one meter's 15-minute readings as Green Button XML take about 60 MB (reckoned)."""
LONGEST_ADDRESS = 1000
"""Characters that the column of an address holds (``UtilityBatch.address``), by definition."""


class NotHanded(Exception):
    """The utility's server did not hand over what was asked for; the message says why, ``later`` when to ask again."""

    def __init__(self, why: str, *, later: timedelta | None = None, gone: bool = False) -> None:
        super().__init__(why)
        self.later, self.gone = later, gone


class Withdrawn(Exception):
    """The utility takes the tokens no longer: the permission was withdrawn, or has run out."""


class KeysLost(Exception):
    """Renewed tokens did not arrive here once, and the utility takes the old ones no longer."""


class TokenRefused(Exception):
    """The server does not take the token that went along (401)."""


class Answer(NamedTuple):
    """What the utility handed over; no content where there is nothing new."""

    content: bytes
    last_modified: str = ""


def missing() -> list[str]:
    """Which of the settings that are needed together are empty."""
    return [name for name in NEEDED if not settings.GREEN_BUTTON[name]]


def offered() -> bool:
    """Whether a utility can be connected here at all."""
    return not missing()


def session(tokens: Mapping[str, Any] | None = None, **more: Any) -> OAuth2Session:
    """A client of the utility's server. It follows no redirect: tokens go only where the operator has said."""
    made = OAuth2Session(
        client_id=settings.GREEN_BUTTON["client"],
        client_secret=settings.GREEN_BUTTON["secret"],
        scope=settings.GREEN_BUTTON["scope"],
        redirect_uri=settings.BASE_URL.rstrip("/") + reverse("utility_back"),
        token_endpoint=settings.GREEN_BUTTON["token"],
        code_challenge_method="S256",
        token=dict(tokens) if tokens else None,
        default_timeout=PATIENCE_S,
        **more,
    )
    made.max_redirects = 0
    made.headers["User-Agent"] = "Rinsemark"
    return made


def seal(secret: Mapping[str, Any]) -> bytes:
    return sealed.box("utility").encrypt(json.dumps(dict(secret)).encode())


def unseal(secret: bytes | memoryview | None) -> dict[str, Any]:
    """The tokens, or the code that is to be exchanged for them. Raises InvalidToken where the key is another."""
    opened: dict[str, Any] = json.loads(sealed.box("utility").decrypt(bytes(secret or b"")))
    return opened


def ours_to_ask(address: str) -> bool:
    """Whether an address is one of the utility's resources: no other is ever asked, whoever named it."""
    base = settings.GREEN_BUTTON["resources"].rstrip("/") + "/"
    path = unquote(address.partition("?")[0])  # a client resolves dots, also written as %2e, and would leave the base
    leaves = "\\" in path or any(part in (".", "..") for part in path.split("/"))
    return address.startswith(base) and not leaves and len(address) <= LONGEST_ADDRESS


def batch_of(address: str) -> str:
    """Where a subscription's readings are: ``Batch/Subscription/…`` (ESPI's function block 3)."""
    return address if "/Batch/" in address else address.replace("/Subscription/", "/Batch/Subscription/", 1)


def lies_in(address: str, subscription: str) -> bool:
    """Whether an address is a subscription's batch or lies below it; a query says nothing of whose it is."""
    path, own = (one.partition("?")[0].rstrip("/") for one in (batch_of(address), subscription))
    return path == own or path.startswith(own + "/")


def withdrawn_by(error: OAuthError) -> bool:
    """Whether a refusal of the token endpoint means that the grant is no good any more (RFC 6749, section 5.2)."""
    return error.error in ("invalid_grant", "unauthorized_client")


def get(client: OAuth2Session, address: str, *, params: Mapping[str, str], last_modified: str, now: datetime) -> Answer:
    """Get a resource, bounded in size and time. No content: nothing changed.

    Raises NotHanded, and TokenRefused where the token is.
    """
    heads = {"Accept": "application/atom+xml, application/xml;q=0.9"}
    if last_modified:
        heads["If-Modified-Since"] = last_modified
    try:
        answer = client.get(address, params=params, headers=heads, stream=True, allow_redirects=False)
        with answer:
            if answer.status_code == 401:
                raise TokenRefused
            if answer.status_code in (204, 304):
                return Answer(b"", last_modified)
            if answer.status_code == 202:
                raise NotHanded(
                    gettext_noop("The utility's server is still making the readings ready."),
                    later=_later(answer.headers.get("Retry-After", ""), now),
                )
            if answer.status_code != 200:
                raise NotHanded(
                    gettext_noop("The utility's server answered {code} {reason}.").format(
                        code=answer.status_code, reason=answer.reason or ""
                    ),
                    later=_later(answer.headers.get("Retry-After", ""), now),
                    gone=answer.status_code in (404, 410),
                )
            parts = answer.iter_content(1 << 16)
            content = take_in(parts, most_bytes=MOST_ANSWER_BYTES, deadline_s=UTILITY_DEADLINE_S)
            return Answer(content, answer.headers.get("Last-Modified", "")[:80])
    except TooLarge:
        said = gettext_noop("What the utility sent is larger than {most} MB.")
        raise NotHanded(said.format(most=MOST_ANSWER_BYTES // 2**20)) from None
    except TooSlow:
        said = gettext_noop("The utility's readings had not come after {seconds} seconds.")
        raise NotHanded(said.format(seconds=UTILITY_DEADLINE_S)) from None
    except TooManyRedirects as elsewhere:
        code = elsewhere.response.status_code if elsewhere.response is not None else ""
        said = gettext_noop("The utility's server answered {code} {reason}.").format(code=code, reason="Redirect")
        raise NotHanded(said) from None
    except RequestException:  # its words hold addresses
        raise NotHanded(gettext_noop("The utility's server cannot be reached.")) from None


def _later(said: str, now: datetime) -> timedelta | None:
    """What ``Retry-After`` asks for (RFC 9110, section 10.2.3), up to a day."""
    if said.isdecimal():
        return timedelta(seconds=min(int(said[:6]), 86_400))
    try:
        at = parsedate_to_datetime(said)
    except ValueError:
        return None
    at = at if at.tzinfo else at.replace(tzinfo=UTC)
    return min(max(at - now, timedelta()), timedelta(days=1))
