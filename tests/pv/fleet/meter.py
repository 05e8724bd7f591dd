"""What instruments write down, and what people tell: meters, rain gauges, roof facts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date

import numpy as np
import numpy.typing as npt
import pandas as pd

from fixtures.roof import RoofPlane
from fixtures.weather import Floats
from portal.pv.array import Plane
from tests.pv.fleet.case import Case
from tests.pv.fleet.made import Made


def metered(rng: np.random.Generator, made: pd.Series[float], case: Case, tz: str) -> pd.Series[float]:
    """What the meter says: rounded, with days missing or caught up in a lump, and now and then in another unit."""
    if case.minutes == 1440:
        local = pd.DatetimeIndex(made.index).tz_convert(tz).tz_localize(None).normalize()
        made = made.groupby(local).sum()
        # A midnight that the summer clock skips begins an hour later.
        whole = pd.DatetimeIndex(made.index).tz_localize(tz, nonexistent="shift_forward", ambiguous=True)
        made.index = whole.tz_convert("UTC")
    total = np.round(np.cumsum(made.to_numpy()) / case.step_wh) * case.step_wh
    values = np.diff(total, prepend=0.0)
    day = (pd.DatetimeIndex(made.index).tz_convert(tz).tz_localize(None).normalize() - pd.Timestamp("1970-01-01")).days
    offset = np.asarray(day) - int(day[0])
    days = int(offset[-1]) + 1
    if rng.random() < 0.5:
        values = _lost(rng, values, offset, days)
    if rng.random() < 0.15 and days > 120:
        turn = int(rng.integers(60, days - 30))
        values = np.where(offset < turn, values, values / 1000)
    return pd.Series(values, index=made.index)


def _lost(rng: np.random.Generator, values: Floats, offset: npt.NDArray[np.int64], days: int) -> Floats:
    """Days that never arrived; a third of the gaps are caught up by one reading that holds them all."""
    out = values.copy()
    for _ in range(int(rng.integers(1, 5))):
        start = int(rng.integers(0, days - 12))
        gone = (offset >= start) & (offset < start + int(rng.integers(1, 11)))
        after = np.flatnonzero(gone)[-1] + 1
        if rng.random() < 0.33 and after < len(out):
            out[after] += np.nansum(out[gone])
        out[gone] = np.nan
    return out


def gauge(rng: np.random.Generator, rain_mm: Floats, days: pd.DatetimeIndex, last: int) -> pd.Series[float]:
    """What a rain gauge of the town wrote down of the last days."""
    mm = rain_mm * np.exp(0.25 * rng.standard_normal(len(days)))
    mm[rng.random(len(mm)) < 0.06] = np.nan
    return pd.Series(np.round(mm, 1), index=list(days.date))[-last:]


def told(rng: np.random.Generator, true: Sequence[RoofPlane]) -> tuple[Plane, ...]:
    """The roof's facts as an owner tells them, a little wrong."""
    return tuple(
        Plane(
            float(np.clip(round(plane.tilt + rng.uniform(-3, 3)), 0, 60)),
            float(round(plane.azimuth + rng.uniform(-8, 8)) % 360),
            round(plane.dc_kw * rng.uniform(0.97, 1.03), 2),
        )
        for plane in true
    )


def told_wrong(made: Made, rng: np.random.Generator) -> Made:
    """The same roof, its tilt or its azimuth told wrong by 10 to 30 degrees."""
    off = float(rng.uniform(10, 30) * rng.choice([-1.0, 1.0]))
    tilts = rng.random() < 0.5
    array = made.site.array
    steepest, flattest = max(p.tilt for p in array.planes), min(p.tilt for p in array.planes)
    if tilts and (flattest + off < 0 or steepest + off > 75):
        off = -off if flattest - off >= 0 and steepest - off <= 75 else abs(off)
    planes = tuple(
        replace(plane, tilt=float(np.clip(plane.tilt + off, 0, 75)))
        if tilts
        else replace(plane, azimuth=float((plane.azimuth + off) % 360))
        for plane in array.planes
    )
    return replace(made, site=replace(made.site, array=replace(array, planes=planes)), told_wrong=True)


def without_gauge(made: Made) -> Made:
    """The same roof, in a town whose rain nobody wrote down."""
    return replace(made, site=replace(made.site, rain_mm=None))


def known_gains(gains: dict[int, float], days: Sequence[date]) -> dict[date, float]:
    """Gains by date."""
    return {days[day]: gain for day, gain in gains.items()}
