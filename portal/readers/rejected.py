"""Lines that were not taken in, and why."""

from __future__ import annotations

from collections.abc import Sequence

from portal.readers.mapping import Mapping
from portal.readers.reading import REJECTED_KEPT, Rejected
from portal.readers.table import Table, find_header

MAX_BAD = 200_000
FILE_SHIFT = 32
LINE_MASK = (1 << FILE_SHIFT) - 1
NO_STAMP_REASON = "no date and time that can be read"


def explain_bad(
    tables: Sequence[Table], mapping: Mapping, bad: Sequence[tuple[int, str]]
) -> tuple[list[Rejected], int, int]:
    """Return the rejected lines with their text, how many they are, and how many of them have no stamp.

    Lines that are no readings at all (totals, notes, repeated headers) drop out. This is a second pass over the file,
    made only when there are such lines.
    """
    if not bad:
        return [], 0, 0
    by_file: dict[int, dict[int, str]] = {}
    for packed, reason in bad:
        by_file.setdefault(packed >> FILE_SHIFT, {}).setdefault(packed & LINE_MASK, reason)
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
