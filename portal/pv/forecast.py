"""The loss ahead as a band, and the loss from which on a wash is cheaper than waiting."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from functools import lru_cache

import numpy as np
import pandas as pd

from portal.pv.arrays import Floats, Ints
from portal.pv.result import BAND_90, NORMAL_90
from portal.pv.worth import value_by_pentad
from portal.pv.year import PENTAD_DAYS, PENTADS, SoilingYear, pentad_of

MOST_LOSS = 0.5
"""Loss above which dirt is not followed further; roofs that dirty are due whatever the model says. [fraction of clean
yield] No source; a fifth more, which makes the grid of losses coarser, moves due dates of the made fleet by 7 days
on average."""
FUTURES = 240
"""Futures drawn; no source. A fifth either way, which draws others, moves due dates of the made fleet by 4 to 6 days
on average and changes the advice for 1 roof of 24."""
REACHED = 0.6
"""Share of the futures that must have reached the loss at which a wash is cheaper before one is called for [1]. Tuned
on made fleets: at even odds the washes that were called for by mistake cost more than those missed."""
FASTEST = 3.0
"""Most by which a future's rate may exceed the middle one, ratio; the least is 0. No source: it only holds off the
tails of a rate that is hardly known; a fifth either way moves no due date of 8 made roofs."""
STILL = 0.001
"""Change of the limits under which they are found [fraction of clean yield]. No source."""
SAVED_PENTADS = 2 * PENTADS
HORIZON = PENTADS + SAVED_PENTADS
NEVER = HORIZON + 1
ROUTINE_YEARS = 6
"""Years over which the routine's washes are counted; no source."""


@dataclass(frozen=True)
class PresentLoss:
    """How dirty a roof is now, and how fast it gets dirtier.

    Parameters
    ----------
    as_of : date
        The last day the loss speaks of.
    quantiles : sequence of float
        Of the loss, at evenly spaced levels (0.05, 0.15 … 0.95 for ten) [fraction of clean yield]; empty without an
        estimate.
    rate_ci : (float, float) or None
        90 % interval of the soiling rate [1/day]; None without an estimate.
    """

    as_of: date
    quantiles: Sequence[float]
    rate_ci: tuple[float, float] | None

    @property
    def known(self) -> bool:
        """Whether the readings give an estimate."""
        return len(self.quantiles) > 0 and self.rate_ci is not None


@dataclass(frozen=True)
class Money:
    """What a roof's output is worth, and what a wash costs.

    Parameters
    ----------
    clean_energy_wh : pd.Series
        Clean yield of a day [Wh] by date, over the year ahead, every day or some days; taken to come again each year;
        NaN where unknown.
    price_per_kwh, wash_price : float
        Value of a kWh and price of one cleaning [money].
    """

    clean_energy_wh: pd.Series[float]
    price_per_kwh: float
    wash_price: float

    @property
    def known(self) -> bool:
        """Whether the value of every day's output is known."""
        energy = self.clean_energy_wh.to_numpy(dtype=np.float64)
        return bool(energy.size and np.isfinite(energy).all())


def best_routine(year: SoilingYear, value_per_day: Floats, wash_price: float) -> Floats:
    """Loss from which on a wash is cheaper than waiting, for each pentad of the year.

    Parameters
    ----------
    year : SoilingYear
        What each time of the year does to the roof.
    value_per_day : array, shape (73,)
        Value of a day's clean yield in each pentad [money/day].
    wash_price : float
        Price of one cleaning [money], above 0.

    Returns
    -------
    array, shape (73,)
        Loss; infinite where no loss is worth a wash.

    Raises
    ------
    ValueError
        When the price is not above 0 or a value is not finite.

    Notes
    -----
    Backward induction (Bellman 1957): with J the least cost from here to the end, at loss x

        J(x) = min(W(x), C + W(0)),
        W(x) = days · V · (x + r · days / 2) + (1 − p) J'(x + r · days) + p · mean over k of J'(k (x + r · days)),

    V the value of a day, r the rate, p the chance of rain in the pentad, k the share rain leaves, J' the cost one
    pentad later. Years are added in front until the loss at which both are equal no longer moves in any season.
    """
    if not wash_price > 0:
        raise ValueError(f"wash_price is {wash_price}; a wash must cost something")
    if not np.isfinite(value_per_day).all():
        raise ValueError("value_per_day has gaps; without the value of a day nothing pays or fails to")
    losses = np.linspace(0.0, MOST_LOSS, 101)
    grown = losses + year.rate_per_day[:, None] * PENTAD_DAYS
    lost = value_per_day[:, None] * PENTAD_DAYS * (losses + year.rate_per_day[:, None] * PENTAD_DAYS / 2)
    dry = (1.0 - year.rain_per_day) ** PENTAD_DAYS
    # After each kind of rain, and after none: all are looked up in one go.
    after = np.append(year.kept, 1.0)[None, :, None] * grown[:, None, :]
    ahead = np.zeros_like(losses)
    limits = np.full(PENTADS, np.inf)
    for _ in range(15):
        previous = limits.copy()
        for pentad in range(PENTADS - 1, -1, -1):
            then = np.interp(after[pentad], losses, ahead)
            wet = np.add.reduce(then[:-1]) / len(year.kept)
            wait = lost[pentad] + dry[pentad] * then[-1] + (1 - dry[pentad]) * wet
            washed = wash_price + wait[0]
            dear = wait > washed
            limits[pentad] = np.interp(washed, wait, losses) if dear[-1] else np.inf
            ahead = np.minimum(wait, washed)
        ahead -= ahead.min()
        moved = np.abs(np.nan_to_num(limits, posinf=1.0) - np.nan_to_num(previous, posinf=1.0)).max()
        if moved < STILL:
            break
    return limits


@dataclass(frozen=True)
class Futures:
    """The year ahead as it was drawn: by pentad and future, but for where each future starts.

    Parameters
    ----------
    start : ndarray (f,)
        Present loss.
    gathered : ndarray (p, f)
        Loss gathered in a pentad.
    kept : ndarray (p, f)
        Share of the dirt that rain leaves in it; 1 where it does not rain.
    """

    start: Floats
    gathered: Floats
    kept: Floats

    def losses(self, washed: int | None = None) -> Floats:
        """Loss at the end of each pentad.

        Parameters
        ----------
        washed : int or None
            Pentad at whose start the panels are washed clean; None where nobody washes.

        Returns
        -------
        ndarray (p, f)
            [fraction of clean yield]
        """
        if washed is None:
            return _unwashed(self.start, self.gathered, self.kept)
        before = _unwashed(self.start, self.gathered[:washed], self.kept[:washed])
        return np.vstack([before, _unwashed(np.zeros_like(self.start), self.gathered[washed:], self.kept[washed:])])


@dataclass(frozen=True)
class Forecast:
    """What lies ahead if nobody washes, and when a wash pays.

    ``ahead`` has a row a pentad (five days) with ``loss_low``, ``loss``, ``loss_high`` (fractions of clean yield) and
    ``value_low``, ``value``, ``value_high`` (money lost a day): the middle, and the band of 9 in 10 futures.
    """

    pays_on: date | None
    """The day by which :data:`REACHED` of the futures have reached the loss at which a wash is cheaper; None within a
    year."""
    saved: float
    """Money a wash on that day (or today) keeps in the two years after it, beyond what rain does for nothing."""
    interval_days: float
    """Mean days between washes under the best routine; infinite where none is due within a year."""
    ahead: pd.DataFrame = field(repr=False)
    days_to_wash: Floats = field(repr=False)
    """Days until a wash is cheaper than waiting, by future; infinite where it is not within a year."""
    kept_today: Floats = field(repr=False)
    """Money a wash today keeps in two years, by future: the dirt it takes melts with every rain that would have."""
    left_by_rain: Floats = field(repr=False)
    """Share of today's dirt that rain leaves until the end of each pentad of the year ahead, by pentad and future."""
    at_least: float
    """Present loss by which a wash today is judged: :data:`REACHED` of the futures are no cleaner [fraction of clean
    yield]."""
    year: SoilingYear = field(repr=False)
    """What each time of the year does to the roof."""
    futures: Futures = field(repr=False)
    """The year ahead of each."""


def forecast(present: PresentLoss, year: SoilingYear, money: Money, *, months: int = 6, seed: int = 0) -> Forecast:
    """Follow many possible futures from today's loss.

    Parameters
    ----------
    present : PresentLoss
        Where they start.
    year : SoilingYear
        What each time of the year does to the roof; its rates are those of the middle of ``present.rate_ci``.
    money : Money
        What output and a wash are worth.
    months : int
        Length of the band.
    seed : int
        The futures are drawn from it: the same input gives the same answer.

    Returns
    -------
    Forecast
        The band, the day on which a wash pays, and what it keeps.

    Raises
    ------
    ValueError
        When there is no estimate, energies are missing, or the price is not above 0.
    """
    if present.rate_ci is None or not present.known:
        raise ValueError("there is no estimate of the present loss to start from")
    value = value_by_pentad(money.clean_energy_wh, money.price_per_kwh)
    limits = best_routine(year, value, money.wash_price)
    drawn = _drawn(seed, len(year.kept))
    days_ahead = [present.as_of + timedelta(days=PENTAD_DAYS * number) for number in range(1, HORIZON + 1)]
    pentads = np.array([pentad_of(day) for day in days_ahead])
    start, rate_factor = _starts(present.quantiles, present.rate_ci, drawn)
    kept = _kept(year, pentads, drawn.ahead)
    gathered = (year.rate_per_day[pentads] * PENTAD_DAYS)[:, None] * rate_factor
    losses = _unwashed(start, gathered, kept)
    before = np.vstack([start, losses])
    dear = before >= limits[[pentad_of(present.as_of), *pentads]][:, None]
    reached = np.where(dear.any(axis=0), dear.argmax(axis=0), NEVER)
    most = int(np.sort(reached)[round(REACHED * FUTURES)])
    pays_on = present.as_of + timedelta(days=PENTAD_DAYS * most) if most <= PENTADS else None
    washed = np.zeros(FUTURES, dtype=np.int64) if pays_on is None else reached
    saved = _saved(before, kept, value[pentads], washed)
    length = round(months * PENTADS / 12)
    return Forecast(
        pays_on,
        float(saved[washed <= PENTADS].mean()),
        math.inf if pays_on is None else _mean_interval(year, limits, drawn.routine),
        _band(losses[:length], value[pentads[:length]], days_ahead[:length]),
        np.where(reached <= PENTADS, reached * float(PENTAD_DAYS), math.inf).astype(np.float64),
        _saved(before, kept, value[pentads], np.zeros(FUTURES, dtype=np.int64)),
        np.cumprod(kept[:PENTADS], axis=0, dtype=np.float64),
        float(np.sort(start)[FUTURES - 1 - round(REACHED * FUTURES)]),
        year,
        Futures(start, gathered[:PENTADS], kept[:PENTADS]),
    )


@dataclass(frozen=True)
class _Rains:
    """By pentad and future: which of the shares that rains leave, and the chance above which it rains."""

    kind: Ints
    chance: Floats


@dataclass(frozen=True)
class _Drawn:
    """What is left to chance, by future, the same for every roof: uniform of the start, normal of the rate."""

    start: Floats
    rate: Floats
    ahead: _Rains
    routine: _Rains


@lru_cache(maxsize=4)
def _drawn(seed: int, kinds: int) -> _Drawn:
    draw = np.random.default_rng(seed)

    def rains(pentads: int) -> _Rains:
        size = (pentads, FUTURES)
        return _Rains(draw.integers(kinds, size=size), draw.uniform(size=size))

    start, rate = draw.uniform(size=FUTURES), draw.normal(size=FUTURES)
    return _Drawn(start, rate, rains(HORIZON), rains(ROUTINE_YEARS * PENTADS))


def _starts(quantiles: Sequence[float], rate_ci: tuple[float, float], drawn: _Drawn) -> tuple[Floats, Floats]:
    """Present loss of each future, and the factor by which its rate differs from the middle one."""
    levels = (np.arange(len(quantiles)) + 0.5) / len(quantiles)
    start = np.interp(drawn.start, levels, np.asarray(quantiles, dtype=np.float64))
    middle, sd = (rate_ci[0] + rate_ci[1]) / 2, (rate_ci[1] - rate_ci[0]) / (2 * NORMAL_90)
    factor = np.clip(1.0 + sd / max(middle, 1e-9) * drawn.rate, 0.0, FASTEST)
    return np.clip(start, 0.0, MOST_LOSS), factor


def _unwashed(start: Floats, gathered: Floats, kept: Floats) -> Floats:
    """Loss of each future at the end of each pentad if nobody washes, shape (pentads, futures)."""
    losses = np.empty_like(kept)
    loss = start
    for number, share in enumerate(kept):
        loss = np.minimum(loss + gathered[number], MOST_LOSS) * share
        losses[number] = loss
    return losses


def _saved(before: Floats, kept: Floats, value: Floats, washed: Ints) -> Floats:
    """Money that a wash keeps in the two years after it, by future; ``washed`` is the pentad at whose start it comes.

    None where it comes in more than a year.

    The difference a wash makes melts with every rain, which would have taken that dirt for nothing.
    """
    due = np.flatnonzero(washed <= PENTADS)
    at = washed[due] + np.arange(SAVED_PENTADS)[:, None]
    left = np.ones(at.shape)  # of what a wash took, at the start of each pentad
    np.cumprod(kept[at[:-1], due], axis=0, out=left[1:])
    saved = np.zeros(FUTURES)
    saved[due] = before[washed[due], due] * (left * value[at]).sum(axis=0) * PENTAD_DAYS
    return saved


def _band(losses: Floats, value: Floats, days: list[date]) -> pd.DataFrame:
    """The middle of the futures and the 9 in 10 around it, in loss and in money a day."""
    low, middle, high = np.quantile(losses, BAND_90, axis=1)
    columns = {"loss_low": low, "loss": middle, "loss_high": high}
    columns |= {name.replace("loss", "value"): column * value for name, column in columns.items()}
    return pd.DataFrame(columns, index=pd.Index(days, dtype=object))


def kept_by_rain(year: SoilingYear, pentads: Ints) -> Floats:
    """Share of the dirt that stays through each pentad of each future.

    Parameters
    ----------
    year : SoilingYear
        How often something like rain takes dirt, and what it leaves.
    pentads : array of int, shape (p,)
        One after the other, each 0 to 72; three years of them at most.

    Returns
    -------
    ndarray (p, f)
        Shares of :data:`FUTURES` futures; 1 where it does not rain.
    """
    ahead = _drawn(0, len(year.kept)).ahead
    return _kept(year, pentads, _Rains(ahead.kind[: len(pentads)], ahead.chance[: len(pentads)]))


def _kept(year: SoilingYear, pentads: Ints, rains: _Rains) -> Floats:
    """Share of the dirt that stays through each pentad of each future: 1 where it does not rain."""
    wet = 1.0 - (1.0 - year.rain_per_day[pentads]) ** PENTAD_DAYS
    return np.where(rains.chance < wet[:, None], year.kept[rains.kind], 1.0)


def _mean_interval(year: SoilingYear, limits: Floats, rains: _Rains) -> float:
    """Mean days between washes when the routine is followed, from roofs that start clean."""
    if np.isinf(limits).all():
        return math.inf
    pentads = np.arange(len(rains.kind)) % PENTADS
    kept = _kept(year, pentads, rains)
    loss, washes, last = np.zeros(FUTURES), np.zeros(FUTURES), np.zeros(FUTURES)
    for number, pentad in enumerate(pentads):
        loss = (loss + year.rate_per_day[pentad] * PENTAD_DAYS) * kept[number]
        due = loss >= limits[pentad]
        washes += due
        last[due] = number + 1
        loss[due] = 0.0
    return float(last.sum() * PENTAD_DAYS / washes.sum()) if washes.sum() >= FUTURES else math.inf
