"""What is said of a site: a code with its figures. The words for it are made where people read them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum, auto


class Code(StrEnum):
    """What can be said; behind each the figures that belong to it, as they are called in :class:`Said`."""

    # too little for an estimate
    NO_READINGS = auto()
    FEW_DAYS = auto()  # days, least_days
    FEW_CLEAR_DAYS = auto()  # clear_days, least_days
    NO_CLEAR_DAY = auto()  # days
    METER_UNFIT = auto()  # unfit, days
    ONLY_SURPLUS = auto()
    # something other than dirt
    OFF_WHEN_SNOW_CAN_LIE = auto()  # began
    LEAVE_THE_SNOW = auto()
    OFF = auto()  # began
    LOOK_AT_THE_INVERTER = auto()
    FELL = auto()  # began, lost
    FELL_IN_A_DAY = auto()
    CHECK_THE_STRINGS = auto()
    LOW_SUN_LOST_IN_THE_MORNING = auto()  # height
    LOW_SUN_LOST_IN_THE_AFTERNOON = auto()  # height
    LOOK_FOR_SHADE = auto()
    NO_WASH_BROUGHT_IT_BACK = auto()  # washed, loss
    LOOK_AT_THE_MODULES = auto()
    ROSE = auto()  # began, gained
    PANELS_OR_METER = auto()
    JUST_FELL = auto()  # began, lost
    FAULT_OR_HAZE = auto()
    # dirt
    ESTIMATE = auto()  # loss, low, high
    DRIFTED = auto()
    DRIFTED_SINCE = auto()  # since
    CLEAN_ENOUGH = auto()
    TOO_UNSURE = auto()
    FIRST_HALF_YEAR = auto()
    WITHOUT_NEIGHBOURS = auto()
    DIRT_OR_MODULES = auto()
    RAIN_HARDLY_TAKES_IT = auto()
    DAILY_TOTALS = auto()
    # the meter
    COARSE_METER = auto()  # quantum_wh, block
    UNIT_CHANGED = auto()  # changes
    CLOCK_WRONG = auto()
    # what was told
    SEEN_OTHERWISE = auto()  # tilt, azimuth, told_tilt, told_azimuth
    # when a wash is due
    STANDS_STILL = auto()
    NO_ESTIMATE = auto()
    SHORT_RECORD = auto()  # least_days
    NO_VALUE = auto()
    LOSS_ANYWHERE = auto()  # low, high
    CALENDAR_DUE_SINCE = auto()  # every_months, due
    CALENDAR_NEXT = auto()  # every_months, due
    PAYS_UNKNOWN = auto()
    PAYS_NEVER = auto()  # wash_price, year_value, currency
    PAYS_ABOVE = auto()  # wash_price, currency, loss
    KEEPS_TOO_LITTLE_TODAY = auto()  # wash_price, saved, currency
    KEEPS_TOO_LITTLE = auto()  # wash_price, saved, currency, due
    CHEAPER_TODAY = auto()  # wash_price, saved, currency
    CHEAPER_FROM = auto()  # wash_price, saved, currency, due
    IN_THE_LONG_RUN = auto()  # every_months


@dataclass(frozen=True, slots=True)
class Said:
    """A code with its figures, all plain JSON: ``dataclasses.asdict`` gives what is kept, ``Said(**kept)`` brings back.

    Shares and losses are fractions, amounts in ``currency``, days as in ISO 8601.

    Examples
    --------
    >>> Said(**{"code": "off", "figures": {"began": "2026-03-05"}}) == Said(Code.OFF, {"began": "2026-03-05"})
    True
    """

    code: Code
    figures: Mapping[str, float | str] = field(default_factory=dict)
