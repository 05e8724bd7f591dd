"""Rain of open weather stations: fetched each night where an address is set, and taken out of the watched folder.

The address is whoever runs the portal's, with ``{station}`` in it. A server is asked once a day for each station, and
only for what is newer than what is held; what goes wrong is a line in the log and a note on the rain page.
"""

from __future__ import annotations

import logging
from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from pathlib import Path
from typing import NamedTuple
from urllib.error import HTTPError
from urllib.request import Request, urlopen

from django.db import transaction
from django.db.models import Q
from django.utils.translation import gettext_noop

from portal.actions.bounded import PATIENCE_S, TooLarge, TooSlow, take_in
from portal.actions.rain import keep_days, record_rain
from portal.models import RainGauge
from portal.readers.rain import MOST_RAIN_BYTES, RainRecord, read_rain_file
from portal.readers.reading import ReadError

log = logging.getLogger(__name__)

ONCE_IN = timedelta(hours=23)
"""Time between two questions for one station; a little under a day, or each night would ask an hour later. No
source."""
STATION_DEADLINE_S = 300
"""Seconds after which a server is left alone till the next day. Common practice, no
source."""


class Fetched(NamedTuple):
    """A station's file, and what to say next time so that it is sent only if it changed. No data: it did not."""

    data: bytes | None
    etag: str
    last_modified: str


class NotFetched(Exception):
    """A station's file did not come; the message says why."""


def fetch_stations(*, address: str, now: datetime) -> int:
    """Ask for each station's file that was not asked for today. Returns how many brought something new."""
    if not address:
        return 0
    due = RainGauge.objects.exclude(station="").filter(Q(asked_at=None) | Q(asked_at__lte=now - ONCE_IN))
    new = 0
    for station in due.order_by("station").values_list("station", flat=True).distinct():
        gauges = list(RainGauge.objects.filter(station=station).order_by("pk"))
        # before the question, so that one that kills its worker is not asked again until tomorrow
        RainGauge.objects.filter(station=station).update(asked_at=now)
        try:
            new += _fetch_station(gauges, address.format(station=station))
        except (NotFetched, ReadError) as problem:
            log.warning("rain of station %s was not fetched: %s", station, problem)
            RainGauge.objects.filter(station=station).update(problem=str(problem)[:500])
    return new


def _fetch_station(gauges: Sequence[RainGauge], url: str) -> bool:
    kept = {(gauge.etag, gauge.last_modified) for gauge in gauges}
    etag, last_modified = kept.pop() if len(kept) == 1 else ("", "")
    fetched = get_if_new(url, etag=etag, last_modified=last_modified)
    record = read_rain_file(fetched.data) if fetched.data is not None else None
    if record and record.station not in ("", gauges[0].station):
        raise NotFetched(
            gettext_noop("The server sent another station's file ({station}).").format(station=record.station)
        )
    for gauge in gauges:
        with transaction.atomic():
            if record:
                _keep(gauge, record)
            gauge.problem, gauge.etag, gauge.last_modified = "", fetched.etag, fetched.last_modified
            gauge.save(update_fields=["problem", "etag", "last_modified"])
    return record is not None


def _keep(gauge: RainGauge, record: RainRecord) -> None:
    keep_days(gauge=gauge, rain_mm=record.rain_mm)
    if record.latitude is not None and record.longitude is not None:
        gauge.latitude, gauge.longitude = record.latitude, record.longitude
        gauge.save(update_fields=["latitude", "longitude"])


def get_if_new(url: str, *, etag: str, last_modified: str) -> Fetched:
    """Get a file, bounded in size and time, unless it is still the one of last time."""
    headers = {"User-Agent": "Rinsemark", "If-None-Match": etag, "If-Modified-Since": last_modified}
    try:
        with urlopen(
            Request(url, headers={name: said for name, said in headers.items() if said}), timeout=PATIENCE_S
        ) as answer:
            parts = iter(lambda: answer.read1(1 << 16), b"")
            content = take_in(parts, most_bytes=MOST_RAIN_BYTES, deadline_s=STATION_DEADLINE_S)
            said: Mapping[str, str] = answer.headers
            return Fetched(content, said.get("ETag", "")[:200], said.get("Last-Modified", "")[:80])
    except TooLarge:
        large = gettext_noop("The file is larger than {most_rain_bytes} MB.")
        raise NotFetched(large.format(most_rain_bytes=MOST_RAIN_BYTES // 2**20)) from None
    except TooSlow:
        slow = gettext_noop("The file had not come after {deadline_s} seconds.")
        raise NotFetched(slow.format(deadline_s=STATION_DEADLINE_S)) from None
    except HTTPError as refused:
        with refused:
            if refused.code == 304:
                return Fetched(None, etag, last_modified)
        raise NotFetched(
            gettext_noop("The server answered {code} {reason}.").format(code=refused.code, reason=refused.reason)
        ) from None
    except (OSError, ValueError) as problem:  # no such address, no answer, a connection that broke
        raise NotFetched(gettext_noop("The server cannot be reached ({problem}).").format(problem=problem)) from None


def take_station_file(path: Path) -> RainGauge:
    """Keep the days of a file that whoever runs the portal put into ``rain/`` of the watched folder.

    Raises ReadError, with what to do, where it cannot be read or does not say whose rain it is.
    """
    if path.stat().st_size > MOST_RAIN_BYTES:
        raise ReadError(
            gettext_noop("The file is larger than {most_rain_bytes} MB. Send one station's rain.").format(
                most_rain_bytes=MOST_RAIN_BYTES // 2**20
            )
        )
    record = read_rain_file(path.read_bytes())
    if not record.station:
        raise ReadError(
            gettext_noop(
                "A table of date,rain_mm does not say where it was measured. Put it into a folder with "
                "the number of its gauge, as the rain page shows it: rain/12/."
            )
        )
    known = RainGauge.objects.filter(station=record.station).order_by("pk")
    place = known.first()
    if record.latitude is not None and record.longitude is not None:
        latitude, longitude = record.latitude, record.longitude
    elif place:
        latitude, longitude = place.latitude, place.longitude
    else:
        raise ReadError(
            gettext_noop(
                "Nothing here says where station {station} stands. Take its CSV with the columns "
                "STATION, DATE, LATITUDE, LONGITUDE, or add the station on the rain page first."
            ).format(station=record.station)
        )
    for gauge in known.filter(business__isnull=False):
        keep_days(gauge=gauge, rain_mm=record.rain_mm)
    return record_rain(
        business=None,
        name=record.name or record.station,
        latitude=latitude,
        longitude=longitude,
        rain_mm=record.rain_mm,
        station=record.station,
    )


def take_gauge_file(path: Path, gauge: RainGauge) -> None:
    """Keep the days of a file in a gauge's own folder. Raises ReadError where it cannot be."""
    if path.stat().st_size > MOST_RAIN_BYTES:
        raise ReadError(
            gettext_noop("The file is larger than {most_rain_bytes} MB. Send one gauge's rain.").format(
                most_rain_bytes=MOST_RAIN_BYTES // 2**20
            )
        )
    record = read_rain_file(path.read_bytes())
    if record.station and gauge.station and record.station != gauge.station:
        raise ReadError(
            gettext_noop("This is the file of station {station}, and gauge {pk} is {station_2}.").format(
                station=record.station, pk=gauge.pk, station_2=gauge.station
            )
        )
    keep_days(gauge=gauge, rain_mm=record.rain_mm)
