"""One door for every kind of file: recognise it, guess its mapping, read it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from portal.readers import espi, nem12, sheet
from portal.readers.assembly import Assembled, SiteNow, from_table
from portal.readers.clock import StampClock, standard_offsets
from portal.readers.delimited import TextFile, look_over, read_chunks
from portal.readers.delimiter import quotes_cells, sniff_delimiter
from portal.readers.dialect import Guessed, guess_mapping
from portal.readers.doubts import Doubts
from portal.readers.gathered import with_dates
from portal.readers.load import load
from portal.readers.mapping import FILES, DateOrder, FigureKind, Format, Mapping, Unit
from portal.readers.meter_file import MeterFile, from_meter
from portal.readers.place import file_and_line
from portal.readers.questions import order_question
from portal.readers.reading import (
    REJECTED_KEPT,
    Guess,
    MisreadError,
    ReadError,
    Readings,
    ReadResult,
    Rejected,
    UndecidedError,
)
from portal.readers.rejected import BadRecords, explain_bad
from portal.readers.source import Source, opened
from portal.readers.table import Loaded, Table, has_columns, look

PREVIEW_DAYS = 7
PREVIEW_DAILY = 60
"""Days of readings that are shown to a person, and so many of daily totals. Common practice, no source."""
MOST_SIDE_BY_SIDE = 50
"""Files or sheets that may be meters of the same time. Common practice, no source."""
OTHER_ZONE_S = 1_800
"""Seconds by which a file's own clock differs from the site's zone for it to be another one: the smallest step between
zones. Common practice, no source."""
FEWEST_SIDE_BY_SIDE = 50
SIDE_BY_SIDE = 0.1
"""Stamps, and share of the stamps, that must be in several files, with other figures, for these to be meters of the
same time and not a file sent twice. Share tuned on the made files of the tests: a fifth more or less changes none."""


@dataclass(frozen=True, slots=True)
class _Taken:
    result: Assembled
    doubts: Doubts
    columns: tuple[str, ...]
    sample: tuple[tuple[str, ...], ...]
    tables: list[Table]
    bad_text: dict[int, str]
    names: list[str]
    """The files or sheets, in their order."""
    measures: dict[str, tuple[FigureKind, Unit]] = field(default_factory=dict)
    order_shown: DateOrder = ""


def read(path: Path, *, filename: str, tz: str, now: datetime, mapping: Mapping | None = None) -> ReadResult:
    """Read a file of one meter's production.

    Parameters
    ----------
    path
        The file on disk.
    filename
        Its name as its owner knows it.
    tz
        The site's zone, by its name in the IANA database.
    now
        The present instant, aware; no stamp lies ahead of it.
    mapping
        How it is to be read; without one its own is guessed.

    Returns
    -------
    ReadResult
        Its readings, and what could not be taken in.

    Raises
    ------
    ReadError
        When the file cannot be taken in.
    UndecidedError
        When somebody has to answer a question first.
    MisreadError
        When it is a table, but gives no readings as it was read.
    ValueError
        When ``now`` has no time zone.
    """
    with _take(path, filename, SiteNow(tz, now), mapping) as taken:
        result, doubts = taken.result, taken.doubts
        if any(question.required for question in doubts.questions):
            raise UndecidedError(_seen(taken))
        if taken.tables:
            rejected, count, stampless = explain_bad(taken.tables, result.mapping, doubts.bad)
        else:
            rejected = _rejected_records(doubts, taken.bad_text, taken.names)
            count, stampless = len({place for place, _ in doubts.bad}), 0
    return ReadResult(
        readings=result.readings,
        mapping=result.mapping,
        rows_read=result.rows + stampless,
        rejected_count=count,
        rejected=tuple(rejected),
        blanks=result.blanks,
        duplicates=result.duplicates,
        lumps=result.lumps,
        gaps=result.gaps,
        clock_changes=result.clock_changes,
        channels=result.channels,
        notices=tuple(doubts.notices),
        columns=taken.columns,
        sample=taken.sample,
        measures=taken.measures,
        order_shown=taken.order_shown,
    )


def guess(path: Path, *, filename: str, tz: str, now: datetime, mapping: Mapping | None = None) -> Guess:
    """Say what a file seems to be, with the first days as they would be read, and what is still to ask.

    Parameters
    ----------
    path
        The file on disk.
    filename
        Its name as its owner knows it.
    tz
        The site's zone, by its name in the IANA database.
    now
        The present instant, aware; no stamp lies ahead of it.
    mapping
        How it is to be shown; without one its own is guessed.

    Returns
    -------
    Guess
        What there is to see of it.

    Raises
    ------
    ReadError
        When the file cannot be taken in, whatever the answers.
    MisreadError
        When it is a table, but gives no readings as it was read.
    ValueError
        When ``now`` has no time zone.
    """
    with _take(path, filename, SiteNow(tz, now), mapping) as taken:
        return _seen(taken)


def _seen(taken: _Taken) -> Guess:
    readings = taken.result.readings
    energy = readings.energy_wh
    known = energy.notna().to_numpy()
    if known.any():
        first = int(known.argmax())
        per_day = 1440 // readings.interval_minutes
        energy = energy.iloc[first : first + (PREVIEW_DAYS * per_day if per_day > 1 else PREVIEW_DAILY)]
    return Guess(
        mapping=taken.result.mapping,
        preview=Readings(energy, readings.interval_minutes),
        questions=tuple(taken.doubts.questions),
        notices=tuple(taken.doubts.notices),
        columns=taken.columns,
        sample=taken.sample,
        measures=taken.measures,
    )


def _rejected_records(doubts: Doubts, texts: dict[int, str], names: list[str]) -> list[Rejected]:
    reasons: dict[int, str] = {}
    for place, reason in doubts.bad:
        reasons.setdefault(place, reason)
    rejected = []
    for place, reason in sorted(reasons.items())[:REJECTED_KEPT]:
        file, line = file_and_line(place)
        name = names[file] if len(names) > 1 else ""
        rejected.append(Rejected(line, texts.get(place, ""), reason, name))
    return rejected


@contextmanager
def _take(path: Path, filename: str, site: SiteNow, mapping: Mapping | None) -> Iterator[_Taken]:
    if site.now.tzinfo is None:
        raise ValueError("now has no time zone")
    with opened(path, filename) as sources, TemporaryDirectory(prefix="sheet-") as folder:
        kinds = {"sheet" if source.kind in ("xlsx", "xls", "ods") else source.kind for source in sources}
        if len(kinds) > 1:
            listed = ", ".join(source.name for source in sources[:4])
            raise ReadError(
                f"{filename} holds files of different kinds ({listed}). Send each kind in a zip of its own."
            )
        (kind,) = kinds
        if kind in ("xml", "nem12"):
            yield _take_meter(sources, "espi" if kind == "xml" else "nem12", site, mapping)
            return
        if mapping is not None and mapping.format in ("espi", "nem12"):
            mapping = None
        if kind == "text":
            yield _take_text(sources, site, mapping)
        else:
            yield _take_sheets(sources, Path(folder), site, mapping)


def _take_meter(sources: list[Source], format_: Format, site: SiteNow, mapping: Mapping | None) -> _Taken:
    doubts = Doubts()
    guessed = mapping is None or mapping.format != format_
    if mapping is None or guessed:
        accepted = mapping.accepted if mapping else ()
        mapping = Mapping(format_, StampClock(site.tz, "utc" if format_ == "espi" else "offset"), accepted=accepted)
    bad, sent = BadRecords(), [source.name for source in sources]
    try:
        if format_ == "espi":
            found, own_offset_s = espi.read_feed(sources, bad)
            _compare_offset(own_offset_s, site, doubts)
            file = MeterFile(found, 0, espi.code_is_estimate)
        else:
            file = MeterFile(nem12.read_series(sources, bad), nem12.MARKET_OFFSET_S, nem12.flag_is_estimate)
        doubts.bad += bad.reasons
        result = from_meter(file, mapping, site, guessed=guessed, doubts=doubts)
    except ReadError as error:
        doubts.bad = doubts.bad or bad.reasons
        error.rejected = tuple(_rejected_records(doubts, bad.texts, sent))
        error.rejected_count = len({place for place, _ in doubts.bad})
        raise
    names = tuple(series.name for series in file.series)
    return _Taken(result, doubts, names, (), [], bad.texts, sent)


def _compare_offset(offset_s: int | None, site: SiteNow, doubts: Doubts) -> None:
    """Tell when the file's own time zone is not the site's."""
    if offset_s is None:
        return
    stamp = np.array([int(site.now.timestamp())], dtype=np.int64)
    own = int(standard_offsets(site.zone, int(stamp[0]), int(stamp[0]), stamp)[0])
    if abs(own - offset_s) >= OTHER_ZONE_S:
        doubts.tell(
            "other_zone",
            f"The file's own time zone is UTC{offset_s / 3600:+.1f} h, the site's is UTC{own / 3600:+.1f} h. "
            "Check that this is the right customer's file.",
        )


def _take_text(sources: list[Source], site: SiteNow, mapping: Mapping | None) -> _Taken:
    files = [TextFile(s.name, s.open_bytes, look_over(s.open_bytes, s.name)) for s in sources]
    if mapping and mapping.format == "text":
        delimiter, quote = mapping.delimiter, mapping.quote
    else:
        delimiter, quote = sniff_delimiter(files[0])
    tables = [_table(file, delimiter, quote) for file in files]
    shape = mapping or guess_mapping(
        tables[0],
        tz=site.tz,
        today=site.now.date(),
        format_="text",
        delimiter=delimiter,
        quote=quote,
        splits=delimiter == "," and not quotes_cells(files[0], quote),
        sheet="",
    )
    return _take_tables(tables, shape, site)


def _table(file: TextFile, delimiter: str, quote: str) -> Table:
    return with_dates(Table(file.name, lambda: read_chunks(file, delimiter, quote)))


def _take_sheets(sources: list[Source], folder: Path, site: SiteNow, mapping: Mapping | None) -> _Taken:
    titled = [pair for source in sources for pair in sheet.to_text(source, folder)]
    tables = [(title, _table(file, sheet.SEPARATOR, '"')) for title, file in titled]
    if mapping is None:
        return _take_tables(*_sheets_that_belong(tables, site), site)
    wanted = [one for title, one in tables if mapping.sheet in ("", title)]
    if not wanted:
        has = ", ".join(f"“{title}”" for title, _ in tables[:8])
        raise ReadError(f"The workbook has no sheet “{mapping.sheet}”; it has {has}. Choose the sheet again.")
    if not mapping.sheet and len(wanted) > 1:
        wanted = [one for one in wanted if has_columns(one, mapping)] or wanted[:1]
    return _take_tables(wanted, mapping, site)


def _sheets_that_belong(tables: list[tuple[str, Table]], site: SiteNow) -> tuple[list[Table], Guessed]:
    """Find the first sheet with readings, and further ones (a sheet a month) that are built like it."""
    first: Guessed | None = None
    chosen: list[tuple[str, Table]] = []
    failed: ReadError | None = None
    for title, one in tables:
        try:
            found = guess_mapping(
                one,
                tz=site.tz,
                today=site.now.date(),
                format_="sheet",
                delimiter=sheet.SEPARATOR,
                quote='"',
                splits=False,
                sheet=title if len(tables) > 1 else "",
            )
        except ReadError as error:
            if failed is None or (isinstance(error, MisreadError) and not isinstance(failed, MisreadError)):
                failed = error
            continue
        if first is None:
            first = found
        alike = found.settled.mapping.time_columns == first.settled.mapping.time_columns
        if alike and found.names == first.names:
            chosen.append((title, one))
    if first is None:
        raise failed or ReadError("The workbook has no sheet with readings.")
    if len(chosen) > 1:
        several = replace(first.settled.mapping, sheet="")
        first = replace(first, settled=replace(first.settled, mapping=several))
    return [one for _, one in chosen], first


def _take_tables(tables: list[Table], shape: Mapping | Guessed, site: SiteNow) -> _Taken:
    doubts = Doubts()
    measures: dict[str, tuple[FigureKind, Unit]] = {}
    guessed = label_known = False
    if isinstance(shape, Guessed):
        settled, guessed, label_known = shape.settled, True, shape.label_known
        doubts.questions += settled.questions
        doubts.notices += settled.notices
        columns, sample, measures = tuple(shape.names), shape.sample, settled.measures
        mapping = settled.mapping
        if settled.meter_candidate:
            mapping = replace(mapping, meter_column=settled.meter_candidate)
    else:
        mapping = shape
        columns, sample = look(tables[0], mapping)
    today = site.now.date()
    try:
        loaded = load(tables, mapping, today, date_order_known=not guessed)
        order_shown = loaded.stamps.shown
        if guessed or not mapping.date_order:
            mapping = replace(mapping, date_order=loaded.stamps.date_order)
            if not loaded.stamps.certain:
                doubts.questions.append(order_question(mapping))
        if guessed:
            if len(loaded.meters) < 2:
                mapping = replace(mapping, meter_column="")
                loaded.meter_ids = None
            if _side_by_side(loaded):
                mapping = replace(mapping, meter_column=FILES)
                loaded = load(tables, mapping, today, date_order_known=True)
        result = from_table(loaded, mapping, site, guessed=guessed, label_known=label_known, doubts=doubts)
    except ReadError as error:
        seen = Guess(mapping, None, tuple(doubts.questions), tuple(doubts.notices), columns, sample, measures)
        misread = MisreadError(str(error), seen)
        if doubts.bad:
            kept, misread.rejected_count, _ = explain_bad(tables, mapping, doubts.bad)
            misread.rejected = tuple(kept)
        raise misread from error
    names = [table.name for table in tables]
    return _Taken(result, doubts, columns, sample, tables, {}, names, measures, order_shown)


def _side_by_side(loaded: Loaded) -> bool:
    """Say whether the files or sheets are meters of the same time: many stamps in several, with other figures."""
    number, _ = file_and_line(loaded.places)
    several = 2 <= len(np.unique(number)) <= MOST_SIDE_BY_SIDE
    if loaded.meter_ids is not None or loaded.elapsed_s is not None or not several:
        return False
    order = np.lexsort((number, loaded.stamps.naive_s))
    stamps, files, figures = loaded.stamps.naive_s[order], number[order], loaded.columns[0][order]
    again = (stamps[1:] == stamps[:-1]) & (files[1:] != files[:-1])
    differ = again & (figures[1:] != figures[:-1]) & (figures[1:] > 0)
    return bool(differ.sum() > max(FEWEST_SIDE_BY_SIDE, SIDE_BY_SIDE * len(stamps)))
