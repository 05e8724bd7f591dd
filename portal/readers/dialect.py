"""Guess a table's mapping from its own rows."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import date

import numpy as np
from numpy.typing import NDArray

from portal.readers import words
from portal.readers.delimited import MAX_COLUMNS
from portal.readers.figures import guess_style, read_column, style_by_unit
from portal.readers.header import (
    at_midnight,
    clock_in_names,
    fill_dates,
    find_header_row,
    find_time_columns,
    headings_above,
    is_data,
    no_stamps,
    numeric_columns,
    refuse_split_figures,
    serial_column,
    stamped_rows,
    units_in_cells,
)
from portal.readers.mapping import Kind, Mapping, Unit
from portal.readers.production import choose_columns, kind_of_column, settle_kind_and_unit
from portal.readers.questions import decimal_question
from portal.readers.reading import Guess, MisreadError, Notice, Question, ReadError
from portal.readers.series import BEYOND, common_step
from portal.readers.stamps import NO_STAMP, StampColumn
from portal.readers.table import Table, column_names, too_wide
from portal.readers.wide import column_count, column_time, interval_columns
from portal.readers.words import unit_in

SAMPLE_ROWS = 20_000
SAMPLE_CELLS = 1_000_000


@dataclass(frozen=True, slots=True)
class Guessed:
    """A mapping with what is to be asked and told about it."""

    mapping: Mapping
    questions: list[Question]
    notices: list[Notice]
    names: list[str]
    sample: tuple[tuple[str, ...], ...]
    label_known: bool
    meter_candidate: str
    measures: dict[str, tuple[Kind, Unit]] = field(default_factory=dict)


def guess_mapping(
    tables: Sequence[Table], *, tz: str, today: date, format_: str, delimiter: str, quote: str, sheet: str
) -> Guessed:
    """Guess the mapping of the tables from the rows of the first."""
    table = tables[0]
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
    sample = tuple(tuple(cell[:60] for cell in row[:30]) for row in rows[:12])
    fill_dates(rows)
    body = stamped_rows(rows)
    if not body:
        raise ReadError(no_stamps(table.name, sample))
    width = Counter(len(rows[i]) for i in body).most_common(1)[0][0]
    spread = [rows[i] for i in body[:: max(1, len(body) // 300)]]
    time_at, order_kind = find_time_columns(spread, width, [rows[i] for i in body[:300]])
    first = next((i for i in range(len(rows)) if is_data(rows[i], time_at, order_kind)), -1)
    if first < 0:
        raise ReadError(no_stamps(table.name, sample))
    header_at, units = find_header_row(rows, first, width)
    header = rows[header_at] if header_at is not None else None
    names = column_names(header, width)
    if delimiter == "," and header is not None and len(header) < width:
        refuse_split_figures(table.name, spread, len(header), width)
    if order_kind == "" and not time_at:
        time_at, order_kind = serial_column(spread, names)
    if not time_at:
        raise ReadError(no_stamps(table.name, sample))
    titles = " ".join(" ".join(row) for row in rows[: header_at if header_at is not None else first])[:5000]
    preamble = words.AMOUNT.sub(" ", titles)
    data = [rows[i] for i in body if i >= first]

    clock, label_known = clock_in_names(names, time_at, tz)
    mapping = Mapping(
        format="sheet" if format_ == "sheet" else "text",
        clock=clock,
        delimiter=delimiter,
        quote=quote,
        sheet=sheet,
        header_line=lines[header_at] if header_at is not None else 0,
        time_columns=tuple(names[at] for at in time_at),
        date_order=order_kind if order_kind in ("unix_s", "unix_ms", "serial") else "ymd",  # type: ignore[arg-type]
    )
    questions: list[Question] = []
    notices: list[Notice] = []

    numeric = numeric_columns(spread, width, time_at)
    # A spreadsheet's dates come with a midnight behind them.
    days = order_kind == "date" or (order_kind == "datetime" and all(at_midnight(row, time_at[0]) for row in spread))
    wide = _wide_columns(names, numeric, time_at, header is not None) if days else []
    if wide:
        return _guess_wide(mapping, wide, names, data, preamble, sample, questions, notices, tables)

    stamps = StampColumn(mapping.date_order if mapping.date_order != "ymd" else None)
    picked = [row for row in data if len(row) > max(time_at)]
    if len(time_at) == 2:
        stamps.add_split([row[time_at[0]] for row in picked], [row[time_at[1]] for row in picked])
    else:
        stamps.add([row[time_at[0]] for row in picked])
    read = stamps.finish(today)
    mapping = replace(mapping, date_order=read.date_order)
    good = read.naive_s != NO_STAMP
    step = common_step(read.naive_s[good]) or 900

    meter_at = _meter_column(picked, names, time_at, numeric, read.naive_s)
    numeric = [at for at in numeric if at != meter_at and not _is_id(picked, names, at)]
    if not numeric:
        raise ReadError(
            f"{table.name} has time stamps but no column of figures. Export it again with the energy or the power of "
            "each interval."
        )
    style, certain = guess_style(
        [row[at] for row in picked[:: max(1, len(picked) // 4000)] for at in numeric if at < len(row)]
    )
    units = units_in_cells(units, spread, names, numeric)
    if not certain:
        found = {unit_in(f"{names[at]} {units[at]}") for at in numeric}
        style, certain = style_by_unit(style, [unit for unit in found if unit])
    if not certain:
        questions.append(decimal_question(style.decimal))
    mapping = replace(mapping, decimal=style.decimal, thousands=style.thousands)
    groups = headings_above(rows, header_at, time_at, len(names))
    columns = {at: read_column([row[at] if at < len(row) else "" for row in picked], style) for at in numeric}
    for column in columns.values():
        column[np.abs(column) > BEYOND] = np.nan
    called = [f"{group} {name}".strip() for group, name in zip(groups, names, strict=True)]
    texts = [f"{name} {unit} {group}" for name, unit, group in zip(names, units, groups, strict=True)]
    kinds = {at: kind_of_column(columns[at], texts[at], called[at]) for at in columns}
    measures = {names[at]: (kinds[at], unit) for at in columns if (unit := unit_in(texts[at]))}
    try:
        mapping = choose_columns(
            mapping, names, called, texts, preamble, columns, kinds, step, questions, notices, table.name
        )
    except ReadError as error:
        seen = Guess(mapping, None, (), (), tuple(names), sample, measures)
        raise MisreadError(str(error), seen) from error
    meter_candidate = names[meter_at] if meter_at is not None else ""
    return Guessed(mapping, questions, notices, names, sample, label_known, meter_candidate, measures)


def _wide_columns(names: list[str], numeric: list[int], time_at: list[int], has_header: bool) -> list[int]:
    timed = [
        at
        for at in range(len(names))
        if at not in time_at and column_time(re.sub(r" \(\d+\)$", "", names[at])) is not None
    ]
    if len(timed) >= 8:
        return timed
    counted = [at for at in range(len(names)) if at not in time_at and column_count(names[at]) is not None]
    if not has_header:
        counted = [at for at in counted if at in numeric]
    if len(counted) >= 23:
        try:
            interval_columns([names[at] for at in counted])
        except ReadError:
            return []
        return counted
    return []


def _guess_wide(
    mapping: Mapping,
    wide: list[int],
    names: list[str],
    data: list[list[str]],
    preamble: str,
    sample: tuple[tuple[str, ...], ...],
    questions: list[Question],
    notices: list[Notice],
    tables: Sequence[Table],
) -> Guessed:
    picked = data[:400]
    cells = [row[at] for row in picked for at in wide if at < len(row)]
    unit_cells = " ".join(cell for row in picked[:5] for at, cell in enumerate(row) if at not in wide)
    header_text = " ".join(names[at] for at in range(len(names)) if at not in wide)
    text = f"{names[wide[0]]} ¦ {header_text} ¦ {unit_cells} ¦ {preamble} ¦ {words.AMOUNT.sub(' ', tables[0].name)}"
    style, certain = guess_style(cells[:20_000])
    if not certain:
        style, certain = style_by_unit(style, [unit for unit in (unit_in(text),) if unit])
    if not certain:
        questions.append(decimal_question(style.decimal))
    values = read_column(cells, style)
    values[np.abs(values) > BEYOND] = np.nan
    seconds, _, label = interval_columns([names[at] for at in wide])
    step = common_step(np.array(seconds, dtype=np.int64)) or 3600
    mapping = replace(
        mapping,
        layout="wide",
        value_columns=tuple(names[at] for at in wide),
        decimal=style.decimal,
        thousands=style.thousands,
        clock=replace(mapping.clock, label=label),  # type: ignore[arg-type]
    )
    title = f"{header_text} {preamble} {unit_cells}"
    mapping = settle_kind_and_unit(mapping, text, title, values, step, questions)
    meters = [
        at
        for at in range(len(names))
        if at not in wide
        and names[at] not in mapping.time_columns
        and words.METER.search(names[at])
        and 1 <= len({row[at] for row in picked if at < len(row)}) <= 50
    ]
    return Guessed(mapping, questions, notices, names, sample, True, names[meters[0]] if meters else "")


def _meter_column(
    rows: list[list[str]], names: list[str], time_at: list[int], numeric: list[int], naive: NDArray[np.int64]
) -> int | None:
    """Return the column that tells apart the meters of one file, if there is one."""
    repeated = len(naive) - len(np.unique(naive))
    candidates = []
    for at, name in enumerate(names):
        if at in time_at:
            continue
        values = [row[at].strip() if at < len(row) else "" for row in rows]
        distinct = len(set(values))
        if distinct > 60 or (at in numeric and not _is_id(rows, names, at)):
            continue
        if repeated > 0.1 * len(naive) and distinct > 1:
            codes = {value: i for i, value in enumerate(dict.fromkeys(values))}
            pair = naive * 64 + np.array([codes[value] for value in values], dtype=np.int64)
            left = len(pair) - len(np.unique(pair))
            candidates.append((left / max(repeated, 1), -bool(words.METER.search(name)), at))
        elif distinct == 1 and values and values[0] and words.METER.search(name):
            candidates.append((0.5, -1, at))
    if not candidates:
        return None
    best = min(candidates)
    return best[2] if best[0] <= 0.5 else None


def _is_id(rows: list[list[str]], names: list[str], at: int) -> bool:
    """Say whether a numeric column holds numbers of meters: few whole ones under a name that says so."""
    if not words.METER.search(names[at]) or words.UNIT.search(names[at]):
        return False
    values = {row[at].strip() for row in rows if at < len(row)}
    return (
        len(values) <= 20
        and all(re.fullmatch(r"\d*", value) for value in values)
        and (
            len(values) == 1
            or min(len(value) for value in values) >= 4
            or re.search(r"\bid\b|serial|meter|inverter|device", names[at], re.I) is not None
        )
    )
