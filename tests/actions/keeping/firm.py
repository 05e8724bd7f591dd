"""What a firm holds, read without the code that backs it up: rows by Django's own queries, files by their hashes."""

from __future__ import annotations

import hashlib
import io
import shutil
from pathlib import Path
from typing import Any

from django.apps import apps
from django.conf import settings
from django.core.management import call_command
from PIL import Image

KEY = "seven buckets of soft water"

Rows = dict[str, list[dict[str, Any]]]


def rows() -> Rows:
    """Every row of every table, but of those who are logged in and of what a restore itself asks.

    A reminder that waits comes back under another number: the one of before may have been used.
    """
    found = {
        model._meta.label: [
            {name: bytes(value) if isinstance(value, memoryview) else value for name, value in row.items()}
            for row in model._base_manager.order_by("pk").values()
        ]
        for model in apps.get_models(include_auto_created=True)
        if model._meta.label not in ("sessions.Session", "portal.MailHold", "portal.Clock")
    }
    for row in found["portal.Reminder"]:
        row["id"] = None if row["state"] == "due" else row["id"]
    found["portal.Reminder"].sort(key=lambda row: str(row["key"]))
    return found


def files() -> dict[str, str]:
    """Every file's hash by its name."""
    root = Path(settings.MEDIA_ROOT)
    return {
        str(path.relative_to(root)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in root.rglob("*")
        if path.is_file()
    }


def picture(side: int = 640) -> bytes:
    """A photo of noise, which no JPEG makes small."""
    packed = io.BytesIO()
    Image.effect_noise((side, side), 90).convert("RGB").save(packed, "JPEG", quality=95)
    return packed.getvalue()


def destroy() -> None:
    """Lose the disk: every row and every file."""
    call_command("flush", interactive=False, verbosity=0)
    shutil.rmtree(settings.MEDIA_ROOT)
