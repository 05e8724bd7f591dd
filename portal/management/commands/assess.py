"""Assess sites from files, with no database."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from django.core.management.base import BaseCommand, CommandError, CommandParser

from portal.pv.array import Array, Plane
from portal.pv.assessment import assess, assess_town
from portal.pv.cells import cells
from portal.pv.due import day_of_due_loss
from portal.pv.readings import SiteReadings
from portal.pv.result import Assessment, Band
from portal.words.sentences import sentence


class UnreadableSite(ValueError):
    """A site's files cannot be read; the message says what is wrong and where."""


class Command(BaseCommand):
    help = "Assess one site (SITE.json READINGS.csv) or a folder of sites (--folder IN --out OUT), without a database."
    requires_system_checks: list[str] = []
    requires_migrations_checks = False

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("site", nargs="?", type=Path, metavar="SITE.json")
        parser.add_argument("readings", nargs="?", type=Path, metavar="READINGS.csv")
        parser.add_argument("--as-of", type=date.fromisoformat, metavar="YYYY-MM-DD", help="last day to use")
        parser.add_argument("--json", type=Path, metavar="OUT.json", help="write the result here")
        parser.add_argument("--folder", type=Path, metavar="IN", help="IN/<id>/site.json and readings.csv")
        parser.add_argument("--out", type=Path, metavar="OUT", help="OUT/<id>.json")
        parser.add_argument("--jobs", type=int, default=1, help="processes to use")
        parser.add_argument("--alone", action="store_true", help="do not compare with neighbours")

    def handle(self, *args: Any, **options: Any) -> None:
        if options["folder"]:
            if not options["out"]:
                raise CommandError("--folder needs --out, the folder to write the results to.")
            self.folder(options["folder"], options["out"], options["jobs"], options["as_of"], options["alone"])
            return
        if not (options["site"] and options["readings"]):
            raise CommandError("Give SITE.json and READINGS.csv, or --folder IN --out OUT.")
        try:
            readings, duplicates = read_site(options["site"], options["readings"])
        except UnreadableSite as error:
            answer = unreadable_answer(options["site"].parent.name, str(error))
        else:
            answer = as_json(readings.key, assess(readings, as_of=options["as_of"]), duplicates)
        text = json.dumps(answer, indent=1)
        if options["json"]:
            options["json"].write_text(text + "\n")
        else:
            self.stdout.write(text)

    def folder(self, folder: Path, out: Path, jobs: int, as_of: date | None, alone: bool) -> None:
        if not folder.is_dir():
            raise CommandError(f"{folder} is not a folder.")
        sites = sorted(path.parent for path in folder.glob("*/site.json"))
        if not sites:
            raise CommandError(f"{folder} holds no <id>/site.json.")
        out.mkdir(parents=True, exist_ok=True)
        groups = [[site] for site in sites] if alone else neighbourhoods(sites)
        work = [(group, as_of) for group in sorted(groups, key=len, reverse=True)]
        if jobs > 1:
            with ProcessPoolExecutor(jobs) as pool:
                results: Iterable[list[tuple[str, dict[str, Any]]]] = pool.map(assess_group, work)
                written = self.write(results, out)
        else:
            written = self.write(map(assess_group, work), out)
        self.stdout.write(f"{written} sites in {len(groups)} neighbourhoods assessed; results in {out}")

    def write(self, results: Iterable[list[tuple[str, dict[str, Any]]]], out: Path) -> int:
        written = 0
        for group in results:
            for name, result in group:
                (out / f"{name}.json").write_text(json.dumps(result, indent=1) + "\n")
                written += 1
        return written


def neighbourhoods(sites: list[Path]) -> list[list[Path]]:
    """Group site folders by cell. A site whose place cannot be read stands alone: its answer will say why."""
    placed: list[tuple[Path, float, float]] = []
    groups: list[list[Path]] = []
    for site in sites:
        try:
            facts = json.loads((site / "site.json").read_text())
            placed.append((site, float(facts["lat"]), float(facts["lon"])))
        except (OSError, ValueError, KeyError, TypeError):
            groups.append([site])
    labels = cells([latitude for _, latitude, _ in placed], [longitude for _, _, longitude in placed])
    for label in sorted(set(labels.tolist())):
        groups.append([site for (site, _, _), own in zip(placed, labels, strict=True) if own == label])
    return groups


def assess_group(work: tuple[list[Path], date | None]) -> list[tuple[str, dict[str, Any]]]:
    """Assess neighbours together; a site that cannot be read gets an answer that says why."""
    folders, as_of = work
    out: list[tuple[str, dict[str, Any]]] = []
    read: list[tuple[str, SiteReadings, int]] = []
    for folder in folders:
        try:
            readings, duplicates = read_site(folder / "site.json", folder / "readings.csv")
        except UnreadableSite as error:
            out.append((folder.name, unreadable_answer(folder.name, str(error))))
        else:
            read.append((folder.name, readings, duplicates))
    if len(read) > 1:
        results = assess_town([readings for _, readings, _ in read], as_of=as_of)
    else:
        results = [assess(readings, as_of=as_of) for _, readings, _ in read]
    for (name, readings, duplicates), result in zip(read, results, strict=True):
        out.append((name, as_json(readings.key, result, duplicates)))
    return out


def read_site(site_path: Path, readings_path: Path) -> tuple[SiteReadings, int]:
    """Site facts and readings from files, and how many duplicated rows were dropped.

    Raises
    ------
    UnreadableSite
        With a sentence that says what is wrong and where.
    """
    try:
        facts = json.loads(site_path.read_text())
        array = Array(
            latitude=float(facts["lat"]),
            longitude=float(facts["lon"]),
            tz=facts["tz"],
            planes=tuple(
                Plane(float(p["tilt"]), float(p["azimuth"]) % 360, float(p["dc_kw"])) for p in facts["planes"]
            ),
            ac_kw=float(facts["ac_kw"]),
            installed_on=date.fromisoformat(facts["install_date"]) if facts.get("install_date") else None,
        )
        minutes = int(facts["interval_minutes"])
        layout = facts["timestamp_format"]
        visits = tuple(sorted(date.fromisoformat(day) for day in facts.get("visit_dates") or ()))
    except OSError as error:
        raise UnreadableSite(f"{site_path.name} cannot be opened: {error.strerror}.") from error
    except KeyError as error:
        raise UnreadableSite(f"{site_path.name} lacks {error}.") from error
    except (ValueError, TypeError) as error:
        raise UnreadableSite(f"{site_path.name} is not as it should be: {error}.") from error
    if minutes not in (5, 10, 15, 30, 60, 1440):
        raise UnreadableSite(
            f"{site_path.name} says {minutes} minutes an interval; 5, 10, 15, 30, 60 or 1440 can be read."
        )
    written, twice = _read_readings(readings_path, facts, layout, array.tz, minutes)
    rain = rain_of_file(site_path.parent / "rain.csv")
    name = str(facts.get("id", site_path.parent.name))
    return SiteReadings(array, written, minutes, visits, rain, name), twice


def _read_readings(
    path: Path, facts: dict[str, Any], layout: str, tz: str, minutes: int
) -> tuple[pd.Series[float], int]:
    """Energies [Wh] by interval start in UTC, and how many rows said an instant again."""
    try:
        table = pd.read_csv(path, dtype={"timestamp": str})
    except (OSError, ValueError) as error:
        raise UnreadableSite(f"{path.name} cannot be read: {error}.") from error
    if not {"timestamp", "energy_kwh"} <= set(table.columns):
        raise UnreadableSite(f"{path.name} needs the columns timestamp and energy_kwh.")
    energy_wh = pd.to_numeric(table["energy_kwh"], errors="coerce").to_numpy(dtype=np.float64) * 1000
    if not len(energy_wh):
        raise UnreadableSite(f"{path.name} holds no readings.")
    try:
        starts = to_utc(table["timestamp"], layout, tz, float(facts.get("standard_utc_offset_hours") or 0))
    except (ValueError, KeyError, TypeError) as error:
        raise UnreadableSite(f"{path.name} has a time that is not {layout}: {error}.") from error
    if facts.get("interval_label") == "end" and minutes < 1440:
        starts = starts - pd.Timedelta(minutes=minutes)
    series = pd.Series(energy_wh, index=starts)
    series = series[series.index.notna()]
    # Of rows that say the same instant, one that holds a number counts.
    series = series.sort_index(kind="stable")
    twice = series.index.duplicated()
    if twice.any():
        filled = series[series.notna()]
        series = filled[~filled.index.duplicated()].reindex(series.index[~twice])
    if minutes < 1440:
        length = minutes * 60
        unix = pd.DatetimeIndex(series.index).as_unit("s").asi8
        on_grid = pd.Series(series.to_numpy()).groupby(unix // length * length).sum(min_count=1)
        series = pd.Series(on_grid.to_numpy(), index=pd.to_datetime(on_grid.index, unit="s", utc=True))
    return series, int(twice.sum())


def to_utc(stamps: pd.Series[str], layout: str, tz: str, standard_offset_hours: float) -> pd.DatetimeIndex:
    """Timestamps as written to UTC; NaT for wall-clock times that the spring change skips."""
    if layout == "date":
        days = pd.DatetimeIndex(pd.to_datetime(stamps.str.slice(0, 10), format="%Y-%m-%d"))
        return days.tz_localize(tz, nonexistent="shift_forward", ambiguous=np.ones(len(days), bool)).tz_convert("UTC")
    if layout == "local_with_offset":
        return pd.DatetimeIndex(pd.to_datetime(stamps, format="ISO8601", utc=True))
    if layout not in ("local_naive_dst", "local_standard_naive"):
        raise ValueError(f"the layout {layout!r} is not known")
    wall = pd.DatetimeIndex(pd.to_datetime(stamps, format="ISO8601"))
    if layout == "local_standard_naive":
        return (wall - pd.Timedelta(hours=standard_offset_hours)).tz_localize("UTC")
    # Of an hour that comes twice in autumn, the first pass is summer time.
    first_pass = ~wall.duplicated()
    return wall.tz_localize(tz, ambiguous=first_pass, nonexistent="NaT").tz_convert("UTC")


def rain_of_file(path: Path) -> pd.Series[float] | None:
    """Daily rain by local date, None without a file."""
    if not path.exists():
        return None
    try:
        table = pd.read_csv(path, dtype={"date": str})
        days = [date.fromisoformat(day) for day in table["date"]]
        millimetres = pd.to_numeric(table["rain_mm"], errors="coerce").to_numpy(dtype=np.float64)
    except (ValueError, KeyError, TypeError) as error:
        raise UnreadableSite(f"{path.name} is not date,rain_mm: {error}.") from error
    return pd.Series(millimetres, index=pd.Index(days, dtype=object))


def unreadable_answer(name: str, why: str) -> dict[str, Any]:
    """The answer for a site whose files cannot be read."""
    return {
        "id": name,
        "present_loss": None,
        "present_loss_ci": None,
        "mean_loss": None,
        "soiling_rate_per_day": None,
        "verdict": "not enough data",
        "cause": None,
        "reasons": [why],
        "cleanings": [],
        "recoveries": [],
        "clean_due": None,
        "data_quality": None,
    }


def as_json(name: str, result: Assessment, duplicates: int) -> dict[str, Any]:
    """An assessment as plain values; losses and gains are fractions."""
    quality = result.data_quality
    return {
        "id": name,
        "as_of": result.as_of.isoformat(),
        "verdict": str(result.verdict),
        "cause": None if result.cause is None else str(result.cause),
        "cause_began": _day(result.cause_began),
        "present_loss": _number(result.present_loss),
        "present_loss_ci": _band(result.present_loss_ci),
        "mean_loss": _number(result.mean_loss),
        "soiling_rate_per_day": _number(result.soiling_rate_per_day),
        "soiling_rate_ci": _band(result.soiling_rate_ci),
        "soiling_since": _day(result.soiling_since),
        "clean_due": _day(_due(result)),
        "reasons": [sentence(said) for said in result.reasons],
        "cleanings": [
            {"date": c.date.isoformat(), "gain": _number(c.gain), "gain_ci": _band(c.gain_ci)} for c in result.cleanings
        ],
        "recoveries": [
            {"date": r.date.isoformat(), "gain": _number(r.gain), "gain_ci": _band(r.gain_ci)}
            for r in result.recoveries
        ],
        "neighbours": result.neighbours,
        "data_quality": {
            "days": quality.days,
            "gap_days": quality.gap_days,
            "clear_days": quality.clear_days,
            "clear_days_last_30": quality.clear_days_last_30,
            "duplicates_dropped": duplicates,
            "unit_changes_mended": quality.unit_changes_mended,
            "notes": [sentence(note) for note in quality.notes],
        },
    }


def _due(result: Assessment) -> date | None:
    """When a wash is due where, as here, nobody tells what a kWh is worth or a wash costs."""
    if result.present_loss is None or result.soiling_rate_per_day is None:
        return None
    return day_of_due_loss(result.as_of, result.present_loss, result.soiling_rate_per_day)


def _number(value: float | None) -> float | None:
    return None if value is None or not math.isfinite(value) else round(float(value), 6)


def _day(value: date | None) -> str | None:
    return None if value is None else value.isoformat()


def _band(band: Band | None) -> list[float] | None:
    return None if band is None else [round(float(band.low), 6), round(float(band.high), 6)]
