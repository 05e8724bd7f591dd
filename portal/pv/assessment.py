"""The pipeline: readings and site facts in, one frozen result out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date

import numpy as np

from portal.pv.air import Witness, companions, exposure, shared_air
from portal.pv.arrays import Floats
from portal.pv.haze import NORMAL_MAD
from portal.pv.memory import Memory, from_bytes
from portal.pv.new_day import Resting, extend, rest, without_air
from portal.pv.rain import town_rain
from portal.pv.readings import SiteReadings
from portal.pv.result import Assessment
from portal.pv.site_fit import Prepared, SiteAir, conclude, doubt_of, fit_site, prepare
from portal.pv.sun import GREGORIAN_YEAR

TOWN_ROUNDS = 3
"""Times that air and soiling are fitted in turn. No source; one more or less moves mean errors of loss and gain by 0.01
points at most on a made fleet (16 roofs alone, 8 in a town)."""
FEWEST_WITNESSES = 5
"""Roofs whose fits stand from which a roof that is due is fitted beside them, and they not again; with fewer all are
fitted together. Roofs; common practice, no source: the air of a day is known to half a roof's own scatter from five."""
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
    sites: Sequence[SiteReadings],
    *,
    as_of: date | None = None,
    previous: Sequence[bytes] = (),
    answers: int | None = None,
) -> list[Assessment]:
    """Assess sites under the same sky together; results in the order given.

    Each site is fitted alone first; what the residuals of all have in common on a day is the town's air
    (:mod:`portal.pv.air`), which is taken out, and the sites are fitted again. A site whose days do not go with the
    others' is assessed on its own. With a site's ``memory`` as ``previous`` only its new days are worked on until its
    next full fit is due; what it shows of the air stands, and those that are due are fitted beside it.

    Parameters
    ----------
    sites : sequence of SiteReadings
        Under one sky.
    as_of : date, optional
        Last day that may be used; each record's last day by default.
    previous : sequence of bytes, optional
        ``memory`` of each site's last assessment, in the same order; empty where there is none.
    answers : int, optional
        Only the first so many sites are asked about, the others keep them company; all by default.

    Returns
    -------
    list of Assessment
        In the order of the sites that were asked about.

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
    resting = _resting(sites, memories, as_of)
    clear = dict(zip(resting, without_air(list(resting.values())), strict=True))
    clear = {at: one for at, one in clear.items() if not one.looks_like_a_step()}
    asked = range(len(sites) if answers is None else answers)
    due = [at for at in asked if at not in clear]
    witnesses = [resting[at].witness() for at in clear if resting[at].shares_air]
    prepared = {at: prepare(sites[at], as_of, memories[at]) for at in due}
    # A roof that cannot be fitted yet, as one whose record is short, has nobody fitted beside it.
    if any(isinstance(one, Prepared) for one in prepared.values()) and len(witnesses) < FEWEST_WITNESSES:
        witnesses = []
        prepared = {at: prepared.get(at) or prepare(sites[at], as_of, memories[at]) for at in range(len(sites))}
    together = {at: one for at, one in prepared.items() if isinstance(one, Prepared)}
    done = {at: one for at, one in prepared.items() if isinstance(one, Assessment)}
    done.update(zip(together, _fit_together(list(together.values()), witnesses), strict=True))
    return [done[at] if at in done else extend(clear[at], previous[at]) for at in asked]


def _resting(
    sites: Sequence[SiteReadings], memories: Sequence[Memory | None], as_of: date | None
) -> dict[int, Resting]:
    """Those of the sites, by position, whose last full fit stands."""
    found = {
        at: rest(site, memory, as_of)
        for at, (site, memory) in enumerate(zip(sites, memories, strict=True))
        if memory is not None
    }
    return {at: one for at, one in found.items() if one is not None}


def _fit_together(together: list[Prepared], witnesses: list[Witness]) -> list[Assessment]:
    """Fit sites whole, with their town's air where they share it: their own, and that of those whose fits stand."""
    if len(together) + len(witnesses) < 2 or not together:
        return [conclude(one, None, 0) for one in together]
    firsts = [*(int(one.daily.days[0]) for one in together), *(one.first_day for one in witnesses)]
    counts = [*(len(one.daily.days) for one in together), *(len(one.residual) for one in witnesses)]
    first = min(firsts)
    span = max(begun + count for begun, count in zip(firsts, counts, strict=True)) - first
    place = [slice(begun - first, begun - first + count) for begun, count in zip(firsts, counts, strict=True)]
    fits = [fit_site(one, None, with_gains=False) for one in together]
    rest, doubt, wash = np.full((len(place), span), np.nan), np.zeros((len(place), span)), np.zeros((span, 2))
    for i, witness in enumerate(witnesses, len(together)):
        rest[i, place[i]], doubt[i, place[i]] = witness.residual, witness.doubt

    def look() -> None:
        for i, (one, fitted) in enumerate(zip(together, fits, strict=True)):
            rest[i, place[i]] = one.index.in_town - fitted.smooth + fitted.log_mean
            doubt[i, place[i]] = doubt_of(fitted)

    look()
    own = np.flatnonzero(companions(rest, len(together)))
    chosen = [*own.tolist(), *range(len(together), len(place))]
    airs: dict[int, SiteAir] = {}
    if len(own) and len(chosen) >= 2:
        count = np.zeros(span)
        for i in chosen:
            wash[place[i]] += together[i].record.wash if i < len(together) else witnesses[i - len(together)].wash
            count[place[i]] += 1
        dust = exposure(wash / np.maximum(count, 1)[:, None])
        angle = 2 * np.pi * (first + np.arange(span)) / GREGORIAN_YEAR
        season = np.stack([np.cos(angle), np.sin(angle), np.cos(2 * angle), np.sin(2 * angle)], axis=1)
        scatter = np.array([*(USUAL_SCATTER for _ in own), *(one.scatter for one in witnesses)])
        for turn in range(TOWN_ROUNDS):
            air = shared_air(rest[chosen], scatter, doubt[chosen], dust, season)
            off = rest[chosen] - air.log_dimming
            scatter[: len(own)] = [_own_scatter(row) for row in off[: len(own)]]
            for n, i in enumerate(own.tolist()):
                airs[i] = SiteAir(
                    air.log_dimming[n, place[i]],
                    np.sqrt(scatter[n] ** 2 + air.variance[n, place[i]]),
                    float(scatter[n]),
                    air.middle,
                )
                if turn < TOWN_ROUNDS - 1:
                    fits[i] = fit_site(together[i], airs[i], rounds=2, start=fits[i].theta, with_gains=False)
            look()
    return [
        conclude(one, airs.get(i), len(chosen) - 1 if i in airs else 0, fits[i].theta) for i, one in enumerate(together)
    ]


LEAST_RESIDUALS = 10
"""Days whose residuals tell a roof's own scatter at least. Common practice, no source."""


def _own_scatter(values: Floats) -> float:
    """Robust standard deviation of a site's residuals (days,), within what roofs show."""
    values = values[np.isfinite(values)]
    if values.size < LEAST_RESIDUALS:
        return USUAL_SCATTER
    return float(np.clip(NORMAL_MAD * np.median(np.abs(values - np.median(values))), *SCATTERS))
