"""Numbers as people write them: decimal comma, thousands marks, units behind, blanks and stand-ins for "no value"."""

from __future__ import annotations

import math
import re
from collections.abc import Collection, Sequence
from typing import NamedTuple

import numpy as np

from portal.pv.arrays import Floats

SPACES = "\u0020\u00a0\u202f\u2009\u2007"
BLANKS = frozenset(
    {"", "-", "--", "---", "–", "—", ".", "?", "x", "na", "n/a", "#n/a", "#na", "n.a.", "nan", "null", "nil", "none"}
    | {
        "missing",
        "no data",
        "nodata",
        "no value",
        "error",
        "err",
        "#value!",
        "#ref!",
        "#div/0!",
        "#num!",
        "bad",
        "k.a.",
    }
)
_ARABIC = str.maketrans("٫٬", ".,")
"""The decimal and the thousands mark between Arabic digits, which Python reads by itself (Unicode: U+066B, U+066C)."""
_UNIT_BEHIND = re.compile(r"\s*\[?\(?(?:([kKmMgG]?)[wW](?:h|H|p)?|[kKmM]?VA)\)?\]?$")
_PREFIX = {"": 1.0, "k": 1e3, "m": 1e6, "g": 1e9}
_NUMBER = re.compile(r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?")
CELLS_KEPT = 100_000
"""Different cells whose figures are remembered. A bound on memory, no source."""
FEWEST_UNMARKED = 3
"""Cells without a mark, all different, that show the mark of others to be one of thousands. Common practice, no
source."""
LONGEST_CELL = 60
"""Characters of a cell with a figure or a stamp; a bound on the work a cell can cause, no source."""
FIGURE = re.compile(rf"^[+\-−]?[{SPACES}]*\d[\d.,'’{SPACES}]*(?:[eE][+-]?\d+)?(?:\s*\[?[kKmMgG]?[wW][hH]?\]?)?$")


class NumberStyle(NamedTuple):
    """The decimal mark and the thousands mark ("" for none)."""

    decimal: str = "."
    thousands: str = ""


def _bare(cell: str) -> str:
    """The cell without blanks and quotes around it."""
    return cell.strip().strip("\"'").strip()


def read_cell(text: str, style: NumberStyle, unit: str = "") -> float | None:
    """Read one cell: its number, NaN when it stands for "no value", None when it is something else.

    A cell with a unit of its own ("950 Wh" above "1.2 kWh") is turned into the column's ``unit``, where that is known.

    Parameters
    ----------
    text
        The cell.
    style
        How its numbers are written.
    unit
        The column's unit, "" where it is not known.

    Returns
    -------
    float or None
        The number; NaN for a blank.

    Examples
    --------
    >>> read_cell("1.234,5", NumberStyle(",", ".")), read_cell("950 Wh", NumberStyle(), "kWh")
    (1234.5, 0.95)
    """
    text = _bare(text)
    if "٫" in text or "٬" in text:
        text, style = text.translate(_ARABIC), NumberStyle(".", ",")
    if text.lower() in BLANKS:
        return math.nan
    if len(text) > LONGEST_CELL:
        return None
    own = _UNIT_BEHIND.search(text) if unit else None
    text = _UNIT_BEHIND.sub("", text).replace("−", "-")
    for space in SPACES + "'’":
        text = text.replace(space, "")
    other = "," if style.decimal == "." else "."
    if style.thousands == other:
        text = text.replace(other, "")
    if style.decimal != ".":
        text = text.replace(style.decimal, ".")
    if not _NUMBER.fullmatch(text):
        return None
    if own is not None and own[1] is not None:
        return float(text) * _PREFIX[own[1].lower()] / _PREFIX[unit.removesuffix("h").removesuffix("W").lower()]
    return float(text)


class _Cells(dict[str, float]):
    """Remembers each distinct cell; what cannot be read is +infinity, which no readable cell becomes."""

    def __init__(self, style: NumberStyle, unit: str) -> None:
        super().__init__()
        self.style, self.unit = style, unit

    def __missing__(self, text: str) -> float:
        value = read_cell(text, self.style, self.unit)
        value = math.inf if value is None or math.isinf(value) else value
        if len(self) < CELLS_KEPT:
            self[text] = value
        return value


def read_column(cells: Sequence[str], style: NumberStyle, unit: str = "") -> Floats:
    """Read a column, in ``unit`` where cells carry one: NaN where a cell is blank, +infinity where it is no number.

    Parameters
    ----------
    cells
        The cells (n,).
    style
        How their numbers are written.
    unit
        The column's unit, "" where it is not known.

    Returns
    -------
    ndarray
        Numbers (n,): NaN for a blank, infinity for what is no number.

    Examples
    --------
    >>> read_column(["1", "", "broken"], NumberStyle())
    array([ 1., nan, inf])
    """
    if style.decimal == "." and not style.thousands:
        try:
            values = np.array([float(cell) if cell else math.nan for cell in cells], dtype=np.float64)
        except ValueError:
            pass
        else:
            # Python's float also takes "1_000", "inf" and "infinity"; none of them is a meter's figure.
            if not (np.isinf(values).any() or "_" in "".join(cells)):
                return values
    elif style.decimal == "," and style.thousands != "," and cells:
        joined = "\n".join(cells)
        if "." not in joined and joined.count("\n") == len(cells) - 1:
            try:
                swapped = joined.replace(",", ".").split("\n")
                values = np.array([float(cell) if cell else math.nan for cell in swapped], dtype=np.float64)
            except ValueError:
                pass
            else:
                if not (np.isinf(values).any() or "_" in joined):
                    return values
    return np.fromiter(map(_Cells(style, unit).__getitem__, cells), dtype=np.float64, count=len(cells))


def is_figure(cell: str) -> bool:
    """Say whether a cell looks like a number in any style.

    Parameters
    ----------
    cell
        The cell.

    Returns
    -------
    bool
        True for a number in any style, with or without a unit of power or energy.

    Examples
    --------
    >>> is_figure("1'234,5 kWh"), is_figure("12:15")
    (True, False)
    """
    text = _bare(cell).translate(_ARABIC)
    return len(text) <= LONGEST_CELL and FIGURE.match(text) is not None


def guess_style(cells: Sequence[str]) -> tuple[NumberStyle, bool]:
    """Return the style of a column's cells, and whether it is certain.

    Parameters
    ----------
    cells
        The cells.

    Returns
    -------
    style : NumberStyle
        Decimal and thousands marks.
    certain : bool
        False when the only mark may be either.

    Examples
    --------
    >>> guess_style(["0,5", "12,25"]), guess_style(["1,234"])
    ((NumberStyle(decimal=',', thousands=''), True), (NumberStyle(decimal=',', thousands=''), False))
    """
    texts, prefixes = [], set()
    for cell in cells:
        text = _bare(cell).translate(_ARABIC)
        if len(text) <= LONGEST_CELL and FIGURE.match(text):
            if (unit := _UNIT_BEHIND.search(text)) and unit[1] is not None:
                prefixes.add(unit[1].lower())
            texts.append(_UNIT_BEHIND.sub("", text).lstrip("+-− "))
    thousands_space = any(re.search(rf"\d[{SPACES}'’]\d", text) for text in texts)
    dots = [text for text in texts if "." in text]
    commas = [text for text in texts if "," in text]
    both = [text for text in dots if "," in text]
    if both:
        last_is_comma = sum(text.rindex(",") > text.rindex(".") for text in both)
        return (NumberStyle(",", "."), True) if last_is_comma * 2 > len(both) else (NumberStyle(".", ","), True)
    if not dots and not commas:
        return NumberStyle(), True
    mark, marked = (",", commas) if len(commas) >= len(dots) else (".", dots)
    other = "." if mark == "," else ","
    as_decimal = NumberStyle(mark, "")
    as_thousands = NumberStyle(other, mark)
    if dots and commas:  # never in the same cell: "0.5" beside "1,000"
        mark_is_grouping = all(_grouped(text, mark) for text in marked)
        return (as_thousands if mark_is_grouping else NumberStyle(mark, other)), True
    if any(text.count(mark) > 1 for text in marked):
        return as_thousands, True
    if len(prefixes) > 1:  # "950 Wh" above "1.015 kWh": the unit grows, so that the figures need no thousands
        return as_decimal, True
    if not all(_grouped(text, mark) for text in marked):
        return as_decimal, True
    if thousands_space:
        return as_decimal, True
    # Every marked figure has one to three digits before and exactly three behind. Whole numbers of a thousand and
    # more without a mark, or marked figures alone (12,000 beside 0,000 is caught by ``_grouped``), tell them apart.
    plain = [text for text in texts if mark not in text and text not in ("0", "00")]
    if any(len(text) > 3 for text in plain):
        return as_decimal, True
    if len(set(plain)) >= FEWEST_UNMARKED:
        return as_thousands, True
    return as_decimal, False


def style_by_unit(style: NumberStyle, units: Collection[str]) -> tuple[NumberStyle, bool]:
    """Settle what the figures leave open: nobody writes thousandths of a Wh, and a roof has no thousands of kWh.

    Parameters
    ----------
    style
        The style that the figures leave open.
    units
        Units of their columns.

    Returns
    -------
    style : NumberStyle
        The style that the units make likely.
    certain : bool
        Whether they settle it.

    Examples
    --------
    >>> style_by_unit(NumberStyle(",", ""), ["Wh"])
    (NumberStyle(decimal='.', thousands=','), True)
    """
    small = {unit in ("W", "Wh") for unit in units}
    if len(small) != 1:
        return style, style.decimal == "."
    return (
        (NumberStyle("," if style.decimal == "." else ".", style.decimal), True) if small == {True} else (style, True)
    )


def _grouped(text: str, mark: str) -> bool:
    return re.fullmatch(rf"[1-9]\d{{0,2}}(?:{re.escape(mark)}\d{{3}})+", text) is not None
