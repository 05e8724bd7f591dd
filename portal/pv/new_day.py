"""New days after a full fit: the chain goes on from where the last fit left it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date

import numpy as np
import numpy.typing as npt

from portal.pv.air import shared_air
from portal.pv.answer import answer_of
from portal.pv.arrays import Floats
from portal.pv.chain import normalised
from portal.pv.daily import Metering
from portal.pv.diagnosis import LevelStep
from portal.pv.memory import FULL_FIT_EVERY, Memory, fingerprint
from portal.pv.orientation import as_seen
from portal.pv.performance import Index, new_index
from portal.pv.quality import new_days
from portal.pv.rain import wash_chance
from portal.pv.readings import SiteReadings, until
from portal.pv.result import Assessment
from portal.pv.site_fit import doubt_of, errors_of, in_another_unit, terms_of
from portal.pv.soiling import SoilingFit, advance
from portal.pv.spells import Record

STEP_LIKE = 0.14
"""Change of the log index against the last fit that looks like a step of level, or the end of one; a little less than
:data:`portal.pv.diagnosis.SMALLEST_STEP`. [log] No source."""
STEP_LIKE_DAYS = 2
"""New days that look like that from which the whole record is looked at. Days; no source."""
SKY_DAYS = 70
"""Days before the new ones by which their sky is judged dark or bright. Days; no source: a little more than the window
that finds the bright days, 61 days."""


def go_on(
    sites: Sequence[SiteReadings], memories: Sequence[Memory | None], as_of: date | None
) -> list[Assessment] | None:
    """Work on new days only, or None when a full fit is due.

    Parameters
    ----------
    sites : sequence of SiteReadings
        Under one sky, or one alone.
    memories : sequence of Memory or None
        Of each site's last assessment.
    as_of : date or None
        Last day that may be used.

    Returns
    -------
    list of Assessment, or None
        In the order of the sites.
    """
    going: list[_Going] = []
    for site, memory in zip(sites, memories, strict=True):
        one = _new_days(site, memory, as_of) if memory is not None else None
        if one is None:
            return None
        going.append(one)
    clear = _without_air(going)
    if not going or any(one.looks_like_a_step() for one in clear):
        return None
    return [_extend(one) for one in clear]


@dataclass(frozen=True)
class _Going:
    """One site with new days since its last full fit; arrays by new day have shape (days,)."""

    site: SiteReadings
    memory: Memory
    base: SoilingFit
    rows: npt.NDArray[np.void]
    """Of the new days."""
    record: Record
    smooth: Floats
    """Level, season, ageing and steps of level (log)."""
    steps: tuple[LevelStep, ...]
    in_town: bool = False
    """Whether the town's air is out of the record."""

    def residual(self) -> Floats:
        """Log index less what the last fit makes of it."""
        return np.asarray(self.record.log_index - self.smooth - np.log1p(-self.base.loss_mean[-1]))

    def looks_like_a_step(self) -> bool:
        return bool((np.abs(self.residual()) > STEP_LIKE).sum() >= STEP_LIKE_DAYS)


def _new_days(site: SiteReadings, memory: Memory, as_of: date | None) -> _Going | None:
    """The days that the memory does not know, as the fit sees them; None when a full fit is due."""
    facts = memory.facts
    if facts["made_of"] != fingerprint(site.array, site.interval_minutes):
        return None
    if facts["visits"] != sorted(visit.isoformat() for visit in site.visits):
        return None
    array = as_seen(site.array, memory.seen)
    rows = new_days(array, until(site, as_of), site.interval_minutes, memory.rows, Metering(**facts["meter"]))
    if len(rows) >= FULL_FIT_EVERY or in_another_unit(rows):
        return None
    steps = tuple(LevelStep(*step) for step in facts["steps"])
    days = np.concatenate([memory.rows["day"], rows["day"]]).astype(np.int64)
    terms = terms_of(days, steps, int(memory.rows["day"][-1]))
    new = slice(len(memory.rows), None)
    daily = memory.days_with(rows, site.interval_minutes)
    tail = replace(daily, rows=daily.rows[-SKY_DAYS - len(rows) :])
    base = memory.fit()
    record = Record(
        log_index=new_index(Index(np.zeros(0), facts["scatter"], facts["haze_gain"], facts["haze_level"]), rows),
        scatter=np.full(len(rows), facts["scatter"]),
        wash=wash_chance(tail, site.rain_mm)[len(tail.rows) - len(rows) :],
        visit_days=np.zeros(0, dtype=np.int64),
        expected_wh=daily["expected_wh"][new],
        terms=replace(terms, by_day=terms.by_day[new]),
    )
    share = normalised(base.resume.log_share)
    smooth = share @ (base.resume.level[:, None] + base.resume.theta @ record.terms.by_day.T)
    return _Going(site, memory, base, rows, record, smooth, steps)


def _without_air(going: Sequence[_Going]) -> list[_Going]:
    """Take the air of the new days out of those sites that shared the town's at the last full fit."""
    members = [at for at, one in enumerate(going) if one.memory.facts["town_scatter"] is not None and len(one.rows)]
    if len(members) < 2:
        return list(going)
    # Records end on different days: each roof's new days have their place on one axis.
    first = min(int(going[at].rows["day"][0]) for at in members)
    days = max(int(going[at].rows["day"][-1]) for at in members) - first + 1
    place = [slice(begin := int(going[at].rows["day"][0]) - first, begin + len(going[at].rows)) for at in members]
    scatter = np.array([going[at].memory.facts["town_scatter"] for at in members], dtype=np.float64)
    doubt = np.repeat([[doubt_of(going[at].base)[-1]] for at in members], days, axis=1)
    residual = np.full((len(members), days), np.nan)
    for n, at in enumerate(members):
        residual[n, place[n]] = going[at].residual()
    middle = going[members[0]].memory.facts["middle"]
    air = shared_air(residual, scatter, doubt, np.zeros(days), np.zeros((days, 0)), middle=middle)
    clear = list(going)
    for n, at in enumerate(members):
        record = going[at].record
        clear[at] = replace(
            going[at],
            record=replace(
                record,
                log_index=record.log_index - air.log_dimming[n, place[n]],
                scatter=np.sqrt(scatter[n] ** 2 + air.variance[n, place[n]]),
            ),
            in_town=True,
        )
    return clear


def _extend(one: _Going) -> Assessment:
    """The answer of the last full fit, gone on with new days."""
    base, facts = one.base, one.memory.facts
    daily = one.memory.days_with(one.rows, one.site.interval_minutes)
    fitted = base
    if len(one.rows):
        more = advance(base.resume, one.record, errors_of(one.in_town, one.site))
        loss = np.concatenate([base.loss_mean, more.loss_mean])
        weight = daily["expected_wh"]
        fitted = replace(
            base,
            log_mean=-np.log1p(-loss),
            loss_mean=loss,
            loss_low=np.concatenate([base.loss_low, more.loss_low]),
            loss_high=np.concatenate([base.loss_high, more.loss_high]),
            present=more.present,
            rate=more.rate,
            mean_loss=float((loss * weight).sum() / weight.sum()),
            smooth=np.concatenate([base.smooth, more.smooth]),
        )
    return replace(answer_of(one.site, daily, one.steps, fitted, facts["neighbours"]), memory=one.memory.to_bytes())
