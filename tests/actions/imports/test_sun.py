"""Files whose header tells no clock, of roofs under a clear sky as pvlib makes it (Ineichen; Hay-Davies)."""

from __future__ import annotations

import pandas as pd
import pvlib
import pytest

from portal.models import ImportState, Meter
from tests import factories
from tests.actions.exports import take_in

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
