"""What a fitted loss and the faults found mean: verdict, cause and the reasons said.

The findings are asked for in turn, surest first; the first that speaks is the verdict.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np

from portal.pv.daily import GAPS, STUCK, UNITS, USED, Daily
from portal.pv.diagnosis import LEAST_STEP_DAYS, LevelStep, find_shade, is_freezing, off_since
from portal.pv.readings import SiteReadings
from portal.pv.result import Assessment, Band, Cause, Verdict, chance_loss_exceeds
from portal.pv.said import Code, Said

LEAST_DAYS = 45
"""Days of a record below which there is no estimate. Common practice, no source."""
LEAST_CLEAR_DAYS = 20
"""Days with enough clear sky below which there is none. Common practice, no source."""
UNSEEN_DAYS = 45
"""Days without a clear one after which the present state cannot be told. Common practice, no source."""
UNFIT = (STUCK, UNITS, GAPS)
"""Flags of days that are refused for how the meter reads, whatever the sky was, by definition."""
TOLD_LOSS = 0.025
"""Loss below which nobody is told to wash [fraction of clean yield]. Common practice, no source."""
SURE, SURE_ALONE = 0.70, 0.75
"""Chance that the loss exceeds :data:`TOLD_LOSS` from which the verdict is "soiling", in a town and alone. Tuned on
made fleets so that hardly any clean roof is told so: a wrong "you are dirty" costs more than a missed one. In towns
without a gauge 0.78 finds 14 dirty looks of 26 of the development fleet and 0.70 finds 18, neither tells a clean one of
57; alone 0.8, 0.75, 0.7 and 0.6 find 22, 23, 24 and 24 of 57 there and tell 0, 1, 1 and 3 of 317 clean ones or faults.
Alone 0.7 calls a roof of 1.5 % dirty beside published dirt (``tests/pv/test_published_dirt.py``)."""
SURELY_LOST = 0.002
"""Low end of the interval below which nobody is told "soiling" [fraction of clean yield]: the roof may as well be
clean. Tuned on made lone roofs: a fifth less changes nothing, a fifth more finds 64 dirty ones of 232 instead of 66,
0.005 finds 48, and each tells 2 clean ones of 212."""
DIRTY_LOSS = 0.04
"""Loss that who was told "clean" would call a mistake [fraction of clean yield]. Common practice, no source."""
CLEAN_DOUBT, CLEAN_DOUBT_ALONE = 0.08, 0.12
"""Chance of :data:`DIRTY_LOSS` under which the verdict is "clean", in a town and alone. Tuned on made fleets: alone
three in five clean roofs get the word, and one dirty roof in nine; a fifth less there (read from wider steps)
loses one clean roof in ten, a fifth more tells one dirty roof in fifty more clean. In towns three quarters, and
hardly any."""
RAIN_FAILS = 0.9
"""Chance that rain takes hardly anything from which a loss is told as dirt only if a wash has moved it: below, too few
rains have shown it. Tuned on made fleets with modules that fail slowly."""
UNTOLD = 0.3
"""Chance that the loss is none worth telling up to which it is still said, where rain hardly takes it, that dirt and
modules look alike: their share lies in it. No source; a fifth either way changed nothing on sixteen made roofs alone
and a town of eight."""
SHOWN_GAIN = 0.005
"""Low end of a wash's gain from which it has shown dirt [fraction of clean yield]. No source."""
BROUGHT_BACK = 0.4
"""Share of a loss that a wash brings back at least where it is dirt: hand washing leaves a few percent of it (common
practice, no source)."""
YOUNG_DAYS = 180
"""Days of a record within which a roof alone has shown neither its season nor what washes it. Tuned on real clean
records, which told "soiling" after two to three months."""


@dataclass(frozen=True)
class Finding:
    """A verdict with its cause and the reasons said."""

    verdict: Verdict
    reasons: tuple[Said, ...]
    cause: Cause | None = None
    cause_began: date | None = None


def too_little(daily: Daily) -> Said | None:
    """Why a record is too little for an estimate; None when it is enough.

    Parameters
    ----------
    daily : Daily
        Its days.

    Returns
    -------
    Said or None
        The first that is lacking.
    """
    if len(daily.rows) < LEAST_DAYS:
        return Said(Code.FEW_DAYS, {"days": len(daily.rows), "least_days": LEAST_DAYS})
    used = _clear_days_from(daily, 0)
    if used < LEAST_CLEAR_DAYS:
        return Said(Code.FEW_CLEAR_DAYS, {"clear_days": used, "least_days": LEAST_CLEAR_DAYS})
    return None


def judge(
    site: SiteReadings, daily: Daily, steps: Sequence[LevelStep], result: Assessment, rain_hardly_washes: float = 0.0
) -> Finding:
    """Verdict, cause and reasons.

    Parameters
    ----------
    site : SiteReadings
        For its place.
    daily : Daily
        Its days.
    steps : sequence of LevelStep
        Of level, found in the record.
    result : Assessment
        With its loss, quantiles and neighbours; its verdict is not looked at.
    rain_hardly_washes : float
        Chance that rain takes hardly anything on this roof.

    Returns
    -------
    Finding
        The first that speaks.
    """
    return (
        _off(site, daily)
        or _string(site, daily, steps)
        or _shade(daily)
        or _unseen(daily)
        or _dirty(result, rain_hardly_washes > RAIN_FAILS)
        or _fell(daily, steps)
        or _not_dirty(result)
    )


def _freezing(site: SiteReadings, daily: Daily, day: int) -> bool:
    return is_freezing(daily, day, site.array.latitude, site.array.longitude)


def _off(site: SiteReadings, daily: Daily) -> Finding | None:
    """No production up to the record's end: an outage, or snow where it can lie."""
    off = off_since(daily)
    if off is None:
        return None
    began = daily.dates()[off]
    if _freezing(site, daily, off):
        said = (Said(Code.OFF_WHEN_SNOW_CAN_LIE, {"began": began.isoformat()}), Said(Code.LEAVE_THE_SNOW))
        return Finding(Verdict.OTHER_FAULT, said, Cause.SNOW, began)
    said = (Said(Code.OFF, {"began": began.isoformat()}), Said(Code.LOOK_AT_THE_INVERTER))
    return Finding(Verdict.OTHER_FAULT, said, Cause.OUTAGE, began)


def _string(site: SiteReadings, daily: Daily, steps: Sequence[LevelStep]) -> Finding | None:
    """A step of level that lasts and was seen for days, unless snow may lie."""
    winter = _freezing(site, daily, len(daily.rows) - 1)
    told = [
        step
        for step in steps
        if step.last is None
        and step.size < 0
        and _clear_days_from(daily, step.first) >= LEAST_STEP_DAYS
        and not (winter and _freezing(site, daily, step.first))
    ]
    if not told:
        return None
    began = daily.dates()[told[-1].first]
    return Finding(
        Verdict.OTHER_FAULT,
        (
            Said(Code.FELL, {"began": began.isoformat(), "lost": told[-1].lost}),
            Said(Code.FELL_IN_A_DAY),
            Said(Code.CHECK_THE_STRINGS),
        ),
        Cause.STRING_LOSS,
        began,
    )


def _shade(daily: Daily) -> Finding | None:
    """The low sun of one end of the day taken away."""
    shade = find_shade(daily)
    if shade is None:
        return None
    end = Code.LOW_SUN_LOST_IN_THE_AFTERNOON if shade.evening else Code.LOW_SUN_LOST_IN_THE_MORNING
    return Finding(
        Verdict.OTHER_FAULT,
        (Said(end, {"height": shade.height}), Said(Code.LOOK_FOR_SHADE)),
        Cause.SHADING,
        daily.dates()[shade.first],
    )


def _unseen(daily: Daily) -> Finding | None:
    """No day for weeks that could be judged."""
    used = np.flatnonzero(daily.rows["flag"] == USED)
    if used.size and len(daily.rows) - 1 - used[-1] <= UNSEEN_DAYS:
        return None
    unfit = int(np.isin(daily.rows["flag"][-UNSEEN_DAYS:], UNFIT).sum())
    if unfit > UNSEEN_DAYS / 2:  # more than half: it is the meter, and not the sky, that shows nothing
        why = Said(Code.METER_UNFIT, {"unfit": unfit, "days": UNSEEN_DAYS})
    else:
        why = Said(Code.NO_CLEAR_DAY, {"days": UNSEEN_DAYS})
    return Finding(Verdict.NOT_ENOUGH_DATA, (why,))


def _dirty(result: Assessment, rain_fails: bool) -> Finding | None:
    """A loss that is very likely more than what anybody is told of."""
    loss = result.present_loss or 0.0
    chance = chance_loss_exceeds(result.loss_quantiles, TOLD_LOSS)
    least = 1 - UNTOLD if rain_fails else SURE if result.neighbours else SURE_ALONE
    if chance < least or loss < TOLD_LOSS or (_band(result).low < SURELY_LOST and not rain_fails):
        return None
    if _young(result):
        return Finding(Verdict.UNSURE, (_estimate(result), Said(Code.FIRST_HALF_YEAR)))
    if rain_fails:
        return _failing(result) or _stubborn(result)
    since = result.soiling_since
    drifted = Said(Code.DRIFTED_SINCE, {"since": since.isoformat()}) if since else Said(Code.DRIFTED)
    return Finding(Verdict.SOILING, (_estimate(result), drifted))


def _failing(result: Assessment) -> Finding | None:
    """A loss that no rain and no known wash brought back: the modules, or the meter."""
    unmoved = []
    for one in result.cleanings:
        lost = 1 - float(result.daily["soiling_ratio"].get(one.date, np.nan))
        if one.gain is None or one.gain_ci is None or not lost >= DIRTY_LOSS:
            continue
        if one.gain_ci.high > BROUGHT_BACK * lost:
            return None
        unmoved.append((one.date, lost))
    if not unmoved:
        return None
    washed, lost = unmoved[-1]
    said = Said(Code.NO_WASH_BROUGHT_IT_BACK, {"washed": washed.isoformat(), "loss": lost})
    return Finding(
        Verdict.OTHER_FAULT, (_estimate(result), said, Said(Code.LOOK_AT_THE_MODULES)), Cause.DEGRADATION, None
    )


def shown_by_a_wash(lows: Iterable[float]) -> bool:
    """Whether a known wash has shown that what was lost is dirt.

    Parameters
    ----------
    lows : iterable of float
        Low ends of the gains of known washes [fraction of clean yield].

    Returns
    -------
    bool
        True where one is surely above nothing.
    """
    return any(low > SHOWN_GAIN for low in lows)


def _stubborn(result: Assessment) -> Finding:
    """A loss that rain does not bring back: dirt if a wash did once, else dirt or the modules."""
    if shown_by_a_wash(one.gain_ci.low for one in result.cleanings if one.gain_ci is not None):
        return Finding(Verdict.SOILING, (_estimate(result), Said(Code.RAIN_HARDLY_TAKES_IT)))
    return Finding(Verdict.UNSURE, (_estimate(result), Said(Code.DIRT_OR_MODULES)))


def _young(result: Assessment) -> bool:
    """Whether a roof alone has seen less than half a year, and nothing wash it."""
    washed = [one.gain_ci.low for one in result.recoveries]
    washed += [one.gain_ci.low for one in result.cleanings if one.gain_ci is not None]
    return not result.neighbours and result.data_quality.days < YOUNG_DAYS and max(washed, default=0.0) <= 0


def _fell(daily: Daily, steps: Sequence[LevelStep]) -> Finding | None:
    """A step of level that has not lasted long enough to be told."""
    active = [step for step in steps if step.last is None and step.size < 0]
    if not active:
        return None
    began = daily.dates()[active[-1].first]
    return Finding(
        Verdict.NOT_ENOUGH_DATA,
        (
            Said(Code.JUST_FELL, {"began": began.isoformat(), "lost": active[-1].lost}),
            Said(Code.FAULT_OR_HAZE),
        ),
    )


def _not_dirty(result: Assessment) -> Finding:
    """A loss that nobody is told to wash for: clean, or nothing to wash yet and too unsure for the word."""
    said = _estimate(result)
    doubt = CLEAN_DOUBT if result.neighbours else CLEAN_DOUBT_ALONE
    if _band(result).high < 2 * TOLD_LOSS and chance_loss_exceeds(result.loss_quantiles, DIRTY_LOSS) < doubt:
        return Finding(Verdict.CLEAN, (said, Said(Code.CLEAN_ENOUGH)))
    return Finding(Verdict.UNSURE, (said, Said(Code.TOO_UNSURE)))


def _band(result: Assessment) -> Band:
    return result.present_loss_ci or Band(0.0, 0.0)


def _estimate(result: Assessment) -> Said:
    band = _band(result)
    return Said(Code.ESTIMATE, {"loss": result.present_loss or 0.0, "low": band.low, "high": band.high})


def _clear_days_from(daily: Daily, first: int) -> int:
    return int((daily.rows["flag"][first:] == USED).sum())
