"""Names of months, as people and their programs write them."""

from __future__ import annotations

from functools import cache

from babel import Locale
from babel.localedata import locale_identifiers

_MONTHS = (
    "jan januar january janvier janv enero ene gennaio gen januari janeiro|"
    "feb februar february février fevrier févr fevr fév febrero febbraio februari fevereiro fev|"
    "mar märz maerz mrz march mars marzo maart mrt março marco|"
    "apr april avril avr abril abr aprile|"
    "may mai mayo maggio mag mei maio|"
    "jun juni june juin junio giugno giu junho|"
    "jul juli july juillet juil julio luglio lug julho|"
    "aug august août aout agosto ago augustus ago|"
    "sep sept september septembre septiembre settembre set setembro|"
    "oct okt oktober october octobre octubre ottobre ott outubro out|"
    "nov november novembre noviembre novembro|"
    "dec dez dezember december décembre decembre déc diciembre dic dicembre dezembro"
)
_KNOWN = {name: number for number, names in enumerate(_MONTHS.split("|"), 1) for name in names.split()}


@cache
def _all_months() -> dict[str, int]:
    """Names of CLDR by month, but for those that two languages give to different months."""
    found: dict[str, set[int]] = {}
    for language in {identifier.partition("_")[0] for identifier in locale_identifiers()}:
        for widths in Locale(language).months.values():
            for width in ("wide", "abbreviated"):
                for number, name in widths[width].items():
                    found.setdefault(name.lower().rstrip("."), set()).add(number)
    return {name: numbers.pop() for name, numbers in found.items() if len(numbers) == 1 and name.isalpha()}


def month_number(name: str) -> int | None:
    """Return the number of a month by its name, in any language that Unicode's CLDR knows.

    Parameters
    ----------
    name
        The name, short or whole.

    Returns
    -------
    int or None
        1 to 12; None for no month, and where the word is another month in another language.

    Examples
    --------
    >>> month_number("Mai"), month_number("czerwca"), month_number("Μαΐου"), month_number("listopad")
    (5, 6, 5, None)
    """
    name = name.lower().rstrip(".")
    return _KNOWN.get(name) or _all_months().get(name)
