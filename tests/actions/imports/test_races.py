"""Imports that run at once, or die in the middle: on real processes, killed for real, on whichever database is set."""

from __future__ import annotations

import multiprocessing
import os
import signal
import time
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pandas as pd
import pytest
from django.db import connections

from portal.actions.imports.asked import ask_to_draw, undo_import
from portal.actions.imports.drawing import draw_import
from portal.actions.imports.kept import mapping_of
from portal.actions.imports.undo import roll_back
from portal.actions.imports.waiting import poll_imports, work_on_import
from portal.models import DayReadings, Drawing, Import, ImportState, Meter
from tests import factories
from tests.actions.exports import Rows, csv_text, days_rows, send, take_in
from tests.factories import NOW

pytestmark = pytest.mark.django_db(transaction=True)

FIRST = date(2025, 5, 4)
fork = multiprocessing.get_context("fork")


def start(work: Callable[[], object]) -> multiprocessing.process.BaseProcess:
    """Run work in a process of its own, on connections of its own."""
    connections.close_all()
    process = fork.Process(target=work)
    process.start()
    return process


def stored(meter: Meter) -> dict[datetime, float]:
    energy, _ = DayReadings.objects.filter(meter=meter).site_energy_wh(meter.site)
    known = energy.dropna()
    return dict(zip(pd.DatetimeIndex(known.index).to_pydatetime(), known.to_list(), strict=True))


def in_wh(rows: Rows) -> dict[datetime, float]:
    return {m.astimezone(UTC): float(np.float32(round(e * 1000, 6))) for m, e in rows if e is not None}


def at_once(*imports: Import) -> list[Import]:
    processes = [start(lambda key=one.pk: work_on_import(import_id=key, now=NOW)) for one in imports]  # type: ignore[misc]
    for process in processes:
        process.join(60)
        assert process.exitcode == 0
    return [Import.objects.get(pk=one.pk) for one in imports]


def test_two_imports_racing_for_one_meter_lose_and_double_nothing() -> None:
    for _ in range(4):
        meter = factories.meter()
        early, late = days_rows(FIRST, 40), days_rows(FIRST + timedelta(days=20), 40)
        first, second = at_once(send(meter, csv_text(early)), send(meter, csv_text(late)))
        assert {first.turn, second.turn} == {1, 2}
        assert stored(meter) == in_wh(early) | in_wh(late)
        # 40 days each, 20 of them in both: whoever came second found those unchanged
        assert first.readings_new + second.readings_new == 60 * 24
        assert first.readings_unchanged + second.readings_unchanged == 20 * 24


def test_the_same_file_sent_twice_at_once_is_stored_once() -> None:
    for _ in range(4):
        meter = factories.meter()
        text = csv_text(days_rows(FIRST, 30))
        both = at_once(send(meter, text), send(meter, text))
        assert sorted(one.readings_new for one in both) == [0, 30 * 24]
        assert sorted(one.readings_unchanged for one in both) == [0, 30 * 24]
        assert DayReadings.objects.filter(meter=meter).count() == 30


def test_one_import_taken_up_by_two_workers_is_merged_once() -> None:
    for _ in range(4):
        meter = factories.meter()
        import_ = send(meter, csv_text(days_rows(FIRST, 30)))
        at_once(import_, import_)
        import_.refresh_from_db()
        if import_.state == ImportState.PENDING:  # the older attempt came last and had to give way
            work_on_import(import_id=import_.pk, now=NOW)
            import_.refresh_from_db()
        assert (import_.state, import_.turn, import_.readings_new) == (ImportState.DONE, 1, 30 * 24)
        assert DayReadings.objects.filter(meter=meter, created_by=import_).count() == 30


def kill_at_many_moments(work: Callable[[], object], check: Callable[[], bool]) -> None:
    """Start and kill work later and later, by an eighth each time, until it gets through; check after each."""
    seconds = 0.003
    kills = 0
    while not check():
        assert seconds < 60, "it never got through"
        process = start(work)
        process.join(seconds)
        process.kill()
        process.join()
        seconds *= 1.125
        kills += 1
    assert kills >= 2, "it was never killed"


def test_a_worker_killed_at_any_moment_leaves_all_or_nothing() -> None:
    rows = days_rows(FIRST, 200)
    text = csv_text(rows)
    meter = factories.meter()
    import_ = send(meter, text)

    def check() -> bool:
        current = Import.objects.get(pk=import_.pk)
        days = DayReadings.objects.filter(meter=meter).count()
        assert (current.state, days, current.turn) in [(ImportState.PENDING, 0, None), (ImportState.DONE, 200, 1)]
        Import.objects.filter(pk=import_.pk).update(attempts=0)  # given up after three; here it is killed more often
        return current.state == ImportState.DONE

    kill_at_many_moments(lambda: work_on_import(import_id=import_.pk, now=NOW), check)
    assert stored(meter) == in_wh(rows)


def test_an_undo_killed_at_any_moment_leaves_all_or_nothing() -> None:
    old, new = days_rows(FIRST, 120), days_rows(FIRST + timedelta(days=60), 120, scale=0.9)
    meter = factories.meter()
    first, second = take_in(meter, csv_text(old)), take_in(meter, csv_text(new))
    undo_import(import_=first, user=None, now=NOW)
    before = stored(meter)

    def check() -> bool:
        first.refresh_from_db()
        second.refresh_from_db()
        if first.state == ImportState.UNDOING:
            assert stored(meter) == before
            return False
        assert stored(meter) == in_wh(new)
        assert second.readings_new == 120 * 24
        return True

    kill_at_many_moments(lambda: roll_back(import_id=first.pk, now=NOW), check)


def test_a_drawing_killed_at_any_moment_is_made_by_the_next_worker() -> None:
    text = csv_text(days_rows(FIRST, 120))

    def asked() -> Drawing:
        import_ = take_in(factories.meter(), text)
        return ask_to_draw(import_=import_, mapping=mapping_of(import_.mapping or {}), answers={}, now=NOW)

    trial = asked()
    draw_import(drawing_id=trial.pk, now=NOW)
    trial.refresh_from_db()
    drawing = asked()

    def check() -> bool:
        drawing.refresh_from_db()
        assert (drawing.drawn_at, drawing.preview) in [(None, None), (NOW, trial.preview)]
        Drawing.objects.filter(pk=drawing.pk).update(attempts=0)  # given up after three; here it is killed more often
        return drawing.drawn_at is not None

    kill_at_many_moments(lambda: draw_import(drawing_id=drawing.pk, now=NOW), check)
    assert drawing.problem == ""


@pytest.mark.long(12)
@pytest.mark.services
def test_an_import_whose_whole_worker_is_killed_is_read_by_the_next_one(
    celery_worker_process: Callable[..., object], supervisor: object
) -> None:
    meter = factories.meter()
    rows = days_rows(date(2022, 1, 1), 1500)
    worker = celery_worker_process()
    import_ = send(meter, csv_text(rows))  # asks for the job: the queue is set

    def until(happened: Callable[[], bool], seconds: float) -> None:
        deadline = time.monotonic() + seconds
        while not happened():
            assert time.monotonic() < deadline
            time.sleep(0.01)

    def current() -> Import:
        return Import.objects.get(pk=import_.pk)

    until(lambda: current().attempts == 1, 30)
    os.killpg(worker.process.pid, signal.SIGKILL)  # type: ignore[attr-defined]
    worker.process.wait()  # type: ignore[attr-defined]
    killed = current()
    assert (killed.state, DayReadings.objects.count()) == (ImportState.PENDING, 0)
    celery_worker_process()
    assert killed.begun_at is not None
    assert poll_imports(now=killed.begun_at + timedelta(minutes=6)) == 1
    until(lambda: current().state == ImportState.DONE, 60)
    done = current()
    assert (done.attempts, done.readings_new, DayReadings.objects.count()) == (2, len(rows), 1500)
