"""The pages of a login: logging in, a new password, the second step, passkeys and devices, each where it is opened."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from typing import Any

from allauth.account.forms import default_token_generator
from allauth.account.utils import user_pk_to_url_str
from allauth.mfa.models import Authenticator
from allauth.mfa.recovery_codes.internal.auth import RecoveryCodes
from allauth.mfa.totp.internal.auth import TOTP, generate_totp_secret
from cryptography.hazmat.primitives.asymmetric import ec
from django.test import Client
from django.urls import reverse
from fido2.cose import ES256
from fido2.utils import websafe_encode
from fido2.webauthn import AttestationObject, AttestedCredentialData, AuthenticatorData, CollectedClientData

from portal.models import User
from tests import factories
from tests.pages import OUT

NOBODYS = (*OUT, "account_signup", "account_inactive")
"""What is open before somebody logs in."""
BEFORE = ("usersessions_list", "mfa_index", "mfa_activate_totp", "mfa_add_webauthn", "mfa_list_webauthn")
"""What a login without a second step opens."""
AFTER = (
    *("account_change_password", "account_logout", "account_reauthenticate", "account_reset_password_from_key_done"),
    *("mfa_index", "mfa_deactivate_totp", "mfa_view_recovery_codes", "mfa_generate_recovery_codes"),
    *("mfa_list_webauthn", "mfa_reauthenticate", "mfa_reauthenticate_webauthn"),
)
"""What one with a second step does."""
OF_PASSKEY = ("mfa_edit_webauthn", "mfa_remove_webauthn")
LOGINS = {*NOBODYS, *BEFORE, *AFTER, *OF_PASSKEY, "account_reset_password_from_key", "mfa_authenticate"}
NOT_OPENED = {
    "account_set_password": "everybody has one from the invitation on: it leads to the change of it",
    "account_email_verification_sent": "addresses are not verified: nothing leads there",
    "account_confirm_email": "addresses are not verified: nothing leads there",
    "account_confirm_login_code": "nobody logs in by a code of a mail",
    "account_email": "a login's address is not changed: there is no such page",
    "mfa_download_recovery_codes": "a file",
}


def logins_pages(user: User) -> Iterator[tuple[Client, list[str]]]:
    """The pages at each step; the client has the session that opens them."""
    yield Client(), [reverse(name) for name in NOBODYS]
    key = {"uidb36": user_pk_to_url_str(user), "key": default_token_generator.make_token(user)}
    client = Client()
    led_on = client.get(reverse("account_reset_password_from_key", kwargs=key))  # to a page without the key
    yield client, [led_on["Location"]]
    client = logged_in(user)
    yield client, [reverse(name) for name in BEFORE]
    TOTP.activate(user, generate_totp_secret())
    RecoveryCodes.activate(user)
    passkey = Authenticator.objects.create(
        user=user, type=Authenticator.Type.WEBAUTHN, data={"name": "The office's phone", "credential": new_credential()}
    )
    yield client, [reverse(name) for name in AFTER] + [reverse(name, args=[passkey.pk]) for name in OF_PASSKEY]
    Authenticator.objects.filter(pk=passkey.pk).delete()
    yield logged_in(user), [reverse("mfa_authenticate")]


def new_credential() -> dict[str, Any]:
    """What a browser answers when a passkey is made (W3C WebAuthn level 2, 5.1 and 6.5), by the library's own parts."""
    public = ec.generate_private_key(ec.SECP256R1()).public_key()
    key = ES256.from_cryptography_key(public)  # type: ignore[no-untyped-call]  # fido2 leaves its name untyped
    made = AttestedCredentialData.create(bytes(16), b"the office's", key)
    flags = AuthenticatorData.FLAG.UP | AuthenticatorData.FLAG.UV | AuthenticatorData.FLAG.AT
    of_host = AuthenticatorData.create(hashlib.sha256(b"localhost").digest(), flags, 0, made)
    told = CollectedClientData.create("webauthn.create", bytes(16), "http://localhost")
    answer = {"clientDataJSON": told, "attestationObject": AttestationObject.create("none", of_host, {})}
    name = websafe_encode(made.credential_id)
    response = {what: websafe_encode(bytes(part)) for what, part in answer.items()}
    return {"id": name, "rawId": name, "type": "public-key", "response": response}


def logged_in(user: User) -> Client:
    """By the log-in page: what matters asks again of who did not come through it."""
    client = Client()
    client.post(reverse("account_login"), {"login": user.email, "password": factories.PASSWORD})
    return client
