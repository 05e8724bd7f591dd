"""Sites under one sky, and the day after."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from functools import lru_cache

import numpy as np
import pytest

from portal.pv.air import shared_air
from portal.pv.assessment import assess, assess_town
from portal.pv.memory import FULL_FIT_EVERY, from_bytes, full_fit_due
from portal.pv.readings import SiteReadings
from portal.pv.result import Assessment, Verdict
from portal.pv.town import towns
from tests.pv.planted import START, dust, site, weather

SKY = weather(seed=5, haze=0.07)
RATES = (0.0, 0.0, 0.0003, 0.0008, 0.0014, 0.0016)


@lru_cache(maxsize=1)
def street() -> list[SiteReadings]:
    """Six roofs under one hazy sky, some clean and some dusty, each with its own clouds.

    They have no key, and with it no day of the week for their full fit: it is due after seven days.
    """
    return [
        replace(
            site(
                SKY,
                dust(SKY, rate),
                seed=20 + n,
                planes=((20.0 + 3 * n, 140.0 + 15 * n, 5.0 + n),),
                told=((22.0 + 3 * n, 136.0 + 15 * n, 5.1 + n),),
                ac_kw=5.0 + n,
                with_rain=True,
            ),
            key="",
        )
        for n, rate in enumerate(RATES)
    ]


@lru_cache(maxsize=1)
def together() -> list[Assessment]:
    return assess_town(street())


def test_neighbours_bring_every_roof_close_to_its_truth() -> None:
    results = together()
    for rate, result in zip(RATES, results, strict=True):
        truth = float(1 - dust(SKY, rate)[-1])
        assert result.present_loss == pytest.approx(truth, abs=0.025), rate
        assert result.mean_loss == pytest.approx(float(1 - dust(SKY, rate).mean()), abs=0.01), rate
        assert result.neighbours == 5
    assert [result.verdict for result in results[:3]] == [Verdict.CLEAN] * 3
    assert [result.verdict for result in results[4:]] == [Verdict.SOILING] * 2


def width(result: Assessment) -> float:
    band = result.present_loss_ci
    assert band is not None
    return band.high - band.low


def test_the_same_roof_is_known_less_well_alone() -> None:
    assert width(together()[4]) < width(assess(street()[4]))


def test_a_site_under_another_sky_is_not_taken_for_a_neighbour() -> None:
    other = weather(seed=99, haze=0.07)
    stranger = site(other, np.ones(other.days), seed=50)
    results = assess_town([*street()[:3], stranger])
    assert [result.neighbours for result in results] == [2, 2, 2, 0]


def test_one_site_that_cannot_be_assessed_does_not_hold_up_the_others() -> None:
    first, second, third = street()[:3]
    empty = replace(second, energy_wh=second.energy_wh[:0])
    results = assess_town([first, empty, third], as_of=SKY.dates[-1])
    assert results[1].verdict == Verdict.NOT_ENOUGH_DATA
    assert results[0].present_loss is not None
    assert results[2].present_loss is not None


def days_before_end(count: int) -> date:
    return START + timedelta(days=SKY.days - 1 - count)


def test_new_days_are_added_to_what_is_remembered() -> None:
    readings = replace(street()[4], key="")  # no turn of its own in the week
    whole = assess(readings)
    before = assess(readings, as_of=days_before_end(4))
    after = assess(readings, previous=before.memory)
    assert after.memory == before.memory
    assert after.as_of == whole.as_of
    assert len(after.daily) == len(whole.daily)
    assert after.present_loss == pytest.approx(whole.present_loss, abs=0.012)
    assert after.verdict == whole.verdict
    weight = after.daily["expected_wh"]  # a day's loss counts by what the day could have brought
    assert after.mean_loss == pytest.approx(
        float(((1 - after.daily["soiling_ratio"]) * weight).sum() / weight.sum()), rel=1e-5
    )


def test_only_the_new_readings_need_be_handed_in() -> None:
    readings = replace(street()[4], key="")
    before = assess(readings, as_of=days_before_end(3))
    recent = replace(readings, energy_wh=readings.energy_wh.iloc[-48 * 3 :])
    assert assess(recent, previous=before.memory).present_loss == pytest.approx(
        assess(readings, previous=before.memory).present_loss
    )


def test_a_visit_makes_the_whole_record_be_looked_at_again() -> None:
    readings = street()[4]
    before = assess(readings, as_of=days_before_end(2))
    visited = replace(readings, visits=(days_before_end(60),))
    result = assess(visited, previous=before.memory)
    assert len(result.cleanings) == 1
    assert result.cleanings[0].gain is not None


def test_damaged_memory_costs_time_not_the_answer() -> None:
    readings = street()[4]
    assert from_bytes(b"not a memory") is None
    assert assess(readings, previous=b"not a memory").present_loss == assess(readings).present_loss


def test_a_string_lost_yesterday_is_not_taken_for_dirt_by_the_short_way() -> None:
    readings = replace(street()[0], key="")
    before = assess(readings, as_of=days_before_end(6))
    energy = readings.energy_wh.copy()
    energy.iloc[-48 * 6 :] *= 0.6
    result = assess(replace(readings, energy_wh=energy), previous=before.memory)
    assert result.verdict != Verdict.SOILING


def test_a_town_goes_on_together() -> None:
    roofs = street()
    before = assess_town(roofs, as_of=days_before_end(3))
    after = assess_town(roofs, previous=[result.memory for result in before])
    for short, full in zip(after, together(), strict=True):
        assert short.neighbours == 5
        assert short.present_loss == pytest.approx(full.present_loss, abs=0.015)


@pytest.mark.parametrize("due", [0, 4])
def test_a_roof_that_is_due_is_fitted_beside_those_whose_fits_stand(due: int) -> None:
    roofs, whole = street(), together()
    before = [result.memory for result in assess_town(roofs, as_of=days_before_end(3))]
    after = assess_town(roofs, previous=[b"" if n == due else memory for n, memory in enumerate(before)])
    assert [one.stands > 0 for one in after] == [n != due for n in range(len(roofs))]
    one = after[due]
    assert one.neighbours == len(roofs) - 1
    assert one.verdict == whole[due].verdict
    assert one.present_loss == pytest.approx(whole[due].present_loss, abs=0.004)
    assert width(one) == pytest.approx(width(whole[due]), rel=0.1)
    others = [n for n in range(len(roofs)) if n != due]
    asked = assess_town([roofs[n] for n in [due, *others]], previous=[b"", *(before[n] for n in others)], answers=1)
    assert len(asked) == 1, "the others only keep it company"
    assert asked[0].present_loss == pytest.approx(one.present_loss, abs=1e-5)


def test_a_roof_whose_record_is_short_does_not_have_its_few_neighbours_fitted_again_each_night() -> None:
    first, second, third = street()[:3]
    young = replace(third, energy_wh=third.energy_wh.iloc[-20 * 24 * 60 // SKY.minutes :])
    before = assess_town([first, second], as_of=days_before_end(1))
    after = assess_town([first, second, young], previous=[*(one.memory for one in before), b""])
    assert after[2].verdict == Verdict.NOT_ENOUGH_DATA
    assert [one.memory for one in after[:2]] == [one.memory for one in before], "their last fits stand"
    assert all(one.as_of == SKY.dates[-1] for one in after)


def test_each_roof_has_its_day_of_the_week_for_the_full_fit() -> None:
    days = {key: [day for day in range(20_000, 20_021) if full_fit_due(day - 1, day, key)] for key in "abcdefghijklmn"}
    assert all(np.diff(turns).tolist() == [FULL_FIT_EVERY] * 2 for turns in days.values())
    assert len({turns[0] for turns in days.values()}) > 4, "they spread over the week"
    assert not full_fit_due(20_000, 20_000, "a")
    assert all(full_fit_due(20_000, 20_000 + FULL_FIT_EVERY, key) for key in ("", *days))


def test_a_haze_that_all_roofs_share_is_no_dirt_on_a_roof_that_was_looked_at_later() -> None:
    """Three roofs bring six new days, three bring two; the last two are hazy over all of them."""
    end, hazy = days_before_end(2), slice(-48 * 4, -48 * 2)
    known = [days_before_end(2 + new) for new in (6, 2, 6, 2, 6, 2)]
    earlier = {day: assess_town(street(), as_of=day) for day in set(known)}
    memories = [earlier[day][n].memory for n, day in enumerate(known)]
    dimmed = []
    for roof in street():
        energy = roof.energy_wh.copy()
        energy.iloc[hazy] *= 0.92
        dimmed.append(replace(roof, energy_wh=energy))
    clear = assess_town(street(), as_of=end, previous=memories)
    hazed = assess_town(dimmed, as_of=end, previous=memories)
    for before, after in zip(clear, hazed, strict=True):
        assert after.daily["used"].iloc[-2:].all()
        assert after.present_loss == pytest.approx(before.present_loss, abs=0.002)
        ratio = [one.daily["soiling_ratio"].iloc[-6:].to_numpy() for one in (before, after)]
        assert ratio[1] == pytest.approx(ratio[0], abs=0.002)
    lone = assess(street()[4], as_of=known[4]).memory
    alone, alone_hazed = (assess(roof[4], as_of=end, previous=lone).present_loss for roof in (street(), dimmed))
    assert alone is not None
    assert alone_hazed is not None
    # Twice what the roofs of the town are held to above.
    assert alone_hazed > alone + 0.004, "nobody else's days tell a roof alone that it was the air"


def test_a_roof_just_washed_says_more_of_the_air_than_one_whose_dirt_is_guessed() -> None:
    residual = np.array([[-0.02] * 50, [-0.02] * 50, [0.0] * 50, [0.0] * 50])
    scatter = np.full(4, 0.02)
    guessed = np.array([[0.02] * 50, [0.02] * 50, [0.002] * 50, [0.002] * 50])
    days = np.zeros(50)
    alike = shared_air(residual, scatter, np.zeros_like(residual), days, np.zeros((50, 0)), middle=0.0)
    weighed = shared_air(residual, scatter, guessed, days, np.zeros((50, 0)), middle=0.0)
    # of the two dirty roofs' common 2 %, the air takes two thirds from the other three alike, a few hundredths weighed
    assert alike.log_dimming[2, 0] < -0.011
    assert weighed.log_dimming[2, 0] > -0.005


def test_one_roof_that_is_too_sure_of_itself_does_not_brighten_the_air_of_the_others() -> None:
    rng = np.random.default_rng(5)
    haze = rng.normal(0, 0.03, 200)
    residual = haze + rng.normal(0, 0.012, (9, 200))
    residual[0, 170:] += 0.07  # its meter counts more from a day on, and its fit is sure that it is clean
    doubt = np.full_like(residual, 0.008)
    doubt[0] = 0.0
    air = shared_air(residual, np.full(9, 0.012), doubt, np.zeros(200), np.zeros((200, 0)), middle=0.0)
    assert np.abs((air.log_dimming[1:, 170:] - haze[170:]).mean(axis=1)).max() < 0.01


def test_towns_are_those_of_whoever_compares_each_roof_with_each_first_roof() -> None:
    rng = np.random.default_rng(4)
    north = [*rng.uniform(47, 49, 150), *rng.uniform(88, 90, 60), *rng.uniform(-1, 1, 60)]
    east = [
        *rng.uniform(7, 10, 150),
        *rng.uniform(-180, 180, 60),
        *(rng.choice([-180, 180], 60) + rng.normal(0, 0.5, 60)),
    ]
    places = np.radians(np.stack([north, east]))
    up = np.stack([np.cos(places[0]) * np.cos(places[1]), np.cos(places[0]) * np.sin(places[1]), np.sin(places[0])])
    firsts: list[int] = []
    labels = []
    for roof in range(len(north)):  # by the angle between two directions, its sine and cosine from vector products
        across, along = np.cross(up[:, firsts].T, up[:, roof]), up[:, firsts].T @ up[:, roof]
        near = np.flatnonzero(np.arctan2(np.linalg.norm(across, axis=1), along) * 6371.0088 <= 40.0)
        labels.append(int(near[0]) if len(near) else len(firsts))
        if not len(near):
            firsts.append(roof)
    assert towns(north, east).tolist() == labels
    assert len(firsts) > 50
