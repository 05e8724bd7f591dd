"""How large an uploaded file may be: no larger than any file of readings or photo is."""

from __future__ import annotations

from typing import Any

from django.conf import settings
from django.core.files.uploadhandler import FileUploadHandler, StopUpload
from django.http import HttpRequest

TOO_LARGE = "too_large"


class SizeLimit(FileUploadHandler):
    """Stops taking in a file that is larger than any file of readings; the view then says so."""

    taken = 0

    def new_file(self, *args: Any, **kwargs: Any) -> None:
        super().new_file(*args, **kwargs)
        self.taken = 0

    def receive_data_chunk(self, raw_data: bytes, start: int) -> bytes:
        self.taken += len(raw_data)
        if self.taken > settings.LARGEST_UPLOAD:
            if self.request is not None:
                self.request.META[TOO_LARGE] = self.file_name
            raise StopUpload(connection_reset=False)
        return raw_data

    def file_complete(self, file_size: int) -> None:
        return None


def too_large(request: HttpRequest) -> str:
    """Say that a file was refused for its size; empty when none was."""
    if TOO_LARGE not in request.META:
        return ""
    return (
        f"“{request.META[TOO_LARGE]}” is larger than {settings.LARGEST_UPLOAD // 2**20} MB. "
        "Export a year at a time, or zip it, and send that."
    )
