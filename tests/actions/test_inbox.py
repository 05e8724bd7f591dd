"""The watched folder: whole files are taken in once, and put away when their import has ended."""

from __future__ import annotations

import os
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest

from portal.actions.imports.asked import undo_import
from portal.actions.imports.waiting import work_on_import
from portal.actions.inbox import AT_REST, collect_inbox
from portal.actions.rain import record_rain
from portal.models import CameBy, Import, Meter, RainGauge
from tests import factories, ghcn
from tests.actions.exports import csv_text, days_rows
from tests.factories import NOW

pytestmark = pytest.mark.django_db

FIRST = date(2026, 5, 4)


@pytest.fixture
def meter() -> Meter:
    return factories.meter()


@pytest.fixture
def folder(tmp_path: Path, meter: Meter) -> Path:
    folder = tmp_path / str(meter.pk)
    folder.mkdir()
    return folder


def drop(folder: Path, name: str, content: str, *, age: timedelta = timedelta(hours=1)) -> Path:
    path = folder / name
    path.write_text(content)
    touched = (NOW - age).timestamp()
    os.utime(path, (touched, touched))
    return path


def collect(folder: Path) -> int:
    return collect_inbox(inbox=folder.parent, now=NOW)


def work_off() -> None:
    for key in Import.objects.unfinished().values_list("pk", flat=True):
        work_on_import(import_id=key, now=NOW)


def test_a_file_is_taken_in_once_and_put_away_when_it_is_read(folder: Path, meter: Meter) -> None:
    drop(folder, "night.csv", csv_text(days_rows(FIRST, 2)))
    assert collect(folder) == 1
    assert collect(folder) == 0  # it waits for the worker
    import_ = Import.objects.get()
    assert (import_.meter, import_.came_by, import_.filename) == (meter, CameBy.FOLDER, "night.csv")
    assert (folder / "night.csv").exists()
    work_off()
    assert collect(folder) == 0
    assert [path.name for path in (folder / "done").iterdir()] == ["night.csv"]
    assert not (folder / "night.csv").exists()
    assert Import.objects.count() == 1


def test_a_wrong_file_goes_to_failed_with_the_reason_beside_it(folder: Path) -> None:
    drop(folder, "notes.csv", "milk, eggs\n")
    collect(folder)
    work_off()
    collect(folder)
    assert (folder / "failed" / "notes.csv").read_text() == "milk, eggs\n"
    assert (folder / "failed" / "notes.csv.why.txt").read_text().strip() == Import.objects.get().problem


@pytest.mark.parametrize("name", ["night.csv.part", "night.csv.tmp", "night.csv~", ".night.csv"])
def test_names_of_half_written_files_are_left_alone(folder: Path, name: str) -> None:
    drop(folder, name, "timestamp")
    assert collect(folder) == 0


def test_a_file_still_being_written_is_left_until_it_is_at_rest(folder: Path) -> None:
    second = timedelta(seconds=1)
    drop(folder, "night.csv", csv_text(days_rows(FIRST, 2)), age=AT_REST - second)
    assert collect(folder) == 0
    drop(folder, "night.csv", csv_text(days_rows(FIRST, 2)), age=AT_REST + second)
    assert collect(folder) == 1


def test_links_and_folders_of_no_meter_are_left_alone(folder: Path, tmp_path: Path) -> None:
    secret = tmp_path / "secret"
    secret.write_text("not for import")
    (folder / "link.csv").symlink_to(secret)
    (tmp_path / "999999").mkdir()
    drop(tmp_path / "999999", "a.csv", "x")
    (tmp_path / "notes").mkdir()
    drop(tmp_path / "notes", "a.csv", "x")
    assert collect(folder) == 0
    assert not Import.objects.exists()


def test_the_same_file_dropped_again_is_put_away_without_a_second_import(folder: Path) -> None:
    text = csv_text(days_rows(FIRST, 2))
    for _ in range(2):
        drop(folder, "night.csv", text)
        collect(folder)
        work_off()
        collect(folder)
    assert sorted(path.name for path in (folder / "done").iterdir()) == ["night (2).csv", "night.csv"]
    assert Import.objects.count() == 1


def test_an_undone_file_is_taken_in_again_when_it_is_dropped_again(folder: Path) -> None:
    drop(folder, "night.csv", csv_text(days_rows(FIRST, 2)))
    collect(folder)
    work_off()
    collect(folder)
    undo_import(import_=Import.objects.get(), user=None, now=NOW)
    work_off()
    drop(folder, "night.csv", csv_text(days_rows(FIRST, 2)))
    assert collect(folder) == 1


def test_a_file_left_out_on_its_page_is_put_away_and_not_asked_about_again(folder: Path) -> None:
    path = drop(folder, "bank.csv", "Date,Balance\n2026-01-01,100.10\n2026-01-02,99.20\n")
    assert collect(folder) == 1
    work_off()
    undo_import(import_=Import.objects.get(), user=None, now=NOW)
    assert collect(folder) == 0
    assert Import.objects.count() == 1
    assert not path.exists()
    assert "wrong file" in (folder / "failed" / "bank.csv.why.txt").read_text()


def test_without_a_folder_there_is_nothing_to_collect(tmp_path: Path) -> None:
    assert collect_inbox(inbox=tmp_path / "missing", now=NOW) == 0


def test_a_file_that_cannot_be_put_away_does_not_keep_the_others_waiting(folder: Path) -> None:
    stuck = drop(folder, "a.csv", csv_text(days_rows(FIRST, 1)))
    assert collect(folder) == 1
    work_off()
    os.symlink(folder / "nowhere" / "else", folder / "done")  # a folder that cannot be made
    drop(folder, "b.csv", csv_text(days_rows(FIRST + timedelta(days=1), 1)))
    assert collect(folder) == 1
    assert stuck.exists()


def test_station_files_and_gauges_own_tables_are_kept_as_rain(tmp_path: Path) -> None:
    own = record_rain(business=factories.business(), name="Yard", latitude=40.0, longitude=-74.0, rain_mm={})
    (tmp_path / "rain" / str(own.pk)).mkdir(parents=True)
    drop(tmp_path / "rain", "park.csv", ghcn.access("USW00094728", {FIRST: (42, "", "")}))
    drop(tmp_path / "rain", "unknown.dly", ghcn.dly("ASN00066062", {FIRST: (42, "", "")}))
    drop(tmp_path / "rain", "table.csv", f"{FIRST},1.5\n")
    drop(tmp_path / "rain" / str(own.pk), "yard.csv", f"{FIRST},1.5\n")
    assert collect_inbox(inbox=tmp_path, now=NOW) == 2
    park = RainGauge.objects.get(business=None)
    assert (park.name, park.station, list(park.rain_mm())) == ("INVENTED PARK, NY US", "USW00094728", [4.2])
    assert list(own.rain_mm()) == [1.5]
    why = {path.name: path.read_text() for path in (tmp_path / "rain" / "failed").glob("*.why.txt")}
    assert "where station ASN00066062 stands" in why["unknown.dly.why.txt"]
    assert "a folder with the number of its gauge" in why["table.csv.why.txt"]
    drop(tmp_path / "rain", "park.dly", ghcn.dly("USW00094728", {FIRST + timedelta(1): (7, "", "")}))
    assert collect_inbox(inbox=tmp_path, now=NOW) == 1
    assert list(park.rain_mm()) == [4.2, 0.7]
    assert collect_inbox(inbox=tmp_path, now=NOW) == 0


def test_a_file_too_large_is_put_away_before_it_is_copied(folder: Path, settings: Any) -> None:
    settings.LARGEST_UPLOAD = 1 << 20
    drop(folder, "large.csv", "0" * (2 << 20))
    assert collect(folder) == 0
    assert not Import.objects.exists()
    assert "2 MB; more than 1 MB is not taken in" in (folder / "failed" / "large.csv.why.txt").read_text()
