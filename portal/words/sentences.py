"""The sentence of each code that `pv` says, with its figures as people read them.

They are English, each marked for gettext; a language is added as a catalogue.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from datetime import date
from typing import Any

import pandas as pd
from django.utils.translation import gettext_lazy as _
from django.utils.translation import ngettext, ngettext_lazy

from portal.pv.daily import Refused
from portal.pv.said import Code, Said
from portal.words.figures import about_money, compass, day_words, percent, roughly

SENTENCES = {
    Code.NO_READINGS: _("There are no readings yet."),
    Code.FEW_DAYS: ngettext_lazy(
        "The record holds {days} day; an estimate needs at least {least_days}.",
        "The record holds {days} days; an estimate needs at least {least_days}.",
        "days",
    ),
    Code.FEW_CLEAR_DAYS: ngettext_lazy(
        "Only {clear_days} day had enough clear sky; an estimate needs {least_days}.",
        "Only {clear_days} days had enough clear sky; an estimate needs {least_days}.",
        "clear_days",
    ),
    Code.NO_CLEAR_DAY: _("There was no clear day in the last {days} days, so the present state cannot be told."),
    Code.METER_UNFIT: _(
        "On {unfit} of the last {days} days the meter's figures stood still, jumped or were missing by day, so nothing "
        "can be judged by them. Check that the file comes from the same meter, in the same unit, as before."
    ),
    Code.ONLY_SURPLUS: _(
        "The readings hold only what the house did not use itself. That is not production: it rises and falls with the "
        "household, so nothing is judged from it. Send the readings of the inverter or the production meter."
    ),
    Code.OFF_WHEN_SNOW_CAN_LIE: _("Since {began} there is almost no production, in a season when snow can lie."),
    Code.LEAVE_THE_SNOW: _(
        "Nobody should climb a snowy roof. If production stays out after the thaw, check the inverter."
    ),
    Code.OFF: _("Since {began} there is no production by day."),
    Code.LOOK_AT_THE_INVERTER: _("Look at the inverter's display, the AC breaker and the meter before anything else."),
    Code.FELL: _("From {began} output is {lost} lower, at all hours alike."),
    Code.FELL_IN_A_DAY: _("It fell from one day to the next. Dirt does not come like that."),
    Code.CHECK_THE_STRINGS: _("Have an electrician check string fuses, connectors and the inverter's inputs."),
    Code.LOW_SUN_LOST_IN_THE_MORNING: _(
        "With the sun lower than about {height} degrees, the morning yields far less than it should."
    ),
    Code.LOW_SUN_LOST_IN_THE_AFTERNOON: _(
        "With the sun lower than about {height} degrees, the afternoon yields far less than it should."
    ),
    Code.LOOK_FOR_SHADE: _("Look for a tree, chimney or new building on that side. Washing will not bring this back."),
    Code.NO_WASH_BROUGHT_IT_BACK: _("The wash of {washed} did not bring back the {loss} that were missing."),
    Code.LOOK_AT_THE_MODULES: _("Dirt would have gone. Have an electrician measure the modules and the meter."),
    Code.ROSE: _("From {began} output is {gained} higher than ever before, at all hours alike."),
    Code.PANELS_OR_METER: _(
        "So panels were added, something was mended, another meter counts, or a wash nobody told of took old dirt. "
        "The estimate goes by the new output. If panels were added, correct the size."
    ),
    Code.JUST_FELL: _("From {began} output is {lost} lower, and fell in a day."),
    Code.FAULT_OR_HAZE: _("There is too little to tell a fault from haze or snow yet; if it stays, it is no dirt."),
    Code.ESTIMATE: _("The estimate of the loss is {loss} (between {low} and {high})."),
    Code.DRIFTED: _("Output has drifted down slowly, alike at all hours, as dirt does."),
    Code.DRIFTED_SINCE: _("Output has drifted down slowly since {since}, alike at all hours, as dirt does."),
    Code.CLEAN_ENOUGH: _("The modules are clean enough."),
    Code.TOO_UNSURE: _(
        "That is too unsure to call for a wash, or to call the modules clean; more clear days will tell."
    ),
    Code.FIRST_HALF_YEAR: _(
        "In a first half year a roof on its own cannot tell its season from dirt; a wash or a good rain will."
    ),
    Code.WITHOUT_NEIGHBOURS: _(
        "This time this roof could not be compared with the roofs around it, so it was judged on its own: the "
        "estimate is less sure than usual. The next night tries again."
    ),
    Code.DIRT_OR_MODULES: _(
        "No rain has brought it back and no wash has shown it to be dirt: it may be dirt that rain does not take, or "
        "modules that fail slowly. Washing a part of the roof would tell."
    ),
    Code.RAIN_HARDLY_TAKES_IT: _("Rain hardly takes this dirt."),
    Code.DAILY_TOTALS: _("Daily totals can hardly prove what a wash gained; readings by the hour would."),
    Code.COARSE_METER: _("The meter counts in steps of {quantum_wh} Wh; its readings were taken {block} together."),
    Code.UNIT_CHANGED: ngettext_lazy(
        "The meter changed its unit once; the readings were brought back to one unit.",
        "The meter changed its unit {changes} times; the readings were brought back to one unit.",
        "changes",
    ),
    Code.CLOCK_WRONG: _("The meter's clock ran wrong by an hour or more for part of the record; this was put right."),
    Code.SEEN_OTHERWISE: _(
        "On clear days the modules look tilted by {tilt}° and facing {azimuth}, not {told_tilt}° and {told_azimuth} as "
        "told. The estimate goes by what the readings show; please check the roof's facts."
    ),
    Code.STANDS_STILL: _("The panels make almost nothing now. A wash gains nothing until that is over."),
    Code.NO_ESTIMATE: _("The readings give no estimate of the loss."),
    Code.SHORT_RECORD: _("The record is shorter than {least_days} days."),
    Code.NO_VALUE: _("The value of a day's output is not known."),
    Code.LOSS_ANYWHERE: _("The loss lies anywhere between {low} and {high}."),
    Code.CALENDAR_DUE_SINCE: _("So the calendar speaks: one wash every {every_months}, due since {due}."),
    Code.CALENDAR_NEXT: _("So the calendar speaks: one wash every {every_months}, next about {due}."),
    Code.PAYS_UNKNOWN: _("Whether it pays in money is not known."),
    Code.PAYS_NEVER: _(
        "In money alone it does not pay: it costs {wash_price}, and all that the panels make in a year is worth "
        "{year_value}."
    ),
    Code.PAYS_ABOVE: _(
        "It pays ({wash_price}) if it keeps more than about {loss} of a year's output; whether it does is not known."
    ),
    Code.KEEPS_TOO_LITTLE_TODAY: _(
        "A wash today ({wash_price}) would keep {saved} in two years, beyond what rain does for nothing: in money "
        "alone no wash is likely to pay within the coming year."
    ),
    Code.KEEPS_TOO_LITTLE: _(
        "A wash about {due} ({wash_price}) would keep {saved} in two years, beyond what rain does for nothing: in "
        "money alone no wash is likely to pay within the coming year."
    ),
    Code.CHEAPER_TODAY: _(
        "From today a wash ({wash_price}) is cheaper than waiting: it keeps {saved} in the two years after it, beyond "
        "what rain does for nothing."
    ),
    Code.CHEAPER_FROM: _(
        "From about {due} a wash ({wash_price}) is cheaper than waiting: it keeps {saved} in the two years after it, "
        "beyond what rain does for nothing."
    ),
    Code.IN_THE_LONG_RUN: _("In the long run, about every {every_months}."),
}


def _day(iso: str, currency: str) -> str:
    return day_words(date.fromisoformat(iso))


def _percent(fraction: float, currency: str) -> str:
    return percent(fraction)


def _whole(number: float, currency: str) -> str:
    return f"{number:.0f}"


def _wind(azimuth: float, currency: str) -> str:
    return f"{compass(azimuth)} ({azimuth:.0f}°)"


def _months(months: int, currency: str) -> str:
    if months == 12:
        return str(_("year"))
    return ngettext("month", "{months} months", months).format(months=months)


WRITTEN: dict[str, Callable[[Any, str], str]] = {
    **dict.fromkeys(("began", "since", "due", "washed"), _day),
    **dict.fromkeys(("loss", "low", "high", "lost", "gained"), _percent),
    **dict.fromkeys(("height", "quantum_wh", "block", "least_days", "tilt", "told_tilt"), _whole),
    **dict.fromkeys(("azimuth", "told_azimuth"), _wind),
    "every_months": _months,
    "wash_price": about_money,
    "saved": roughly,
    "year_value": roughly,
}
"""How a figure is written, by its name; what is counted, by which gettext takes the plural, stays a number."""
PLURAL_BY = ("days", "unfit", "clear_days", "changes")


def sentence(said: Said | Mapping[str, Any] | str) -> str:
    """One reason as a sentence in the active language.

    It comes as said, or as kept on a row; rows of before codes were kept hold the sentence itself.
    """
    if isinstance(said, str):
        return said
    kept = said if isinstance(said, Said) else Said(**said)
    currency = str(kept.figures.get("currency", ""))
    words = {
        name: value if name in PLURAL_BY else WRITTEN[name](value, currency)
        for name, value in kept.figures.items()
        if name != "currency"
    }
    return SENTENCES[Code(kept.code)].format(**words)


def paragraph(reasons: Iterable[Said | Mapping[str, Any] | str]) -> str:
    """Reasons that belong together, one after the other."""
    return " ".join(sentence(said) for said in reasons)


REFUSED_WORDS = {
    Refused.NO_READINGS: _("no readings"),
    Refused.GAPS: _("readings missing by day"),
    Refused.OFF: _("inverter off or snow on the modules"),
    Refused.CLOUD: _("too cloudy"),
    Refused.STUCK: _("meter stuck"),
    Refused.UNITS: _("meter changed units this day"),
    Refused.LOW_SUN: _("sun too low"),
}
"""Why a day is not judged by."""


def with_words(daily: pd.DataFrame) -> pd.DataFrame:
    """An assessment's daily table with words for why days were left out; tables of before codes were kept have them."""
    words = {str(code): str(said) for code, said in REFUSED_WORDS.items()}
    return daily.assign(refused=daily["refused"].replace(words))
