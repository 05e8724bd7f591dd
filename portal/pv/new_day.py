"""New days after a full fit: the chain goes on from where the last fit left it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date

import numpy as np
import numpy.typing as npt

from portal.pv.air import shared_air
from portal.pv.answer import answer_of
from portal.pv.chain import LOSS, Resume
from portal.pv.diagnosis import Step
from portal.pv.memory import FULL_FIT_EVERY, Memory, fingerprint
from portal.pv.performance import Index, new_index
from portal.pv.quality import Daily, Meter, new_days
from portal.pv.rain import wash_chance
from portal.pv.readings import SiteReadings, until
from portal.pv.result import Assessment
from portal.pv.site_fit import ALONE, TOGETHER, design_of, doubt_of, is_odd
from portal.pv.soiling import Fit, advance
from portal.pv.spells import cut_steps

Floats = npt.NDArray[np.float64]


def go_on(
    sites: Sequence[SiteReadings], memories: Sequence[Memory | None], as_of: date | None
) -> list[Assessment] | None:
    """Work on new days only, or None when a full fit is due."""
    going: list[_Going] = []
    for site, memory in zip(sites, memories, strict=True):
        one = _new_days(site, memory, as_of) if memory is not None else None
        if one is None:
            return None
        going.append(one)
    if not going:
        return None
    days = max(len(one.rows) for one in going)
    members = [one for one in going if one.town_scatter is not None and len(one.rows) == days]
    airs: dict[int, tuple[Floats, Floats]] = {}
    if len(members) >= 2 and days:
        rest = np.stack([one.log_index - one.smooth + one.log_loss for one in members])
        scatter = np.array([one.town_scatter or 0.03 for one in members])
        doubt = np.repeat([[doubt_of(one.base)[-1]] for one in members], days, axis=1)
        air = shared_air(rest, scatter, doubt, np.zeros(days), np.zeros((days, 0)), middle=members[0].middle)
        for n, one in enumerate(members):
            airs[id(one)] = (air.log_dimming[n], np.sqrt(scatter[n] ** 2 + air.variance[n]))
    out = []
    for one in going:
        dimming, spread = airs.get(id(one), (np.zeros(len(one.rows)), np.full(len(one.rows), one.scatter)))
        fallen = one.log_index - dimming - one.smooth + one.log_loss
        if (np.abs(fallen) > 0.14).sum() >= 2:
            return None  # a step, or the end of one: look at the whole record
        out.append(_extend(one, dimming, spread, id(one) in airs))
    return out


@dataclass(frozen=True)
class _Going:
    """One site with new days since its last full fit."""

    site: SiteReadings
    memory: Memory
    base: Fit
    rows: npt.NDArray[np.void]
    """Of the new days."""
    log_index: Floats
    smooth: Floats
    design: Floats
    wash: Floats
    log_loss: float
    scatter: float
    town_scatter: float | None
    middle: float
    steps: tuple[Step, ...]


def _new_days(site: SiteReadings, memory: Memory, as_of: date | None) -> _Going | None:
    facts = memory.facts
    if facts["made_of"] != fingerprint(site.array, site.interval_minutes):
        return None
    if facts["visits"] != sorted(visit.isoformat() for visit in site.visits):
        return None
    energy = until(site, as_of)
    rows = new_days(site.array, energy, site.interval_minutes, memory.rows, Meter(**facts["meter"]))
    if len(rows) >= FULL_FIT_EVERY or is_odd(rows):
        return None
    steps = tuple(Step(first, last, size) for first, last, size in facts["steps"])
    days = np.concatenate([memory.rows["day"], rows["day"]]).astype(np.int64)
    design = design_of(days, steps, int(memory.rows["day"][-1]))[0][len(memory.rows) :]
    base = _remembered(memory)
    share = np.exp(base.resume.log_share)
    share /= share.sum()
    tail = Daily(np.concatenate([memory.rows[-70:], rows]), site.interval_minutes, 0, 0, Meter(**facts["meter"]))
    index = Index(np.zeros(0), facts["scatter"], facts["haze_gain"], facts["haze_level"])
    return _Going(
        site=site,
        memory=memory,
        base=base,
        rows=rows,
        log_index=new_index(index, rows),
        smooth=share @ (base.resume.level[:, None] + base.resume.theta @ design.T),
        design=design,
        wash=wash_chance(tail, site.rain_mm)[len(tail.rows) - len(rows) :],
        log_loss=float(-np.log1p(-base.loss_mean[-1])),
        scatter=facts["scatter"],
        town_scatter=facts["town_scatter"],
        middle=facts["middle"],
        steps=steps,
    )


def _remembered(memory: Memory) -> Fit:
    """The last full fit, from its memory."""
    facts, arrays = memory.facts, memory.arrays
    loss = arrays["loss_mean"].astype(np.float64)
    resume = Resume(
        state=arrays["state"],
        half_days=facts["half_days"],
        log_share=arrays["log_share"].astype(np.float64),
        level=arrays["level"].astype(np.float64),
        theta=arrays["theta"].astype(np.float64),
        theta_sd=facts["theta_sd"],
    )
    return Fit(
        level=facts["level"],
        log_mean=-np.log1p(-loss),
        loss_mean=loss,
        loss_low=arrays["loss_low"].astype(np.float64),
        loss_high=arrays["loss_high"].astype(np.float64),
        present_grid=arrays["present"].astype(np.float64),
        loss_grid=LOSS,
        rate=facts["rate"],
        rate_low=facts["rate_low"],
        rate_high=facts["rate_high"],
        drops=[(int(day), gain, low, high) for day, gain, low, high in facts["drops"]],
        visits={int(day): (gain, low, high) for day, gain, low, high in facts["gains"]},
        mean_loss=facts["mean_loss"],
        smooth=arrays["smooth"].astype(np.float64),
        theta=resume.theta[0],
        resume=resume,
    )


def _extend(one: _Going, dimming: Floats, spread: Floats, in_town: bool) -> Assessment:
    """The answer of the last full fit, gone on with new days."""
    facts, base = one.memory.facts, one.base
    meter = Meter(**facts["meter"])
    rows = np.concatenate([one.memory.rows, one.rows])
    daily = Daily(
        rows, one.site.interval_minutes, facts["unit_changes"], facts["clock_shifts"], meter, tuple(facts["notes"])
    )
    fitted = base
    if len(one.rows):
        rho, change, lasting, _ = TOGETHER if in_town else ALONE
        none = np.zeros(0, dtype=np.int64)
        steps = cut_steps(one.log_index - dimming, spread, one.wash, none, one.design, rho, lasting)
        more = advance(base.resume, steps, one.design, change)
        loss = np.concatenate([base.loss_mean, more.loss_mean])
        weight = daily["expected_wh"]
        fitted = replace(
            base,
            log_mean=-np.log1p(-loss),
            loss_mean=loss,
            loss_low=np.concatenate([base.loss_low, more.loss_low]),
            loss_high=np.concatenate([base.loss_high, more.loss_high]),
            present_grid=more.present_grid,
            rate=more.rate,
            mean_loss=float((loss * weight).sum() / weight.sum()),
            smooth=np.concatenate([base.smooth, more.smooth]),
        )
    return replace(answer_of(one.site, daily, one.steps, fitted, facts["neighbours"]), memory=one.memory.to_bytes())
