"""A wash that the owner of a roof wants every so often: when the next is due by their word.

The readings may move it; how, is told by a code, so that nothing contradicts the one recommendation.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from enum import StrEnum

from portal.pv.advice import Act, State
from portal.pv.due import calendar_due
from portal.pv.recommend import Recommendation

SPRING_MONTHS = {True: (3, 6), False: (9, 12)}
"""First month of spring and of the summer after it, north and south of the equator [months]: meteorological seasons,
Trenberth 1983, doi:10.1175/1520-0477(1983)064<1276:WATS>2.0.CO;2."""
COUNTS_FOR_SPRING = timedelta(days=45)
"""A wash so long before spring begins is spring's [days]: half of the three months of winter, so from midwinter on, in
either half of the Earth. Common practice, no source."""
APART_MONTHS = 3
"""An earlier wash of the same winter puts spring's off until so long after it [months]: a season. Common practice, no
source."""


class Rhythm(StrEnum):
    """How often they want one. Once or twice a year is what the trade recommends (common practice, no source)."""

    SPRING = "spring"
    YEARLY = "yearly"
    TWICE = "twice"


EVERY_MONTHS = {Rhythm.YEARLY: 12, Rhythm.TWICE: 6}
"""Months from one wash to the next, by definition."""


class Heard(StrEnum):
    """What the wish comes to beside the recommendation."""

    AS_ASKED = "as asked"
    CAN_WAIT = "can wait"
    """The readings name a later day."""
    NO_NEED = "no need"
    """By the readings a wash would not pay now: the owner decides."""
    SOONER = "sooner"
    """By the readings one pays already."""
    LOOK_FIRST = "look first"
    """Something is wrong that no wash mends."""
    BOOKED = "booked"


@dataclass(frozen=True, slots=True)
class StandingWish:
    """A roof's standing wish at a moment."""

    rhythm: Rhythm
    asked_for: date
    """Day from which on the next wash is due by their word."""
    heard: Heard
    on: date | None
    """Day from which on the firm acts on it; None while it does not."""

    def due(self, today: date) -> bool:
        """Whether the firm is to act on it now.

        Parameters
        ----------
        today : date
            Where the roof stands.

        Returns
        -------
        bool
            False while a visit is booked or something else has to be looked at.
        """
        return self.on is not None and self.on <= today


def next_asked_for(rhythm: Rhythm, *, latitude: float, since: date, settled_on: date | None, today: date) -> date:
    """Day from which on the next wash is due by a standing wish.

    Parameters
    ----------
    rhythm : Rhythm
        How often.
    latitude : float
        Of the roof, north is above 0 [degrees].
    since : date
        Day on which they asked for it.
    settled_on : date or None
        Day of the last wash, or on which they last said no to one; None where neither is known.
    today : date
        Where the roof stands.

    Returns
    -------
    date
        For spring the first day of the one that goes on or comes next, unless it is settled already, and three months
        after it was last settled at the soonest. Else so many months after it was last settled; where it never was,
        the day on which they asked.

    Examples
    --------
    >>> asked = date(2025, 8, 1)
    >>> next_asked_for(Rhythm.SPRING, latitude=40.0, since=asked, settled_on=None, today=date(2026, 4, 9))
    datetime.date(2026, 3, 1)
    >>> next_asked_for(Rhythm.TWICE, latitude=40.0, since=asked, settled_on=date(2026, 4, 9), today=date(2026, 5, 1))
    datetime.date(2026, 10, 9)
    >>> washed = date(2026, 1, 9)
    >>> next_asked_for(Rhythm.SPRING, latitude=40.0, since=asked, settled_on=washed, today=date(2026, 2, 1))
    datetime.date(2026, 4, 9)
    """
    if rhythm != Rhythm.SPRING:
        return since if settled_on is None else calendar_due(settled_on, every_months=EVERY_MONTHS[rhythm])
    first, after = SPRING_MONTHS[latitude >= 0]
    year = today.year
    while date(year, after, 1) <= today or _settled(date(year, first, 1), settled_on):
        year += 1
    begins = date(year, first, 1)
    return begins if settled_on is None else max(begins, calendar_due(settled_on, every_months=APART_MONTHS))


def _settled(begins: date, settled_on: date | None) -> bool:
    return settled_on is not None and settled_on >= begins - COUNTS_FOR_SPRING


def hear(rhythm: Rhythm, asked_for: date, told: Recommendation) -> StandingWish:
    """Set a standing wish beside what is told of the roof.

    Parameters
    ----------
    rhythm : Rhythm
        How often.
    asked_for : date
        From :func:`next_asked_for`.
    told : Recommendation
        What every page says of the roof.

    Returns
    -------
    StandingWish
        Acted on as asked, unless a visit is booked, the readings show something that no wash mends, or they name
        another day.
    """
    if told.booked_for is not None and not told.visit_unnoted:
        return StandingWish(rhythm, asked_for, Heard.BOOKED, None)
    if told.state == State.NOT_DIRT:
        return StandingWish(rhythm, asked_for, Heard.LOOK_FIRST, None)
    if told.act == Act.WASH and asked_for > told.today:
        return StandingWish(rhythm, asked_for, Heard.SOONER, told.today)
    if told.can_wait and told.on is not None and told.on > asked_for:
        return StandingWish(rhythm, asked_for, Heard.CAN_WAIT, told.on)
    speaks = told.readings_speak and told.state != State.CANNOT_TELL
    if speaks and told.act in (Act.WAIT, Act.WOULD_NOT_PAY) and asked_for <= told.today:
        return StandingWish(rhythm, asked_for, Heard.NO_NEED, asked_for)
    return StandingWish(rhythm, asked_for, Heard.AS_ASKED, asked_for)
