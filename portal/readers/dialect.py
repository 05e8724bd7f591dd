"""Guess a table's mapping from its own rows."""

from __future__ import annotations

import csv
import json
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from itertools import islice

import numpy as np
from numpy.typing import NDArray

from portal.readers.clock import Clock
from portal.readers.delimited import MAX_COLUMNS, TextFile, cell_reader, open_text, undress
from portal.readers.figures import BLANKS, guess_style, is_figure, read_column, style_by_unit
from portal.readers.intervals import BEYOND, common_step
from portal.readers.mapping import Choice, Guess, Kind, Mapping, Question, Unit
from portal.readers.reading import MisreadError, Notice, ReadError
from portal.readers.stamps import NO_STAMP, StampColumn, kind_of
from portal.readers.table import Table, column_count, column_names, column_time, interval_columns, too_wide

SAMPLE_ROWS = 20_000
SAMPLE_CELLS = 1_000_000
SAMPLE_CHARACTERS = 4_000_000
_DELIMITERS = (";", "\t", ",", "|", "~", "^", "#", "&", "!", "\x1f", " ")

_PRODUCTION = re.compile(
    r"produ[czk]|generat|erzeug|ertrag|yield|solar|\bpv|photovolt|opbrengst|opwek|inverter|wechselrichter|onduleur|inversor"
    r"|\bac[ _.-]?(?:power|energy|out)|\b[ep][ _.-]?ac\b|output|plant|anlage|\broof|\bplane",
    re.I,
)
_GENERAL = re.compile(
    r"energ|power|leistung|puissance|potenc|potenza|wh\b|kw\b|\bw\b|watt|value|wert|reading|valeur", re.I
)
_DRAWN = re.compile(
    r"\bimport|from[ _]?grid|bezug|purchas|\bbought|delivered|soutir|prelev|afname|\bgrid[ _]?in|\b1\.8\.\d\b", re.I
)
_CONSUMED = re.compile(r"consum|verbrauch|\bload\b|demand|\busage|\buse[d]?\b|household|verbruik|hausverb", re.I)
_EXPORT = re.compile(
    r"export|feed[ _-]?in|einspeis|inject|inyec|immess|immission|to[ _]?grid"
    r"|received|surplus|terugl|\bsold\b|excedent|überschuss|\b2\.8\.\d\b",
    re.I,
)
_NET = re.compile(r"\bnet\b|\bnetto\b|saldo", re.I)
_OTHER = re.compile(
    r"temp|irradi|wind|volt|spannung|current|\bstrom\b|freq|price|cost|tarif|status|state|quality|flag|humid|factor|percent"
    r"|batter|\bsoc\b|charg|co2|reactive|apparent|k?var|expected|forecast|target|budget|self|eigen|autoc|latitude|longitude"
    r"|\bdc[ _.-]?(?:volt|curr)|cumulative sun|pressure|\bghi\b|\bpoa\b|efficien|performance|ratio",
    re.I,
)
_OTHER_UNIT = re.compile(
    r"[\[(,]\s*(?:[°%€$£]|W/m|(?:V|A|mA|EUR|USD|Hz|kVA|k?varh?|m/s|C|F|K|hPa|kg)(?![A-Za-z]))", re.I
)
_POWER_WORD = re.compile(r"power|leistung|puissance|potenc|potenza|vermogen|watt|\bp[ _.-]?ac\b|demand", re.I)
_ENERGY_WORD = re.compile(r"energ|yield|ertrag|opbrengst|\be[ _.-]?ac\b|arbeit", re.I)
_UNIT = re.compile(r"(?:^|[^A-Za-z])([kKmM]?)[wW]([hH])?(?:$|[^A-Za-z0-9/])")
_AMOUNT = re.compile(r"\d[\d.,'’ ]*\s*[kKmMgG]?[wW][hHp]?\b")
"""A size or a sum in a title ("9.8 kW", "1,234 kWh"): it says nothing of a column's unit."""
_NUMBERING = re.compile(r"[\d_#.\-\s]+|\b[a-d]\b")
_SIDES = re.compile(r"\b(?:north|south|east|west|nord|süd|ost|left|right|upper|lower)\b")
_UNIT_CELL = re.compile(r"[\[(]?[^\W\d]{0,4}[°%/€$²]?[^\W\d]{0,4}[\])]?|\[[^\]]*\]|\([^)]*\)")
_TOTAL = re.compile(r"total|\bsum\b|summe|gesamt|\ball\b|plant|overall|\bac\b", re.I)
_METER = re.compile(
    r"meter|serial|device|inverter|logger|\bnmi\b|mpan|mprn|\bsn\b|\bsite\b|plant|channel|register|stream|series|source|\bid\b|zähler"
    r"|anlage|gerät|compteur|contador|contatore|obis|\btype\b|direction|measure|\bname\b",
    re.I,
)
_END_WORD = re.compile(r"\bend|ending|\bto\b|\bbis\b|\bende\b|until|\bfin\b|hasta|\bfine\b|\btot\b", re.I)
_START_WORD = re.compile(r"start|begin|\bfrom\b|\bvon\b|\bab\b|début|inicio|inizio|desde", re.I)
_TIME_WORD = re.compile(r"date|time|datum|zeit|fecha|hora|heure|data|ora|tijd|stamp|period|day|tag|jour|utc", re.I)


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


def sniff_delimiter(file: TextFile) -> tuple[str, str]:
    """Return the delimiter and quotation mark under which most lines have a stamp and a figure."""
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
    whole = sum(line.startswith('"') and line.rstrip().endswith('"') for line in picked) > 0.9 * len(picked)
    for rank, (delimiter, mark) in enumerate(
        [(delimiter, quote) for delimiter in _DELIMITERS] + ([(delimiter, "") for delimiter in _DELIMITERS] * whole)
    ):
        if not any(delimiter in line for line in picked) or (best_score and not mark):
            continue
        try:
            rows = undress(list(cell_reader(picked, delimiter, mark)), mark)
        except csv.Error:
            continue
        good = 0.0
        for row in rows:
            if len(row) < 2:
                continue
            stamp = any(kind_of(cell) in ("datetime", "date", "unix_s", "unix_ms") for cell in row[:6])
            figures = sum(1 for cell in row[:200] if is_figure(cell) and kind_of(cell) is None)
            good += 1.0 if stamp and figures else 0.1 if figures > 1 else 0.0
        score = good * (1 - 0.001 * rank)
        if score > best_score:
            best, best_quote, best_score = delimiter, mark, score
    return best, best_quote


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
    _fill_dates(rows)
    body = _body(rows)
    if not body:
        raise ReadError(no_stamps(table.name, sample))
    width = Counter(len(rows[i]) for i in body).most_common(1)[0][0]
    spread = [rows[i] for i in body[:: max(1, len(body) // 300)]]
    time_at, order_kind = _time_columns(spread, width, [rows[i] for i in body[:300]])
    first = next((i for i in range(len(rows)) if _is_data(rows[i], time_at, order_kind)), -1)
    if first < 0:
        raise ReadError(no_stamps(table.name, sample))
    header_at, units = _header(rows, first, width)
    header = rows[header_at] if header_at is not None else None
    names = column_names(header, width)
    if delimiter == "," and header is not None and len(header) < width:
        _refuse_split_figures(table.name, spread, len(header), width)
    if order_kind == "" and not time_at:
        time_at, order_kind = _serial_column(spread, names)
    if not time_at:
        raise ReadError(no_stamps(table.name, sample))
    titles = " ".join(" ".join(row) for row in rows[: header_at if header_at is not None else first])[:5000]
    preamble = _AMOUNT.sub(" ", titles)
    data = [rows[i] for i in body if i >= first]

    clock, label_known = _clock(names, time_at, tz)
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

    numeric = _numeric_columns(spread, width, time_at)
    # A spreadsheet's dates come with a midnight behind them.
    days = order_kind == "date" or (order_kind == "datetime" and all(_at_midnight(row, time_at[0]) for row in spread))
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
    units = _units_in_cells(units, spread, names, numeric)
    if not certain:
        found = {unit_in(f"{names[at]} {units[at]}") for at in numeric}
        style, certain = style_by_unit(style, [unit for unit in found if unit])
    if not certain:
        questions.append(decimal_question(style.decimal))
    mapping = replace(mapping, decimal=style.decimal, thousands=style.thousands)
    groups = _groups(rows, header_at, time_at, len(names))
    columns = {at: read_column([row[at] if at < len(row) else "" for row in picked], style) for at in numeric}
    for column in columns.values():
        column[np.abs(column) > BEYOND] = np.nan
    called = [f"{group} {name}".strip() for group, name in zip(groups, names, strict=True)]
    texts = [f"{name} {unit} {group}" for name, unit, group in zip(names, units, groups, strict=True)]
    kinds = {at: _kind(columns[at], texts[at], called[at]) for at in columns}
    measures = {names[at]: (kinds[at], unit) for at in columns if (unit := unit_in(texts[at]))}
    try:
        mapping = _choose(mapping, names, called, texts, preamble, columns, kinds, step, questions, notices, table.name)
    except ReadError as error:
        seen = Guess(mapping, None, (), (), tuple(names), sample, measures)
        raise MisreadError(str(error), seen) from error
    meter_candidate = names[meter_at] if meter_at is not None else ""
    return Guessed(mapping, questions, notices, names, sample, label_known, meter_candidate, measures)


def _refuse_split_figures(name: str, spread: list[list[str]], header: int, width: int) -> None:
    """Refuse a file whose decimal commas cannot be told from the commas between its columns."""
    longer = [row for row in spread if len(row) == width]
    if longer and all(cell.strip().isdecimal() for row in longer for cell in row[header:]):
        raise ReadError(
            f"{name} has {header} columns in its header and {width} on its lines: its figures have a decimal comma, "
            "and commas also stand between the columns. Export it with semicolons or tabs between the columns, or as a "
            "spreadsheet, and send that."
        )


def _groups(rows: list[list[str]], header_at: int | None, time_at: list[int], width: int) -> list[str]:
    """Return the heading above each column's own one, as merged cells have it."""
    groups = [""] * width
    above = [cell.strip() for cell in rows[header_at - 1]] if header_at else []
    filled = [at for at, cell in enumerate(above) if cell]
    if not filled or any(at in filled for at in time_at) or any(is_figure(above[at]) for at in filled):
        return groups
    for at in range(filled[0], width):
        groups[at] = above[at] if at in filled else "" if at in time_at else groups[at - 1]
    return groups


def decimal_question(decimal: str) -> Question:
    choices = (
        Choice(".", "1,234 is one thousand two hundred and thirty-four"),
        Choice(",", "1,234 is a little more than one"),
    )
    if decimal == ".":
        choices = (
            Choice(".", "1.234 is a little more than one"),
            Choice(",", "1.234 is one thousand two hundred and thirty-four"),
        )
    return Question(
        "decimal", "Does the mark inside the figures divide thousands, or is it the decimal mark?", choices, False
    )


def no_stamps(name: str, sample: Sequence[Sequence[str]]) -> str:
    start = " / ".join(cell for row in sample[:3] for cell in row if cell.strip())[:120]
    found = f" It starts with “{start}”." if start else ""
    return (
        f"{name} has no column with dates and times that can be read.{found} Export the readings with a time stamp on "
        "each line, or a date on each line and the times in the header."
    )


def _body(rows: list[list[str]]) -> list[int]:
    """Return the positions of rows that have a stamp."""
    found = []
    columns = Counter[int]()
    step = max(1, len(rows) // 400)
    for i in range(0, len(rows), step):
        for at, cell in enumerate(rows[i][:40]):
            kind = kind_of(cell)
            if kind in ("datetime", "date", "unix_s", "unix_ms"):
                columns[at] += 1
                break
    if not columns:
        # Perhaps spreadsheet serials.
        return [i for i, row in enumerate(rows) if any(_serial(cell) for cell in row[:3])]
    main = columns.most_common(1)[0][0]
    for i, row in enumerate(rows):
        if len(row) > main and row[main] and (row[main].strip()[:1].isdigit() or kind_of(row[main]) is not None):
            found.append(i)
    return found


def _fill_dates(rows: list[list[str]]) -> None:
    """Carry dates that stand only on the first line of their day down to the times below them."""
    near = rows[:400]
    for at in range(3):
        timed = [row for row in near if len(row) > at + 1 and kind_of(row[at + 1]) == "time"]
        dated = [row for row in timed if row[at].strip()]
        if len(timed) > 8 and 0 < len(dated) < 0.5 * len(timed) and all(kind_of(row[at]) for row in dated):
            latest = ""
            for i, row in enumerate(rows):
                if len(row) <= at + 1:
                    continue
                if row[at].strip():
                    latest = row[at]
                elif row[at + 1].strip():
                    rows[i] = [*row[:at], latest, *row[at + 1 :]]
            return


def _serial(cell: str) -> bool:
    return re.fullmatch(r"[34]\d{4}(?:\.\d+)?", cell.strip()) is not None


def _time_columns(spread: list[list[str]], width: int, near: list[list[str]]) -> tuple[list[int], str]:
    kinds: list[Counter[str | None]] = [Counter() for _ in range(width)]
    for row in spread:
        for at in range(min(width, len(row), 60)):
            kinds[at][kind_of(row[at])] += 1
    enough = 0.7 * len(spread)
    by_kind = {
        kind: [at for at in range(width) if kinds[at][kind] >= enough]
        for kind in ("datetime", "date", "time", "unix_s", "unix_ms")
    }
    # A column of dates that all carry a midnight is a date column beside a time column.
    if by_kind["datetime"] and by_kind["time"]:
        at = by_kind["datetime"][0]
        if all(_at_midnight(row, at) for row in spread):
            return [at, by_kind["time"][0]], "split"
    if by_kind["datetime"]:
        return by_kind["datetime"][:1], "datetime"
    mixed = [at for at in range(width) if kinds[at]["datetime"] + kinds[at]["date"] >= enough]
    if mixed and not by_kind["date"]:
        return mixed[:1], "datetime"  # some programs drop the time at midnight
    if by_kind["date"]:
        if by_kind["time"]:
            return [by_kind["date"][0], by_kind["time"][0]], "split"
        clock = [
            at
            for at in range(width)
            if at not in by_kind["date"]
            and (_compact_times(spread, at) or _times_of_days(near, by_kind["date"][0], at))
        ]
        if clock:
            return [by_kind["date"][0], clock[0]], "split"
        return by_kind["date"][:1], "date"
    for kind in ("unix_s", "unix_ms"):
        if by_kind[kind]:
            return by_kind[kind][:1], kind
    return [], ""


def _at_midnight(row: list[str], at: int) -> bool:
    return at >= len(row) or re.search(r"\b0{1,2}:00(?::00)?(?:\.0+)?$", row[at].strip()) is not None


def _compact_times(spread: list[list[str]], at: int) -> bool:
    """Say whether a column holds times of day written 0015, 0030 …"""
    cells = [row[at].strip() for row in spread if at < len(row)]
    return (
        len(cells) > 3
        and all(re.fullmatch(r"(?:[01]\d|2[0-4])[0-5]\d(?:[0-5]\d)?", cell) for cell in cells)
        and len(set(cells)) > 3
    )


def _times_of_days(rows: list[list[str]], date_at: int, at: int) -> bool:
    """Say whether a column holds hours (1 to 24) or times with a dot (13.45): no day has one of them twice."""
    pairs = [(row[date_at], row[at].strip()) for row in rows if max(date_at, at) < len(row)]
    cells = {cell for _, cell in pairs}
    return (
        len(cells) > 3
        and all(re.fullmatch(r"(?:[01]?\d|2[0-5])(?:\.[0-5]\d)?", cell) for cell in cells)
        and len({day for day, _ in pairs}) * 3 < len(pairs)
        and len(set(pairs)) >= 0.95 * len(pairs)
    )


def _serial_column(spread: list[list[str]], names: list[str]) -> tuple[list[int], str]:
    for at, name in enumerate(names):
        cells = [row[at] for row in spread if at < len(row)]
        if cells and sum(map(_serial, cells)) >= 0.8 * len(cells) and (_TIME_WORD.search(name) or at == 0):
            return [at], "serial"
    return [], ""


def _is_data(row: list[str], time_at: list[int], kind: str) -> bool:
    if not time_at:
        return any(_serial(cell) for cell in row[:3])
    return len(row) > max(time_at) and kind_of(row[time_at[0]]) is not None


def _header(rows: list[list[str]], first: int, width: int) -> tuple[int | None, list[str]]:
    """Return the header's position and the units written below it."""
    units: list[str] = []
    for at in range(first - 1, max(-1, first - 40), -1):
        cells = [cell.strip() for cell in rows[at]]
        filled = [cell for cell in cells if cell]
        if not filled:
            continue
        is_units = all(map(_UNIT_CELL.fullmatch, filled)) and any(_UNIT.search(cell) for cell in filled)
        if is_units and not units and at > 0 and any(cell.strip() for cell in rows[at - 1]) and len(rows[at - 1]) > 1:
            units = cells
            continue
        if len(filled) >= max(2, 0.6 * width) and not all(map(is_figure, filled)):
            return at, units
        if units and len(filled) >= 1:
            return at, units
        return None, units
    return None, units


def _units_in_cells(units: list[str], rows: list[list[str]], names: list[str], numeric: list[int]) -> list[str]:
    """Complete the row of units by those written behind the figures themselves."""
    found = (units + [""] * len(names))[: len(names)]
    for at in numeric:
        if not found[at] and unit_in(names[at]) is None:
            cells = (row[at] for row in rows if at < len(row))
            found[at] = next((cell.strip(" \t.,0123456789-") for cell in cells if unit_in(cell)), "")
    return found


def _clock(names: list[str], time_at: list[int], tz: str) -> tuple[Clock, bool]:
    text = " ".join(names[at] for at in time_at)
    kind = "utc" if re.search(r"\b(?:utc|gmt|zulu)\b|_utc|utc_", text, re.I) else "wall"
    ends, starts = _END_WORD.search(text), _START_WORD.search(text)
    known = bool(ends) != bool(starts)
    return Clock(tz, kind, "end" if ends and not starts else "start"), known  # type: ignore[arg-type]


def _numeric_columns(spread: list[list[str]], width: int, time_at: list[int]) -> list[int]:
    found = []
    for at in range(width):
        if at in time_at:
            continue
        cells = [row[at].strip() for row in spread if at < len(row)]
        filled = [cell for cell in cells if cell.strip("\"'").strip().lower() not in BLANKS]
        if filled and sum(map(is_figure, filled)) >= 0.4 * len(filled):
            kinds = Counter(kind_of(cell) for cell in filled[:50])
            if kinds["datetime"] + kinds["time"] < 0.5 * min(len(filled), 50) and not (
                kinds["date"] >= 0.9 * min(len(filled), 50)
                and len(set(filled)) > 1
                and not _UNIT.search("")
                and any(sep in filled[0] for sep in "-/")
            ):
                found.append(at)
    return found


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
    text = f"{names[wide[0]]} ¦ {header_text} ¦ {unit_cells} ¦ {preamble} ¦ {_AMOUNT.sub(' ', tables[0].name)}"
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
    words = f"{header_text} {preamble} {unit_cells}"
    mapping = _kind_and_unit(mapping, text, words, values, step, questions)
    meters = [
        at
        for at in range(len(names))
        if at not in wide
        and names[at] not in mapping.time_columns
        and _METER.search(names[at])
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
            candidates.append((left / max(repeated, 1), -bool(_METER.search(name)), at))
        elif distinct == 1 and values and values[0] and _METER.search(name):
            candidates.append((0.5, -1, at))
    if not candidates:
        return None
    best = min(candidates)
    return best[2] if best[0] <= 0.5 else None


def _is_id(rows: list[list[str]], names: list[str], at: int) -> bool:
    """Say whether a numeric column holds numbers of meters: few whole ones under a name that says so."""
    if not _METER.search(names[at]) or _UNIT.search(names[at]):
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


def unit_in(text: str) -> Unit | None:
    """Return the unit a text names."""
    match = _UNIT.search(f" {text} ".replace("_", " "))
    if match is None:
        return None
    prefix = {"": "", "k": "k", "K": "k", "m": "M", "M": "M"}[match[1]]
    return f"{prefix}W{'h' if match[2] else ''}"  # type: ignore[return-value]


def _looks_register(values: NDArray[np.float64]) -> bool:
    """Say whether a column runs on like a meter's register, or like a counter that starts again each day."""
    known = values[~np.isnan(values)]
    moves = np.diff(known)
    up, down = int((moves > 0).sum()), int((moves < 0).sum())
    if up + down < 8:
        return False
    return min(up, down) <= 0.06 * (up + down)


def _choose(
    mapping: Mapping,
    names: list[str],
    called: list[str],
    texts: list[str],
    preamble: str,
    columns: dict[int, NDArray[np.float64]],
    kinds: dict[int, Kind],
    step: int,
    questions: list[Question],
    notices: list[Notice],
    file: str,
) -> Mapping:
    """Choose the columns that hold the production.

    ``called`` are the names with the headings above them, ``texts`` have the units too.
    """
    usable = [at for at in columns if not (_OTHER.search(called[at]) or _OTHER_UNIT.search(texts[at]))]
    if not usable:
        usable = list(columns)
    drawn = [at for at in usable if _DRAWN.search(called[at])]
    export = [at for at in usable if _EXPORT.search(called[at]) and at not in drawn]
    consumed = [at for at in usable if _CONSUMED.search(called[at]) and at not in drawn + export]
    net = [at for at in usable if _NET.search(called[at]) and at not in drawn + export + consumed]
    rest = [at for at in usable if at not in drawn + export + consumed + net]
    strong = [at for at in rest if _PRODUCTION.search(called[at])]
    chosen = strong or [at for at in rest if _GENERAL.search(texts[at])] or rest
    minus: list[int] = []
    if not chosen:
        if len(export) == 1 and len(drawn) == 1 and len(consumed) == 1:
            chosen, minus = [consumed[0], export[0]], [drawn[0]]
            notices.append(
                Notice(
                    "balance",
                    f"The file has no column of production. It is worked out as “{names[consumed[0]]}” plus "
                    f"“{names[export[0]]}” less “{names[drawn[0]]}”.",
                )
            )
        elif export or net:
            chosen = export or net
            questions.append(export_question(names[chosen[0]]))
        else:
            listed = ", ".join(f"“{names[at]}”" for at in (drawn + consumed)[:3])
            raise ReadError(
                f"{file} holds energy that was used or bought ({listed}), not what the panels produced. "
                "Send the export of the inverter or of the production meter."
            )
    if minus:
        return _balance(mapping, names, preamble, columns, chosen, minus, step, questions)
    kinds = {at: kinds[at] for at in chosen}
    everything = chosen
    for kind in ("energy", "power", "register") if _coarse(columns, kinds) else ("energy", "register", "power"):
        group = [at for at in chosen if kinds[at] == kind]
        if group:
            chosen = group
            break
    alive = [at for at in chosen if np.nansum(np.abs(columns[at])) > 0]
    chosen = alive or chosen
    picked = chosen
    if len(everything) > 1 and all(re.fullmatch(r"column \d+", names[at]) for at in everything):
        picked = chosen[:1]
        _one_or_sum(names, columns, everything, questions, preferred=picked)
    elif len(chosen) > 1:
        picked = _one_or_sum(names, columns, chosen, questions)
    else:
        # Another column in the same unit, of which the name says neither yes nor no, is not passed over in silence.
        unit = unit_in(texts[chosen[0]])
        beside = [at for at in rest if at not in strong and unit and unit_in(texts[at]) == unit and at not in chosen]
        beside = [at for at in beside if np.nansum(np.abs(columns[at])) > 0]
        if beside:
            _one_or_sum(names, columns, [*chosen, *beside], questions, preferred=chosen)
    mapping = replace(mapping, value_columns=tuple(names[at] for at in picked))
    words = " ".join(called[at] for at in picked)
    total = np.sum([np.nan_to_num(columns[at]) for at in picked], axis=0)
    mapping = replace(mapping, kind=kinds[picked[0]])
    text = " ¦ ".join(texts[at] for at in picked)
    return _kind_and_unit(mapping, text if unit_in(text) else f"{text} ¦ {preamble}", words, total, step, questions)


def _kind(column: NDArray[np.float64], text: str, name: str) -> Kind:
    unit = unit_in(text)
    if _looks_register(column) and (unit is None or unit.endswith("h")):
        return "register"
    return "power" if (unit and not unit.endswith("h")) or (unit is None and _POWER_WORD.search(name)) else "energy"


def _coarse(columns: dict[int, NDArray[np.float64]], kinds: dict[int, Kind]) -> bool:
    """Say whether the register there is counts in steps too large to see the course of a day by."""
    for at, kind in kinds.items():
        if kind == "register":
            moves = np.diff(columns[at][~np.isnan(columns[at])])
            moves = moves[moves > 0]
            return len(moves) > 0 and float(moves.min()) > 0.05 * float(np.percentile(moves, 95))
    return False


def _balance(
    mapping: Mapping,
    names: list[str],
    preamble: str,
    columns: dict[int, NDArray[np.float64]],
    plus: list[int],
    minus: list[int],
    step: int,
    questions: list[Question],
) -> Mapping:
    words = " ".join(names[at] for at in plus)
    mapping = replace(
        mapping,
        value_columns=tuple(names[at] for at in plus),
        minus_columns=tuple(names[at] for at in minus),
        kind="register" if all(_looks_register(columns[at]) for at in plus) else "energy",
    )
    return _kind_and_unit(mapping, f"{words} ¦ {preamble}", words, columns[plus[0]], step, questions)


def _one_or_sum(
    names: list[str],
    columns: dict[int, NDArray[np.float64]],
    chosen: list[int],
    questions: list[Question],
    preferred: Sequence[int] = (),
) -> list[int]:
    """Decide between a column of totals, the sum of all columns, and asking."""
    stack = {at: np.nan_to_num(columns[at]) for at in chosen}
    size = max(float(np.abs(column).sum()) for column in stack.values())
    for at in sorted(chosen, key=lambda a: -float(stack[a].sum())):
        others = np.sum([stack[o] for o in chosen if o != at], axis=0)
        # Two columns that agree are twins rather than a part and its total, unless a name says total.
        telling = len(chosen) > 2 or _TOTAL.search(names[at])
        if telling and size and float(np.abs(stack[at] - others).sum()) < 0.03 * size:
            return [at]
    stems = {_NUMBERING.sub("", _SIDES.sub("", names[at].lower())) for at in chosen}
    if len(stems) == 1 and stems != {"column"}:
        return chosen
    totals = list(preferred) or [at for at in chosen if _TOTAL.search(names[at])]
    together = json.dumps([names[at] for at in chosen], ensure_ascii=False)
    choices = [Choice(json.dumps([names[at]], ensure_ascii=False), f"only “{names[at]}”") for at in chosen[:12]]
    choices.insert(0, Choice(together, "all of them added up"))
    default = totals[:1] if len(totals) == 1 else chosen
    if len(totals) == 1:
        choices.sort(key=lambda choice: choice.value != json.dumps([names[totals[0]]], ensure_ascii=False))
    questions.append(
        Question(
            "columns",
            f"The file has {len(chosen)} columns that may be production: "
            f"{', '.join(f'“{names[at]}”' for at in chosen[:6])}. Which belong to this meter?",
            tuple(choices),
            True,
        )
    )
    return default


def _kind_and_unit(
    mapping: Mapping, text: str, words: str, values: NDArray[np.float64], step: int, questions: list[Question]
) -> Mapping:
    """Settle kind and unit by what the header says, else by what a roof can deliver."""
    unit = unit_in(text)
    kind = mapping.kind
    # What one column shows says nothing of another's kind and unit.
    columns_asked = any(question.code == "columns" for question in questions)
    if unit is not None and not unit.endswith("h"):
        kind = "power"
    elif unit is not None and kind == "power":
        kind = "energy"
    elif unit is None and kind == "energy" and not _ENERGY_WORD.search(words) and (step < 3600 or columns_asked):
        if _POWER_WORD.search(words):
            kind = "power"
        elif mapping.layout == "tall" or not _ENERGY_WORD.search(text):
            questions.append(
                Question(
                    "kind",
                    "Are the figures the energy of each interval or the average power in it?"
                    if mapping.layout == "wide"
                    else f"Is “{words.strip()[:80]}” the energy of each interval or the average power in it?",
                    (
                        Choice("energy", "energy of each interval (Wh, kWh)"),
                        Choice("power", "average power (W, kW)"),
                        Choice("register", "a running meter reading (Wh, kWh)"),
                    ),
                    True,
                )
            )
    if unit is None:
        unit, certain = _unit_by_size(kind, values, step)
        if not certain or columns_asked:
            questions.append(unit_question(kind, unit))
    return replace(mapping, kind=kind, unit=unit)


def unit_question(kind: Kind, default: Unit) -> Question:
    units: tuple[Unit, ...] = ("kW", "W", "MW") if kind == "power" else ("kWh", "Wh", "MWh")
    ordered = sorted(units, key=lambda unit: unit != default)
    return Question(
        "unit", "The file does not say its unit. Which is it?", tuple(Choice(unit, unit) for unit in ordered), True
    )


def _unit_by_size(kind: Kind, values: NDArray[np.float64], step: int) -> tuple[Unit, bool]:
    """Return the unit under which the plant's peak is that of a roof: 400 W to 1 MW (common practice, no source)."""
    figures = values[~np.isnan(values)]
    if kind == "register":
        figures = np.abs(np.diff(figures))
        figures = figures[figures > 0]
    figures = np.abs(figures)
    figures = figures[figures > 0]
    if not len(figures):
        return ("W" if kind == "power" else "kWh"), False
    # A daily total is a peak held for some five hours.
    hours = 1.0 if kind == "power" else step / 3600 if step < 80_000 else 5.0
    peak = float(np.percentile(figures, 99)) / hours
    units: tuple[Unit, ...] = ("W", "kW", "MW") if kind == "power" else ("Wh", "kWh", "MWh")
    fits = [unit for unit, factor in zip(units, (1.0, 1e3, 1e6), strict=True) if 400 <= peak * factor <= 1e6]
    if len(fits) == 1:
        return fits[0], True
    if not fits:
        return units[0] if peak > 1e6 else units[1], False
    return min(fits, key=lambda unit: abs(np.log10(peak * {"W": 1, "k": 1e3, "M": 1e6}[unit[0]]) - 3.8)), False


def export_question(name: str) -> Question:
    """Ask whether what goes to the grid is everything the panels produce."""
    return Question(
        "export",
        f"“{name}” is energy sent to the grid. Is that everything the panels produce, or only what the house "
        "leaves over?",
        (
            Choice("surplus", "only the surplus: the house uses some of it first"),
            Choice("all", "everything: the panels have a meter of their own"),
        ),
        True,
    )
