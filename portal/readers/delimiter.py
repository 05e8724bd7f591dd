"""The character that stands between the cells of a text file."""

from __future__ import annotations

import csv
from itertools import islice

from portal.readers.dates import kind_of_stamp
from portal.readers.delimited import TextFile, cell_reader, open_text, undress
from portal.readers.figures import is_figure
from portal.readers.reading import ReadError

SAMPLE_CHARACTERS = 4_000_000
SAMPLE_LINES = 3_000
"""Characters and lines that are looked at. Bounds on time, no source."""
FIRST_LINES = 20
LATER_LINES = 150
LAST_LINES = 50
"""Lines that are tried with each delimiter: the first, where titles stand, and so many spread over the others; and the
last, which tell the quotation mark. Bounds on time, no source."""
STAMP_COLUMNS = 6
FIGURE_COLUMNS = 200
"""Columns of a row among which a stamp is sought, and a figure. Common practice, no source."""
QUOTED_WHOLE = 0.9
"""Share of the lines that begin and end with a quotation mark for all to be quoted as a whole. Common practice, no
source."""
TIMED_ALONE = 0.15
"""Points of a line with a time of day and a figure, whose date stands elsewhere: more than figures alone have, and far
fewer than a stamp has. Common practice, no source."""
FIGURES_ALONE = 0.1
"""What a row with figures and no stamp speaks for a delimiter, over what one with both does [ratio]. Common practice,
no source."""
LATER = 0.001
"""Share by which a delimiter counts less than the one before it, for files that speak for both. No source."""
_DELIMITERS = (";", "\t", ",", "|", "~", "^", "#", "&", "!", "\x1f", " ")


def sniff_delimiter(file: TextFile) -> tuple[str, str]:
    """Return the delimiter and quotation mark under which most lines have a stamp and a figure.

    Parameters
    ----------
    file
        The file.

    Returns
    -------
    delimiter : str
        What stands between the cells.
    quote : str
        What stands around them, "" for nothing.

    Raises
    ------
    ReadError
        When it holds no text.
    """
    with open_text(file) as stream:
        lines, size = [], 0
        for line in islice(stream, SAMPLE_LINES):
            size += len(line)
            if line.strip():
                lines.append(line)
            if size > SAMPLE_CHARACTERS:
                break
    if not lines:
        raise ReadError(f"{file.name} holds no text. Export it again and check that it opens before sending it.")
    last = lines[-LAST_LINES:]
    quote = "'" if sum(line.count("'") >= 2 and '"' not in line for line in last) > len(last) // 2 else '"'
    picked = lines[:FIRST_LINES] + lines[FIRST_LINES :: max(1, len(lines) // LATER_LINES)]
    best, best_quote, best_score = ",", quote, 0.0
    # Lines that are quoted as a whole hold their cells inside.
    whole = sum(line.startswith('"') and line.rstrip().endswith('"') for line in picked) > QUOTED_WHOLE * len(picked)
    for rank, (delimiter, mark) in enumerate(
        [(delimiter, quote) for delimiter in _DELIMITERS] + ([(delimiter, "") for delimiter in _DELIMITERS] * whole)
    ):
        if not any(delimiter in line for line in picked) or (best_score and not mark):
            continue
        try:
            rows = undress(list(cell_reader(picked, delimiter, mark)), mark)
        except csv.Error:
            continue
        good = sum(map(_speaks, rows))
        score = good * (1 - LATER * rank)
        if score > best_score:
            best, best_quote, best_score = delimiter, mark, score
    return best, best_quote


def quotes_cells(file: TextFile, quote: str) -> bool:
    """Say whether most lines end in a quoted cell, which no delimiter cuts in two.

    Parameters
    ----------
    file
        The file.
    quote
        What stands around its cells, "" for nothing.

    Returns
    -------
    bool
        True where they do.
    """
    if not quote:
        return False
    with open_text(file) as stream:
        ends = [line.rstrip().endswith(quote) for line in islice(stream, SAMPLE_LINES) if line.strip()]
    return sum(ends) > len(ends) // 2


def _speaks(row: list[str]) -> float:
    """How far a row speaks for the delimiter under which it was cut."""
    if len(row) < 2:
        return 0.0
    kinds = {kind_of_stamp(cell) for cell in row[:STAMP_COLUMNS]}
    figures = sum(1 for cell in row[:FIGURE_COLUMNS] if is_figure(cell) and kind_of_stamp(cell) is None)
    if figures and kinds & {"datetime", "date", "unix_s", "unix_ms"}:
        return 1.0
    if figures and "time" in kinds:
        return TIMED_ALONE
    return FIGURES_ALONE if figures > 1 else 0.0
