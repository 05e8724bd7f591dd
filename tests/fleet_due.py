"""What it would have cost to follow the advice over a fleet's record, beside none, calendars and perfect knowledge.

    python -m tests.fleet_due FLEET [--jobs 2] [--every 28] [--sites 10]

Three values of a kWh, three prices of a wash, the roofs as they are and all of them of 30 kW: eighteen cells. Each roof
is judged alone. Where something other than dirt is told, nobody washes unless the dirt besides is said to be worth it.

FLEET has ``sites/<id>/site.json`` and ``readings.csv``, and ``truth/<id>.json`` with the true ``soiling_ratio`` by day
and its ``events``. A routine's washes never happened, so the record is told anew for each: dirt gathers and rain washes
as they truly did, the fleet's own washes are left out, the routine's are put in, and the readings are scaled to the
loss that follows. Each advice is found from those readings up to its day and nothing later.
"""

from __future__ import annotations

import argparse
import json
import os
from collections import defaultdict
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from datetime import date, timedelta
from pathlib import Path

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "portal.settings")

import numpy as np
import numpy.typing as npt
import pandas as pd

from portal.management.commands.assess import read_site
from portal.pv.advice import Act, advise
from portal.pv.assessment import assess
from portal.pv.due import Calendar, when_due
from portal.pv.forecast import Money, PresentLoss
from portal.pv.readings import SiteReadings
from portal.pv.result import Assessment, Cause
from portal.pv.worth import clean_energy_wh

Floats = npt.NDArray[np.float64]
BURN_IN = 120
"""Days of record before the first decision; every routine starts from the roof as it then was."""
BOOKING = 7
"""Days from a due date, or from the day it is learnt, to the wash."""


@dataclass(frozen=True)
class Roof:
    """One site with its truth: what a day added, what share it left, its clean yield and what that is worth."""

    readings: SiteReadings
    days: list[date]
    added: Floats
    left: Floats
    true_loss: Floats
    clean_kwh: Floats
    value: Floats
    size: float = 1.0
    """Times its own size."""
    price: float = 150.0
    price_per_kwh: float = 0.25

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


def read_roof(folder: Path, truth_path: Path) -> Roof:
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
    clean_kwh = clean.to_numpy(dtype=np.float64) / 1000
    return Roof(readings, days, added, left, loss, clean_kwh, clean_kwh)


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


@dataclass(frozen=True)
class Looked:
    """What one look at a roof's readings gave."""

    as_of: date
    result: Assessment
    rate_ci: tuple[float, float] | None


class Looks:
    """Looks at one roof's record as it reads after given washes; each is worked out once, whatever a wash costs."""

    def __init__(self, roof: Roof) -> None:
        self.roof = roof
        self.known: dict[tuple[int, frozenset[int]], Looked] = {}
        local = pd.Index(pd.DatetimeIndex(roof.readings.energy_wh.index).tz_convert(roof.readings.array.tz).date)
        position = pd.Series(range(len(roof.days)), index=pd.Index(roof.days, dtype=object)).reindex(local)
        self.inside = position.notna().to_numpy()
        self.number = position.fillna(0).to_numpy(dtype=np.int64)

    def at(self, today: int, washes: set[int]) -> Looked:
        done = frozenset(wash for wash in washes if wash <= today)
        if (today, done) not in self.known:
            roof = self.roof
            scale = (1.0 - roof.losses(set(done))) / (1.0 - roof.true_loss)
            seen = roof.readings.energy_wh[self.inside] * scale[self.number[self.inside]]
            washed = [roof.days[wash] for wash in sorted(done)]
            result = assess(replace(roof.readings, energy_wh=seen, visits=washed), as_of=roof.days[today])
            rate = result.soiling_rate_ci
            result = replace(result, memory=b"")
            self.known[today, done] = Looked(result.as_of, result, (rate.low, rate.high) if rate else None)
        return self.known[today, done]


def follow(roof: Roof, looks: Looks, step: int) -> set[int]:
    """Washes when the portal advises one, asked every ``step`` days."""
    washes: set[int] = set()
    for today in range(BURN_IN, len(roof.days), step):
        if washes and today - max(washes) < 2 * BOOKING:
            continue
        seen = looks.at(today, washes)
        result = seen.result
        ahead = [result.as_of + timedelta(days=number) for number in range(5, 365, 10)]
        washed = [roof.days[wash] for wash in sorted(washes) if wash <= today]
        money = Money(clean_energy_wh(result.daily, ahead) * roof.size, roof.price_per_kwh, roof.price)
        due = when_due(
            PresentLoss(result.as_of, result.loss_quantiles, seen.rate_ci),
            money,
            Calendar(12, washed[-1] if washed else roof.days[0], None),
            soiling_ratio=result.daily["soiling_ratio"],
            recoveries=[
                (one.date, one.gain)
                for one in result.recoveries
                if not any(abs(one.date - day) <= timedelta(days=3) for day in washed)
            ],
            stands_still=result.cause in (Cause.OUTAGE, Cause.SNOW),
            currency="USD",
        )
        advised = advise(result, due, money)
        wait = None
        if advised.act == Act.WASH or advised.wash_too:
            wait = 0
        elif advised.act == Act.WAIT and advised.on is not None:
            wait = (advised.on - roof.days[today]).days
        if wait is not None and wait <= step - BOOKING and today + max(BOOKING, wait) < len(roof.days):
            washes.add(today + max(BOOKING, wait))
    return washes


@dataclass(frozen=True)
class Cell:
    """What a kWh and a wash are worth, and the roof's size; None as it is."""

    price_per_kwh: float
    price: float
    kw: float | None

    def __str__(self) -> str:
        size = "own size" if self.kw is None else f"{self.kw:.0f} kW"
        return f"{size:>8}, {self.price_per_kwh:.2f} a kWh, {self.price:3.0f} a wash"


CELLS = [Cell(kwh, price, kw) for kw in (None, 30.0) for kwh in (0.15, 0.30, 0.60) for price in (80.0, 150.0, 300.0)]
CALENDARS = {"every 12 months": 365, "every 6 months": 182}
NAMES = ("never", *CALENDARS, "advice", "perfect knowledge")
MOST_OVER_BEST, MOST_OVER_PERFECT = 1.05, 1.15
"""Bars: what following the advice may cost beside the best of never and the calendars, and beside perfect knowledge
where washing pays at all."""


def judge(work: tuple[Path, Path, int]) -> tuple[str, float, dict[Cell, dict[str, tuple[float, int]]]]:
    folder, truth, step = work
    as_it_is = read_roof(folder, truth)
    looks = Looks(as_it_is)
    found = {}
    for cell in CELLS:
        size = 1.0 if cell.kw is None else cell.kw / as_it_is.readings.array.dc_kw
        value = as_it_is.clean_kwh * size * cell.price_per_kwh
        roof = replace(as_it_is, value=value, size=size, price=cell.price, price_per_kwh=cell.price_per_kwh)
        routines = {"never": set[int](), **{name: every(roof, days) for name, days in CALENDARS.items()}}
        routines |= {"advice": follow(roof, looks, step), "perfect knowledge": perfect(roof)}
        found[cell] = {name: (roof.cost(days), len(days)) for name, days in routines.items()}
    return folder.name, (len(as_it_is.days) - BURN_IN) / 365.25, found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("fleet", type=Path)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--every", type=int, default=28, help="days between looks at the advice")
    parser.add_argument("--sites", type=int, default=None, help="only the first so many")
    asked = parser.parse_args()
    folders = sorted(path.parent for path in (asked.fleet / "sites").glob("*/site.json"))[: asked.sites]
    work = [(f, asked.fleet / "truth" / f"{f.name}.json", asked.every) for f in folders]
    total: dict[tuple[Cell, str], float] = defaultdict(float)
    washes: dict[tuple[Cell, str], int] = defaultdict(int)
    whole_years = 0.0
    with ProcessPoolExecutor(asked.jobs) as pool:
        for name, years, costs in pool.map(judge, work):
            whole_years += years
            print(f"{name} {years:.1f} years", flush=True)
            for cell, routines in costs.items():
                for routine, (cost, count) in routines.items():
                    total[cell, routine] += cost
                    washes[cell, routine] += count
    print(f"\n{len(work)} roofs, {whole_years:.0f} years; cost of dirt and washes a roof and year (washes)")
    print(f"{'':34}" + "".join(f"{name:>20}" for name in NAMES) + f"{'to best':>10}{'to perfect':>12}")
    missed = 0
    for cell in CELLS:
        spent = {name: total[cell, name] for name in NAMES}
        to_best = spent["advice"] / min(spent[name] for name in ("never", *CALENDARS))
        to_perfect = spent["advice"] / spent["perfect knowledge"]
        pays = washes[cell, "perfect knowledge"] > 0
        missed += (to_best > MOST_OVER_BEST) + (pays and to_perfect > MOST_OVER_PERFECT)
        told = "".join(
            f"{f'{spent[name] / whole_years:.1f} ({washes[cell, name] / whole_years:.2f})':>20}" for name in NAMES
        )
        marks = ("!" if to_best > MOST_OVER_BEST else " ", "!" if pays and to_perfect > MOST_OVER_PERFECT else " ")
        print(f"{cell!s:<34}{told}{to_best:>9.3f}{marks[0]}{to_perfect:>11.3f}{marks[1]}")
    print(f"Bars missed (marked !): {missed} of {2 * len(CELLS)}")


if __name__ == "__main__":
    main()
