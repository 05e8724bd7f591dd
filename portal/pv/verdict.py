"""What a fitted loss and the faults found mean: verdict, cause and the reasons said."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from portal.pv.diagnosis import LEAST_STEP_DAYS, Step, find_shade, is_freezing, off_since
from portal.pv.quality import USED, Daily
from portal.pv.readings import SiteReadings
from portal.pv.result import Assessment, Band, Cause, Verdict, chance_loss_exceeds
from portal.pv.sentences import percent

TOLD_LOSS = 0.025
"""Loss below which nobody is told to wash."""
SURE = 0.90
SURE_ALONE = 0.8
"""Chance that the loss exceeds :data:`TOLD_LOSS` from which the verdict is "soiling", in a town and alone: tuned on
planted sites so that hardly any clean one is told so: a wrong "you are dirty" costs more than a missed one."""


PERHAPS = 0.25


def judge(site: SiteReadings, daily: Daily, steps: Sequence[Step], result: Assessment) -> Assessment:
    """Verdict, cause and reasons."""
    dates = daily.dates()
    off = off_since(daily)
    if off is not None:
        if is_freezing(daily, off, site.array.latitude, site.array.longitude):
            return replace(
                result,
                verdict=Verdict.OTHER_FAULT,
                cause=Cause.SNOW,
                cause_began=dates[off],
                reasons=(
                    f"Since {dates[off]:%d %B %Y} there is almost no production, in a season when snow can lie.",
                    "Nobody should climb a snowy roof. If production stays out after the thaw, check the inverter.",
                ),
            )
        return replace(
            result,
            verdict=Verdict.OTHER_FAULT,
            cause=Cause.OUTAGE,
            cause_began=dates[off],
            reasons=(
                f"Since {dates[off]:%d %B %Y} there is no production by day.",
                "Look at the inverter's display, the AC breaker and the meter before anything else.",
            ),
        )
    active = [step for step in steps if step.last is None]
    winter = is_freezing(daily, len(dates) - 1, site.array.latitude, site.array.longitude)
    told = [
        step
        for step in active
        if _clear_days_from(daily, step.first) >= LEAST_STEP_DAYS
        and not (winter and is_freezing(daily, step.first, site.array.latitude, site.array.longitude))
    ]
    if told:
        step = told[-1]
        return replace(
            result,
            verdict=Verdict.OTHER_FAULT,
            cause=Cause.STRING_LOSS,
            cause_began=dates[step.first],
            reasons=(
                f"From {dates[step.first]:%d %B %Y} output is {percent(step.lost)} lower, at all hours alike.",
                "It fell from one day to the next. Dirt does not come like that.",
                "Have an electrician check string fuses, connectors and the inverter's inputs.",
            ),
        )
    shade = find_shade(daily)
    if shade is not None:
        end = "afternoon" if shade.evening else "morning"
        return replace(
            result,
            verdict=Verdict.OTHER_FAULT,
            cause=Cause.SHADING,
            cause_began=dates[shade.first],
            reasons=(
                f"With the sun lower than about {shade.height:.0f} degrees, the {end} yields far less than it should.",
                "Look for a tree, chimney or new building on that side. Washing will not bring this back.",
            ),
        )
    if result.data_quality.clear_days_last_30 == 0 and _days_since_clear(daily) > 45:
        return replace(
            result,
            verdict=Verdict.NOT_ENOUGH_DATA,
            reasons=("There was no clear day in the last six weeks, so the present state cannot be told.",),
        )
    loss = result.present_loss or 0.0
    band = result.present_loss_ci or Band(0.0, 0.0)
    chance = chance_loss_exceeds(result.loss_quantiles, TOLD_LOSS)
    said = f"The estimate of the loss is {percent(loss)} (between {percent(band.low)} and {percent(band.high)})."
    if chance >= (SURE if result.neighbours else SURE_ALONE) and loss >= TOLD_LOSS:
        since = f" since {result.soiling_since:%d %B %Y}" if result.soiling_since else ""
        return replace(
            result,
            verdict=Verdict.SOILING,
            reasons=(said, f"Output has drifted down slowly{since}, alike at all hours, as dirt does."),
        )
    if active:
        step = active[-1]
        return replace(
            result,
            verdict=Verdict.NOT_ENOUGH_DATA,
            reasons=(
                f"From {dates[step.first]:%d %B %Y} output is {percent(step.lost)} lower, and fell in a day.",
                "There is too little to tell a fault from haze or snow yet; if it stays, it is no dirt.",
            ),
        )
    if band.high < TOLD_LOSS:
        return replace(result, reasons=(said, "The modules are clean enough."))
    if chance_loss_exceeds(result.loss_quantiles, 2 * TOLD_LOSS) >= PERHAPS:
        return replace(
            result,
            verdict=Verdict.NOT_ENOUGH_DATA,
            reasons=(
                said,
                "There may well be dirt, but this is too unsure to call for a wash; more clear days will tell.",
            ),
        )
    return replace(
        result, reasons=(said, "This is too small or too unsure to call for a wash; more clear days will tell.")
    )


def _clear_days_from(daily: Daily, first: int) -> int:
    return int((daily.rows["flag"][first:] == USED).sum())


def _days_since_clear(daily: Daily) -> int:
    used = np.flatnonzero(daily.rows["flag"] == USED)
    return int(len(daily.rows) - 1 - used[-1]) if used.size else len(daily.rows)
