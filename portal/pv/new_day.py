"""New days after a full fit: the chain goes on from where the last fit left it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date

import numpy as np
import numpy.typing as npt

from portal.pv.air import Witness, shared_air
from portal.pv.answer import answer_of
from portal.pv.arrays import Floats
from portal.pv.chain import normalised
from portal.pv.daily import Metering
from portal.pv.diagnosis import LevelStep
from portal.pv.haze import Haze
from portal.pv.memory import Memory, fingerprint, full_fit_due
from portal.pv.orientation import as_seen
from portal.pv.performance import new_index, scatter_by_day
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


@dataclass(frozen=True)
class Resting:
    """A site whose last full fit stands, with the days that are new since; arrays by new day have shape (days,)."""

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

    @property
    def shares_air(self) -> bool:
        """Whether the last full fit took the town's air out."""
        return self.memory.facts["town_scatter"] is not None

    def residual(self) -> Floats:
        """Log index less what the last fit makes of it.

        Returns
        -------
        ndarray (days,)
            NaN on refused days.
        """
        return np.asarray(self.record.log_index - self.smooth - np.log1p(-self.base.loss_mean[-1]))

    def looks_like_a_step(self) -> bool:
        """Say whether the new days ask for a look at the whole record.

        Returns
        -------
        bool
            True where some stand far from the last fit.
        """
        return bool((np.abs(self.residual()) > STEP_LIKE).sum() >= STEP_LIKE_DAYS)

    def witness(self) -> Witness:
        """Say what the site shows of the air, on known and new days.

        Returns
        -------
        Witness
            Of a site that shares the town's air.
        """
        arrays, doubt = self.memory.arrays, doubt_of(self.base)
        return Witness(
            first_day=int(self.memory.rows["day"][0]),
            residual=np.concatenate([arrays["residual"], self.residual()]),
            doubt=np.append(doubt, np.repeat(doubt[-1], len(self.rows))),
            wash=np.concatenate([arrays["wash"], self.record.wash]),
            scatter=float(self.memory.facts["town_scatter"] or 0.0),
        )


def rest(site: SiteReadings, memory: Memory, as_of: date | None) -> Resting | None:
    """Read the days that a memory does not know, as its fit sees them.

    Parameters
    ----------
    site : SiteReadings
        The readings may begin at any day up to the first new one.
    memory : Memory
        Of its last full fit.
    as_of : date or None
        Last day that may be used.

    Returns
    -------
    Resting or None
        None when a full fit is due.
    """
    facts = memory.facts
    if facts["made_of"] != fingerprint(site.array, site.interval_minutes):
        return None
    if facts["visits"] != sorted(visit.isoformat() for visit in site.visits):
        return None
    array = as_seen(site.array, memory.seen)
    rows = new_days(array, until(site, as_of), site.interval_minutes, memory.rows, Metering(**facts["meter"]))
    known = int(memory.rows["day"][-1])
    if in_another_unit(rows) or full_fit_due(known, known + len(rows), site.key):
        return None
    steps = tuple(LevelStep(*step) for step in facts["steps"])
    days = np.concatenate([memory.rows["day"], rows["day"]]).astype(np.int64)
    terms = terms_of(days, steps, int(memory.rows["day"][-1]))
    new = slice(len(memory.rows), None)
    daily = memory.days_with(rows, site.interval_minutes)
    tail = replace(daily, rows=daily.rows[-SKY_DAYS - len(rows) :])
    base = memory.fit()
    record = Record(
        log_index=new_index(Haze(**facts["haze"]), memory.rows, rows, in_town=facts["town_scatter"] is not None),
        scatter=scatter_by_day(facts["scatter"], rows),
        wash=wash_chance(tail, site.rain_mm)[len(tail.rows) - len(rows) :],
        visit_days=np.zeros(0, dtype=np.int64),
        expected_wh=daily["expected_wh"][new],
        terms=replace(terms, by_day=terms.by_day[new]),
    )
    share = normalised(base.resume.log_share)
    smooth = share @ (base.resume.level[:, None] + base.resume.theta @ record.terms.by_day.T)
    return Resting(site, memory, base, rows, record, smooth, steps)


def without_air(going: Sequence[Resting]) -> list[Resting]:
    """Take the air of the new days out of those sites that shared the town's at the last full fit.

    Parameters
    ----------
    going : sequence of Resting
        Under one sky.

    Returns
    -------
    list of Resting
        In the same order.
    """
    members = [at for at, one in enumerate(going) if one.shares_air and len(one.rows)]
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


def extend(one: Resting, previous: bytes) -> Assessment:
    """Go on with new days from the answer of the last full fit.

    Parameters
    ----------
    one : Resting
        The air out of it, where it is known.
    previous : bytes
        The memory that it was made of.

    Returns
    -------
    Assessment
        With that memory again.
    """
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
    answer = answer_of(one.site, daily, one.steps, fitted, facts["neighbours"])
    return replace(answer, memory=previous, stands=len(one.memory.rows))
