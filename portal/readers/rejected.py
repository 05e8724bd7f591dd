"""Lines that were not taken in, and why."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from portal.readers.mapping import Mapping
from portal.readers.place import file_and_line
from portal.readers.reading import REJECTED_KEPT, ReadError, Rejected
from portal.readers.table import Table, find_header

MAX_BAD = 200_000
"""Lines or records set aside before a file is refused as a whole. A bound on memory, no source."""
TEXTS_KEPT = 2_000
"""Records of a meter file kept with their text, twice what a person is shown. A bound on memory, no source."""
NO_STAMP_REASON = "no date and time that can be read"


@dataclass(slots=True)
class BadRecords:
    """Records of a meter file that are not taken in: places with reasons, and their texts."""

    reasons: list[tuple[int, str]] = field(default_factory=list)
    texts: dict[int, str] = field(default_factory=dict)

    def set_aside(self, place: int, text: str, reason: str) -> None:
        """Note a record.

        Parameters
        ----------
        place
            Where it stands.
        text
            What it says.
        reason
            Why it is not taken in.

        Raises
        ------
        ReadError
            When there are too many.
        """
        self.reasons.append((place, reason))
        if len(self.reasons) > MAX_BAD:
            raise ReadError(f"More than {MAX_BAD:,} records of the file are broken. Ask for it or export it again.")
        if len(self.texts) < TEXTS_KEPT:
            self.texts.setdefault(place, text[:200])


def explain_bad(
    tables: Sequence[Table], mapping: Mapping, bad: Sequence[tuple[int, str]]
) -> tuple[list[Rejected], int, int]:
    """Fetch the text of rejected lines in a second pass over the file, made only when there are such lines.

    Lines that are no readings at all (totals, notes, repeated headers) drop out.

    Parameters
    ----------
    tables
        The files or sheets, in their order.
    mapping
        How they were read.
    bad
        Places of the lines and why they were not taken in.

    Returns
    -------
    kept : list of Rejected
        The first of them with their text.
    count : int
        How many they are.
    stampless : int
        How many of them have no stamp, and so were not counted as readings.
    """
    if not bad:
        return [], 0, 0
    by_file: dict[int, dict[int, str]] = {}
    for place, reason in bad:
        file, line = file_and_line(place)
        by_file.setdefault(file, {}).setdefault(line, reason)
    kept: list[Rejected] = []
    count = stampless = 0
    for number, reasons in sorted(by_file.items()):
        table = tables[number]
        names, _ = find_header(table, mapping)
        time_at = [names.index(name) for name in mapping.time_columns]
        last = max(reasons)
        for chunk in table.chunks():
            for line, row in zip(chunk.lines, chunk.rows, strict=True):
                why = reasons.get(line)
                if why is None or _is_no_reading(row, time_at, why):
                    continue
                count += 1
                stampless += _has_no_stamp(why)
                if len(kept) < REJECTED_KEPT:
                    text = mapping.delimiter.join(cell[:80] for cell in row[:20])
                    kept.append(Rejected(line, text[:300], why, table.name if len(tables) > 1 else ""))
            if chunk.lines and chunk.lines[-1] >= last:
                break
    return kept, count, stampless


def _has_no_stamp(reason: str) -> bool:
    return reason == NO_STAMP_REASON or reason.startswith("the line ")


def _is_no_reading(row: list[str], time_at: list[int], reason: str) -> bool:
    """Say whether a line without a stamp is no reading at all: blank, a total, a note, a repeated header."""
    cells = [cell.strip() for cell in row]
    if not any(cells):
        return True
    stamp = "".join(cells[at] for at in time_at if at < len(cells))
    if _has_no_stamp(reason):
        if not stamp:
            return any(cell.lstrip("[(")[:1].isalpha() for cell in cells)
        return stamp.lstrip("[(")[:1].isalpha() and not any(char.isdigit() for char in stamp[:12])
    return False
