"""The one recommendation for a roof, as of a moment: what its newest assessment advised, and what happened since.

Every page, mail, sheet and report says what stands here and nothing else.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from enum import StrEnum, auto

from portal.pv.advice import PAYS_LIKELY, Act, Advised, RainAhead, Range, State, WashToday
from portal.pv.result import Cause
from portal.pv.said import Code, Said

OLD_AFTER = timedelta(days=21)
"""Without readings for longer nobody acts on what they said: rain or three more weeks of dust may have changed the
roof. [days] Common practice, no source."""
RESULT_DAYS = 8
"""Clear days after a wash by which its gain is usually told [days]. No source: fewer are said as a doubt."""
LONGEST_RESULT = timedelta(days=30)
"""After so long a wash's result is told whatever it is. [days] Common practice, no source."""
OLD_RESULT = timedelta(days=60)
"""After so long without readings nobody waits for a wash's result any more. [days] Common practice, no source."""
CLEAR_AFTER_RAIN = 3
"""Clear days after a rain that show what it took [days]. No source."""
LEAST_CLEAR_SHARE = 0.2
"""Share of clear days that is counted on at least, where the last month was darker [1]. No source."""
RAIN_TAKES = 0.2
"""Share of the dirt that rain must usually take until a day to be the reason for waiting [1]. No source."""
HEAVY_RAIN_MM = 5.0
"""Rain within days that takes much of the dirt [mm]; doi:10.1109/WCPEC.2006.279690 found 3 to 10 mm a day."""
AGAINST_DIRT = frozenset({Code.CLEAN_ENOUGH, Code.TOO_UNSURE})
"""What a verdict says against washing: no reason any more where the same figures say that a wash pays now."""
LIKE_DIRT = frozenset({Code.DIRT_OR_MODULES, Code.FIRST_HALF_YEAR})
"""What leaves it open whether a loss is dirt, also where a wash is likely to pay."""


class Because(StrEnum):
    """Why one is to wait."""

    RAIN = auto()
    """The panels are dirty, and rain usually takes much of it by then."""
    NOT_YET = auto()
    """What lies on them is not worth a wash before."""
    CLEAR_DAYS = auto()
    """Clear days are needed to tell."""
    RESULT = auto()
    """They were just washed."""
    FIRST_LOOK = auto()
    """Readings came in and are not judged yet."""


class Fact(StrEnum):
    """What no assessment can do without."""

    PLACE = auto()
    INVERTER = auto()
    PLANES = auto()


class Step(StrEnum):
    """What a reader can do next, one for each role."""

    ASK_FOR_WASH = auto()
    ASK_FOR_CALL = auto()
    SEND_READINGS = auto()
    TELL_FACTS = auto()
    CALL_ELECTRICIAN = auto()
    CALL_CUSTOMER = auto()
    REFER = auto()
    ASK_FOR_READINGS = auto()
    ENTER_FACTS = auto()
    READ_FINDINGS = auto()
    NOTE_VISIT = auto()
    WASH = auto()
    WAIT_FOR_FIRM = auto()
    ANSWER = auto()
    NOTHING = auto()


class Asked(StrEnum):
    """What the owner of a roof wants of the firm, by their own word."""

    SOMETHING = auto()
    """A wash, a call or a day, and nobody has seen to it yet."""
    WISH = auto()
    """The wash that they want every so often is due, and they were not called about it yet."""
    PEACE = auto()
    """To be asked later, and not before."""


class Reader(StrEnum):
    """Who reads it."""

    HOMEOWNER = auto()
    OFFICE = auto()
    TECHNICIAN = auto()


@dataclass(frozen=True, slots=True)
class Since:
    """What is known of a roof at a moment besides its newest assessment.

    Parameters
    ----------
    today : date
        Where the roof stands.
    readings_until : date or None
        Last day with readings; None where there never were any.
    washed_on : date or None
        The last wash; None where none is known.
    result_told : bool
        Whether that wash's gain is told, or never will be.
    booked_for : datetime or None
        Start of the next visit that is booked; of one gone by where nobody noted yet what came of it.
    asked : Asked or None
        What its owner asked of the firm.
    rain : tuple of (date, float)
        Days and millimetres of rain of late, in any order.
    calendar_on : date or None
        Day of the next wash by the business's calendar, which is told where readings cannot tell; None where nothing is
        known that it could count from.
    lacks : tuple of Fact
        What of the roof's facts is missing.
    """

    today: date
    readings_until: date | None
    washed_on: date | None = None
    result_told: bool = True
    booked_for: datetime | None = None
    asked: Asked | None = None
    rain: tuple[tuple[date, float], ...] = ()
    calendar_on: date | None = None
    lacks: tuple[Fact, ...] = ()


@dataclass(frozen=True, slots=True)
class Found:
    """What the newest assessment found, besides its advice.

    ``lost_a_month`` is what the present loss costs in the month ahead [money]; ``since`` the day from which on the roof
    makes less, by dirt or by a fault.
    """

    loss: Range | None
    lost_a_month: Range | None
    cause: Cause | None
    since: date | None
    reasons: tuple[Said | str, ...]


@dataclass(frozen=True, slots=True)
class Recommendation:
    """One roof at one moment: how it stands, what is advised, the money behind it, and who does what next."""

    today: date
    state: State
    act: Act
    on: date | None
    """Day from which on a wash is due, or by which a result or clear days are expected; None where none is in sight."""
    because: Because | None
    state_day: date | None
    """Since when it is so: dirty, at fault; the day of the wash, of the rain, of the last readings."""
    cause: Cause | None
    loss: Range | None
    lost_a_month: Range | None
    wash: WashToday | None
    wash_too: bool
    rain: RainAhead | None
    calendar_on: date | None
    why: tuple[Said | str, ...]
    reasons: tuple[Said | str, ...]
    """What the readings show for it; empty where they do not speak, and where ``why`` says it already."""
    readings_until: date | None
    booked_for: datetime | None
    asked: Asked | None
    currency: str
    lacks: tuple[Fact, ...] = ()
    ever_washed: bool = True
    """Whether any wash of it is known."""

    @property
    def only_likely(self) -> bool:
        """Whether something else than dirt would look the same."""
        return any(isinstance(one, Said) and one.code in LIKE_DIRT for one in self.reasons)

    @property
    def visit_unnoted(self) -> bool:
        """Whether a visit's day is over and nobody noted what came of it."""
        return self.booked_for is not None and self.booked_for.date() < self.today

    @property
    def readings_speak(self) -> bool:
        """Whether what the newest readings said still holds."""
        return self.state not in (State.NO_READINGS, State.JUST_WASHED, State.RAINED)

    @property
    def can_wait(self) -> bool:
        """Whether a wash is better on a later day: rain or dust decide until then."""
        return self.act == Act.WAIT and (self.because in (Because.RAIN, Because.NOT_YET) or self.state == State.RAINED)

    @property
    def due_on(self) -> date | None:
        """Day on which a wash is due, by the readings or, where they cannot say, by the calendar; None: none is."""
        if self.state == State.NOT_DIRT:
            return None
        if self.act == Act.WASH:
            return self.today
        return self.on if self.because in (Because.RAIN, Because.NOT_YET) else self.calendar_on

    def step(self, reader: Reader) -> Step:
        """What the reader does next.

        Parameters
        ----------
        reader : Reader
            Who reads.

        Returns
        -------
        Step
            One for each reader.
        """
        step = STEPS[self.act][reader]
        if reader == Reader.TECHNICIAN:
            return step if self.booked_for is None else Step.READ_FINDINGS
        wished = self.asked == Asked.WISH and self.booked_for is None and not self.can_wait
        if reader == Reader.OFFICE and (self.asked == Asked.SOMETHING or self.visit_unnoted):
            return Step.ANSWER if self.asked == Asked.SOMETHING else Step.NOTE_VISIT
        if reader == Reader.HOMEOWNER and step in (Step.ASK_FOR_WASH, Step.NOTHING):
            if self.asked == Asked.SOMETHING or wished:
                return Step.WAIT_FOR_FIRM
            return Step.NOTHING if self.booked_for or self.asked else step
        if wished and step == Step.NOTHING:
            return Step.CALL_CUSTOMER
        called = self.asked == Asked.PEACE or self.booked_for is not None
        return Step.NOTHING if step == Step.CALL_CUSTOMER and called else step


STEPS = {
    act: dict(zip(Reader, steps, strict=True))
    for act, steps in {
        Act.WASH: (Step.ASK_FOR_WASH, Step.CALL_CUSTOMER, Step.WASH),
        Act.WAIT: (Step.NOTHING, Step.NOTHING, Step.READ_FINDINGS),
        Act.WOULD_NOT_PAY: (Step.NOTHING, Step.NOTHING, Step.READ_FINDINGS),
        Act.LOOK: (Step.CALL_ELECTRICIAN, Step.REFER, Step.READ_FINDINGS),
        Act.SEND_READINGS: (Step.SEND_READINGS, Step.ASK_FOR_READINGS, Step.READ_FINDINGS),
        Act.TELL_FACTS: (Step.TELL_FACTS, Step.ENTER_FACTS, Step.READ_FINDINGS),
    }.items()
}
"""What homeowner, office and technician do next, but for what they asked and booked."""


def recommend(advised: Advised | None, found: Found | None, since: Since, *, currency: str) -> Recommendation:
    """Join what an assessment advised with what happened since.

    Parameters
    ----------
    advised : Advised or None
        The newest assessment's advice; None where there is no assessment.
    found : Found or None
        What it found; None where there is none.
    since : Since
        What is known besides.
    currency : str
        What money is called, such as USD.

    Returns
    -------
    Recommendation
        A wash weighs more than rain, rain more than what the readings said before it, and readings that stopped end
        everything; but for a roof of which a fact is missing, that is asked for first.
    """
    if since.lacks:
        return _without_facts(since, currency)
    return _with_facts(advised, found, since, currency)


def _without_facts(since: Since, currency: str) -> Recommendation:
    """Readings tell nothing of a roof without them, nor does what was said while it had them."""
    told = _with_facts(None, None, since, currency)
    return replace(told, act=Act.TELL_FACTS, because=None, on=None)


def _with_facts(advised: Advised | None, found: Found | None, since: Since, currency: str) -> Recommendation:
    told = _without_readings(since, currency)
    faulty = advised is not None and advised.state == State.NOT_DIRT  # which no wash mends
    if since.washed_on is not None and not since.result_told and not faulty:
        waits = since.today - since.washed_on
        if waits <= OLD_RESULT:
            return _just_washed(told, advised, since.washed_on, since.today)
    if since.readings_until is not None and since.today - since.readings_until > OLD_AFTER:
        return told
    if since.readings_until is None and (found is None or Said(Code.NO_READINGS) in found.reasons):
        return told
    if advised is None or found is None:
        return replace(told, state=State.CANNOT_TELL, act=Act.WAIT, because=Because.FIRST_LOOK, state_day=None)
    rained = _rained_on(advised, since)
    if rained is not None:
        on = max(rained + _days_until(CLEAR_AFTER_RAIN, advised.clear_share), since.today)
        told = replace(told, state=State.RAINED, act=Act.WAIT, because=Because.CLEAR_DAYS, state_day=rained, on=on)
        return replace(told, calendar_on=None)
    return _as_found(told, advised, found)


def _without_readings(since: Since, currency: str) -> Recommendation:
    return Recommendation(
        today=since.today,
        state=State.NO_READINGS,
        act=Act.SEND_READINGS,
        on=None,
        because=None,
        state_day=since.readings_until,
        cause=None,
        loss=None,
        lost_a_month=None,
        wash=None,
        wash_too=False,
        rain=None,
        calendar_on=since.calendar_on,
        why=(),
        reasons=(),
        readings_until=since.readings_until,
        booked_for=since.booked_for,
        asked=since.asked,
        currency=currency,
        lacks=since.lacks,
        ever_washed=since.washed_on is not None,
    )


def _days_until(clear_days: int, clear_share: float) -> timedelta:
    """Days in which so many clear ones come, as the last month had them."""
    return timedelta(days=math.ceil(clear_days / max(clear_share, LEAST_CLEAR_SHARE)))


def _just_washed(told: Recommendation, advised: Advised | None, washed_on: date, today: date) -> Recommendation:
    expected = washed_on + min(_days_until(RESULT_DAYS, advised.clear_share if advised else 0.0), LONGEST_RESULT)
    told = replace(told, state=State.JUST_WASHED, state_day=washed_on, on=expected, calendar_on=None)
    if expected >= today or (told.readings_until is not None and told.readings_until >= expected):
        return replace(told, act=Act.WAIT, because=Because.RESULT, on=max(expected, today))
    return replace(told, on=None)  # the result stays away for want of readings


def _rained_on(advised: Advised, since: Since) -> date | None:
    """Day of the rain that makes a dirty roof's estimate old: the last one that counts; None where none fell."""
    if advised.state != State.DIRTY or advised.last_clear is None:
        return None
    fell = [(day, mm) for day, mm in since.rain if day > advised.last_clear and mm > 0]
    return max(day for day, _ in fell) if sum(mm for _, mm in fell) >= HEAVY_RAIN_MM else None


def _as_found(told: Recommendation, advised: Advised, found: Found) -> Recommendation:
    faulty = advised.state == State.NOT_DIRT
    # Under a fault a loss that may be nothing is no dirt to speak of; who cannot tell names no figure.
    dirt = found.loss is not None and not (faulty and found.loss.low <= 0) and advised.state != State.CANNOT_TELL
    told = replace(
        told,
        state=advised.state,
        act=advised.act,
        on=advised.on,
        state_day=found.since if advised.state in (State.DIRTY, State.NOT_DIRT) else None,
        cause=found.cause if faulty else None,
        loss=found.loss if dirt else None,
        lost_a_month=found.lost_a_month if dirt else None,
        wash=advised.wash,
        wash_too=advised.wash_too,
        rain=advised.rain,
        calendar_on=advised.calendar_on,
        why=(found.reasons or advised.why) if advised.state == State.CANNOT_TELL else advised.why,
    )
    told = _waiting(told)
    if told.state == State.CANNOT_TELL:
        return told
    against = AGAINST_DIRT if told.state == State.DIRTY else frozenset[Code]()
    reasons = tuple(one for one in found.reasons if not (isinstance(one, Said) and one.code in against))
    return replace(told, reasons=reasons)


def _waiting(told: Recommendation) -> Recommendation:
    """Why one waits, and whether one still does."""
    if told.act != Act.WAIT:
        return told
    if told.on is None or told.wash is None:
        return replace(told, because=Because.CLEAR_DAYS)
    if told.on <= told.today:  # its day has come since
        if told.wash.pays_back >= PAYS_LIKELY:
            return replace(told, state=State.DIRTY, act=Act.WASH, on=None, rain=None)
        return replace(told, act=Act.WOULD_NOT_PAY, on=None, rain=None)
    rains = told.state == State.DIRTY and told.rain is not None and told.rain.share >= RAIN_TAKES
    return replace(told, because=Because.RAIN) if rains else replace(told, because=Because.NOT_YET, rain=None)
