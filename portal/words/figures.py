"""How a figure stands in a sentence: the same in a verdict's reasons, on every page and in every mail."""

from __future__ import annotations

from datetime import date, datetime, time
from decimal import Decimal

from babel import Locale
from babel.numbers import get_currency_symbol
from django.utils.formats import date_format, get_format, number_format, time_format
from django.utils.translation import get_language, gettext, to_locale
from django.utils.translation import gettext_lazy as _

NBSP = "\u00a0"
"""Keeps a figure and its unit on one line."""


def percent(fraction: float | None) -> str:
    """A fraction as a percentage: a decimal under 2 %, none above, since no estimate is better."""
    if fraction is None:
        return str(_("unknown"))
    hundredths = fraction * 100
    text = f"{hundredths:.{1 if abs(hundredths) < 1.95 else 0}f}"
    text = "0" if float(text) == 0 else text.replace("-", "−")
    return f"{text.replace('.', get_format('DECIMAL_SEPARATOR'))}{NBSP}%"


def day_words(day: date) -> str:
    """A day in the active language: "5 March 2026", "5 de marzo de 2026"."""
    return date_format(day, gettext("j F Y"))


def clock_words(moment: datetime | time) -> str:
    """A time of day, as the pages write it: "09:30"."""
    return time_format(moment, "H:i")


def span_words(minutes: int) -> str:
    """So many minutes, from an hour and a half on in hours: "1 h 45 min", which is written alike everywhere (SI)."""
    hours, rest = divmod(minutes, 60) if minutes >= 90 else (0, minutes)
    return " ".join(f"{n}{NBSP}{unit}" for n, unit in ((hours, "h"), (rest, "min")) if n)


def money(amount: Decimal | float | None, currency: str) -> str:
    """An exact amount, such as a price."""
    return "" if amount is None else _amount(f"{amount:.2f}", currency)


def whole_money(amount: Decimal | float, currency: str) -> str:
    """An estimated amount, in whole units; cents would pretend to know."""
    return _amount(f"{amount:.0f}", currency)


def about_money(amount: Decimal | float | None, currency: str) -> str:
    """An estimated amount, in whole units, and "under $1" for what is less than half a unit but not nothing."""
    if amount is None:
        return ""
    if _nearly_nothing(amount):
        return gettext("under {amount}").format(amount=whole_money(1, currency))
    return whole_money(amount, currency)


def roughly(amount: Decimal | float | None, currency: str) -> str:
    """An estimated amount in a sentence: "about $14", "under $1"."""
    said = about_money(amount, currency)
    return said if not said or _nearly_nothing(amount) else gettext("about {amount}").format(amount=said)


def _nearly_nothing(amount: Decimal | float | None) -> bool:
    return amount is not None and amount > 0 and f"{amount:.0f}" == "0"


def _amount(rounded: str, currency: str) -> str:
    """Digits with the marks of the active language, and the currency where it puts it: "$1,200", "1 200 US$"."""
    number = Decimal(rounded)
    places = max(0, -int(number.as_tuple().exponent))
    minus = "−" if number < 0 else ""
    digits = number_format(abs(number), places, force_grouping=True)
    locale = Locale.parse(to_locale(get_language() or "en"))
    sign = get_currency_symbol(currency, locale)
    if locale.currency_formats["standard"].pattern.startswith("¤"):
        return f"{minus}{sign}{NBSP if sign[-1].isalpha() else ''}{digits}"
    return f"{minus}{digits}{NBSP}{sign}"


COMPASS = (
    _("north"),
    _("north-east"),
    _("east"),
    _("south-east"),
    _("south"),
    _("south-west"),
    _("west"),
    _("north-west"),
)


def compass(azimuth: float) -> str:
    """Degrees clockwise from north as the nearest of eight winds."""
    return str(COMPASS[round(azimuth / 45) % 8])
