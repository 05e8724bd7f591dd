"""A data custodian as ESPI has it, on this machine: OAuth 2 by oauthlib (the portal uses another library), resources as
Atom feeds, in a thread.

Paths and tokens are those of the standard's table of APIs (green-button.github.io, "api_specification"): a batch is
asked for with the customer's access token, an authorization with the client's own. The notice is a ``BatchList`` of
``resources`` in the namespace http://naesb.org/espi.
"""

from __future__ import annotations

import threading
from base64 import b64encode
from collections.abc import Callable
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any
from urllib.parse import parse_qs, urlsplit

from oauthlib.oauth2 import RequestValidator, Server

CLIENT, SECRET, SCOPE = "rinsemark", "a-client-s-secret", "FB=1_3_4_5_13_14_39;IntervalDuration=900;BlockDuration=daily"
BACK = "http://localhost:8000/utility/back/"
XML = "application/atom+xml"


@dataclass
class Asked:
    """One request for a resource."""

    method: str
    path: str
    query: dict[str, list[str]]
    token: str
    since: str


@dataclass
class Books(RequestValidator):  # type: ignore[misc]  # oauthlib carries no types
    """What the custodian has granted. Refresh tokens are good for once (RFC 9700, section 4.14)."""

    home: str = ""
    codes: dict[str, dict[str, Any]] = field(default_factory=dict)
    challenges: list[str] = field(default_factory=list)
    access: set[str] = field(default_factory=set)
    refresh: set[str] = field(default_factory=set)
    of_clients: set[str] = field(default_factory=set)
    revoked: list[str] = field(default_factory=list)

    def __hash__(self) -> int:
        return id(self)

    def _known(self, request: Any) -> bool:
        request.client = type("Client", (), {"client_id": CLIENT})()
        return True

    def validate_client_id(self, client_id: str, request: Any, *args: Any, **kwargs: Any) -> bool:
        return client_id == CLIENT and self._known(request)

    def validate_redirect_uri(self, client_id: str, redirect_uri: str, *args: Any, **kwargs: Any) -> bool:
        return redirect_uri == BACK

    def validate_response_type(self, client_id: str, response_type: str, *args: Any, **kwargs: Any) -> bool:
        return response_type == "code"

    def validate_scopes(self, client_id: str, scopes: list[str], *args: Any, **kwargs: Any) -> bool:
        return scopes == SCOPE.split()

    def get_default_scopes(self, client_id: str, request: Any, *args: Any, **kwargs: Any) -> list[str]:
        return SCOPE.split()

    def save_authorization_code(self, client_id: str, code: dict[str, str], request: Any, *a: Any, **k: Any) -> None:
        self.codes[code["code"]] = {
            "challenge": request.code_challenge,
            "method": request.code_challenge_method,
            "scopes": request.scopes,
        }
        self.challenges.append(request.code_challenge)

    def authenticate_client(self, request: Any, *args: Any, **kwargs: Any) -> bool:
        said = request.headers.get("Authorization", "")
        basic = b64encode(f"{CLIENT}:{SECRET}".encode()).decode()
        return bool(said == f"Basic {basic}") and self._known(request)

    def client_authentication_required(self, request: Any, *args: Any, **kwargs: Any) -> bool:
        return True

    def validate_grant_type(self, client_id: str, grant_type: str, *args: Any, **kwargs: Any) -> bool:
        return grant_type in ("authorization_code", "refresh_token", "client_credentials")

    def validate_code(self, client_id: str, code: str, client: Any, request: Any, *args: Any, **kwargs: Any) -> bool:
        if code not in self.codes:
            return False
        request.scopes, request.user = self.codes[code]["scopes"], "customer"
        return True

    def is_pkce_required(self, client_id: str, request: Any) -> bool:
        return True

    def get_code_challenge(self, code: str, request: Any) -> str:
        return str(self.codes[code]["challenge"])

    def get_code_challenge_method(self, code: str, request: Any) -> str:
        return str(self.codes[code]["method"])

    def confirm_redirect_uri(self, client_id: str, code: str, redirect_uri: str, *a: Any, **k: Any) -> bool:
        return redirect_uri == BACK

    def invalidate_authorization_code(self, client_id: str, code: str, request: Any, *a: Any, **k: Any) -> None:
        del self.codes[code]

    def validate_refresh_token(self, refresh_token: str, client: Any, request: Any, *a: Any, **k: Any) -> bool:
        request.user = "customer"
        return refresh_token in self.refresh

    def get_original_scopes(self, refresh_token: str, request: Any, *args: Any, **kwargs: Any) -> list[str]:
        return SCOPE.split()

    def rotate_refresh_token(self, request: Any) -> bool:
        return True

    def save_token(self, token: dict[str, Any], request: Any, *args: Any, **kwargs: Any) -> None:
        if request.grant_type == "client_credentials":
            self.of_clients.add(token["access_token"])
            return
        self.access = {token["access_token"]}
        self.refresh = {token["refresh_token"]}
        token["resourceURI"] = f"{self.home}/resource/Batch/Subscription/5"
        token["authorizationURI"] = f"{self.home}/resource/Authorization/13"

    def revoke_token(self, token: str, token_type_hint: str, request: Any, *args: Any, **kwargs: Any) -> None:
        self.revoked.append(token_type_hint)
        self.access.discard(token)
        self.refresh.discard(token)


class Custodian:
    """The server, what it has been asked, and how it is to behave."""

    def __init__(self) -> None:
        self.asked: list[Asked] = []
        self.batches: dict[str, bytes] = {}
        """What each path of a batch holds; with a Last-Modified of ``modified``."""
        self.modified = "Mon, 15 Jun 2026 06:00:00 GMT"
        self.status = "1"
        self.answers_with: tuple[int, dict[str, str], bytes] | None = None
        """What every resource answers instead of what it holds."""
        self.before_answer: Callable[[], None] | None = None
        self.down_for_tokens = False
        self.before_tokens: Callable[[], None] | None = None
        self.after_tokens: Callable[[], None] | None = None
        """What happens when tokens are asked for: instead of granting any, and when granted but not yet sent."""
        self.deleted: list[str] = []
        custodian = self

        class Handler(BaseHTTPRequestHandler):
            def log_message(self, *args: Any) -> None:
                """Tests print nothing."""

            def do_GET(self) -> None:
                custodian.answer(self, "GET")

            def do_POST(self) -> None:
                custodian.answer(self, "POST")

            def do_DELETE(self) -> None:
                custodian.answer(self, "DELETE")

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.server.daemon_threads = True
        self.home = f"http://127.0.0.1:{self.server.server_port}/espi/1_1"
        self.books = Books(home=self.home)
        self.oauth = Server(self.books, token_expires_in=3600)

    def __enter__(self) -> Custodian:
        threading.Thread(target=self.server.serve_forever, kwargs={"poll_interval": 0.05}, daemon=True).start()
        return self

    def __exit__(self, *args: object) -> None:
        self.server.shutdown()
        self.server.server_close()

    def settings(self) -> dict[str, str]:
        """What an operator would set for this utility."""
        return {
            "name": "Valley Power",
            "authorize": f"{self.home}/authorize",
            "token": f"{self.home}/token",
            "revoke": f"{self.home}/revoke",
            "resources": f"{self.home}/resource",
            "client": CLIENT,
            "secret": SECRET,
            "scope": SCOPE,
        }

    def says_yes(self, address: str) -> dict[str, str]:
        """The customer logs in there and says yes. Returns what they bring back in the address."""
        secure = address.replace("http://", "https://", 1)  # oauthlib speaks of nothing else
        scopes, _facts = self.oauth.validate_authorization_request(secure, "GET", None, {})
        heads, _body, status = self.oauth.create_authorization_response(secure, "GET", None, {}, scopes)
        assert status == 302
        return {name: said[0] for name, said in parse_qs(urlsplit(heads["Location"]).query).items()}

    def forget_tokens(self) -> None:
        """The customer withdraws the permission on the utility's own page."""
        self.books.access.clear()
        self.books.refresh.clear()
        self.status = "0"

    def answer(self, request: BaseHTTPRequestHandler, method: str) -> None:
        body = request.rfile.read(int(request.headers.get("Content-Length") or 0)).decode()
        path = urlsplit(request.path).path.removeprefix("/espi/1_1")
        heads = dict(request.headers.items())
        if path == "/token" and self.down_for_tokens:
            self.send(request, 503, {}, b"down")
        elif path in ("/token", "/revoke"):
            if self.before_tokens:
                self.before_tokens()
                return
            make = self.oauth.create_token_response if path == "/token" else self.oauth.create_revocation_response
            said, content, status = make(f"https://custodian.example{request.path}", "POST", body, heads)
            if self.after_tokens:
                self.after_tokens()
            self.send(request, status, said, (content or "").encode())
        else:
            self.resource(request, method, path)

    def resource(self, request: BaseHTTPRequestHandler, method: str, path: str) -> None:
        token = request.headers.get("Authorization", "").removeprefix("Bearer ")
        since = request.headers.get("If-Modified-Since", "")
        self.asked.append(Asked(method, path, parse_qs(urlsplit(request.path).query), token, since))
        if self.before_answer:
            self.before_answer()
        good = self.books.of_clients if "/Authorization/" in path else self.books.access
        if token not in good:
            self.send(request, 401, {"WWW-Authenticate": "Bearer"}, b"")
        elif self.answers_with is not None:
            self.send(request, *self.answers_with)
        elif method == "DELETE":
            self.deleted.append(path)
            self.send(request, 200, {}, b"")
        elif "/Authorization/" in path:
            self.send(request, 200, {"Content-Type": XML}, authorization(self.status))
        elif path not in self.batches:
            self.send(request, 404, {}, b"")
        elif since == self.modified:
            self.send(request, 304, {}, b"")
        else:
            self.send(request, 200, {"Content-Type": XML, "Last-Modified": self.modified}, self.batches[path])

    def send(self, request: BaseHTTPRequestHandler, status: int, heads: dict[str, str], content: bytes) -> None:
        request.send_response(status)
        for name, said in heads.items():
            request.send_header(name, said)
        request.send_header("Content-Length", str(len(content)))
        request.end_headers()
        request.wfile.write(content)


def authorization(status: str) -> bytes:
    """An Authorization entry: status 0 revoked, 1 active, 2 denied."""
    return (
        '<entry xmlns="http://www.w3.org/2005/Atom"><id>urn:uuid:13</id><content><Authorization '
        f'xmlns="http://naesb.org/espi"><status>{status}</status></Authorization></content></entry>'
    ).encode()


def notice(*addresses: str) -> bytes:
    """What a custodian posts when there is something to fetch."""
    named = "".join(f"<espi:resources>{address}</espi:resources>" for address in addresses)
    return f'<?xml version="1.0"?><espi:BatchList xmlns:espi="http://naesb.org/espi">{named}</espi:BatchList>'.encode()
