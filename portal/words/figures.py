"""How a figure stands in a sentence: the same in a verdict's reasons, on every page and in every mail."""

from __future__ import annotations

from datetime import date
from decimal import Decimal

from django.utils.formats import date_format, get_format
from django.utils.translation import get_language

NBSP = "\u00a0"
"""Keeps a figure and its unit on one line."""

SIGNS = {"USD": "$", "EUR": "€", "GBP": "£", "AUD": "A$", "CAD": "C$", "NZD": "NZ$", "MXN": "MX$"}


def percent(fraction: float | None) -> str:
    """A fraction as a percentage: a decimal under 2 %, none above, since no estimate is better."""
    if fraction is None:
        return "unknown"
    hundredths = fraction * 100
    text = f"{hundredths:.{1 if abs(hundredths) < 1.95 else 0}f}"
    text = "0" if float(text) == 0 else text.replace("-", "−")
    return f"{text.replace('.', get_format('DECIMAL_SEPARATOR'))}{NBSP}%"


def day_words(day: date) -> str:
    """A day in the active language, in English as on the pages."""
    return date_format(day, "j F Y" if get_language() == "en" else "DATE_FORMAT")


def money(amount: Decimal | float | None, currency: str) -> str:
    """An exact amount, such as a price."""
    return "" if amount is None else _with_sign(f"{abs(amount):,.2f}", float(amount) < 0, currency)


def about_money(amount: Decimal | float | None, currency: str) -> str:
    """An estimated amount, in whole units; cents would pretend to know."""
    if amount is None:
        return ""
    text = f"{abs(amount):,.0f}"
    if text == "0" and amount > 0:
        return f"under {_with_sign('1', False, currency)}"
    return _with_sign(text, float(amount) < 0 and text != "0", currency)


def roughly(amount: Decimal | float | None, currency: str) -> str:
    """An estimated amount in a sentence: "about $14", "under $1"."""
    said = about_money(amount, currency)
    return said if said.startswith("under") else f"about {said}"


def _with_sign(text: str, negative: bool, currency: str) -> str:
    sign = SIGNS.get(currency, f"{currency} ")
    return f"{'−' if negative else ''}{sign}{text}"
