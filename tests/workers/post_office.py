"""A mail server whose behaviour at each step of SMTP a test decides."""

from __future__ import annotations

import asyncio
import email
import socket
import threading
from collections import Counter
from collections.abc import Callable
from types import TracebackType
from typing import Any, Self

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, Envelope, Session

STAGES = ("greeting", "helo", "mail", "rcpt", "data", "content", "kept")
"""Where a mail can be: data is before the server asks for it, content before it keeps it, kept after."""


class _Server(SMTP):
    office: PostOffice
    holds_at: str | None = None

    async def _handle_client(self) -> None:
        self.holds_at = self.office.holds.pop(0) if self.office.holds else None
        await self.office.reach("greeting", "", self)
        await super()._handle_client()

    async def smtp_DATA(self, arg: str) -> None:
        await self.office.reach("data", self.envelope.rcpt_tos[0] if self.envelope else "", self)
        await super().smtp_DATA(arg)


class _Controller(Controller):
    office: PostOffice

    def factory(self) -> SMTP:
        server = _Server(self.handler, hostname="post.example", timeout=600)
        server.office = self.office
        self.office.servers.append(server)
        return server


class PostOffice:
    """Keeps every mail it took. ``hold`` names a step at which it stops; ``answer`` may refuse at any step.

    ``holds`` names the step for one connection each, in the order in which they come.
    """

    def __init__(self, port: int = 0) -> None:
        self.port = port or _free_port()
        self.arrived: list[str] = []
        self.servers: list[SMTP] = []
        self.hold: str | None = None
        self.holds: list[str] = []
        self.held: list[str] = []
        self.holding = threading.Event()
        self.go_on = threading.Event()
        self.drop: str | None = None
        self.seconds_a_mail = 0.0
        self.answer: Callable[[str, str], str | None] = lambda stage, to: None
        self._controller = _Controller(self, hostname="127.0.0.1", port=self.port)
        self._controller.office = self

    def __enter__(self) -> Self:
        self._controller.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.release()
        asyncio.run_coroutine_threadsafe(self._close_all(), self._controller.loop).result(10)
        self._controller.stop()

    def copies(self) -> Counter[str]:
        """How often each Message-ID arrived."""
        return Counter(self.arrived)

    def release(self) -> None:
        """Let whatever is held go on, and hold no more."""
        self.hold = None
        self.holds.clear()
        for server in self.servers:
            server.holds_at = None  # type: ignore[attr-defined]  # of _Server
        self.go_on.set()

    async def reach(self, stage: str, to: str, server: SMTP) -> str | None:
        """A mail has come to a step: hold it there, or refuse it."""
        if stage in (self.hold, getattr(server, "holds_at", None)):
            self.go_on.clear()
            self.held.append(stage)
            self.holding.set()
            while not self.go_on.is_set():
                await asyncio.sleep(0.01)
        return self.answer(stage, to)

    # --- the hooks aiosmtpd calls ---

    async def handle_EHLO(
        self, server: SMTP, session: Session, envelope: Envelope, hostname: str, responses: list[str]
    ) -> list[str]:
        session.host_name = hostname
        refused = await self.reach("helo", "", server)
        return [refused] if refused else responses

    async def handle_MAIL(
        self, server: SMTP, session: Session, envelope: Envelope, address: str, options: list[str]
    ) -> str:
        refused = await self.reach("mail", "", server)
        if not refused:
            envelope.mail_from = address
        return refused or "250 OK"

    async def handle_RCPT(
        self, server: SMTP, session: Session, envelope: Envelope, address: str, options: list[str]
    ) -> str:
        refused = await self.reach("rcpt", address, server)
        if not refused:
            envelope.rcpt_tos.append(address)
        return refused or "250 OK"

    async def handle_DATA(self, server: SMTP, session: Session, envelope: Envelope) -> str:
        to = envelope.rcpt_tos[0]
        refused = await self.reach("content", to, server)
        if refused:
            return refused
        if self.drop == "content":
            self._hang_up(server)
            return "451 gone"
        await asyncio.sleep(self.seconds_a_mail)
        content: Any = envelope.content
        self.arrived.append(str(email.message_from_bytes(content)["Message-ID"]))
        await self.reach("kept", to, server)
        if self.drop == "kept":
            self._hang_up(server)
        return "250 OK"

    async def _close_all(self) -> None:
        for server in self.servers:
            if server.transport is not None:
                self._hang_up(server)
        for _ in range(20):  # what was held sees that its client is gone
            await asyncio.sleep(0.01)

    def _hang_up(self, server: SMTP) -> None:
        assert server.transport is not None
        server.transport.abort()  # type: ignore[attr-defined]  # a TCP transport


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port
