"""A small IMAP server (RFC 3501) with one box, in a thread: enough for who logs in, looks for unread mails, takes them
and marks them as read. What is put into ``mails`` lies in it."""

from __future__ import annotations

import re
import socketserver
import threading
from types import TracebackType
from typing import Self


class ImapBox:
    """``mails`` by their number; ``seen`` are those marked as read."""

    def __init__(self) -> None:
        self.mails: dict[int, bytes] = {}
        self.seen: set[int] = set()
        self.logins: list[str] = []
        self.fetched: list[int] = []
        self.drop_at = ""
        """A command at which the connection is cut, once."""

    def put(self, raw: bytes) -> None:
        self.mails[len(self.mails) + 1] = raw

    def __enter__(self) -> Self:
        box = self

        class Handler(socketserver.StreamRequestHandler):
            def handle(self) -> None:
                self.wfile.write(b"* OK ready\r\n")
                while line := self.rfile.readline():
                    tag, _, command = line.decode().strip().partition(" ")
                    if box.drop_at and command.startswith(box.drop_at):
                        box.drop_at = ""
                        return
                    self.wfile.write(box.answer(command) + f"{tag} OK done\r\n".encode())
                    if command == "LOGOUT":
                        return

        self.server = socketserver.ThreadingTCPServer(("127.0.0.1", 0), Handler)
        self.port = self.server.server_address[1]
        self.thread = threading.Thread(target=self.server.serve_forever, daemon=True)
        self.thread.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.server.shutdown()
        self.server.server_close()
        self.thread.join()

    def answer(self, command: str) -> bytes:
        words = command.split()
        if words[0] == "CAPABILITY":
            return b"* CAPABILITY IMAP4rev1\r\n"
        if words[0] == "LOGIN":
            self.logins.append(command)
        if words[0] == "SELECT":
            return f"* {len(self.mails)} EXISTS\r\n".encode()
        if words[:2] == ["UID", "SEARCH"]:
            unread = [str(number) for number in self.mails if number not in self.seen]
            return f"* SEARCH {' '.join(unread)}\r\n".encode()
        if words[:2] == ["UID", "FETCH"]:
            return self._fetch(int(words[2]), command)
        if words[:2] == ["UID", "STORE"] and re.search(r"\\Seen", command):
            self.seen.add(int(words[2]))
        return b""

    def _fetch(self, number: int, command: str) -> bytes:
        raw = self.mails[number]
        if "RFC822.SIZE" in command:
            return f"* {number} FETCH (UID {number} RFC822.SIZE {len(raw)})\r\n".encode()
        self.fetched.append(number)
        return f"* {number} FETCH (UID {number} BODY[] {{{len(raw)}}}\r\n".encode() + raw + b")\r\n"
