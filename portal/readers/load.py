"""All rows of a file's tables, read by a mapping."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from portal.readers.mapping import Mapping
from portal.readers.reading import ReadError
from portal.readers.rows import Tall
from portal.readers.table import Loaded, Table, find_header
from portal.readers.wide import Wide


def load(tables: Sequence[Table], mapping: Mapping, today: date, date_order_known: bool) -> Loaded:
    """Read all rows of all tables by the mapping.

    Parameters
    ----------
    tables
        The files or sheets, in their order.
    mapping
        How they are read.
    today
        No stamp lies ahead of it.
    date_order_known
        Whether the mapping's order of day and month stands, or is to be told from the dates.

    Returns
    -------
    Loaded
        All readings, good or not.

    Raises
    ------
    ReadError
        When a table has not the mapping's columns, or holds more than any file of readings.
    """
    reader = Wide(mapping, date_order_known) if mapping.layout == "wide" else Tall(mapping, date_order_known)
    for number, table in enumerate(tables):
        try:
            names, header_line = find_header(table, mapping)
        except ReadError as error:
            if not number:
                raise
            raise ReadError(
                f"{table.name} is not built like {tables[0].name}, so the two cannot be read as one. "
                "Leave it out, or send it by itself."
            ) from error
        reader.start(table, number, names)
        for chunk in table.chunks():
            lines, rows = chunk.lines, chunk.rows
            if header_line and lines[0] <= header_line:
                after = next((i for i, line in enumerate(lines) if line > header_line), len(rows))
                lines, rows = lines[after:], rows[after:]
            if rows:
                reader.take(lines, rows)
    return reader.finish(today)
