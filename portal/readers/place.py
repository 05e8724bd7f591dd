"""Where a reading stands: the number of its file and its line there, as one whole number that an array can carry."""

from __future__ import annotations

from typing import TypeVar

from portal.pv.arrays import Ints

_LINE_BITS = 32
"""Bits left for the line; a file of 4 GB has no more lines, by definition of its size."""

Number = TypeVar("Number", int, Ints)


def place_of(file: int, line: Number) -> Number:
    """Return the place of a line, or of each line of an array.

    Parameters
    ----------
    file
        Number of the file (or sheet) among those read together, counted from 0.
    line
        Line of the file or row of the sheet, counted from 1; a number or an array (n,).

    Returns
    -------
    int or ndarray
        One number for both; places in order are the order of the files and their lines.

    Examples
    --------
    >>> file_and_line(place_of(2, 17))
    (2, 17)
    """
    return (file << _LINE_BITS) + line


def file_and_line(place: Number) -> tuple[Number, Number]:
    """Take a place apart.

    Parameters
    ----------
    place
        What ``place_of`` gave; a number or an array (n,).

    Returns
    -------
    tuple
        The number of the file and the line, shaped like ``place``.

    Examples
    --------
    >>> file_and_line(place_of(2, 17))
    (2, 17)
    """
    return place >> _LINE_BITS, place & ((1 << _LINE_BITS) - 1)
