"""A fit, or the lack of one, as the result that is handed out."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

import numpy as np
import pandas as pd

from portal.pv.chain import quantiles as loss_quantiles
from portal.pv.diagnosis import Step
from portal.pv.due import clean_due
from portal.pv.effect import recoveries, visit_gains
from portal.pv.quality import GAPS, NO_READINGS, REFUSED, USED, Daily
from portal.pv.readings import SiteReadings
from portal.pv.result import QUANTILES, Assessment, Band, Cleaning, DataQuality, Recovery, Verdict
from portal.pv.soiling import Fit
from portal.pv.verdict import judge


def no_answer(site: SiteReadings, as_of: date, why: str, daily: Daily | None = None) -> Assessment:
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
        clean_due=None,
        reasons=(why,),
        cleanings=tuple(Cleaning(visit, None, None) for visit in site.visits),
        recoveries=(),
        data_quality=_quality(daily) if daily is not None else DataQuality(0, 0, 0, 0, 0, 0),
        neighbours=0,
        loss_quantiles=(),
        daily=_frame(daily, None) if daily is not None else _frame(None, None),
    )


def answer_of(site: SiteReadings, daily: Daily, steps: Sequence[Step], fitted: Fit, neighbours: int) -> Assessment:
    """What a fit means."""
    quantiles = loss_quantiles(fitted.present_grid, fitted.loss_grid, np.array(QUANTILES))
    low, middle, high = loss_quantiles(fitted.present_grid, fitted.loss_grid, np.array([0.05, 0.5, 0.95]))
    dates = daily.dates()
    result = Assessment(
        as_of=dates[-1],
        verdict=Verdict.CLEAN,
        cause=None,
        cause_began=None,
        present_loss=float(middle),
        present_loss_ci=Band(float(low), float(high)),
        mean_loss=fitted.mean_loss,
        soiling_rate_per_day=fitted.rate,
        soiling_rate_ci=Band(fitted.rate_low, fitted.rate_high),
        soiling_since=_since(fitted, dates),
        clean_due=clean_due(dates[-1], float(middle), fitted.rate),
        reasons=(),
        cleanings=tuple(
            Cleaning(visit, gain and gain[0], gain and Band(gain[1], gain[2]))
            for visit, gain in visit_gains(fitted, daily, site.visits)
        ),
        recoveries=tuple(
            Recovery(day, gain, Band(gain_low, gain_high))
            for day, gain, gain_low, gain_high in recoveries(fitted, daily)
        ),
        data_quality=_quality(daily),
        neighbours=neighbours,
        loss_quantiles=tuple(float(q) for q in quantiles),
        daily=_frame(daily, fitted),
    )
    return judge(site, daily, steps, result)


def _since(fitted: Fit, dates: Sequence[date]) -> date | None:
    """Start of the present drift: the last day on which the fitted loss was at its lowest."""
    loss = fitted.loss_mean
    if loss[-1] < 0.01:
        return None
    floor = 0.15 * loss[-1]
    back = np.flatnonzero(loss <= max(floor, float(loss[-400:].min()) + 0.002))
    return dates[int(back[-1])] if back.size else dates[0]


def _quality(daily: Daily, duplicates: int = 0) -> DataQuality:
    flag = daily.rows["flag"]
    return DataQuality(
        days=len(flag),
        gap_days=int(np.isin(flag, (NO_READINGS, GAPS)).sum()),
        clear_days=int((flag == USED).sum()),
        clear_days_last_30=int((flag[-30:] == USED).sum()),
        duplicates_dropped=duplicates,
        unit_changes_mended=daily.unit_changes_mended,
        notes=daily.notes,
    )


def _frame(daily: Daily | None, fitted: Fit | None) -> pd.DataFrame:
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
            "refused": [REFUSED[int(flag)] for flag in daily.rows["flag"]],
            "soiling_ratio": 1 - fitted.loss_mean if fitted is not None else missing,
            "soiling_ratio_low": 1 - fitted.loss_high if fitted is not None else missing,
            "soiling_ratio_high": 1 - fitted.loss_low if fitted is not None else missing,
        },
        index=pd.Index(daily.dates(), dtype=object),
    )
