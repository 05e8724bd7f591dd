"""Everything the doctor looks at, in the order in which it is to be mended."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime

from django.db import DatabaseError

from portal.management.doctor.found import CheckResult
from portal.management.doctor.machine import bucket_found, disk_found, files_found, folders_found, settings_found
from portal.management.doctor.outside import mail_found, proxy_found
from portal.management.doctor.service import broker_found, clock_found, database_found, holds_found, workers_found


def examine(*, now: datetime, mail_to: str = "") -> Iterator[tuple[str, list[CheckResult]]]:
    """Each subject with what was found; what needs the tables is left out where there are none."""
    yield "settings", list(settings_found())
    yield "folders", list(folders_found())
    yield "bucket", list(bucket_found())
    yield "disk", list(disk_found())
    database = list(database_found())
    yield "database", database
    yield "broker", list(broker_found())
    if not database:
        for subject, found in (
            ("workers", workers_found(now)),
            ("clock", clock_found(now)),
            ("holds", holds_found(now)),
            ("files", files_found(now)),
        ):
            try:
                yield subject, list(found)
            except DatabaseError as error:
                yield subject, [CheckResult(f"The database stopped answering: {error}")]
    yield "proxy", list(proxy_found())
    if not database or not mail_to:
        yield "mail", list(mail_found(now, mail_to))
