"""Files whose header tells no clock, of roofs under a clear sky as pvlib makes it (Ineichen; Hay-Davies)."""

from __future__ import annotations

import pandas as pd
import pvlib
import pytest
from django.test import Client

from portal.actions.imports.asked import undo_import
from portal.actions.imports.replay import replay_meter
from portal.actions.imports.waiting import work_on_import
from portal.models import DayReadings, ImportState, Meter
from tests import factories
from tests.actions.exports import take_in
from tests.factories import NOW

pytestmark = pytest.mark.django_db

BERLIN, LISBON = ("Europe/Berlin", 52.52, 13.4), ("Europe/Lisbon", 38.72, -9.14)


def roof(place: tuple[str, float, float]) -> Meter:
    tz, latitude, longitude = place
    return factories.meter(site=factories.site(tz=tz, latitude=latitude, longitude=longitude, ac_kw=5.0))


def clear_days(place: tuple[str, float, float], minutes: int) -> pd.Series[float]:
    """Energy [kWh] of twelve days of June on a plane of 30° to the south, 5 kW."""
    tz, latitude, longitude = place
    start = pd.Timestamp("2025-06-01", tz=tz)
    starts = pd.date_range(start, periods=12 * 1440 // minutes, freq=f"{minutes}min")
    middle = starts + pd.Timedelta(minutes=minutes / 2)
    sun = pvlib.solarposition.get_solarposition(middle, latitude, longitude)
    air = pvlib.atmosphere.get_relative_airmass(sun.apparent_zenith)
    sky = pvlib.clearsky.ineichen(sun.apparent_zenith, air, linke_turbidity=3.0, dni_extra=1330.0)
    light = pvlib.irradiance.get_total_irradiance(
        30,
        180,
        sun.apparent_zenith,
        sun.azimuth,
        sky.dni,
        sky.ghi,
        sky.dhi,
        dni_extra=1330.0,
        model="haydavies",
    )
    return pd.Series((light.poa_global.fillna(0).to_numpy() * 0.0045 * minutes / 60).round(3), index=starts)


def said(meter: Meter, energy: pd.Series[float], stamps: pd.DatetimeIndex) -> str:
    lines = [f"{stamp:%Y-%m-%d %H:%M},{kwh}" for stamp, kwh in zip(stamps, energy, strict=True)]
    import_ = take_in(meter, "\n".join(["Time,PV energy (kWh)", *lines]))
    assert import_.state == ImportState.DONE, (import_.problem, import_.questions)
    return " ".join(one["text"] for one in import_.warnings if one["code"] == "sun_shift")


@pytest.mark.parametrize(("place", "hours"), [(BERLIN, "2.0"), (LISBON, "1.0")])
@pytest.mark.parametrize("minutes", [15, 60])
def test_stamps_in_utc_that_were_taken_for_the_wall_clock_are_told(
    place: tuple[str, float, float], hours: str, minutes: int
) -> None:
    energy = clear_days(place, minutes)
    stamps = pd.DatetimeIndex(energy.index)
    text = said(roof(place), energy, stamps.tz_convert("UTC"))
    assert f"{hours} hours earlier" in text
    assert "assumed" in text
    assert said(roof(place), energy, stamps) == ""


def test_hourly_stamps_that_mark_the_end_and_were_taken_for_the_start_are_told() -> None:
    energy = clear_days(LISBON, 60)
    energy = energy[energy > 0]  # a file with its nights shows by its first and last stamp which end they mark
    assert "1.0 hours later" in said(roof(LISBON), energy, pd.DatetimeIndex(energy.index) + pd.Timedelta(hours=1))


@pytest.mark.parametrize(("wrong", "instead"), [("utc", "clock utc"), ("end", "label end")])
def test_one_press_reads_all_files_of_the_meter_by_the_clock_that_the_sun_speaks_for(
    wrong: str, instead: str, client: Client
) -> None:
    """Two files without a word on their clock, then the press: the days are those of the sun, in both."""
    truth = clear_days(BERLIN, 60)
    energy = truth[truth > 0]
    stamps = pd.DatetimeIndex(energy.index)
    stamps = stamps.tz_convert("UTC") if wrong == "utc" else stamps + pd.Timedelta(hours=1)
    meter = roof(BERLIN)
    half = stamps < stamps[0].normalize() + pd.Timedelta(days=6)
    said(meter, energy[half], stamps[half])
    said(meter, energy[~half], stamps[~half])
    first, second = meter.imports.order_by("pk")
    for one in (first, second):
        assert one.mapping
        assert set(one.mapping["assumed"]) == {"clock", "label"}
        assert [told["instead"] for told in one.warnings if told["code"] == "sun_shift"] == [instead]
    client.force_login(factories.member(meter.site.customer.business))
    page = client.get(f"/imports/{second.pk}/").content.decode()
    assert page.count("assumed, the file does not say") == 2
    better = {"clock": "utc" if wrong == "utc" else "wall", "label": "end" if wrong == "end" else "start"}
    for name, value in better.items():
        assert f'<input type="hidden" name="{name}" value="{value}">' in page
    assert "2 files of this meter" in client.post(f"/imports/{second.pk}/clock/", better, follow=True).content.decode()
    replay_meter(meter_id=meter.pk, now=NOW)
    held, minutes = DayReadings.objects.site_energy_wh(meter.site)
    assert minutes == 60
    held = held[held > 0]
    pd.testing.assert_series_equal(
        held, (energy * 1000).tz_convert("UTC"), check_names=False, check_freq=False, atol=0.1
    )
    for one in (first, second):
        one.refresh_from_db()
        assert not [told for told in one.warnings if told["code"] == "sun_shift"]
        assert one.mapping
        assert one.mapping["assumed"] == []
    undo_import(import_=second, user=None, now=NOW)
    work_on_import(import_id=second.pk, now=NOW)
    left, _ = DayReadings.objects.site_energy_wh(meter.site)
    assert left[left > 0].index.equals(held.index[half])
    # what comes next is read by the corrected clock
    assert said(meter, energy[~half], stamps[~half]) == ""
