"""A fit, or the lack of one, as the result that is handed out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pandas as pd

from portal.pv.arrays import Floats
from portal.pv.chain import initial_state
from portal.pv.daily import EPOCH, GAPS, NO_READINGS, REFUSED, USED, Daily
from portal.pv.diagnosis import LevelStep
from portal.pv.moves import LOSS, quantiles
from portal.pv.orientation import as_seen
from portal.pv.readings import SiteReadings
from portal.pv.result import BAND_90, QUANTILES, Assessment, Band, Cleaning, DataQuality, Recovery, Verdict
from portal.pv.said import Code, Said
from portal.pv.soiling import SoilingFit
from portal.pv.verdict import judge, shown_by_a_wash

ROSE_DAYS = 365
"""Days for which it is told that the level rose for good. Common practice, no source."""
DRIFT = 0.01
"""Present loss below which no drift is dated [fraction of clean yield]. No source."""
DRIFT_BEGAN = 0.15
"""Share of the present loss at which its drift counts as begun. No source."""
WORTH_SAYING_TILT, WORTH_SAYING_TURN = 8.0, 12.0
"""Degrees from what was told from which people are asked to check it: owners round to five. Common practice, no
source."""
DAILY_TOTALS_DOUBT = 0.03
"""How much wider a gain's interval is on either side from daily totals [fraction of clean yield]. Tuned on made fleets,
where it errs by 2 points on average there, more than always saying nothing does."""
NO_DIRT = 0.2
"""Chance that what rain hardly takes, and no wash has moved, is no dirt at all: modules that fail, a meter with another
constant. No source: in made fleets it is one such loss in three to five. A fifth either way (reckoned, not
measured) leaves both in the 90 % interval."""
DRIFT_DAYS = 400
"""Days back over which the lowest loss is looked for. No source: a year and a month."""
DRIFT_NEAR = 0.002
"""A loss so little above the lowest is still the lowest [fraction of clean yield]. No source."""


def no_answer(site: SiteReadings, as_of: date, why: Said, daily: Daily | None = None) -> Assessment:
    """The result of a site whose record is too little.

    Parameters
    ----------
    site : SiteReadings
        The readings and what is known of the site.
    as_of : date
        The day the answer speaks of.
    why : Said
        The reason said.
    daily : Daily, optional
        What there is of days.

    Returns
    -------
    Assessment
        Not enough data.
    """
    return Assessment(
        as_of=as_of,
        verdict=Verdict.NOT_ENOUGH_DATA,
        cause=None,
        cause_began=None,
        present_loss=None,
        present_loss_ci=None,
        mean_loss=None,
        soiling_rate_per_day=None,
        soiling_rate_ci=None,
        soiling_since=None,
        reasons=(why,),
        cleanings=tuple(Cleaning(visit, None, None) for visit in site.visits),
        recoveries=(),
        data_quality=_quality(daily) if daily is not None else DataQuality(0, 0, 0, 0, 0),
        neighbours=0,
        loss_quantiles=(),
        daily=_frame(daily, None),
    )


def answer_of(
    site: SiteReadings, daily: Daily, steps: Sequence[LevelStep], fitted: SoilingFit, neighbours: int
) -> Assessment:
    """What a fit means.

    Parameters
    ----------
    site : SiteReadings
        The readings and what is known of the site.
    daily : Daily
        Its days.
    steps : sequence of LevelStep
        Of level, found in the record.
    fitted : SoilingFit
        What the chain says.
    neighbours : int
        Sites whose air was taken out.

    Returns
    -------
    Assessment
        Without memory.
    """
    present = _present(fitted)
    low, middle, high = quantiles(present, LOSS, np.array(BAND_90))
    dates = daily.dates()
    result = Assessment(
        as_of=dates[-1],
        verdict=Verdict.CLEAN,
        cause=None,
        cause_began=None,
        present_loss=float(middle),
        present_loss_ci=Band(float(low), float(high)),
        mean_loss=fitted.mean_loss,
        soiling_rate_per_day=fitted.rate.mean,
        soiling_rate_ci=Band(fitted.rate.low, fitted.rate.high),
        soiling_since=_since(fitted, dates),
        reasons=(),
        cleanings=_cleanings(site, daily, fitted),
        recoveries=tuple(Recovery(dates[one.day], one.middle, Band(one.low, one.high)) for one in fitted.falls),
        data_quality=_quality(daily),
        neighbours=neighbours,
        loss_quantiles=tuple(float(point) for point in quantiles(present, LOSS, np.array(QUANTILES))),
        daily=_frame(daily, fitted),
        seen=daily.seen,
    )
    said = judge(site, daily, steps, result, fitted.rain_hardly_washes)
    return replace(
        result,
        verdict=said.verdict,
        cause=said.cause,
        cause_began=said.cause_began,
        reasons=(
            *said.reasons,
            *_rose(daily, steps),
            *_daily_totals(result, site),
            *_seen_otherwise(site, daily),
        ),
    )


def _present(fitted: SoilingFit) -> Floats:
    """Distribution of the present loss by dirt over :data:`portal.pv.moves.LOSS`, shape (S,).

    What no rain takes may be the modules or the meter until a wash has brought some of it back. Of the dirt on such a
    roof no more is known than before its record spoke.
    """
    if shown_by_a_wash(one.low for one in fitted.visits):
        return fitted.present
    doubt = NO_DIRT * fitted.rain_hardly_washes
    return np.asarray((1 - doubt) * fitted.present + doubt * initial_state(1).sum(axis=(0, 1)))


def _seen_otherwise(site: SiteReadings, daily: Daily) -> tuple[Said, ...]:
    """What to say of a slope or direction that was told quite wrong: the first plane stands for all."""
    seen = daily.seen
    if seen is None or (abs(seen.tilt) < WORTH_SAYING_TILT and abs(seen.turn) < WORTH_SAYING_TURN):
        return ()
    told, found = site.array.planes[0], as_seen(site.array, seen).planes[0]
    return (
        Said(
            Code.SEEN_OTHERWISE,
            {
                "tilt": round(found.tilt),
                "azimuth": round(found.azimuth),
                "told_tilt": round(told.tilt),
                "told_azimuth": round(told.azimuth),
            },
        ),
    )


def _rose(daily: Daily, steps: Sequence[LevelStep]) -> tuple[Said, ...]:
    """That the level rose for good, in the months after it: told facts may no longer be true."""
    risen = [step for step in steps if step.size > 0 and len(daily.rows) - step.first <= ROSE_DAYS]
    if not risen:
        return ()
    began = daily.dates()[risen[-1].first].isoformat()
    return Said(Code.ROSE, {"began": began, "gained": -risen[-1].lost}), Said(Code.PANELS_OR_METER)


def _daily_totals(result: Assessment, site: SiteReadings) -> tuple[Said, ...]:
    """That a wash which was told of can hardly be proven, where the meter gives one number a day."""
    known = any(one.gain is not None for one in result.cleanings)
    return (Said(Code.DAILY_TOTALS),) if known and site.interval_minutes == 1440 else ()


def _cleanings(site: SiteReadings, daily: Daily, fitted: SoilingFit) -> tuple[Cleaning, ...]:
    """Known visits with what they gained, None where the record does not tell.

    Daily totals show neither haze nor thin cloud: what moves an index by some percent then is mostly the sky.
    """
    more = DAILY_TOTALS_DOUBT if site.interval_minutes == 1440 else 0.0
    gains = {EPOCH + timedelta(days=int(daily.days[0]) + one.day): one for one in fitted.visits}
    return tuple(
        Cleaning(visit, one.middle, Band(one.low - more, one.high + more))
        if (one := gains.get(visit))
        else Cleaning(visit, None, None)
        for visit in site.visits
    )


def _since(fitted: SoilingFit, dates: Sequence[date]) -> date | None:
    """Start of the present drift: the last day on which the fitted loss was at its lowest."""
    loss = fitted.loss_mean
    if loss[-1] < DRIFT:
        return None
    back = np.flatnonzero(loss <= max(DRIFT_BEGAN * loss[-1], float(loss[-DRIFT_DAYS:].min()) + DRIFT_NEAR))
    return dates[int(back[-1])] if back.size else dates[0]


def _quality(daily: Daily) -> DataQuality:
    flag = daily.rows["flag"]
    return DataQuality(
        days=len(flag),
        gap_days=int(np.isin(flag, (NO_READINGS, GAPS)).sum()),
        clear_days=int((flag == USED).sum()),
        clear_days_last_30=int((flag[-30:] == USED).sum()),
        unit_changes_mended=daily.unit_changes_mended,
        notes=daily.notes,
    )


def _frame(daily: Daily | None, fitted: SoilingFit | None) -> pd.DataFrame:
    columns = [
        "energy_wh",
        "expected_wh",
        "index",
        "used",
        "refused",
        "soiling_ratio",
        "soiling_ratio_low",
        "soiling_ratio_high",
    ]
    if daily is None:
        return pd.DataFrame(columns=columns)
    missing = np.full(len(daily.rows), np.nan)
    level = np.nanmedian(daily["index"]) if fitted is None and np.isfinite(daily["index"]).any() else 1.0
    return pd.DataFrame(
        {
            "energy_wh": daily["energy_wh"],
            "expected_wh": daily["expected_wh"],
            "index": daily["index"] / (np.exp(fitted.smooth) if fitted is not None else level),
            "used": daily.rows["flag"] == USED,
            "refused": [REFUSED.get(int(flag), "") for flag in daily.rows["flag"]],
            "soiling_ratio": 1 - fitted.loss_mean if fitted is not None else missing,
            "soiling_ratio_low": 1 - fitted.loss_high if fitted is not None else missing,
            "soiling_ratio_high": 1 - fitted.loss_low if fitted is not None else missing,
        },
        index=pd.Index(daily.dates(), dtype=object),
    )
