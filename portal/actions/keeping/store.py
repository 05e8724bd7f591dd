"""The folder of backups: pieces named by what they hold, and sets that say which pieces belong together.

A piece that is there is not written again, so a second backup costs only what changed. With a key each piece is
encrypted and authenticated (AES-256 in GCM: NIST SP 800-38D, doi:10.6028/NIST.SP.800-38D) under a key made of
the firm's words (scrypt: RFC 7914), and its name is a keyed hash, which tells nobody what it holds. A piece and a set
come into being whole: written aside, brought to the disk, read back, and only then given their name.
"""

from __future__ import annotations

import fcntl
import hashlib
import hmac
import json
import os
import secrets
import zlib
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from cryptography.hazmat.primitives.kdf.scrypt import Scrypt

from portal.actions.files import to_disk

FORMAT = 1
PIECE_BYTES = 8 * 1024 * 1024
"""Bytes of a piece: a file that changed is copied by pieces. No source."""
SHORTEST_KEY = 20
"""Characters of a key: with scrypt before it, more than can be guessed (common practice, no source)."""
NONCE_BYTES = 12
"""Bytes of a nonce of AES-GCM (NIST SP 800-38D, section 5.2.1.1: 96 bits)."""
OURS = ("lock", "pieces", "sets", "incoming")
"""What a folder may hold whose first backup was killed at its very beginning."""


class NoBackup(Exception):
    """A backup or a restore cannot go on; the message says why and what to do."""


class Damaged(NoBackup):
    """Something in the folder of backups is not what was written."""


class Store:
    """A folder of backups, new or with earlier ones in it."""

    def __init__(self, folder: Path, key: str) -> None:
        self.folder = folder
        self.written = 0
        self._pieces, self._sets, self._aside = folder / "pieces", folder / "sets", folder / "incoming"
        self._cipher: AESGCM | None = None
        self._naming = b""
        self._open(key)

    @contextmanager
    def held(self) -> Iterator[None]:
        """Keep a second backup out of the folder: it would clear away what this one is about to name."""
        with (self.folder / "lock").open("w") as lock:
            try:
                fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except OSError:
                raise NoBackup(f"Another backup is being written to {self.folder}: let it end first.") from None
            yield

    def put(self, data: bytes) -> str:
        """Keep a piece, and return its name."""
        name = self._name_of(data)
        path = self._path_of(name)
        if not (path.exists() and path.stat().st_size):
            self._write(path, self._seal(data, name))
            self.written += path.stat().st_size
        return name

    def get(self, name: str) -> bytes:
        """Return what a piece holds, exactly as it was put.

        Raises Damaged when it is gone or is anything else.
        """
        try:
            data = self._unseal(self._path_of(name).read_bytes(), name)
        except FileNotFoundError:
            raise Damaged(f"A piece of this backup is gone: {self._path_of(name)}.") from None
        if self._name_of(data) != name:
            raise Damaged(f"A piece of this backup is damaged: {self._path_of(name)}.")
        return data

    def look(self, name: str) -> None:
        """See that a piece is where it should be.

        Raises Damaged when it is not; whether it holds what it should, ``get`` says.
        """
        path = self._path_of(name)
        if not (path.exists() and path.stat().st_size):
            raise Damaged(f"A piece of this backup is gone: {path}.")

    def put_set(self, taken_at: datetime, told: dict[str, Any]) -> str:
        """Keep what belongs together. From here on there is a backup of this moment."""
        name = taken_at.astimezone(UTC).strftime("%Y-%m-%dT%H-%M-%S.%fZ")
        self._write(self._sets / name, self._seal(json.dumps(told).encode(), name))
        return name

    def get_set(self, name: str) -> dict[str, Any]:
        try:
            told: dict[str, Any] = json.loads(self._unseal((self._sets / name).read_bytes(), name))
        except FileNotFoundError:
            raise NoBackup(f"There is no backup {name} in {self.folder}. There are: {self._said()}.") from None
        return told

    def sets(self) -> list[str]:
        """The names of all backups, the oldest first."""
        return sorted(path.name for path in self._sets.iterdir())

    def newest(self) -> str:
        if not self.sets():
            raise NoBackup(f"There is no backup in {self.folder} yet.")
        return self.sets()[-1]

    def forget(self, *, before: datetime) -> int:
        """Remove backups taken before a moment, but never the newest, and the pieces that no other one needs."""
        stamp = before.astimezone(UTC).strftime("%Y-%m-%dT%H-%M-%S.%fZ")
        old = [name for name in self.sets()[:-1] if name < stamp]
        for name in old:
            (self._sets / name).unlink()
        needed = {piece for name in self.sets() for piece in pieces_of(self.get_set(name))}
        for path in self._pieces.glob("*/*"):
            if path.name not in needed:
                path.unlink()
        for path in self._aside.iterdir():  # of a backup that was killed
            path.unlink()
        return len(old)

    def _said(self) -> str:
        return ", ".join(self.sets()[-5:]) or "none"

    def _open(self, key: str) -> None:
        about = self.folder / "about.json"
        if not about.exists():
            if self.folder.exists() and any(path.name not in OURS for path in self.folder.iterdir()):
                raise NoBackup(f"{self.folder} holds other files and no backup: give a new or an empty folder.")
            self._begin(about, key)
        try:
            told = json.loads(about.read_bytes())
        except ValueError:
            raise Damaged(f"{about} is damaged: without it nothing in this folder can be read.") from None
        if told["format"] != FORMAT:
            raise NoBackup(f"{self.folder} was written by a newer portal: update this one first.")
        if not told["salt"]:
            if key:
                raise NoBackup(
                    f"{self.folder} holds backups without encryption, and a key is set: give another folder."
                )
            return
        if not key:
            raise NoBackup(f"{self.folder} is encrypted: set PORTAL_BACKUP_KEY to the key it was written with.")
        self._take_key(key, bytes.fromhex(told["salt"]))
        if not hmac.compare_digest(self._name_of(b"key"), told["proof"]):
            raise NoBackup(f"{self.folder} was written with another key than PORTAL_BACKUP_KEY.")

    def _begin(self, about: Path, key: str) -> None:
        if key and len(key) < SHORTEST_KEY:
            raise NoBackup(f"PORTAL_BACKUP_KEY must have at least {SHORTEST_KEY} characters.")
        for folder in (self._pieces, self._sets, self._aside):
            folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        salt = secrets.token_bytes(16) if key else b""
        if key:
            self._take_key(key, salt)
        told = {"format": FORMAT, "salt": salt.hex(), "proof": self._name_of(b"key") if key else ""}
        self._write(about, json.dumps(told).encode())

    def _take_key(self, key: str, salt: bytes) -> None:
        made = Scrypt(salt=salt, length=64, n=2**15, r=8, p=1).derive(key.encode())
        self._cipher, self._naming = AESGCM(made[:32]), made[32:]

    def _name_of(self, data: bytes) -> str:
        if self._naming:
            return hmac.new(self._naming, data, hashlib.sha256).hexdigest()
        return hashlib.sha256(data).hexdigest()

    def _path_of(self, name: str) -> Path:
        return self._pieces / name[:2] / name

    def _seal(self, data: bytes, name: str) -> bytes:
        packed = zlib.compress(data, 3)
        if self._cipher is None:
            return packed
        nonce = secrets.token_bytes(NONCE_BYTES)
        return nonce + self._cipher.encrypt(nonce, packed, name.encode())

    def _unseal(self, sealed: bytes, name: str) -> bytes:
        try:
            if self._cipher is not None:
                sealed = self._cipher.decrypt(sealed[:NONCE_BYTES], sealed[NONCE_BYTES:], name.encode())
            return zlib.decompress(sealed)
        except (InvalidTag, zlib.error, ValueError):
            raise Damaged(f"A part of this backup is damaged: {name} in {self.folder}.") from None

    def _write(self, path: Path, content: bytes) -> None:
        """Bring a file to the disk and read it back before it gets its name."""
        path.parent.mkdir(exist_ok=True, mode=0o700)
        aside = self._aside / secrets.token_hex(8)
        with aside.open("xb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
            os.posix_fadvise(file.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)  # what is read back comes from the disk
        if aside.read_bytes() != content:
            aside.unlink()
            raise Damaged(f"{self.folder} does not give back what was written to it: its disk is failing.")
        aside.rename(path)
        for folder in (path.parent, path.parent.parent):
            to_disk(folder)


def pieces_of(told: dict[str, Any]) -> Iterable[str]:
    """All pieces that a set names."""
    for part in (*told["tables"], *told["files"]):
        yield from part["pieces"]
