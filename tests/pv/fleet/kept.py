"""Made fleets kept in a temporary folder, so that another run costs only the assessment."""

from __future__ import annotations

import os
import pickle
import tempfile
from collections.abc import Callable, Iterable
from dataclasses import astuple, replace
from functools import lru_cache
from hashlib import sha256
from pathlib import Path

from portal.pv.array import Array, Plane
from portal.pv.readings import SiteReadings
from tests.pv.fleet.made import Made

ROOT = Path(__file__).resolve().parents[3]
MAKERS = ("fixtures/weather.py", "fixtures/sky.py", "fixtures/roof.py")
READERS = ("scored.py", "columns.py", "picture.py", "table.py", "shared.py", "__init__.py")
"""Files here that make nothing."""


@lru_cache(maxsize=1)
def folder() -> Path:
    """Where fleets of this state of the makers are kept; only its owner may read it."""
    here = sorted(path for path in Path(__file__).parent.glob("*.py") if path.name not in READERS)
    digest = sha256(b"".join(path.read_bytes() for path in [*here, *(ROOT / name for name in MAKERS)]))
    base = Path(tempfile.gettempdir()) / f"made-fleets-{os.getuid()}"
    base.mkdir(mode=0o700, exist_ok=True)
    if base.stat().st_uid != os.getuid():
        raise PermissionError(f"{base} belongs to somebody else")
    kept = base / digest.hexdigest()[:16]
    kept.mkdir(exist_ok=True)
    return kept


def kept(name: str, make: Callable[[], Iterable[Made]]) -> list[Made]:
    """The fleet of this name, made now or before. Facts are kept as plain values: classes may move."""
    path = folder() / f"{name.replace(' ', '_')}.pickle"
    if path.exists():
        return [_back(plain) for plain in pickle.loads(path.read_bytes())]
    fleet = list(make())
    part = path.with_suffix(f".{os.getpid()}")
    part.write_bytes(pickle.dumps([_plain(made) for made in fleet]))
    part.replace(path)
    return fleet


def _plain(made: Made) -> tuple[object, ...]:
    site = made.site
    facts = (site.energy_wh, site.interval_minutes, list(site.visits), site.rain_mm, site.key)
    return (astuple(site.array), facts, {**made.__dict__, "site": None})


def _back(plain: tuple[tuple[object, ...], tuple[object, ...], dict[str, object]]) -> Made:
    facts, readings, rest = plain
    latitude, longitude, tz, planes, ac_kw, installed_on = facts
    array = Array(latitude, longitude, tz, tuple(Plane(*plane) for plane in planes), ac_kw, installed_on)  # type: ignore[arg-type,attr-defined]
    return replace(Made(**rest), site=SiteReadings(array, *readings))  # type: ignore[arg-type]
