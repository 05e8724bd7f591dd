"""A made fleet: hundreds of invented roofs in eight climates whose dirt and faults are known, from any seed.

Accuracy is claimed from truth that the method has not seen: every seed makes other skies, roofs, rains, washes and
faults. The sky and the roof's physics are those of :mod:`fixtures`, none of which the assessment uses; dirt falls and
is washed off as the literature has it (rates of Ilse et al. 2019, doi:10.1016/j.joule.2019.08.019; rain thresholds of 3
to 10 mm, Kimber et al. 2006, doi:10.1109/WCPEC.2006.279690; ageing of Jordan et al. 2016, doi:10.1002/pip.2744). How
often faults happen is invented.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np
import pandas as pd

from fixtures.roof import Roof, RoofPlane, Tree, interval_energy_wh, power_w
from fixtures.sky import Sky, make_sky
from fixtures.weather import Climate, Floats, Town
from portal.pv.array import Array, Plane
from portal.pv.readings import SiteReadings

WARM_UP_DAYS = 200


def _year(mean: float, swing: float, peak: int) -> tuple[float, ...]:
    """Twelve monthly values of a smooth year that peaks in a month (0 is January)."""
    return tuple(float(mean + swing * np.cos(2 * np.pi * (month - peak) / 12)) for month in range(12))


def _climate(
    *,
    wet: tuple[float, float, int],
    wet_mm: float,
    clear: tuple[float, float, int],
    aod: tuple[float, float, int],
    water: tuple[float, float, int],
    air: tuple[float, float, int],
    swing: float = 11.0,
) -> Climate:
    """A climate of smooth years, each given as mean, swing and month of its peak."""
    fair = tuple(0.5 * (1 - share) for share in _year(*clear))
    return Climate(
        wet_after_dry=_year(*wet),
        wet_after_wet=0.4,
        wet_mm=wet_mm,
        clear=_year(*clear),
        fair=fair,
        marine=(0.0,) * 12,
        aod700=_year(*aod),
        water_cm=_year(*water),
        air_c=_year(*air),
        air_swing=swing,
        wind_m_s=3.0,
        dust=(1.0,) * 12,
    )


@dataclass(frozen=True)
class Place:
    """Where a climate is found."""

    latitude: float
    longitude: float
    altitude_m: float
    tz: str
    climate: Climate


PLACES = {
    "desert": Place(
        33.5,
        -112.0,
        350.0,
        "America/Phoenix",
        _climate(
            wet=(0.045, 0.02, 0),
            wet_mm=6,
            clear=(0.68, 0.08, 5),
            aod=(0.09, 0.03, 5),
            water=(1.5, 0.8, 6),
            air=(23, 10, 6),
        ),
    ),
    "mediterranean": Place(
        37.5,
        -5.9,
        60.0,
        "Europe/Madrid",
        _climate(
            wet=(0.09, 0.06, 0),
            wet_mm=9,
            clear=(0.58, 0.2, 6),
            aod=(0.12, 0.04, 6),
            water=(1.8, 0.6, 6),
            air=(18.5, 8, 6),
        ),
    ),
    "humid_subtropical": Place(
        29.8,
        -95.4,
        20.0,
        "America/Chicago",
        _climate(
            wet=(0.17, 0.03, 5),
            wet_mm=14,
            clear=(0.42, 0.08, 10),
            aod=(0.14, 0.05, 6),
            water=(3.2, 1.3, 6),
            air=(21, 8, 6),
        ),
    ),
    "marine": Place(
        53.0,
        9.0,
        20.0,
        "Europe/Berlin",
        _climate(
            wet=(0.2, 0.03, 11),
            wet_mm=5,
            clear=(0.22, 0.08, 5),
            aod=(0.10, 0.03, 5),
            water=(1.6, 0.6, 6),
            air=(9.5, 8, 6),
            swing=7.0,
        ),
    ),
    "snowy_north": Place(
        60.0,
        11.0,
        100.0,
        "Europe/Oslo",
        _climate(
            wet=(0.15, 0.02, 9),
            wet_mm=6,
            clear=(0.30, 0.06, 5),
            aod=(0.07, 0.02, 5),
            water=(1.2, 0.7, 6),
            air=(5, 11, 6),
            swing=8.0,
        ),
    ),
    "southern_dry": Place(
        -31.9,
        116.0,
        30.0,
        "Australia/Perth",
        _climate(
            wet=(0.11, 0.08, 6),
            wet_mm=9,
            clear=(0.55, 0.18, 0),
            aod=(0.08, 0.02, 10),
            water=(1.8, 0.5, 0),
            air=(18.5, 6, 0),
        ),
    ),
    "southern_semiarid": Place(
        -33.5,
        -68.7,
        750.0,
        "America/Argentina/Mendoza",
        _climate(
            wet=(0.07, 0.05, 6),
            wet_mm=11,
            clear=(0.52, 0.18, 0),
            aod=(0.12, 0.03, 7),
            water=(1.3, 0.4, 0),
            air=(14.5, 6, 0),
            swing=14.0,
        ),
    ),
    "dusty_monsoon": Place(
        27.0,
        75.8,
        390.0,
        "Asia/Kolkata",
        _climate(
            wet=(0.10, 0.10, 6),
            wet_mm=13,
            clear=(0.45, 0.18, 11),
            aod=(0.30, 0.10, 6),
            water=(2.8, 1.8, 6),
            air=(25, 8, 5),
            swing=12.0,
        ),
    ),
}


@dataclass(frozen=True)
class Made:
    """A site as the assessment may see it, and the truth."""

    site: SiteReadings
    climate: str
    present_loss: float
    mean_loss: float
    fault: str
    """"" or ``string``, ``shade`` or ``outage`` as long as it lasts at the record's end."""
    gains: dict[date, float]
    """Of each known visit."""

    @property
    def kind(self) -> str:
        """``clean``, ``soiled``, ``between`` or ``fault``."""
        return _kind(self.fault, self.present_loss)


def _kind(fault: str, loss: float) -> str:
    if fault:
        return "fault"
    return "clean" if loss < 0.025 else "soiled" if loss >= 0.04 else "between"


def _dust(rng: np.random.Generator, sky: Sky, rate: float, washed: dict[int, float]) -> tuple[Floats, dict[int, float]]:
    """Soiling ratio of every day of the sky, and what each wash gained."""
    n = len(sky.days)
    threshold = rng.uniform(3.0, 9.0)
    season = 1 + rng.uniform(0.1, 0.6) * np.cos(2 * np.pi * (np.arange(n) / 365.25 - rng.random()))
    grows = rate * season * np.exp(0.4 * rng.standard_normal(n) - 0.08)
    drops = np.where(rng.random(n) < 0.8 / 365, rng.uniform(0.01, 0.04, n), 0.0) * (rng.random() < 0.5)
    keeps_heavy, keeps_light = rng.uniform(0.02, 0.15, n), rng.uniform(0.4, 0.9, n)
    loss = dropped = 0.0
    out = np.ones(n)
    gains = {}
    for day in range(n):
        loss = min(loss + grows[day], 0.35)
        if sky.rain_mm[day] >= threshold:
            loss *= keeps_heavy[day]
            dropped *= rng.uniform(0.3, 1.0)
        elif sky.rain_mm[day] >= 1.0:
            loss *= keeps_light[day]
        dropped = dropped * 0.995 + drops[day]
        if day in washed:
            before = 1 - (1 - loss) * (1 - dropped)
            loss *= washed[day]
            dropped *= washed[day]
            gains[day] = before - (1 - (1 - loss) * (1 - dropped))
        out[day] = (1 - loss) * (1 - dropped)
    return out, gains


def _snow(rng: np.random.Generator, sky: Sky) -> Floats:
    """Share of light that passes the snow on each day."""
    passes = np.ones(len(sky.days))
    air = pd.Series(sky.air_c).groupby(sky.day_of_step).mean().reindex(range(len(passes)), fill_value=10.0).to_numpy()
    lies = 0
    for day in range(len(passes)):
        if sky.rain_mm[day] > 1 and air[day] < 0.5:
            lies = int(rng.integers(2, 12))
        if lies and air[day] < 3:
            passes[day] = rng.uniform(0.0, 0.25)
            lies -= 1
        else:
            lies = 0
    return passes


def _gauge(rng: np.random.Generator, sky: Sky, days: int) -> pd.Series[float]:
    """What a rain gauge of the town wrote down."""
    mm = sky.rain_mm * np.exp(0.25 * rng.standard_normal(len(sky.days)))
    mm[rng.random(len(mm)) < 0.06] = np.nan
    return pd.Series(np.round(mm, 1), index=list(sky.days.date))[-days:]


def make_site(rng: np.random.Generator, sky: Sky, climate: str, key: str, years: int, with_rain: bool) -> Made:
    """One roof under a sky, its facts told a little wrong."""
    town = sky.town
    count = int(rng.random() < 0.3) + 1
    toward = 180.0 if town.latitude > 0 else 0.0
    true = []
    for number in range(count):
        true.append(
            RoofPlane(
                float(rng.uniform(6, 40)),
                (toward + rng.normal(0, 35) + 90 * number) % 360,
                float(rng.uniform(3, 9)),
                10,
            )
        )
    dc_kw = sum(plane.dc_kw for plane in true)
    ac_kw = round(dc_kw / (rng.uniform(0.96, 1.5) if rng.random() < 0.5 else rng.uniform(0.96, 1.15)), 2)
    days = int(years * 365.25 + rng.integers(-20, 60))
    n = len(sky.days)
    first = n - days
    begins = sky.days[first].date()
    age = rng.uniform(0, 0.012) if rng.random() < 0.65 else 0.0
    kind = str(rng.choice(["soiled", "between", "clean", "fault"], p=[0.38, 0.05, 0.29, 0.28]))
    fault = str(rng.choice(["string", "shade", "outage"], p=[0.45, 0.35, 0.2])) if kind == "fault" else ""
    tree = None
    if fault == "shade":
        side = float(rng.choice([-1.0, 1.0]))
        height = float(rng.uniform(20, 35))
        middle = (toward + side * (60 if town.latitude > 0 else -60)) % 360
        tree = Tree(middle - 55, middle + 55, height, float(rng.uniform(0.1, 0.9)) * height / years)
    roof = Roof(tuple(true), ac_kw, begins, float(age), float(rng.uniform(0.88, 0.99)))
    clean_w = power_w(roof, sky, key, np.ones(n))
    if tree is not None:
        last_year = sky.day_of_step >= n - 365
        shaded = power_w(replace(roof, tree=tree), sky, key, np.ones(n))
        if shaded[last_year].sum() < 0.98 * clean_w[last_year].sum():
            roof = replace(roof, tree=tree)
        else:  # it stands where the modules never look
            fault, kind = "", "clean"
    washed: dict[int, float] = {}
    known: list[int] = []
    # As much dirt as this kind of site has: other dust and other visits until it fits.
    for _ in range(60):
        visits = int(rng.poisson(1.2 * years)) if rng.random() < 0.65 else 0
        washed = {int(day): float(rng.uniform(0.01, 0.12)) for day in rng.integers(first + 20, n - 2, visits)}
        known = [day for day in sorted(washed) if rng.random() < 0.75]
        rate = 0.0 if rng.random() < 0.2 else float(np.clip(rng.lognormal(np.log(0.0014), 0.8), 0.0001, 0.004))
        ratio, gains = _dust(rng, sky, rate, washed)
        if _kind("", 1 - ratio[-1]) == ("clean" if fault else kind):
            break
    power = power_w(roof, sky, key, ratio)
    passes = np.ones(n)
    if fault == "string":
        passes[n - int(rng.integers(25, max(40, days - 60))) :] = 1 - rng.uniform(0.2, 0.5)
    elif rng.random() < 0.12:
        start = int(rng.integers(first + 40, n - 120))
        passes[start : start + int(rng.integers(20, 100))] = 1 - rng.uniform(0.2, 0.5)
    if fault == "outage":
        passes[n - int(rng.integers(3, 40)) :] = 0.0
    for _ in range(int(rng.poisson(0.7 * years))):
        start = int(rng.integers(first, n - 60))
        passes[start : start + int(rng.integers(1, 8))] = 0.0
    passes *= _snow(rng, sky)
    power = power * passes[sky.day_of_step]
    minutes = int(rng.choice([5, 15, 30, 60, 1440], p=[0.05, 0.4, 0.25, 0.25, 0.05]))
    energy = _metered(rng, interval_energy_wh(power, sky, begins, 60 if minutes == 1440 else minutes), minutes, town.tz)
    told = tuple(
        Plane(
            float(np.clip(round(plane.tilt + rng.uniform(-3, 3)), 0, 60)),
            float(round(plane.azimuth + rng.uniform(-8, 8)) % 360),
            round(plane.dc_kw * rng.uniform(0.97, 1.03), 2),
        )
        for plane in true
    )
    array = Array(town.latitude, town.longitude, town.tz, told, ac_kw, begins)
    as_day = list(sky.days.date)
    site = SiteReadings(
        array, energy, minutes, [as_day[day] for day in known], _gauge(rng, sky, days) if with_rain else None, key
    )
    by_day = np.bincount(sky.day_of_step, clean_w, minlength=n)[first:]
    loss = 1 - ratio[first:]
    return Made(
        site,
        climate,
        float(1 - ratio[-1]),
        float((loss * by_day).sum() / by_day.sum()),
        fault,
        {as_day[day]: gains[day] for day in known},
    )


def _metered(rng: np.random.Generator, made: pd.Series[float], minutes: int, tz: str) -> pd.Series[float]:
    """What the meter says: rounded, with days missing, and now and then in another unit."""
    step = float(rng.choice([1.0, 10.0, 100.0], p=[0.4, 0.45, 0.15]))
    if minutes == 1440:
        local = pd.DatetimeIndex(made.index).tz_convert(tz).tz_localize(None).normalize()
        made = made.groupby(local).sum()
        # A midnight that the summer clock skips begins an hour later.
        whole = pd.DatetimeIndex(made.index).tz_localize(tz, nonexistent="shift_forward", ambiguous=True)
        made.index = whole.tz_convert("UTC")
    total = np.round(np.cumsum(made.to_numpy()) / step) * step
    values = np.diff(total, prepend=0.0)
    day = (pd.DatetimeIndex(made.index).tz_convert(tz).tz_localize(None).normalize() - pd.Timestamp("1970-01-01")).days
    offset = np.asarray(day) - int(day[0])
    lost = rng.random(offset[-1] + 1) < 0.0
    if rng.random() < 0.5:
        for _ in range(int(rng.integers(1, 5))):
            start = int(rng.integers(0, len(lost) - 12))
            lost[start : start + int(rng.integers(1, 11))] = True
    values = np.where(lost[offset], np.nan, values)
    if rng.random() < 0.15:
        turn = int(rng.integers(60, len(lost) - 30))
        values = np.where(offset < turn, values, values / 1000)
    return pd.Series(values, index=made.index)


def make_town(seed: int, climate: str, roofs: int, *, years: Sequence[int] = (2, 3, 4, 5)) -> Iterator[Made]:
    """Roofs under one sky; a town of one is a roof alone, without a rain gauge."""
    rng = np.random.default_rng([seed, sorted(PLACES).index(climate), roofs])
    place = PLACES[climate]
    end = date(2022, 1, 1) + timedelta(days=int(rng.integers(0, 730)))
    name = f"{climate} {seed} of {roofs}"
    latitude, longitude = place.latitude + rng.uniform(-1, 1), place.longitude + rng.uniform(-1, 1)
    town = Town(name, latitude, longitude, place.altitude_m, place.tz, place.climate, 0)
    longest = max(years) if roofs > 1 else int(rng.choice(years))
    sky = make_sky(town, end - timedelta(days=int(longest * 365.25) + 60 + WARM_UP_DAYS), end)
    for number in range(roofs):
        span = int(rng.choice(years)) if roofs > 1 else longest
        made = make_site(rng, sky, climate, f"{name} {number}", span, roofs > 1)
        if roofs > 1:
            array = replace(
                made.site.array,
                latitude=town.latitude + rng.uniform(-0.1, 0.1),
                longitude=town.longitude + rng.uniform(-0.1, 0.1),
            )
            made = replace(made, site=replace(made.site, array=array))
        yield made
