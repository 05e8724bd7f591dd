"""Customers' files in, readings in house names out. Pure: a file on disk in, arrays out."""

from portal.readers.clock import StampClock
from portal.readers.mapping import FILES, Mapping
from portal.readers.reading import (
    Channel,
    Choice,
    Gap,
    Guess,
    Lump,
    MisreadError,
    Notice,
    Question,
    ReadError,
    Readings,
    ReadResult,
    Rejected,
    UndecidedError,
)
from portal.readers.recognise import guess, read

__all__ = [
    "FILES",
    "Channel",
    "Choice",
    "Gap",
    "Guess",
    "Lump",
    "Mapping",
    "MisreadError",
    "Notice",
    "Question",
    "ReadError",
    "ReadResult",
    "Readings",
    "Rejected",
    "StampClock",
    "UndecidedError",
    "guess",
    "read",
]
