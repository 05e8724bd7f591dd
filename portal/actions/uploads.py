"""How much may be sent: no file larger than any file of readings or photo is, and no more a day than a roof needs."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

from django.conf import settings
from django.core.files.uploadhandler import FileUploadHandler, StopUpload
from django.http import HttpRequest
from django.utils.translation import gettext as _

from portal.models import CameBy, Import, Site

TOO_LARGE, _WHY = "too_large", "too_large_why"
FILES_A_DAY = 300
"""Files for one roof: a logger that sends every five minutes (288) stays below. No source."""
BYTES_A_DAY = 1_000_000_000
"""Bytes for one roof; ten years of 5-minute readings as CSV take about 40 MB (reckoned)."""

BOUNDED = (CameBy.UPLOAD, CameBy.API, CameBy.MAIL, CameBy.UTILITY)
"""The watched folder and the command line belong to whoever runs the portal."""


class SizeLimit(FileUploadHandler):
    """Stops taking in a file, or a heap of them, larger than any of readings; the view then says so."""

    taken = together = 0

    def new_file(self, *args: Any, **kwargs: Any) -> None:
        super().new_file(*args, **kwargs)
        self.taken = 0

    def receive_data_chunk(self, raw_data: bytes, start: int) -> bytes:
        self.taken += len(raw_data)
        self.together += len(raw_data)
        if self.taken > settings.LARGEST_UPLOAD:
            self._stop(
                _(
                    "“{file_name}” is larger than {largest_upload} MB. Export a year at a time, or zip it, "
                    "and send that."
                ).format(file_name=self.file_name, largest_upload=settings.LARGEST_UPLOAD // 2**20)
            )
        if self.together > BYTES_A_DAY:
            self._stop(
                _("These files are more than {bytes_a_day} GB together. Zip them, or send fewer at once.").format(
                    bytes_a_day=BYTES_A_DAY // 10**9
                )
            )
        return raw_data

    def _stop(self, why: str) -> None:
        if self.request is not None:
            self.request.META |= {TOO_LARGE: self.file_name, _WHY: why}
        raise StopUpload(connection_reset=False)

    def file_complete(self, file_size: int) -> None:
        return None


def too_large(request: HttpRequest) -> str:
    """Say that a file was refused for its size; empty when none was."""
    said: str = request.META.get(_WHY, "")
    return said


def too_much_today(*, site: Site, size: int, now: datetime) -> str:
    """Say that a roof has been sent enough within 24 hours; empty while it has not."""
    sent = Import.objects.filter(meter__site=site, uploaded_at__gt=now - timedelta(days=1))
    # Of the rows alone: a bucket would be asked once for each file.
    newest = sent.filter(came_by__in=BOUNDED).order_by("-pk")
    held = newest.values_list("size_bytes", flat=True)[:FILES_A_DAY]
    if len(held) < FILES_A_DAY and size + sum(held) <= BYTES_A_DAY:
        return ""
    return _(
        "This roof has been sent {held} files within a day; more than {files_a_day} files or "
        "{bytes_a_day} GB a day are not taken in. Pack many files into one zip, or send the rest "
        "tomorrow."
    ).format(held=len(held), files_a_day=FILES_A_DAY, bytes_a_day=BYTES_A_DAY // 10**9)
