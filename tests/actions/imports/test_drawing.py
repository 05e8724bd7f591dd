"""The first days drawn as somebody proposes: by the worker, once, and nothing of it stored as readings."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date, timedelta
from pathlib import Path

import pytest

from portal.actions.imports.asked import answer_import, ask_to_draw
from portal.actions.imports.drawing import draw_import
from portal.actions.imports.kept import COLUMN_CHARACTERS, mapping_of
from portal.actions.imports.original import LONGEST_READ, READ_ATTEMPTS
from portal.actions.imports.reading import read_import
from portal.actions.imports.receive import STALLED_AFTER
from portal.actions.imports.waiting import left_lying
from portal.models import DayReadings, Drawing, Import, ImportState
from portal.readers.mapping import Mapping
from tests import factories
from tests.actions.exports import csv_text, days_rows, send, take_in
from tests.factories import NOW

pytestmark = pytest.mark.django_db

FIRST = date(2026, 5, 4)
SECOND = timedelta(seconds=1)


@pytest.fixture
def import_() -> Import:
    return take_in(factories.meter(), csv_text(days_rows(FIRST, 2)))


def mapping(import_: Import) -> Mapping:
    return mapping_of(import_.mapping or {})


def ask(import_: Import, as_: Mapping) -> Drawing:
    return ask_to_draw(import_=import_, mapping=as_, answers={}, now=NOW)


def drawn(drawing: Drawing) -> Drawing:
    draw_import(drawing_id=drawing.pk, now=NOW)
    drawing.refresh_from_db()
    return drawing


def test_a_proposal_is_drawn_and_changes_nothing_else(import_: Import) -> None:
    held = list(DayReadings.objects.values())
    drawing = drawn(ask(import_, mapping(import_).answered("unit", "Wh")))
    assert (drawing.drawn_at, drawing.problem) == (NOW, "")
    assert drawing.preview
    assert import_.preview
    now_kwh, as_wh = (sum(kept["energy_wh"]) for kept in (import_.preview, drawing.preview))
    assert as_wh == pytest.approx(now_kwh / 1000, abs=0.05)  # 48 figures, each rounded to a thousandth of a Wh
    assert list(DayReadings.objects.values()) == held
    after = Import.objects.get()
    assert (after.state, after.mapping, after.preview) == (import_.state, import_.mapping, import_.preview)


def test_a_drawing_is_made_once_and_anew_when_something_else_is_asked(import_: Import) -> None:
    first = drawn(ask(import_, mapping(import_)))
    Path(import_.original.path).unlink()  # another look would find nothing
    assert drawn(first).problem == ""
    other = ask(import_, mapping(import_).answered("unit", "MWh"))
    assert (other.pk, other.preview, other.drawn_at) == (first.pk, None, None)
    assert "the fault is ours" in drawn(other).problem


def test_what_cannot_be_read_so_is_said(import_: Import) -> None:
    drawing = drawn(ask(import_, mapping(import_).answered("columns", json.dumps(["nowhere"]))))
    assert drawing.preview is None
    assert "has no column “nowhere”" in drawing.problem


def test_a_file_that_kills_its_worker_is_given_up(import_: Import) -> None:
    drawing = ask(import_, mapping(import_))
    Drawing.objects.update(attempts=READ_ATTEMPTS)
    assert "3 times" in drawn(drawing).problem
    assert drawing.preview is None


def test_an_answer_ends_a_proposal_and_a_late_worker_finds_nothing(import_: Import) -> None:
    Import.objects.update(state=ImportState.QUESTION)
    drawing = ask(import_, mapping(import_))
    answer_import(import_=import_, mapping=mapping(import_), now=NOW)
    draw_import(drawing_id=drawing.pk, now=NOW)
    assert not Drawing.objects.exists()


def test_the_poll_finds_drawings_that_lost_their_message_or_their_worker(import_: Import) -> None:
    drawing = ask(import_, mapping(import_))
    lost = [("draw_import", drawing.pk)]
    assert left_lying(now=NOW + STALLED_AFTER) == []
    assert left_lying(now=NOW + STALLED_AFTER + SECOND) == lost
    Drawing.objects.update(attempts=1, begun_at=NOW)
    assert left_lying(now=NOW + LONGEST_READ) == []
    assert left_lying(now=NOW + LONGEST_READ + SECOND) == lost
    assert drawn(drawing).attempts == 2
    assert left_lying(now=NOW + timedelta(days=1)) == []


# ---- what the worker keeps of a file for the pages ----


def test_what_is_kept_of_a_file_is_bounded_however_wide_it_is() -> None:
    wide = [f"Sensor {number:04d} {'x' * 80}" for number in range(2000)]
    rows = [
        f"{at:%Y-%m-%d %H:%M},{energy}," + ",".join(["1234567890" * 9] * len(wide))
        for at, energy in days_rows(FIRST, 1)
    ]
    import_ = take_in(factories.meter(), "\n".join([",".join(["Time", "PV energy kWh", *wide]), *rows]))
    assert import_.seen, import_.problem
    assert import_.seen["columns"][:2] == ["Time", "PV energy kWh"]
    # names twice (as columns and by what they measure), and 8 lines of 12 cells of 40 characters
    assert len(json.dumps(import_.seen)) < 4 * COLUMN_CHARACTERS
    assert len(import_.seen["sample"]) <= 8
    assert max(len(cell) for line in import_.seen["sample"] for cell in line) <= 40


def test_what_columns_measure_is_handed_on_to_files_read_by_a_remembered_mapping() -> None:
    meter = factories.meter()
    head = "Time,PV power (W),PV energy (kWh)\n"
    first, second = (
        head + "\n".join(f"{at:%Y-%m-%d %H:%M},{1000 * (e or 0):.0f},{e}" for at, e in days_rows(day, 3))
        for day in (FIRST, FIRST + timedelta(days=3))
    )
    one, two = take_in(meter, first), take_in(meter, second)
    assert {one.state, two.state} == {ImportState.DONE}, (one.problem, two.problem)
    assert one.seen
    assert two.seen
    assert one.seen["measures"] == {"PV power (W)": ["power", "W"], "PV energy (kWh)": ["energy", "kWh"]}
    assert two.seen["measures"] == one.seen["measures"]


# ---- how often a file is read ----

_watched: list[tuple[str, list[str]]] = []


@contextmanager
def opens_of(path: str) -> Iterator[list[str]]:
    """Each time this process opens the file."""
    seen: list[str] = []
    _watched.append((path, seen))
    yield seen
    _watched.clear()


def _note_open(event: str, arguments: tuple[object, ...]) -> None:
    if event == "open" and _watched and str(arguments[0]) == _watched[0][0]:
        _watched[0][1].append(event)


sys.addaudithook(_note_open)  # stays for the process; it notes nothing while nothing is watched


def test_a_questioned_file_is_read_no_more_often_than_any_other() -> None:
    def opened(day: int) -> tuple[int, str]:
        """How often a file of one day is opened, and what becomes of it."""
        rows = days_rows(date(2026, 5, day), 1)
        text = "Date;PV energy kWh\n" + "".join(f"{at:%d/%m/%Y %H:%M};{energy}\n" for at, energy in rows)
        import_ = send(factories.meter(), text)
        with opens_of(import_.original.path) as seen:
            read_import(import_id=import_.pk, now=NOW)
        import_.refresh_from_db()
        return len(seen), import_.state

    doubtful, plain = opened(2), opened(13)  # 02/05/2026 may be either way round, 13/05/2026 may not
    assert (doubtful[1], plain[1]) == (ImportState.QUESTION, ImportState.DONE)
    assert 0 < doubtful[0] <= plain[0]
