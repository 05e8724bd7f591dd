"""What it would have cost to follow the due dates over a fleet's record, beside none, calendars and perfect knowledge.

    python -m tests.fleet_due FLEET [--jobs 2] [--every 28] [--sites 10]

FLEET has ``sites/<id>/site.json`` and ``readings.csv``, and ``truth/<id>.json`` with the true ``soiling_ratio`` by day
and its ``events``. A routine's washes never happened, so the record is told anew for each: dirt gathers and rain washes
as they truly did, the fleet's own washes are left out, the routine's are put in, and the readings are scaled to the
loss that follows. Each due date is found from those readings up to its day and nothing later.
"""

from __future__ import annotations

import argparse
import json
import math
import os
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from datetime import date, timedelta
from pathlib import Path

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "portal.settings")

import numpy as np
import numpy.typing as npt
import pandas as pd

from portal.management.commands.assess import read_site
from portal.pv.assessment import assess
from portal.pv.due import Basis, Calendar, when_due
from portal.pv.forecast import Money, PresentLoss
from portal.pv.readings import SiteReadings
from portal.pv.result import Cause
from portal.pv.worth import clean_energy_wh

Floats = npt.NDArray[np.float64]
BURN_IN = 120
"""Days of record before the first decision; every routine starts from the roof as it then was."""
BOOKING = 7
"""Days from a due date, or from the day it is learnt, to the wash."""
KW_A_MODULE = 0.4


@dataclass(frozen=True)
class Roof:
    """One site with its truth: what each day added, what share each day left, and the value of its clean yield."""

    readings: SiteReadings
    days: list[date]
    added: Floats
    left: Floats
    true_loss: Floats
    value: Floats
    price: float
    price_per_kwh: float

    def losses(self, washes: set[int]) -> Floats:
        """Loss by day when washed on these days; on the day of a wash the roof is clean from the evening on."""
        loss = np.empty(len(self.days))
        now = float(self.true_loss[0])
        for number in range(len(self.days)):
            now = (now + self.added[number]) * self.left[number]
            loss[number] = now
            if number in washes:
                now = 0.0
        return loss

    def cost(self, washes: set[int]) -> float:
        """Money from the burn-in on: yield lost, and washes."""
        return float((self.losses(washes) * self.value)[BURN_IN:].sum() + self.price * len(washes))


def read_roof(folder: Path, truth_path: Path, price_per_kwh: float) -> Roof:
    readings, _ = read_site(folder / "site.json", folder / "readings.csv")
    truth = json.loads(truth_path.read_text())
    first = date.fromisoformat(truth["soiling_ratio"]["start"])
    loss = 1.0 - np.array(truth["soiling_ratio"]["values"], dtype=np.float64)
    days = [first + timedelta(days=number) for number in range(len(loss))]
    paid = {date.fromisoformat(one["date"]) for one in truth["events"] if one["kind"] not in ("rain", "bird_droppings")}
    change = np.diff(loss, prepend=loss[:1])
    added = np.clip(change, 0.0, None)
    before = np.concatenate([loss[:1], loss[:-1]])
    left = np.where(change < 0, loss / np.maximum(before, 1e-9), 1.0)
    for number, day in enumerate(days):
        if any(day + timedelta(days=near) in paid for near in (-1, 0, 1)):
            left[number] = 1.0
    local = pd.DatetimeIndex(readings.energy_wh.index).tz_convert(readings.array.tz)
    by_day = readings.energy_wh.groupby(local.date).sum(min_count=1).reindex(days)
    # Half a day of full sun is more than any roof makes: such days were written in another unit.
    by_day = by_day.where(by_day < readings.array.dc_kw * 12_000)
    clean = by_day / (1.0 - loss)
    clean = clean.fillna(clean.rolling(31, center=True, min_periods=1).mean()).fillna(clean.mean())
    modules = math.ceil(readings.array.dc_kw / KW_A_MODULE)
    return Roof(
        readings,
        days,
        added,
        left,
        loss,
        clean.to_numpy(dtype=np.float64) / 1000 * price_per_kwh,
        max(120.0, 7.0 * modules),  # the portal's standard price list
        price_per_kwh,
    )


def every(roof: Roof, interval: int) -> set[int]:
    """Washes every so many days, the first after half of it: neither early nor late."""
    return set(range(BURN_IN + interval // 2, len(roof.days), interval))


def perfect(roof: Roof) -> set[int]:
    """The cheapest washes for somebody who knew every rain to come.

    From wash to wash the loss depends on the last wash alone, so the cheapest way to each day is found from the ways to
    the days before it, exactly.
    """
    count = len(roof.days)
    natural = np.concatenate([np.zeros(BURN_IN), (roof.losses(set()) * roof.value)[BURN_IN:]])
    best = np.full(count + 1, np.inf)
    came_from = np.full(count + 1, -1)
    best[count], came_from[count] = natural.sum(), -1
    arrive = np.cumsum(natural)
    for wash in range(BURN_IN, count):
        if arrive[wash] + roof.price < best[wash]:
            best[wash], came_from[wash] = arrive[wash] + roof.price, -1
        now, lost = 0.0, 0.0
        for number in range(wash + 1, count):
            now = (now + roof.added[number]) * roof.left[number]
            lost += now * roof.value[number]
            if best[wash] + lost + roof.price < best[number]:
                best[number], came_from[number] = best[wash] + lost + roof.price, wash
        if best[wash] + lost < best[count]:
            best[count], came_from[count] = best[wash] + lost, wash
    washes: set[int] = set()
    at = int(came_from[count])
    while at >= 0:
        washes.add(at)
        at = int(came_from[at])
    return washes


def follow(roof: Roof, step: int) -> tuple[set[int], int]:
    """Washes when the portal says so, asked every ``step`` days; and how often the calendar had to speak."""
    washes: set[int] = set()
    calendar = 0
    not_due: date | None = None
    local = pd.Index(pd.DatetimeIndex(roof.readings.energy_wh.index).tz_convert(roof.readings.array.tz).date)
    position = pd.Series(range(len(roof.days)), index=pd.Index(roof.days, dtype=object)).reindex(local)
    known = position.notna().to_numpy()
    number_of = position.fillna(0).to_numpy(dtype=np.int64)
    for today in range(BURN_IN, len(roof.days), step):
        if washes and today - max(washes) < 2 * BOOKING:
            continue
        scale = (1.0 - roof.losses(washes)) / (1.0 - roof.true_loss)
        seen = roof.readings.energy_wh[known] * scale[number_of[known]]
        washed = [roof.days[wash] for wash in sorted(washes) if wash <= today]
        result = assess(replace(roof.readings, energy_wh=seen, visits=washed), as_of=roof.days[today])
        ahead = [result.as_of + timedelta(days=number) for number in range(5, 365, 10)]
        rate_ci = (result.soiling_rate_ci.low, result.soiling_rate_ci.high) if result.soiling_rate_ci else None
        due = when_due(
            PresentLoss(result.as_of, result.loss_quantiles, rate_ci),
            Money(clean_energy_wh(result.daily, ahead), roof.price_per_kwh, roof.price),
            Calendar(12, washed[-1] if washed else roof.days[0], not_due),
            soiling_ratio=result.daily["soiling_ratio"],
            recoveries=[
                (one.date, one.gain)
                for one in result.recoveries
                if not any(abs(one.date - day) <= timedelta(days=3) for day in washed)
            ],
            stands_still=result.cause in (Cause.OUTAGE, Cause.SNOW),
            currency="USD",
        )
        calendar += due.basis == Basis.CALENDAR
        if due.basis == Basis.READINGS and (due.on is None or due.on > result.as_of):
            not_due = result.as_of
        if due.on is not None and (due.on - roof.days[today]).days <= step - BOOKING:
            wash = today + max(BOOKING, (due.on - roof.days[today]).days)
            if wash < len(roof.days):
                washes.add(wash)
    return washes, calendar


def judge(work: tuple[Path, Path, float, int]) -> tuple[str, float, dict[str, tuple[float, int]], int]:
    folder, truth, price_per_kwh, step = work
    roof = read_roof(folder, truth, price_per_kwh)
    ours, calendar = follow(roof, step)
    routines = {
        "never": set[int](),
        "every 12 months": every(roof, 365),
        "every 6 months": every(roof, 182),
        "due dates": ours,
        "perfect knowledge": perfect(roof),
    }
    years = (len(roof.days) - BURN_IN) / 365.25
    return folder.name, years, {name: (roof.cost(days), len(days)) for name, days in routines.items()}, calendar


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("fleet", type=Path)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--every", type=int, default=28, help="days between looks at the due date")
    parser.add_argument("--sites", type=int, default=None, help="only the first so many")
    parser.add_argument("--price-per-kwh", type=float, default=0.25)
    asked = parser.parse_args()
    folders = sorted(path.parent for path in (asked.fleet / "sites").glob("*/site.json"))[: asked.sites]
    work = [(f, asked.fleet / "truth" / f"{f.name}.json", asked.price_per_kwh, asked.every) for f in folders]
    total: dict[str, float] = {}
    washes: dict[str, int] = {}
    whole_years = 0.0
    with ProcessPoolExecutor(asked.jobs) as pool:
        for name, years, costs, calendar in pool.map(judge, work):
            whole_years += years
            line = ", ".join(f"{routine} {cost / years:.0f} ({count})" for routine, (cost, count) in costs.items())
            print(f"{name} {years:.1f} years, cost a year (washes): {line}; calendar spoke {calendar}", flush=True)
            for routine, (cost, count) in costs.items():
                total[routine] = total.get(routine, 0.0) + cost
                washes[routine] = washes.get(routine, 0) + count
    print(f"\n{len(work)} roofs, {whole_years:.0f} years; cost of dirt and washes a roof and year:")
    for routine, cost in total.items():
        print(f"  {routine:<18} {cost / whole_years:8.1f}   {washes[routine] / whole_years:5.2f} washes")


if __name__ == "__main__":
    main()
