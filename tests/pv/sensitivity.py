"""What a change of each threshold by a fifth does: ``python -m tests.pv.sensitivity [WORD …]``.

A measurement, no test. Sixteen roofs alone and a town of eight, made with physics that are not the assessment's
(:mod:`tests.pv.fleet`), are assessed with one threshold at a time a fifth lower and a fifth higher; what the due date
of a wash rests on is measured at a price at which many roofs are worth one. With words, only thresholds whose name
holds one of them.
"""

from __future__ import annotations

import importlib
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import timedelta

import numpy as np

from portal.pv import moves
from portal.pv.assessment import assess, assess_town
from portal.pv.due import Calendar, Due, when_due
from portal.pv.forecast import Money, PresentLoss
from portal.pv.result import Assessment, Verdict
from portal.pv.worth import clean_energy_wh
from tests.pv.fleet import PLACES, Made, make_town

ASSESSED = (
    "moves.DROPPINGS",
    "moves.RATE_FROM_ZERO",
    "emission.UNEXPLAINED",
    "gains.GAIN_FLOOR",
    "gains.FALL",
    "gains.DOUBTED",
    "soiling.MISTOLD_SD",
    "soiling.CLEAN_QUANTILE",
    "soiling.HEAVY_TAILS",
    "spells.LONGEST",
    "spells.LIKELY",
    "spells.RAINED",
    "site_fit.ALONE.autocorrelation",
    "site_fit.ALONE.lasting_sd",
    "site_fit.ALONE.lasting_spread",
    "lasting.LONG_RUN",
    "site_fit.ALONE.rate_change",
    "site_fit.ALONE.present_sd",
    "site_fit.TOGETHER.autocorrelation",
    "site_fit.TOGETHER.lasting_sd",
    "site_fit.TOGETHER.rate_change",
    "site_fit.TOGETHER.present_sd",
    "assessment.TOWN_ROUNDS",
    "expected.ALBEDO",
    "expected.SYSTEM_LOSSES",
    "quality.CLEAR_SHARE",
    "quality.LOWEST_SUN",
    "air.AIR_SCATTER",
    "air.REPEATS",
    "air.LEAST_COMMON_DAYS",
    "air.ALIKE",
    "diagnosis.SMALLEST_STEP",
    "diagnosis.UNSEEN_DIRT",
    "diagnosis.SHADED",
    "diagnosis.GROWN",
    "diagnosis.EDGE_DAYS",
    "diagnosis.REPAIR_DAYS",
    "diagnosis.LASTING_DAYS",
    "diagnosis.SHADE_DAYS",
    "diagnosis.SEASON_DAYS",
    "performance.AROUND_DAYS",
    "performance.OUTLIER",
    "performance.LEAST_HAZE_DAYS",
    "performance.FAR_HAZE",
    "performance.PRIOR_HAZE_GAIN",
    "performance.MOST_HAZE_GAIN",
    "performance.WIDENED",
    "performance.LEAST_SCATTER",
    "performance.MOST_SCATTER",
    "verdict.TOLD_LOSS",
    "verdict.SURE",
    "verdict.SURE_ALONE",
    "verdict.PERHAPS",
    "verdict.UNSEEN_DAYS",
    "verdict.UNTOLD",
)
DUE = (
    "due.LEAST_RECORD_DAYS",
    "due.WIDEST_LOSS",
    "due.SAME_DAY",
    "forecast.MOST_LOSS",
    "forecast.FUTURES",
    "year.SEASON_HALF_WIDTH",
    "year.DIRTY",
    "year.PRIOR_RAIN_PER_DAY",
    "year.PRIOR_RAIN_DAYS",
    "year.PRIOR_KEPT",
    "year.PRIOR_SEASON_DAYS",
    "year.MOST_A_DAY",
    "year.BEFORE_RAIN_DAYS",
    "year.MOST_RAIN",
    "year.CLEAN_LOSS",
    "forecast.FASTEST",
)
PRICE, PRICE_PER_KWH = 60.0, 0.6
SEEDS = (51, 52)


@dataclass(frozen=True)
class Fleet:
    alone: list[Made]
    town: list[Made]

    def assessed(self) -> list[Assessment]:
        return [assess(one.site) for one in self.alone] + assess_town([one.site for one in self.town])


@contextmanager
def changed(name: str, factor: float) -> Iterator[None]:
    """One threshold, or one field of a group of them, times a factor; a chance above 0.5 by its doubt."""
    module_name, constant, *field = name.split(".")
    module = importlib.import_module(f"portal.pv.{module_name}")
    before = getattr(module, constant)
    old: int | float = getattr(before, field[0]) if field else before
    new: int | float
    if isinstance(old, int):
        new = max(round(old * factor), old + 1) if factor > 1 else min(round(old * factor), old - 1)
    elif isinstance(old, float) and 0.5 < old < 1:
        new = 1 - (1 - old) / factor
    else:
        new = old * factor
    setattr(module, constant, replace(before, **{field[0]: new}) if field else new)
    moves.growth.cache_clear()
    moves.growth_back.cache_clear()
    moves.rate_walk.cache_clear()
    try:
        yield
    finally:
        setattr(module, constant, before)
        moves.growth.cache_clear()
        moves.growth_back.cache_clear()
        moves.rate_walk.cache_clear()


def figures(made: list[Made], results: list[Assessment]) -> dict[str, float]:
    """How the fleet is judged; losses and gains in percentage points."""
    pairs = [(one, result) for one, result in zip(made, results, strict=True) if result.present_loss is not None]
    off = [abs((result.present_loss or 0) - one.present_loss) for one, result in pairs]
    held = [
        result.present_loss_ci.low <= one.present_loss <= result.present_loss_ci.high
        for one, result in pairs
        if result.present_loss_ci
    ]
    gains = [
        (cleaning.gain, one.gains[cleaning.date], cleaning.gain_ci)
        for one, result in pairs
        for cleaning in result.cleanings
        if cleaning.gain is not None and cleaning.gain_ci is not None
    ]
    told = {kind: [r.verdict == Verdict.SOILING for m, r in pairs if m.kind == kind] for kind in ("soiled", "between")}
    wrongly = [r.verdict == Verdict.SOILING for m, r in pairs if m.kind in ("clean", "fault")]
    judged = list(zip(made, results, strict=True))
    return {
        "MAE": 100 * float(np.mean(off)),
        "covers %": 100 * float(np.mean(held)),
        "found": sum(told["soiled"]),
        "of": len(told["soiled"]),
        "wrongly": sum(wrongly),
        "faults found": sum(r.verdict == Verdict.OTHER_FAULT for m, r in judged if m.kind == "fault"),
        "of faults": sum(m.kind == "fault" for m, _ in judged),
        "faults that are none": sum(r.verdict == Verdict.OTHER_FAULT for m, r in judged if m.kind != "fault"),
        "gain MAE": 100 * float(np.mean([abs(gain - true) for gain, true, _ in gains])),
        "gain covers %": 100 * float(np.mean([band.low <= true <= band.high for _, true, band in gains])),
    }


def otherwise(before: list[Assessment], after: list[Assessment]) -> int:
    """Of how many sites something else is said: verdict, cause or reasons."""
    pairs = zip(before, after, strict=True)
    return sum((a.verdict, a.cause, a.reasons) != (b.verdict, b.cause, b.reasons) for a, b in pairs)


def dues(results: list[Assessment]) -> list[Due]:
    out = []
    for result in results:
        if result.soiling_rate_ci is None:
            continue
        ahead = [result.as_of + timedelta(days=5 * n) for n in range(1, 74)]
        out.append(
            when_due(
                PresentLoss(
                    result.as_of,
                    result.loss_quantiles,
                    (result.soiling_rate_ci.low, result.soiling_rate_ci.high),
                ),
                Money(clean_energy_wh(result.daily, ahead), PRICE_PER_KWH, PRICE),
                Calendar(12, result.as_of - timedelta(days=300)),
                soiling_ratio=result.daily["soiling_ratio"],
                recoveries=[(one.date, one.gain) for one in result.recoveries],
                stands_still=False,
                currency="USD",
            )
        )
    return out


def moved(before: list[Due], after: list[Due]) -> str:
    both = [(a.on, b.on) for a, b in zip(before, after, strict=True) if a.on and b.on]
    advice = sum((a.on is None) != (b.on is None) or a.basis != b.basis for a, b in zip(before, after, strict=True))
    days = [abs((a - b).days) for a, b in both]
    return f"other advice {advice} of {len(before)}, dates move {np.mean(days) if days else 0:.1f} days on average"


def main(words: list[str]) -> None:
    fleet = Fleet(
        [one for seed in SEEDS for place in sorted(PLACES) for one in make_town(seed, place, 1)],
        list(make_town(SEEDS[0], "southern_dry", 8)),
    )
    made = fleet.alone + fleet.town
    base = fleet.assessed()
    print("as it is:", {name: round(value, 2) for name, value in figures(made, base).items()}, flush=True)
    due = dues(base)
    print("due:", sum(one.on is not None for one in due), "of", len(due), {str(one.basis) for one in due}, flush=True)
    for name in (*ASSESSED, *DUE):
        if words and not any(word in name for word in words):
            continue
        for factor in (1 / 1.2, 1.2):
            with changed(name, factor):
                if name in DUE:
                    said = moved(due, dues(base))
                else:
                    after = fleet.assessed()
                    said = str({key: round(value, 2) for key, value in figures(made, after).items()})
                    said += f", {otherwise(base, after)} told otherwise"
            print(f"{name} x {factor:.2f}: {said}", flush=True)


if __name__ == "__main__":
    main(sys.argv[1:])
