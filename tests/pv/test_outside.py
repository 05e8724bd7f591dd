"""The computation against published values, standards and pvlib by another road."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from pvlib import iam, irradiance, location, pvsystem, soiling, solarposition, temperature

from portal.pv.air import exposure
from portal.pv.array import Array, Plane
from portal.pv.expected import (
    ALBEDO,
    DIFFUSE_ANGLE,
    SYSTEM_LOSSES,
    TEMPERATURE_COEFFICIENT,
    Sky,
    clear_sky,
    expected_energy,
    glass,
    inverter_ac,
    plane_dc,
)
from portal.pv.moves import RATES
from portal.pv.sun import sun_position

PLACES = [(52.5, 13.4, "2023-06-21 10:07"), (-33.4, -70.7, "2021-12-03 17:31"), (27.0, 75.8, "2020-02-11 05:12")]


def instant(when: str) -> np.ndarray:
    return np.array([pd.Timestamp(when, tz="UTC").timestamp()])


def test_the_sun_stands_where_the_worked_example_of_the_nrel_report_says() -> None:
    # Reda and Andreas, NREL/TP-560-34302, table A5.1: 17 October 2003, 12:30:30 at UTC-7, 39.742476 N, 105.1786 W,
    # 820 mbar, 11 °C: zenith 50.11162°, azimuth 194.34024°. Ours assumes sea-level pressure, where refraction is
    # (1013 - 820) / 1010 × 0.0199° = 0.004° stronger at this height of the sun.
    zenith, azimuth, _ = sun_position(instant("2003-10-17 19:30:30"), 39.742476, -105.1786)
    assert zenith[0] == pytest.approx(50.11162, abs=0.008)
    assert azimuth[0] == pytest.approx(194.34024, abs=0.001)


@pytest.mark.parametrize(("latitude", "longitude", "when"), PLACES)
def test_the_sun_stands_where_the_full_algorithm_puts_it(latitude: float, longitude: float, when: str) -> None:
    # pvlib's full SPA, computed at the instant itself, without interpolation.
    full = solarposition.get_solarposition(
        pd.DatetimeIndex([pd.Timestamp(when, tz="UTC")]), latitude, longitude, altitude=0, method="nrel_numpy"
    ).iloc[0]
    zenith, azimuth, _ = sun_position(instant(when), latitude, longitude)
    assert zenith[0] == pytest.approx(full["apparent_zenith"], abs=0.005)
    assert azimuth[0] == pytest.approx(full["azimuth"], abs=0.005)


# pvlib 0.16 still calls a property that pandas 3.1 deprecates.
@pytest.mark.filterwarnings("ignore:DatetimeIndex.dayofyear is deprecated")
@pytest.mark.parametrize(("latitude", "longitude", "when"), PLACES)
def test_the_clear_sky_is_the_one_pvlib_computes_for_the_place(latitude: float, longitude: float, when: str) -> None:
    times = pd.DatetimeIndex([pd.Timestamp(when, tz="UTC")])
    altitude = float(location.lookup_altitude(latitude, longitude))
    reference = location.Location(latitude, longitude, altitude=altitude).get_clearsky(times, model="ineichen").iloc[0]
    sky = clear_sky(instant(when), latitude, longitude)
    # Within a few W/m²: pvlib interpolates the turbidity map by day of its own calendar.
    assert sky.ghi[0] == pytest.approx(reference["ghi"], abs=5)
    assert sky.dni[0] == pytest.approx(reference["dni"], abs=8)
    assert sky.dhi[0] == pytest.approx(reference["dhi"], abs=5)


def facing_sun(dni: float, tilt: float, temperature: float) -> Sky:
    """A sky without diffuse light whose sun stands square to a plane of this tilt that looks south."""
    one = np.ones(1)
    ghi = dni * np.cos(np.radians(tilt))
    return Sky(0 * one, tilt * one, 180 * one, dni * one, ghi * one, 0 * one, 1361 * one, temperature * one)


def test_dc_power_follows_the_equations_of_pvwatts_version_5() -> None:
    # Dobos, NREL/TP-6A20-62641, eq. 8: P_dc = I_tr / 1000 × P_dc0 × (1 + γ (T_cell - 25)).
    # Sun square on: beam 800 W/m², incidence modifier 1. Ground: 0.2 × 800 cos 30° × (1 - cos 30°) / 2 = 9.28 W/m².
    ground = 0.2 * 800 * np.cos(np.radians(30)) * (1 - np.cos(np.radians(30))) / 2
    # Faiman 2008 at 1 m/s: T_cell = 20 + (800 + 9.28) / (25 + 6.84).
    cell = 20 + (800 + ground) / (25 + 6.84)
    low = 5000 * 800 / 1000 * (1 + TEMPERATURE_COEFFICIENT * (cell - 25)) * (1 - SYSTEM_LOSSES)
    high = 5000 * (800 + ground) / 1000 * (1 + TEMPERATURE_COEFFICIENT * (cell - 25)) * (1 - SYSTEM_LOSSES)
    dc = plane_dc(Plane(30, 180, 5.0), facing_sun(800, 30, 20))
    assert low < dc[0] < high  # the ground's light loses some 4 % in the glass


def test_glass_passes_what_the_physical_model_of_pvlib_says_at_any_angle() -> None:
    angles = np.linspace(0, 90, 181)
    assert glass(np.cos(np.radians(angles))) == pytest.approx(iam.physical(angles), abs=1e-12)


@pytest.mark.parametrize("plane", [Plane(30, 180, 5.0), Plane(70, 90, 5.0), Plane(0, 10, 5.0), Plane(90, 300, 5.0)])
def test_dc_power_is_that_of_the_same_models_in_pvlib(plane: Plane) -> None:
    sky = clear_sky(1.6e9 + np.arange(0, 365 * 86400, 3 * 3600 + 420.0), 41.0, 5.0)
    light = irradiance.get_total_irradiance(
        plane.tilt, plane.azimuth, sky.zenith, sky.azimuth, sky.dni, sky.ghi, sky.dhi,
        dni_extra=sky.dni_extra, albedo=ALBEDO, model="haydavies",
    )  # fmt: skip
    angle = irradiance.aoi(plane.tilt, plane.azimuth, sky.zenith, sky.azimuth)
    seen = light["poa_direct"] * iam.physical(angle) + light["poa_diffuse"] * iam.physical(DIFFUSE_ANGLE)
    cell = temperature.faiman(light["poa_global"], sky.temp_air, wind_speed=1.0)
    power = pvsystem.pvwatts_dc(seen, cell, plane.dc_kw * 1000, TEMPERATURE_COEFFICIENT) * (1 - SYSTEM_LOSSES)
    assert plane_dc(plane, sky) == pytest.approx(np.maximum(power, 0), abs=0.01)  # of 5,000 W


def test_the_inverter_follows_the_equations_of_pvwatts_version_5_and_clips() -> None:
    # Eq. 10 and 11: η = 0.96 / 0.9637 × (-0.0162 ζ - 0.0059 / ζ + 0.9858) with ζ = P_dc / P_dc0, P_dc0 = P_ac0 / 0.96.
    dc = 2000.0
    zeta = dc / (4000 / 0.96)
    efficiency = 0.96 / 0.9637 * (-0.0162 * zeta - 0.0059 / zeta + 0.9858)
    ac = inverter_ac(np.array([dc, 9000.0]), 4.0)
    assert ac[0] == pytest.approx(dc * efficiency, rel=1e-6)
    assert ac[1] == pytest.approx(4000.0)


def test_a_flat_plane_sees_the_horizontal_irradiance() -> None:
    # By definition: at tilt 0 the in-plane irradiance is GHI whatever the transposition model, and two half arrays
    # make what one whole one makes.
    hours = pd.date_range("2023-06-21", periods=24, freq="h", tz="UTC")
    whole = expected_energy(Array(45, 8, "Europe/Rome", (Plane(0, 180, 6),), 6), hours, 60)
    halves = expected_energy(Array(45, 8, "Europe/Rome", (Plane(0, 90, 3), Plane(0, 270, 3)), 6), hours, 60)
    assert halves.to_numpy() == pytest.approx(whole.to_numpy(), rel=1e-9)


def test_expected_energy_agrees_between_meters_of_different_interval() -> None:
    site = Array(45, 8, "Europe/Rome", (Plane(30, 200, 6),), 5)
    day = pd.date_range("2023-04-11 22:00", periods=1, freq="D", tz="UTC")  # local midnight
    total = expected_energy(site, day, 1440).sum()
    for minutes in (5, 15, 60):
        starts = pd.date_range(day[0], periods=1440 // minutes, freq=f"{minutes}min")
        assert expected_energy(site, starts, minutes).sum() == pytest.approx(total, rel=0.003)


def test_dust_gathers_between_rains_as_in_kimbers_model() -> None:
    # pvlib's Kimber model (Kimber et al. 2006): 0.15 % a day, a rain of 6 mm cleans, no grace period.
    rain = np.zeros(60)
    rain[[20, 45]] = 15.0
    hours = pd.date_range("2023-01-01", periods=60 * 24, freq="h")
    falls = pd.Series(np.repeat(rain / 24, 24), index=hours)
    kimber = soiling.kimber(falls, cleaning_threshold=6, soiling_loss_rate=0.0015, grace_period=0).to_numpy()[23::24]
    ours = 0.0015 * exposure(np.stack([np.zeros(60), (rain > 6).astype(float)], axis=1))
    dry = np.r_[1:19, 24:44, 49:59]
    assert np.diff(ours)[dry] == pytest.approx(np.diff(kimber)[dry], abs=0.0002)
    # Kimber's rain takes everything, ours leaves 7 %.
    assert ours[20] < 0.1 * ours[19] + 0.0002
    assert kimber[21] < 0.1 * kimber[19] + 0.0016


def test_the_rates_tried_span_what_the_literature_reports() -> None:
    # Mani and Pillai 2010 (doi:10.1016/j.rser.2010.07.065) and Ilse et al. 2019 (doi:10.1016/j.joule.2019.08.019)
    # report from under 0.05 % a day in temperate places to some 0.3 to 0.5 % in deserts; values from memory.
    assert RATES[0] == 0
    assert RATES[1] <= 0.0005
    assert 0.004 <= RATES[-1] <= 0.006
