"""The character that stands between the cells of a text file."""

from __future__ import annotations

import csv
from itertools import islice

from portal.readers.dates import kind_of
from portal.readers.delimited import TextFile, cell_reader, open_text, undress
from portal.readers.figures import is_figure
from portal.readers.reading import ReadError

SAMPLE_CHARACTERS = 4_000_000
"""Characters that are looked at. A bound on time, no source."""
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
        for line in islice(stream, 3000):
            size += len(line)
            if line.strip():
                lines.append(line)
            if size > SAMPLE_CHARACTERS:
                break
    if not lines:
        raise ReadError(f"{file.name} holds no text. Export it again and check that it opens before sending it.")
    quote = (
        "'" if sum(line.count("'") >= 2 and '"' not in line for line in lines[-50:]) > len(lines[-50:]) // 2 else '"'
    )
    picked = lines[:20] + lines[20 :: max(1, len(lines) // 150)]
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


def _speaks(row: list[str]) -> float:
    """How far a row speaks for the delimiter under which it was cut."""
    if len(row) < 2:
        return 0.0
    kinds = {kind_of(cell) for cell in row[:6]}
    figures = sum(1 for cell in row[:200] if is_figure(cell) and kind_of(cell) is None)
    if figures and kinds & {"datetime", "date", "unix_s", "unix_ms"}:
        return 1.0
    if figures and "time" in kinds:
        return TIMED_ALONE
    return FIGURES_ALONE if figures > 1 else 0.0
