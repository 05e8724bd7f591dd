"""What one assessment advises, in codes and numbers: the part that depends on the readings alone, kept with them.

What happened since (a wash, a rain, a booking, readings that stopped) is joined to it in :mod:`portal.pv.recommend`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import date, timedelta
from enum import StrEnum
from typing import Any

import numpy as np

from portal.pv.due import Basis, Due
from portal.pv.fan import RAIN_COUNTS_FROM
from portal.pv.forecast import Forecast, Money, best_routine
from portal.pv.result import BAND_90, Assessment, Verdict
from portal.pv.said import Code, Said
from portal.pv.worth import value_by_pentad
from portal.pv.year import PENTAD_DAYS, YEAR_DAYS, pentad_of

PAYS_LIKELY = 0.6
"""Chance that a wash pays back under which nobody is told to wash [1]. Tuned on made fleets, with
:data:`portal.pv.forecast.REACHED`."""
TURNS_WITHIN = 4.0
"""A price that turns the advice is looked for down to this part of today's; further off it is of no use [1].
No source."""
LEAST_YEARS = 2
"""Earlier years of a roof's record from which on they, and not computed futures, say what rain does. No source."""
FUTURES_TOLD = 10
"""Computed futures are told as so many of ten, by definition."""
FOR_TIME_TO_TELL = frozenset({Code.FEW_DAYS, Code.FEW_CLEAR_DAYS, Code.NO_CLEAR_DAY, Code.JUST_FELL})
"""Why readings that are there cannot tell yet: what lacks is some more days, or clear ones."""
DECILES = tuple(round(0.05 + 0.1 * step, 2) for step in range(10))
"""Levels at which the days until a wash pays are kept, by definition."""


class State(StrEnum):
    """How a roof stands."""

    DIRTY = "dirty"
    CLEAN = "clean"
    UNSURE = "unsure"
    """Nothing to wash yet, and too unsure for "clean"."""
    CANNOT_TELL = "cannot tell"
    NOT_DIRT = "not dirt"
    JUST_WASHED = "just washed"
    RAINED = "rained"
    NO_READINGS = "no readings"


class Act(StrEnum):
    """What is advised."""

    WASH = "wash"
    WAIT = "wait"
    WOULD_NOT_PAY = "would not pay"
    LOOK = "look"
    SEND_READINGS = "send readings"
    TELL_FACTS = "tell facts"


STATES = {
    Verdict.SOILING: State.DIRTY,
    Verdict.CLEAN: State.CLEAN,
    Verdict.UNSURE: State.UNSURE,
    Verdict.OTHER_FAULT: State.NOT_DIRT,
    Verdict.NOT_ENOUGH_DATA: State.CANNOT_TELL,
}


@dataclass(frozen=True, slots=True)
class Range:
    """An estimate with the ends of its 90 % interval."""

    low: float
    middle: float
    high: float


@dataclass(frozen=True, slots=True)
class WashToday:
    """What a wash today would bring, beyond what rain does for nothing in two years [money].

    ``pays_back`` is the chance that it brings its price at least. ``turns_at_price`` is the price up to which a wash
    today is advised, ``turns_at_kwh`` the value of a kWh from which on it is; None where they are far from today's.
    """

    brings: Range
    pays_back: float
    price: float
    price_per_kwh: float
    turns_at_price: float | None
    turns_at_kwh: float | None


@dataclass(frozen=True, slots=True)
class RainAhead:
    """Dirt that rain usually takes until a day: the middle share, and in how many of how many it took half or more."""

    share: float
    half_in: int
    of: int
    futures: bool
    """Whether ``of`` counts computed futures; else years of the roof's own record."""


@dataclass(frozen=True, slots=True)
class Advised:
    """What an assessment advises. All plain values; ``keep`` makes JSON of it, ``kept_advice`` brings it back."""

    as_of: date
    state: State
    act: Act
    on: date | None
    """Day from about which on a wash is cheaper than waiting; None where no day is in sight."""
    wash_too: bool
    """With something other than dirt: whether the dirt besides is worth a wash as well."""
    wash: WashToday | None
    rain: RainAhead | None
    why: tuple[Said, ...]
    """Why the readings cannot say when a wash is due; empty where they can."""
    calendar_on: date | None
    """Where they cannot: the day by the business's calendar."""
    last_clear: date | None
    """Last day that could be judged."""
    clear_share: float
    """Share of the last 30 days that could be judged."""
    days_to_wash: tuple[float | None, ...]
    """Days until a wash is cheaper than waiting, at the levels :data:`DECILES` of what may come; None: over a year."""

    def keep(self) -> dict[str, Any]:
        """As plain JSON.

        Returns
        -------
        dict
            Days as in ISO 8601.
        """
        return {name: value.isoformat() if isinstance(value, date) else value for name, value in asdict(self).items()}

    def chance_within(self, days: int) -> float:
        """Chance that a wash is cheaper than waiting within a span.

        Parameters
        ----------
        days : int
            From ``as_of`` on.

        Returns
        -------
        float
            In tenths; 0 where the readings cannot say.
        """
        if not self.days_to_wash:
            return 0.0
        return sum(one is not None and one <= days for one in self.days_to_wash) / len(self.days_to_wash)


def kept_advice(kept: Mapping[str, Any]) -> Advised | None:
    """Bring back what :meth:`Advised.keep` kept.

    Parameters
    ----------
    kept : mapping
        Plain JSON; empty on rows of before.

    Returns
    -------
    Advised or None
        None for an empty mapping.

    Raises
    ------
    ValueError
        When its day is missing.
    """
    if not kept:
        return None
    days = {name: _day(kept[name]) for name in ("as_of", "on", "calendar_on", "last_clear")}
    as_of = days.pop("as_of")
    if as_of is None:
        raise ValueError("kept advice without its day")
    wash, rain = kept["wash"], kept["rain"]
    return Advised(
        as_of=as_of,
        state=State(kept["state"]),
        act=Act(kept["act"]),
        wash_too=kept["wash_too"],
        wash=WashToday(**{**wash, "brings": Range(**wash["brings"])}) if wash else None,
        rain=RainAhead(**rain) if rain else None,
        why=tuple(Said(**said) for said in kept["why"]),
        clear_share=kept["clear_share"],
        days_to_wash=tuple(kept["days_to_wash"]),
        **days,
    )


def _day(iso: str | None) -> date | None:
    return None if iso is None else date.fromisoformat(iso)


def advise(result: Assessment, due: Due, money: Money) -> Advised:
    """Say what an assessment advises.

    Parameters
    ----------
    result : Assessment
        What the readings say.
    due : Due
        When a wash is due, by :func:`portal.pv.due.when_due`.
    money : Money
        What output and a wash are worth.

    Returns
    -------
    Advised
        "Dirty" is said, whatever the verdict's name, where a wash is advised: both come from the same distribution.
    """
    state, ahead = STATES[result.verdict], due.forecast
    used: Sequence[date] = (
        result.daily.index[result.daily["used"].to_numpy(dtype=bool)].tolist() if len(result.daily) else []
    )
    by_readings = due.basis == Basis.READINGS
    act = Act.WAIT if state in (State.UNSURE, State.CLEAN, State.DIRTY) else Act.SEND_READINGS
    if any(said.code in FOR_TIME_TO_TELL for said in result.reasons):
        act = Act.WAIT  # nobody need send what is there
    base = Advised(
        as_of=result.as_of,
        state=state,
        act=act,
        on=None,
        wash_too=False,
        wash=None,
        rain=None,
        why=() if by_readings else due.reasons[:1],
        calendar_on=None if by_readings else due.on,
        last_clear=max(used) if len(used) else None,
        clear_share=result.data_quality.clear_days_last_30 / 30,
        days_to_wash=(),
    )
    if ahead is None or state == State.CANNOT_TELL:  # who cannot tell how it stands advises nothing by figures
        return replace(base, act=Act.LOOK) if state == State.NOT_DIRT else base
    return _with_forecast(base, result, ahead, money, due)


def _with_forecast(base: Advised, result: Assessment, ahead: Forecast, money: Money, due: Due) -> Advised:
    wash = _wash_today(ahead, money, base.as_of)
    due_now = due.on is not None and due.on <= base.as_of
    worth_it = due_now and wash.pays_back >= PAYS_LIKELY
    state, act = base.state, Act.WOULD_NOT_PAY
    if worth_it:
        act = Act.WASH
    elif due.on is not None and not due_now:
        act = Act.WAIT
    if state == State.NOT_DIRT:
        act = Act.LOOK
    elif act == Act.WASH:
        state = State.DIRTY
    quantiles = np.quantile(np.minimum(ahead.days_to_wash, 10.0 * YEAR_DAYS), DECILES, method="inverted_cdf")
    return replace(
        base,
        state=state,
        act=act,
        on=due.on if act == Act.WAIT else None,
        wash_too=state == State.NOT_DIRT and worth_it,
        wash=wash,
        rain=rain_until(due.on, base.as_of, result, ahead) if act == Act.WAIT and due.on else None,
        days_to_wash=tuple(float(days) if days <= YEAR_DAYS else None for days in quantiles),
    )


def _wash_today(ahead: Forecast, money: Money, as_of: date) -> WashToday:
    low, _, high = np.quantile(ahead.kept_today, BAND_90)
    at_price = _turning_price(ahead, money, as_of)
    return WashToday(
        Range(float(low), float(ahead.kept_today.mean()), float(high)),
        float((ahead.kept_today >= money.wash_price).mean()),
        money.wash_price,
        money.price_per_kwh,
        at_price,
        # All that a wash brings grows with the value of a kWh, and advice asks only for the ratio of both.
        money.price_per_kwh * money.wash_price / at_price if at_price else None,
    )


def _turning_price(ahead: Forecast, money: Money, as_of: date) -> float | None:
    """The highest price at which a wash today is still advised; None where it is far under today's."""
    most = float(min(ahead.kept_today.mean(), np.quantile(ahead.kept_today, 1 - PAYS_LIKELY)))
    value, pentad, loss = value_by_pentad(money.clean_energy_wh, money.price_per_kwh), pentad_of(as_of), ahead.at_least
    least = money.wash_price / TURNS_WITHIN
    if most < least or best_routine(ahead.year, value, least)[pentad] > loss:
        return None
    if best_routine(ahead.year, value, most)[pentad] <= loss:
        return most
    for _ in range(5):
        half = (least * most) ** 0.5
        if best_routine(ahead.year, value, half)[pentad] <= loss:
            least = half
        else:
            most = half
    return least


def rain_until(day: date, as_of: date, result: Assessment, ahead: Forecast) -> RainAhead:
    """How much of the dirt rain usually takes until a day.

    Parameters
    ----------
    day : date
        Later than ``as_of``, by a year at most.
    as_of : date
        Day from which on.
    result : Assessment
        Whose record tells of earlier years.
    ahead : Forecast
        Whose futures tell where the record holds fewer than :data:`LEAST_YEARS` such seasons.

    Returns
    -------
    RainAhead
        From the roof's own earlier years where it has them, else from the futures.
    """
    taken = _taken_in_years(day, as_of, result)
    if len(taken) >= LEAST_YEARS:
        return RainAhead(
            float(np.median(taken)), sum(one >= RAIN_COUNTS_FROM for one in taken), len(taken), futures=False
        )
    pentad = min(max((day - as_of).days // PENTAD_DAYS, 1), len(ahead.left_by_rain)) - 1
    gone = 1.0 - ahead.left_by_rain[pentad]
    return RainAhead(
        float(np.median(gone)),
        round(float((gone >= RAIN_COUNTS_FROM).mean()) * FUTURES_TOLD),
        FUTURES_TOLD,
        futures=True,
    )


def _taken_in_years(day: date, as_of: date, result: Assessment) -> list[float]:
    """Share of the dirt that rain took in the same weeks of each earlier year that the record holds whole."""
    ratio = result.daily["soiling_ratio"].dropna()
    washed = [cleaning.date for cleaning in result.cleanings]
    if ratio.empty:
        return []
    taken: list[float] = []
    back = 1
    while True:
        first, last = (one - timedelta(days=YEAR_DAYS * back) for one in (as_of, day))
        back += 1
        if first < ratio.index[0]:
            return taken
        if last > ratio.index[-1] or any(first <= one <= last for one in washed):
            continue
        left = 1.0
        for recovery in result.recoveries:
            if first < recovery.date <= last:
                before = float(1.0 - ratio[: recovery.date - timedelta(days=1)].iloc[-1])
                left *= 1.0 - min(1.0, recovery.gain / max(before, recovery.gain, 1e-9))
        taken.append(1.0 - left)
