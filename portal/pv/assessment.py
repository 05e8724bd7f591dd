"""The pipeline: readings and site facts in, one frozen result out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date

import numpy as np

from portal.pv.air import companions, exposure, shared_air
from portal.pv.arrays import Floats
from portal.pv.memory import from_bytes
from portal.pv.new_day import go_on
from portal.pv.performance import NORMAL_MAD
from portal.pv.rain import town_rain
from portal.pv.readings import SiteReadings
from portal.pv.result import Assessment
from portal.pv.site_fit import YEAR_DAYS, Prepared, SiteAir, conclude, doubt_of, fit_site, prepare

TOWN_ROUNDS = 3
"""Times that air and soiling are fitted in turn. No source; one more or less moves mean errors of loss and gain by 0.01
points at most on a made fleet (16 roofs alone, 8 in a town)."""
USUAL_SCATTER = 0.03
SCATTERS = (0.008, 0.08)
"""Standard deviation [log] of a roof's own days about the town's air before it is seen, and the least and most that
roofs show. No source."""


def assess(site: SiteReadings, *, as_of: date | None = None, previous: bytes = b"") -> Assessment:
    """Assess one site on its own readings.

    Parameters
    ----------
    site : SiteReadings
        With ``previous`` the readings may begin at any day up to the first new one.
    as_of : date, optional
        Last day that may be used; the record's last day by default.
    previous : bytes, optional
        ``memory`` of this site's last assessment. Do not pass it when readings of days it knew have changed.

    Returns
    -------
    Assessment
        With ``memory`` to hand back the next time.

    Raises
    ------
    ValueError
        For naive times.
    """
    return assess_town([site], as_of=as_of, previous=[previous])[0]


def assess_town(
    sites: Sequence[SiteReadings], *, as_of: date | None = None, previous: Sequence[bytes] = ()
) -> list[Assessment]:
    """Assess sites under the same sky together; results in the order given.

    Each site is fitted alone first; what the residuals of all have in common on a day is the town's air
    (:mod:`portal.pv.air`), which is taken out, and the sites are fitted again. A site whose days do not go with the
    others' is assessed on its own. With every site's ``memory`` as ``previous`` only new days are worked on.

    Parameters
    ----------
    sites : sequence of SiteReadings
        Under one sky.
    as_of : date, optional
        Last day that may be used; each record's last day by default.
    previous : sequence of bytes, optional
        ``memory`` of each site's last assessment, in the same order; empty where there is none.

    Returns
    -------
    list of Assessment
        In the order of the sites.

    Raises
    ------
    ValueError
        For naive times, or when ``previous`` has another length than ``sites``.
    PartOfRecord
        When readings of known days were left out and are needed again: changed facts, another interval or unit.
    """
    rain = town_rain(sites)
    sites = [replace(site, rain_mm=rain) for site in sites]
    memories = [from_bytes(data) if data else None for data in previous] or [None] * len(sites)
    quick = go_on(sites, memories, as_of)
    if quick is not None:
        return quick
    prepared = [prepare(site, as_of, memory) for site, memory in zip(sites, memories, strict=True)]
    together = [one for one in prepared if isinstance(one, Prepared)]
    answers = iter(_fit_together(together))
    return [one if isinstance(one, Assessment) else next(answers) for one in prepared]


def _fit_together(together: list[Prepared]) -> list[Assessment]:
    """Fit sites whole, with their town's air where they share it."""
    if len(together) < 2:
        return [conclude(one, None, 0) for one in together]
    first = min(int(one.daily.days[0]) for one in together)
    last = max(int(one.daily.days[-1]) for one in together)
    span = last - first + 1
    place = [slice(int(one.daily.days[0]) - first, int(one.daily.days[-1]) - first + 1) for one in together]
    fits = [fit_site(one, None, with_gains=False) for one in together]

    def residuals() -> Floats:
        out = np.full((len(together), span), np.nan)
        for i, (one, fitted) in enumerate(zip(together, fits, strict=True)):
            out[i, place[i]] = one.record.log_index - fitted.smooth + fitted.log_mean
        return out

    chosen = np.flatnonzero(companions(residuals()))
    airs: dict[int, SiteAir] = {}
    if len(chosen) >= 2:
        wash = np.zeros((span, 2))
        count = np.zeros(span)
        for i in chosen:
            wash[place[i]] += together[i].record.wash
            count[place[i]] += 1
        dust = exposure(wash / np.maximum(count, 1)[:, None])
        angle = 2 * np.pi * (first + np.arange(span)) / YEAR_DAYS
        season = np.stack([np.cos(angle), np.sin(angle), np.cos(2 * angle), np.sin(2 * angle)], axis=1)
        scatter = np.full(len(chosen), USUAL_SCATTER)
        for turn in range(TOWN_ROUNDS):
            rest = residuals()[chosen]
            doubt = np.zeros_like(rest)
            for n, i in enumerate(chosen):
                doubt[n, place[i]] = doubt_of(fits[i])
            air = shared_air(rest, scatter, doubt, dust, season)
            off = rest - air.log_dimming
            scatter = np.array([_own_scatter(row) for row in off])
            for n, i in enumerate(chosen):
                airs[int(i)] = SiteAir(
                    air.log_dimming[n, place[i]],
                    np.sqrt(scatter[n] ** 2 + air.variance[n, place[i]]),
                    float(scatter[n]),
                    air.middle,
                )
                if turn < TOWN_ROUNDS - 1:
                    fits[i] = fit_site(together[i], airs[int(i)], rounds=2, start=fits[i].theta, with_gains=False)
    return [
        conclude(one, airs.get(i), len(chosen) - 1 if i in airs else 0, fits[i].theta) for i, one in enumerate(together)
    ]


def _own_scatter(values: Floats) -> float:
    """Robust standard deviation of a site's residuals (days,), within what roofs show."""
    values = values[np.isfinite(values)]
    if values.size < 10:
        return USUAL_SCATTER
    return float(np.clip(NORMAL_MAD * np.median(np.abs(values - np.median(values))), *SCATTERS))
