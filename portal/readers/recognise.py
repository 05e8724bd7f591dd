"""One door for every kind of file: recognise it, guess its mapping, read it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

from portal.readers import assembly
from portal.readers.assembly import Assembled, Doubts
from portal.readers.delimited import TextFile, read_chunks, text_file
from portal.readers.dialect import guess_mapping, sniff_delimiter
from portal.readers.mapping import Choice, Guess, Mapping, Question
from portal.readers.reading import Readings, ReadResult, UndecidedError
from portal.readers.table import Table, explain_bad, load

PREVIEW_DAYS = 7


@dataclass(frozen=True, slots=True)
class _Taken:
    result: Assembled
    doubts: Doubts
    tables: list[Table]
    columns: tuple[str, ...]
    sample: tuple[tuple[str, ...], ...]


def read(path: Path, *, filename: str, tz: str, now: datetime, mapping: Mapping | None = None) -> ReadResult:
    """Read the file at ``path`` for a site in zone ``tz``.

    Without a mapping the file's own is guessed. Raises ``ReadError`` when the file cannot be taken in, and
    ``UndecidedError`` when somebody has to answer a question first. ``now`` bounds the stamps: none lies ahead of it.
    """
    taken = _take(path, filename, tz, now, mapping)
    result, doubts = taken.result, taken.doubts
    required = tuple(question for question in doubts.questions if question.required)
    if required:
        raise UndecidedError(required, result.mapping)
    rejected, count = explain_bad(taken.tables, result.mapping, doubts.bad)
    return ReadResult(
        readings=result.readings,
        mapping=result.mapping,
        rows_read=result.rows + count,
        rejected_count=count,
        rejected=tuple(rejected),
        blanks=result.blanks,
        duplicates=result.duplicates,
        lumps=result.lumps,
        gaps=result.gaps,
        clock_changes=result.clock_changes,
        channels=result.channels,
        notices=tuple(doubts.notices),
    )


def guess(path: Path, *, filename: str, tz: str, now: datetime, mapping: Mapping | None = None) -> Guess:
    """Say what the file seems to be, with the first days as they would be read, and what is still to ask.

    With a mapping, show the file as that mapping reads it.
    """
    taken = _take(path, filename, tz, now, mapping)
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
    )


def _take(path: Path, filename: str, tz: str, now: datetime, mapping: Mapping | None) -> _Taken:
    if now.tzinfo is None:
        raise ValueError("now has no time zone")
    return _take_text([text_file(path, filename)], tz, now, mapping)


def _take_text(files: list[TextFile], tz: str, now: datetime, mapping: Mapping | None) -> _Taken:
    delimiter, quote = (mapping.delimiter, mapping.quote) if mapping else sniff_delimiter(files[0])

    def table(file: TextFile) -> Table:
        return Table(file.name, lambda: read_chunks(file, delimiter, quote))

    return take_tables([table(file) for file in files], tz, now, mapping, "text", delimiter, quote, "")


def take_tables(
    tables: list[Table],
    tz: str,
    now: datetime,
    mapping: Mapping | None,
    format_: str,
    delimiter: str,
    quote: str,
    sheet: str,
) -> _Taken:
    doubts = Doubts()
    guessed = label_known = False
    columns: tuple[str, ...] = ()
    sample: tuple[tuple[str, ...], ...] = ()
    today = now.date()
    if mapping is None:
        found = guess_mapping(
            tables, tz=tz, today=today, format_=format_, delimiter=delimiter, quote=quote, sheet=sheet
        )
        mapping, guessed, label_known = found.mapping, True, found.label_known
        doubts.questions += found.questions
        doubts.notices += found.notices
        columns, sample = tuple(found.names), found.sample
        if found.meter_candidate:
            mapping = replace(mapping, meter_column=found.meter_candidate)
    loaded = load(tables, mapping, today, date_order_known=not guessed)
    if guessed:
        mapping = replace(mapping, date_order=loaded.stamps.date_order)
        if not loaded.stamps.certain:
            doubts.questions.append(_order_question(mapping))
        if len(loaded.meters) < 2 and not mapping.meter:
            mapping = replace(mapping, meter_column="")
            loaded.meter_ids = None
    result = assembly.from_table(
        loaded, mapping, tz=tz, now=now, guessed=guessed, label_known=label_known, doubts=doubts
    )
    return _Taken(result, doubts, tables, columns, sample)


def _order_question(mapping: Mapping) -> Question:
    first: tuple[Choice, Choice] = (
        Choice("dmy", "day first: 3/4 is the 3rd of April"),
        Choice("mdy", "month first: 3/4 is the 4th of March"),
    )
    ordered = first if mapping.date_order != "mdy" else first[::-1]
    return Question(
        "date_order",
        f"The dates in “{mapping.time_columns[0]}” fit day-first and month-first alike. Which is it?",
        ordered,
        True,
    )
