"""Guess a table's mapping from its own rows."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from datetime import date

import numpy as np

from portal.pv.arrays import Floats, Ints
from portal.readers import words
from portal.readers.dates import is_offset
from portal.readers.delimited import MAX_COLUMNS
from portal.readers.figures import NumberStyle, guess_style, is_figure, read_column, style_by_unit
from portal.readers.header import Frame, Sample, clock_in_names, find_frame, numeric_columns, units_of
from portal.readers.mapping import DateOrder, Format, Mapping
from portal.readers.production import Figures, Settled, choose_columns, kind_of_column, settle_kind_and_unit
from portal.readers.questions import decimal_question
from portal.readers.reading import Guess, MisreadError, Question, ReadError
from portal.readers.series import BEYOND, common_step
from portal.readers.stamps import NO_STAMP, StampColumn
from portal.readers.table import Table, too_wide
from portal.readers.time_columns import in_two
from portal.readers.wide import column_count, column_time, interval_columns, like_named
from portal.readers.words import unit_in

SAMPLE_ROWS = 20_000
SAMPLE_CELLS = 1_000_000
"""Rows and cells from which a mapping is guessed. What decides are a few hundred; the rest shows the order of day and
month and which meters there are. Bounds on the work, no source."""
STYLE_CELLS = 4_000
"""Rows from which the decimal mark is told, spread over the sample. A bound on the work, no source."""
DAYS_LOOKED_AT = 400
"""Days (rows) of a table with a row a day from which its unit is told: more than a year. A bound on
the work, no source."""
FEWEST_TIMES = 8
"""Columns named by a time of day that make a table one of a row a day; a tall table has two at most. Common practice,
no source."""
FEWEST_COUNTED = 23
"""Columns with a number that make a table one of a row a day: the hours of the shortest day. By definition."""
MOST_METERS = 60
"""Different values of a column that tells meters apart. Common practice, no source."""
MOST_METER_NUMBERS = 20
SHORTEST_METER_NUMBER = 4
"""Different numbers of a column that may be those of meters, and the characters they have at least unless its name says
what they are. Common practice, no source."""
UNIT_ROWS = 5
"""Rows beside whose figures a unit is sought. Common practice, no source."""
UNKNOWN_STEP_S = 900
"""Seconds between readings where the stamps do not tell. Common practice (a quarter of an hour), no source."""
HALVES = {"", "am", "pm"}
"""Before and after noon: no meters."""
REPEATED = 0.1
"""Share of the stamps that must occur again before another column is asked to tell meters apart. Tuned on the made
files of the tests: a fifth more or less changes none."""
TOLD_APART = 0.5
"""Share of the repeated stamps that may still be repeated within one meter. Tuned on the made files of the tests: a
fifth more or less changes none."""


@dataclass(frozen=True, slots=True)
class Guessed:
    """A mapping with what is to be asked and told about it."""

    settled: Settled
    names: list[str]
    """The columns' names."""
    sample: tuple[tuple[str, ...], ...]
    """The first rows as cells."""
    label_known: bool
    """Whether the table says that stamps mark starts, or ends, of intervals."""


def guess_mapping(
    table: Table, *, tz: str, today: date, format_: Format, delimiter: str, quote: str, splits: bool, sheet: str
) -> Guessed:
    """Guess the mapping of a table from its first rows.

    Parameters
    ----------
    table
        The table.
    tz
        The site's zone, by its name in the IANA database.
    today
        No stamp lies ahead of it.
    format_
        "text" or "sheet".
    delimiter, quote
        What stands between and around the cells.
    splits
        Whether a decimal comma would cut a figure in two.
    sheet
        Name of the sheet to remember, "" for the only one.

    Returns
    -------
    Guessed
        The mapping, and what is to be asked about it.

    Raises
    ------
    ReadError
        When this is no table of readings.
    MisreadError
        When it is one, but none of its columns holds the production.
    """
    sample = _take_sample(table)
    frame = find_frame(sample, table.name, splits)
    clock, label_known = clock_in_names(frame.time_names, tz)
    order: DateOrder = frame.stamp_kind if frame.stamp_kind in ("unix_s", "unix_ms", "serial") else "ymd"  # type: ignore[assignment]
    mapping = Mapping(
        format=format_,
        clock=clock,
        delimiter=delimiter,
        quote=quote,
        sheet=sheet,
        header_line=frame.header_line,
        time_columns=frame.time_names,
        date_order=order,
    )
    offset_at = _offset_column(frame)
    if offset_at is not None:
        mapping = replace(mapping, offset_column=frame.names[offset_at])
    numeric = [at for at in numeric_columns(frame) if at != offset_at]
    wide = _wide_columns(frame, numeric) if frame.holds_days() else []
    if wide:
        return Guessed(_guess_wide(mapping, frame, wide, table.name), frame.names, sample.shown, True)
    try:
        settled = _guess_tall(mapping, frame, numeric, today, table.name)
    except MisreadError as error:
        raise MisreadError(str(error), replace(error.seen, sample=sample.shown)) from error
    return Guessed(settled, frame.names, sample.shown, label_known)


def _offset_column(frame: Frame) -> int | None:
    """Return the column that says how far the stamps are ahead of UTC, None where there is none or they are in UTC."""
    if frame.stamp_kind not in ("datetime", "split") or words.IN_UTC.search(" ".join(frame.time_names)):
        return None
    for at, name in enumerate(frame.names):
        cells = [row[at] for row in frame.spread if at < len(row)]
        if at not in frame.time_at and words.OFFSET.search(name) and cells and all(map(is_offset, cells)):
            return at
    return None


def _take_sample(table: Table) -> Sample:
    lines: list[int] = []
    rows: list[list[str]] = []
    cells = 0
    for chunk in table.chunks():
        lines += list(chunk.lines)
        rows += chunk.rows
        cells += sum(map(len, chunk.rows))
        if len(rows) >= SAMPLE_ROWS or cells >= SAMPLE_CELLS:
            break
    rows, lines = rows[:SAMPLE_ROWS], lines[:SAMPLE_ROWS]
    widest = max((len(row) for row in rows), default=0)
    if widest > MAX_COLUMNS:
        at = next(i for i, row in enumerate(rows) if len(row) == widest)
        raise too_wide(table.name, lines[at], widest)
    return Sample(lines, rows, tuple(tuple(cell[:60] for cell in row[:30]) for row in rows[:12]))


def _no_figures(file: str, frame: Frame) -> str:
    others = [
        cell.strip()
        for row in frame.data
        for at, cell in enumerate(row)
        if at not in frame.time_at and cell.strip() and not is_figure(cell)
    ]
    if not others:
        return (
            f"{file} has time stamps but no column of figures. Export it again with the energy or the power of each "
            "interval."
        )
    return (
        f"{file} has time stamps but no column of figures: “{others[0][:60]}” stands where a figure is expected. "
        "Export it again with the energy or the power of each interval."
    )


def _guess_tall(mapping: Mapping, frame: Frame, numeric: list[int], today: date, file: str) -> Settled:
    """Guess the columns of a table with a reading a row."""
    rows = [row for row in frame.data if len(row) > max(frame.time_at)]
    naive_s, order = _read_stamps(rows, frame.time_at, mapping.date_order, today)
    step = common_step(naive_s[naive_s != NO_STAMP]) or UNKNOWN_STEP_S
    meter_at = _meter_column(rows, frame, numeric, naive_s)
    numeric = [at for at in numeric if at != meter_at and not _is_id(rows, frame.names, at)]
    if not numeric:
        raise ReadError(_no_figures(file, frame))
    units = units_of(frame, numeric)
    cells = [row[at] for row in rows[:: max(1, len(rows) // STYLE_CELLS)] for at in numeric if at < len(row)]
    style, asked = _style(cells, {unit_in(f"{frame.names[at]} {units[at]}") for at in numeric})
    mapping = replace(mapping, date_order=order, decimal=style.decimal, thousands=style.thousands)
    figures = _read_figures(rows, frame, units, numeric, style)
    measures = {frame.names[at]: (figures.kinds[at], unit) for at in numeric if (unit := unit_in(figures.texts[at]))}
    try:
        settled = choose_columns(mapping, figures, step, file)
    except ReadError as error:
        raise MisreadError(str(error), Guess(mapping, None, (), (), tuple(frame.names), (), measures)) from error
    return replace(
        settled,
        questions=(*asked, *settled.questions),
        meter_candidate=frame.names[meter_at] if meter_at is not None else "",
        measures=measures,
    )


def _read_stamps(rows: list[list[str]], time_at: list[int], order: DateOrder, today: date) -> tuple[Ints, DateOrder]:
    stamps = StampColumn(order if order != "ymd" else None)
    rows, time_at = in_two(rows, time_at)
    if len(time_at) == 2:
        stamps.add_split([row[time_at[0]] for row in rows], [row[time_at[1]] for row in rows])
    else:
        stamps.add([row[time_at[0]] for row in rows])
    read = stamps.finish(today)
    return read.naive_s, read.date_order


def _style(cells: list[str], units: set[str | None]) -> tuple[NumberStyle, tuple[Question, ...]]:
    """Return how the figures are written, and the question where neither they nor their units tell."""
    style, certain = guess_style(cells)
    if not certain:
        style, certain = style_by_unit(style, [unit for unit in units if unit])
    return style, () if certain else (decimal_question(style.decimal),)


def _read_figures(
    rows: list[list[str]], frame: Frame, units: list[str], numeric: list[int], style: NumberStyle
) -> Figures:
    values = {at: _read_cells([row[at] if at < len(row) else "" for row in rows], style) for at in numeric}
    named = list(zip(frame.names, units, frame.groups, strict=True))
    called = [f"{group} {name}".strip() for name, _, group in named]
    texts = [f"{name} {unit} {group}" for name, unit, group in named]
    kinds = {at: kind_of_column(column, texts[at], called[at]) for at, column in values.items()}
    return Figures(frame.names, called, texts, frame.preamble, values, kinds)


def _read_cells(cells: list[str], style: NumberStyle) -> Floats:
    values = read_column(cells, style)
    values[np.abs(values) > BEYOND] = np.nan
    return values


def _wide_columns(frame: Frame, numeric: list[int]) -> list[int]:
    """Return the columns of intervals of a table with a row a day, none for another table."""
    others = [at for at in range(len(frame.names)) if at not in frame.time_at]
    timed = [at for at in others if column_time(re.sub(r" \(\d+\)$", "", frame.names[at])) is not None]
    if len(timed) >= FEWEST_TIMES:
        return timed
    counted = [at for at in others if column_count(frame.names[at]) is not None]
    if not frame.has_header:
        counted = [at for at in counted if at in numeric]
    if len(counted) >= FEWEST_COUNTED:
        try:
            interval_columns([frame.names[at] for at in counted])
        except ReadError:
            pass
        else:
            return counted
    return [others[i] for i in like_named([frame.names[at] for at in others])] if frame.has_header else []


def _guess_wide(mapping: Mapping, frame: Frame, wide: list[int], file: str) -> Settled:
    """Guess unit, kind and meter of a table with a row a day."""
    rows = frame.data[:DAYS_LOOKED_AT]
    cells = [row[at] for row in rows for at in wide if at < len(row)]
    others = [at for at in range(len(frame.names)) if at not in wide]
    unit_cells = " ".join(cell for row in rows[:UNIT_ROWS] for at, cell in enumerate(row) if at not in wide)
    header_text = " ".join(frame.names[at] for at in others)
    named = words.AMOUNT.sub(" ", file)
    named = named if (unit_in(named) or "").endswith("h") else ""  # a W in a file's name may be the west
    parts = (frame.names[wide[0]], header_text, unit_cells, frame.preamble, named)
    text = " ¦ ".join(parts)
    style, asked = _style(cells[:SAMPLE_ROWS], {unit_in(text)})
    seconds, _, label = interval_columns([frame.names[at] for at in wide])
    step = common_step(np.array(seconds, dtype=np.int64)) or 3600
    mapping = replace(
        mapping,
        layout="wide",
        value_columns=tuple(frame.names[at] for at in wide),
        decimal=style.decimal,
        thousands=style.thousands,
        clock=replace(mapping.clock, label=label),
    )
    title = f"{header_text} {frame.preamble} {unit_cells}"
    mapping, more = settle_kind_and_unit(mapping, text, title, _read_cells(cells, style), step)
    meters = [
        at
        for at in others
        if at not in frame.time_at
        and words.METER.search(frame.names[at])
        and 1 <= len({row[at] for row in rows if at < len(row)}) <= MOST_METERS
    ]
    return Settled(mapping, (*asked, *more), meter_candidate=frame.names[meters[0]] if meters else "")


def _meter_column(rows: list[list[str]], frame: Frame, numeric: list[int], naive_s: Ints) -> int | None:
    """Return the column that tells apart the meters of one file, if there is one."""
    repeated = len(naive_s) - len(np.unique(naive_s))
    candidates = []
    for at, name in enumerate(frame.names):
        if at in frame.time_at:
            continue
        values = [row[at].strip() if at < len(row) else "" for row in rows]
        distinct = len(set(values))
        if (
            set(map(str.lower, values)) <= HALVES
            or distinct > MOST_METERS
            or (at in numeric and not _is_id(rows, frame.names, at))
        ):
            continue
        if repeated > REPEATED * len(naive_s) and distinct > 1:
            codes = {value: i for i, value in enumerate(dict.fromkeys(values))}
            pair = naive_s * 64 + np.array([codes[value] for value in values], dtype=np.int64)
            left = len(pair) - len(np.unique(pair))
            candidates.append((left / max(repeated, 1), -bool(words.METER.search(name)), at))
        elif distinct == 1 and values and values[0] and words.METER.search(name):
            candidates.append((TOLD_APART, -1, at))
    if not candidates:
        return None
    best = min(candidates)
    return best[2] if best[0] <= TOLD_APART else None


def _is_id(rows: list[list[str]], names: list[str], at: int) -> bool:
    """Say whether a numeric column holds numbers of meters: few whole ones under a name that says so."""
    if not words.METER.search(names[at]) or words.UNIT.search(names[at]):
        return False
    values = {row[at].strip() for row in rows if at < len(row)}
    return (
        len(values) <= MOST_METER_NUMBERS
        and all(re.fullmatch(r"\d*", value) for value in values)
        and (
            len(values) == 1
            or min(len(value) for value in values) >= SHORTEST_METER_NUMBER
            or re.search(r"\bid\b|serial|meter|inverter|device", names[at], re.I) is not None
        )
    )
