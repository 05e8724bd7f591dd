"""Files in an S3-compatible store instead of a folder, so that web and workers on several machines share no disk."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from botocore.exceptions import ClientError
from django.core.files.base import File
from storages.backends.s3 import S3Storage, clean_name

from portal.actions.files import Kept

TAKEN = ("PreconditionFailed", "ConditionalRequestConflict")
"""What the store answers where a name is given away, or just being given (S3's API reference, PutObject)."""


class BucketFiles(S3Storage):  # type: ignore[misc]  # django-storages carries no types
    """A bucket in which, as in the folder, a name is given only once and only to a whole file."""

    def _save(self, name: str, content: File[Any]) -> str:
        while True:
            content.seek(0)
            try:
                # In one call: the store has all of it, or none; and only if nothing is called so.
                self.bucket.Object(self._normalize_name(clean_name(name))).put(Body=content, IfNoneMatch="*")
            except ClientError as error:
                if error.response["Error"]["Code"] not in TAKEN:
                    raise
                name = self.get_available_name(name)
                continue
            return str(clean_name(name))

    def kept(self) -> Iterator[Kept]:
        """Every file with its size and its time, in one listing."""
        for one in self.bucket.objects.filter(Prefix=self.location):
            yield Kept(one.key.removeprefix(self.location), one.size, one.last_modified)
