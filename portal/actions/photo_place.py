"""Where a photo was taken, blanked in the file as it came from the phone: in place, so that no pixel is packed anew.

The position stands in a directory of its own of the Exif block (CIPA DC-008, Exif 2.32, 4.6.6), which is a small TIFF
file wherever the format keeps it (JPEG, PNG, WebP, HEIC), and perhaps once more in an XMP packet (Adobe XMP, part 2).
"""

from __future__ import annotations

import re
import struct
import zlib
from collections.abc import Iterator

GPS_DIRECTORY = 0x8825
"""The tag that points at the directory with the place (Exif 2.32, section 4.6.3, published 2019)."""
SIZES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8}
"""Bytes of one value of each TIFF type (TIFF 6.0, section 2)."""
ENTRY = 12
"""Bytes of an entry of a directory (TIFF 6.0, section 2)."""
XMP = (re.compile(rb'(exif:GPS\w+=")([^"]*)(")'), re.compile(rb"(<exif:GPS\w+>)([^<]*)(</exif:GPS)"))

MOST_ENTRIES = 256
"""Entries of a directory: the tags of Exif 2.32 (2019) are fewer. A longer one is none."""
MOST_LOOKED_AT = 5_000
"""Beginnings of blocks and ranges to blank in one file; a camera writes some thirty. No source."""


class TooManyPlaces(ValueError):
    """The file was made to keep somebody busy."""


def without_place(data: bytes) -> bytes:
    """The same file, as long as before, without its GPS directory and without GPS values in XMP.

    Raises TooManyPlaces where it holds more of them than any camera writes: blanking all would take hours.
    """
    blanked = bytearray(data)
    looked_at = 0
    for found in re.finditer(rb"II\*\0|MM\0\*", data):
        looked_at += 1
        for begin, end in _gps_ranges(data, found.start()):
            looked_at += 1
            if looked_at > MOST_LOOKED_AT:
                raise TooManyPlaces
            blanked[begin:end] = bytes(end - begin)
        if looked_at > MOST_LOOKED_AT:
            raise TooManyPlaces
    for pattern in XMP:
        for found in pattern.finditer(data):
            blanked[found.start(2) : found.end(2)] = b" " * (found.end(2) - found.start(2))
    if data.startswith(b"\x89PNG\r\n\x1a\n"):
        _mend_checksums(blanked)
    return bytes(blanked)


def _gps_ranges(data: bytes, tiff: int) -> Iterator[tuple[int, int]]:
    """What to blank of the Exif block that begins there: the pointer's count, each entry, and each value's bytes."""
    order = "<" if data[tiff : tiff + 2] == b"II" else ">"

    def number(at: int, size: int) -> int:
        if at + size > len(data):
            raise ValueError
        return int(struct.unpack_from(order + {2: "H", 4: "I"}[size], data, at)[0])

    try:
        first = tiff + number(tiff + 4, 4)
        if number(first, 2) > MOST_ENTRIES:
            return
        for entry in range(first + 2, first + 2 + ENTRY * number(first, 2), ENTRY):
            if number(entry, 2) != GPS_DIRECTORY:
                continue
            place = tiff + number(entry + 8, 4)
            entries = number(place, 2)
            if entries > MOST_ENTRIES:
                continue
            for one in range(place + 2, place + 2 + ENTRY * entries, ENTRY):
                length = SIZES.get(number(one + 2, 2), 0) * number(one + 4, 4)
                value = tiff + number(one + 8, 4)
                if 4 < length <= len(data) - value:
                    yield value, value + length
            yield place, min(len(data), place + 2 + ENTRY * entries)
    except ValueError:
        return  # no Exif block begins there, or one that is cut off


def _mend_checksums(png: bytearray) -> None:
    """Each chunk of a PNG ends in a checksum of its type and data (ISO/IEC 15948, 5.3)."""
    at = 8
    while at + 12 <= len(png):
        length = int.from_bytes(png[at : at + 4])
        end = at + 8 + length
        if end + 4 > len(png):
            return
        png[end : end + 4] = zlib.crc32(png[at + 4 : end]).to_bytes(4)
        at = end + 4
