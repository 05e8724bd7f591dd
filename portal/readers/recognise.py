"""One door for every kind of file: recognise it, guess its mapping, read it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from tempfile import TemporaryDirectory
from zoneinfo import ZoneInfo

import numpy as np

from portal.readers import assembly, espi, nem12, sheet
from portal.readers.assembly import Assembled
from portal.readers.clock import Clock, standard_offsets
from portal.readers.delimited import TextFile, look_over, read_chunks
from portal.readers.delimiter import sniff_delimiter
from portal.readers.dialect import Guessed, guess_mapping
from portal.readers.doubts import Doubts
from portal.readers.load import load
from portal.readers.mapping import FILES, Format, Kind, Mapping, Unit
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
from portal.readers.rejected import FILE_SHIFT, LINE_MASK, explain_bad
from portal.readers.source import Source, opened
from portal.readers.table import Loaded, Table, has_columns, look

PREVIEW_DAYS = 7


@dataclass(frozen=True, slots=True)
class _Taken:
    result: Assembled
    doubts: Doubts
    columns: tuple[str, ...]
    sample: tuple[tuple[str, ...], ...]
    tables: list[Table]
    bad_text: dict[int, str]
    names: list[str]
    measures: dict[str, tuple[Kind, Unit]] = field(default_factory=dict)


def read(path: Path, *, filename: str, tz: str, now: datetime, mapping: Mapping | None = None) -> ReadResult:
    """Read the file at ``path`` for a site in zone ``tz``.

    Without a mapping the file's own is guessed. Raises ``ReadError`` when the file cannot be taken in, and
    ``UndecidedError`` when somebody has to answer a question first. ``now`` bounds the stamps: none lies ahead of it.
    """
    with _take(path, filename, tz, now, mapping) as taken:
        result, doubts = taken.result, taken.doubts
        if any(question.required for question in doubts.questions):
            raise UndecidedError(_seen(taken))
        if taken.tables:
            rejected, count, stampless = explain_bad(taken.tables, result.mapping, doubts.bad)
        else:
            rejected, count, stampless = _rejected_records(taken), len({line for line, _ in doubts.bad}), 0
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
    )


def guess(path: Path, *, filename: str, tz: str, now: datetime, mapping: Mapping | None = None) -> Guess:
    """Say what the file seems to be, with the first days as they would be read, and what is still to ask.

    With a mapping, show the file as that mapping reads it.
    """
    with _take(path, filename, tz, now, mapping) as taken:
        return _seen(taken)


def _seen(taken: _Taken) -> Guess:
    readings = taken.result.readings
    energy = readings.energy_wh
    known = energy.notna().to_numpy()
    if known.any():
        first = int(known.argmax())
        per_day = 1440 // readings.interval_minutes
        energy = energy.iloc[first : first + (PREVIEW_DAYS * per_day if per_day > 1 else 60)]
    return Guess(
        mapping=taken.result.mapping,
        preview=Readings(energy, readings.interval_minutes),
        questions=tuple(taken.doubts.questions),
        notices=tuple(taken.doubts.notices),
        columns=taken.columns,
        sample=taken.sample,
        measures=taken.measures,
    )


def _rejected_records(taken: _Taken) -> list[Rejected]:
    reasons: dict[int, str] = {}
    for line, reason in taken.doubts.bad:
        reasons.setdefault(line, reason)
    return [
        Rejected(
            packed & LINE_MASK,
            taken.bad_text.get(packed, ""),
            reason,
            taken.names[packed >> FILE_SHIFT] if len(taken.names) > 1 else "",
        )
        for packed, reason in sorted(reasons.items())[:REJECTED_KEPT]
    ]


@contextmanager
def _take(path: Path, filename: str, tz: str, now: datetime, mapping: Mapping | None) -> Iterator[_Taken]:
    if now.tzinfo is None:
        raise ValueError("now has no time zone")
    with opened(path, filename) as sources, TemporaryDirectory(prefix="sheet-") as folder:
        kinds = {source.kind for source in sources}
        if len({"sheet" if kind in _SHEETS else kind for kind in kinds}) > 1:
            listed = ", ".join(source.name for source in sources[:4])
            raise ReadError(
                f"{filename} holds files of different kinds ({listed}). Send each kind in a zip of its own."
            )
        kind = sources[0].kind
        if kind in ("xml", "nem12"):
            yield _take_meter(sources, kind, tz, now, mapping)
        elif kind == "text":
            yield _take_text(sources, tz, now, mapping)
        else:
            yield _take_sheets(sources, Path(folder), tz, now, mapping)


_SHEETS = ("xlsx", "xls", "ods")


def _take_meter(sources: list[Source], kind: str, tz: str, now: datetime, mapping: Mapping | None) -> _Taken:
    doubts = Doubts()
    bad_text: dict[int, str] = {}
    format_: Format = "espi" if kind == "xml" else "nem12"
    guessed = mapping is None or mapping.format != format_
    if mapping is None or guessed:
        accepted = mapping.accepted if mapping else ()
        clock = Clock(tz, "utc" if format_ == "espi" else "offset")
        mapping = Mapping(format_, clock, accepted=accepted)
    if format_ == "espi":
        feed = espi.read_feed(sources)
        found, bad_text, offset = feed.series, feed.bad_text, 0
        doubts.bad += feed.bad
        _compare_offset(feed.tz_offset, tz, doubts)
    else:
        found, offset = nem12.read_series(sources, doubts.bad, bad_text), nem12.MARKET_OFFSET_S
    result = assembly.from_meter(
        found,
        mapping,
        tz=tz,
        now=now,
        guessed=guessed,
        is_estimate=espi.is_estimate if format_ == "espi" else nem12.is_estimate,
        offset_s=offset,
        doubts=doubts,
    )
    names = tuple(series.name for series in found)
    return _Taken(result, doubts, names, (), [], bad_text, [source.name for source in sources])


def _compare_offset(offset_s: int | None, tz: str, doubts: Doubts) -> None:
    """Tell when the file's own time zone is not the site's."""
    if offset_s is None:
        return
    stamp = np.array([1_704_067_200], dtype=np.int64)
    own = int(standard_offsets(ZoneInfo(tz), int(stamp[0]), int(stamp[0]), stamp)[0])
    if abs(own - offset_s) >= 1800:
        doubts.tell(
            "other_zone",
            f"The file's own time zone is UTC{offset_s / 3600:+.1f} h, the site's is UTC{own / 3600:+.1f} h. "
            "Check that this is "
            "the right customer's file.",
        )


def _take_text(sources: list[Source], tz: str, now: datetime, mapping: Mapping | None) -> _Taken:
    files = [TextFile(s.name, s.open_bytes, look_over(s.open_bytes, s.name)) for s in sources]
    if mapping and mapping.format == "text":
        delimiter, quote = mapping.delimiter, mapping.quote
    else:
        delimiter, quote = sniff_delimiter(files[0])

    def table(file: TextFile) -> Table:
        return Table(file.name, lambda: read_chunks(file, delimiter, quote))

    return _take_tables([table(file) for file in files], tz, now, mapping, "text", delimiter, quote)


def _take_sheets(sources: list[Source], folder: Path, tz: str, now: datetime, mapping: Mapping | None) -> _Taken:
    titled = [pair for source in sources for pair in sheet.to_text(source, folder)]

    def table(file: TextFile) -> Table:
        return Table(file.name, lambda: read_chunks(file, sheet.SEPARATOR))

    tables = [(title, table(file)) for title, file in titled]
    if mapping:
        wanted = [one for title, one in tables if mapping.sheet in ("", title)]
        if not wanted:
            has = ", ".join(f"“{title}”" for title, _ in tables[:8])
            raise ReadError(f"The workbook has no sheet “{mapping.sheet}”; it has {has}. Choose the sheet again.")
        if not mapping.sheet and len(wanted) > 1:
            wanted = [one for one in wanted if has_columns(one, mapping)] or wanted[:1]
        return _take_tables(wanted, tz, now, mapping, "sheet", sheet.SEPARATOR, '"')
    return _take_tables(*_sheets_that_belong(tables, tz, now))


def _sheets_that_belong(
    tables: list[tuple[str, Table]], tz: str, now: datetime
) -> tuple[list[Table], str, datetime, None, Format, str, str, str]:
    """Find the first sheet with readings, and further ones (a sheet a month) that are built like it."""
    first: Guessed | None = None
    chosen: list[tuple[str, Table]] = []
    failed: ReadError | None = None
    for title, one in tables:
        try:
            found = guess_mapping(
                [one],
                tz=tz,
                today=now.date(),
                format_="sheet",
                delimiter=sheet.SEPARATOR,
                quote='"',
                sheet=title if len(tables) > 1 else "",
            )
        except ReadError as error:
            if failed is None or (isinstance(error, MisreadError) and not isinstance(failed, MisreadError)):
                failed = error
            continue
        if first is None:
            first = found
        if found.names == first.names and found.mapping.time_columns == first.mapping.time_columns:
            chosen.append((title, one))
    if first is None:
        raise failed or ReadError("The workbook has no sheet with readings.")
    name = "" if len(chosen) > 1 or len(tables) == 1 else chosen[0][0]
    return [one for _, one in chosen], tz, now, None, "sheet", sheet.SEPARATOR, '"', name


def _take_tables(
    tables: list[Table],
    tz: str,
    now: datetime,
    mapping: Mapping | None,
    format_: Format,
    delimiter: str,
    quote: str,
    sheet_name: str = "",
) -> _Taken:
    doubts = Doubts()
    guessed = label_known = False
    columns: tuple[str, ...] = ()
    sample: tuple[tuple[str, ...], ...] = ()
    measures: dict[str, tuple[Kind, Unit]] = {}
    today = now.date()
    if mapping is not None and mapping.format in ("espi", "nem12"):
        mapping = None
    if mapping is None:
        found = guess_mapping(
            tables, tz=tz, today=today, format_=format_, delimiter=delimiter, quote=quote, sheet=sheet_name
        )
        mapping, guessed, label_known = found.mapping, True, found.label_known
        doubts.questions += found.questions
        doubts.notices += found.notices
        columns, sample, measures = tuple(found.names), found.sample, found.measures
        if found.meter_candidate:
            mapping = replace(mapping, meter_column=found.meter_candidate)
    else:
        columns, sample = look(tables[0], mapping)
    try:
        loaded = load(tables, mapping, today, date_order_known=not guessed)
        if guessed:
            mapping = replace(mapping, date_order=loaded.stamps.date_order)
            if not loaded.stamps.certain:
                doubts.questions.append(order_question(mapping))
            if len(loaded.meters) < 2:
                mapping = replace(mapping, meter_column="")
                loaded.meter_ids = None
            if _side_by_side(loaded):
                mapping = replace(mapping, meter_column=FILES)
                loaded = load(tables, mapping, today, date_order_known=True)
        result = assembly.from_table(
            loaded, mapping, tz=tz, now=now, guessed=guessed, label_known=label_known, doubts=doubts
        )
    except ReadError as error:
        seen = Guess(mapping, None, tuple(doubts.questions), tuple(doubts.notices), columns, sample, measures)
        raise MisreadError(str(error), seen) from error
    return _Taken(result, doubts, columns, sample, tables, {}, [table.name for table in tables], measures)


def _side_by_side(loaded: Loaded) -> bool:
    """Say whether the files or sheets are meters of the same time: many stamps in several, with other figures."""
    number = loaded.lines >> FILE_SHIFT
    if loaded.meter_ids is not None or loaded.elapsed_s is not None or not 2 <= len(np.unique(number)) <= 50:
        return False
    order = np.lexsort((number, loaded.stamps.naive_s))
    stamps, files, figures = loaded.stamps.naive_s[order], number[order], loaded.columns[0][order]
    again = (stamps[1:] == stamps[:-1]) & (files[1:] != files[:-1])
    return bool((again & (figures[1:] != figures[:-1]) & (figures[1:] > 0)).sum() > max(50, len(stamps) // 10))
