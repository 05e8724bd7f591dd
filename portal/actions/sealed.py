"""What is kept encrypted: the secrets of second steps, and the tokens with which a utility hands readings over."""

from __future__ import annotations

import hashlib
from base64 import urlsafe_b64encode

from cryptography.fernet import Fernet, MultiFernet
from django.conf import settings
from django.utils.encoding import force_bytes


def box(purpose: str) -> MultiFernet:
    """Keyed by the portal's secret key, so that a copy of the database alone opens nothing."""
    keys = [settings.SECRET_KEY, *settings.SECRET_KEY_FALLBACKS]
    digests = (hashlib.sha256(f"{purpose} ".encode() + force_bytes(key)).digest() for key in keys)
    return MultiFernet([Fernet(urlsafe_b64encode(digest)) for digest in digests])
