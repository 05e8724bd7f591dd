"""A roof's own address for mails with readings: ``readings+<token>@…``."""

from __future__ import annotations

import base64
import re
from collections.abc import Iterable
from email.utils import getaddresses

from django.conf import settings
from django.utils.crypto import constant_time_compare, salted_hmac

from portal.models import Site

TOKEN_BYTES = 10
"""80 bits cannot be guessed; letters of one case only, for some programs change it. [bytes] Common practice, no
source."""
_TOKEN = re.compile(r"(\d{1,15})x([a-z2-7]{16})")


def address_of(site: Site) -> str:
    """Return a roof's address; empty where no mail is taken."""
    name, _, domain = settings.READINGS_ADDRESS.rpartition("@")
    return f"{name}+{site.pk}x{_proof(site.pk, settings.SECRET_KEY)}@{domain}" if name else ""


def site_at(addresses: Iterable[str]) -> Site | None:
    """Return the roof to whose address a mail came; None where none of its addresses is one."""
    name, _, domain = settings.READINGS_ADDRESS.lower().rpartition("@")
    if not name:
        return None
    for _said, address in getaddresses(list(addresses)):
        local, _, at = address.lower().rpartition("@")
        own, plus, token = local.partition("+")
        found = _TOKEN.fullmatch(token) if plus and (own, at) == (name, domain) else None
        keys = [settings.SECRET_KEY, *settings.SECRET_KEY_FALLBACKS]
        if found and any(constant_time_compare(found[2], _proof(int(found[1]), key)) for key in keys):
            return Site.objects.filter(pk=int(found[1])).first()
    return None


def _proof(site_id: int, key: str) -> str:
    digest = salted_hmac("readings by mail", str(site_id), key, algorithm="sha256").digest()
    return base64.b32encode(digest[:TOKEN_BYTES]).decode().lower()
