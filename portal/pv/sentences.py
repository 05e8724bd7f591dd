"""How figures stand in sentences: the same in a verdict's reasons, on every page and in every mail."""

from __future__ import annotations

NBSP = "\u00a0"
"""Keeps a figure and its unit on one line."""


def plain_percent(fraction: float) -> str:
    """Write a fraction as a percentage: a decimal under 2 %, none above, since no estimate is better.

    Parameters
    ----------
    fraction : float
        Such as 0.05.

    Returns
    -------
    str
        With a decimal point, a true minus and a space that does not break.

    Examples
    --------
    >>> [plain_percent(one).replace(NBSP, " ") for one in (0.0834, 0.0162, -0.05, 0.0002)]
    ['8 %', '1.6 %', '−5 %', '0 %']
    """
    hundredths = fraction * 100
    text = f"{hundredths:.{1 if abs(hundredths) < 1.95 else 0}f}"
    return f"{'0' if float(text) == 0 else text.replace('-', '−')}{NBSP}%"
