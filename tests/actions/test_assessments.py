"""The nightly job: once a site and day, town by town, and nothing that comes in meanwhile is missed."""

from dataclasses import replace
from datetime import date, datetime, timedelta
from typing import Any

import numpy as np
import pandas as pd
import pytest
from django.db import connection
from pytest_django import DjangoAssertNumQueries

from portal.actions.assessments import readings_of, site_readings
from portal.actions.nights import ask_for_assessment, assess_next, poll_nights, start_night
from portal.models import DayReadings, Lead, Meter, Night, NightState, Site, SiteAssessment, SiteDaily, VisitState, pack
from portal.models.assessment import unpack_daily
from portal.pv.array import Array
from portal.pv.assessment import assess
from portal.pv.daily import EPOCH
from portal.pv.days import cut_days
from portal.pv.expected import expected_energy
from portal.pv.memory import full_fit_due
from portal.pv.site_fit import PartOfRecord
from tests import factories

pytestmark = pytest.mark.django_db

NOW = factories.NOW
LAST = NOW.date() - timedelta(days=1)


def give_readings(site: Site, *, days: int, ratio: float = 0.9, minutes: int = 60) -> Meter:
    """Cloudless days, all the same fraction of what is expected."""
    array = site.array()
    assert isinstance(array, Array)
    starts = pd.date_range(
        pd.Timestamp(LAST - timedelta(days=days - 1), tz=site.tz),
        pd.Timestamp(LAST + timedelta(days=1), tz=site.tz),
        freq=f"{minutes}min",
        inclusive="left",
    ).tz_convert("UTC")
    energy_wh = expected_energy(array, starts, minutes) * ratio
    meter = factories.meter(site=site)
    DayReadings.objects.bulk_create(
        DayReadings(meter=meter, day=day, interval_minutes=minutes, packed=pack(block))
        for day, block in cut_days(energy_wh, tz=site.tz, interval_minutes=minutes)
    )
    return meter


def test_the_night_queues_every_roof_once_and_the_job_leaves_one_assessment_a_day() -> None:
    roof = factories.site()
    factories.site(planes=False)
    give_readings(roof, days=200)
    assert start_night(now=NOW) == 1
    start_night(now=NOW)
    assert Night.objects.count() == 1
    assert assess_next(now=NOW) == 1
    assert assess_next(now=NOW) == 0, "a second delivery of the message finds nothing to do"
    kept = SiteAssessment.objects.get()
    assert kept.as_of == LAST
    assert roof.daily.frame().index[-1] == LAST


def test_a_roof_asked_for_again_while_it_is_assessed_stays_waiting_and_nothing_of_before_is_remembered() -> None:
    roof = factories.site()
    give_readings(roof, days=200)
    ask_for_assessment(roof, now=NOW)
    asked: list[str] = []

    def once_it_reads(execute: Any, sql: str, *rest: Any) -> Any:
        """A file comes in between the reading of the old days and the keeping of what they say."""
        if not asked and sql.startswith("SELECT") and "portal_dayreadings" in sql:
            asked.append(sql)
            ask_for_assessment(roof, now=NOW + timedelta(seconds=5), changed_since=NOW.date())
        return execute(sql, *rest)

    with connection.execute_wrapper(once_it_reads):
        assert assess_next(now=NOW) == 1
    night = Night.objects.get()
    assert asked
    assert (night.state, night.begun_at) == (NightState.WAITING, None)
    assert bytes(SiteDaily.objects.get().memory) == b""
    assert assess_next(now=NOW + timedelta(seconds=10)) == 1
    assert Night.objects.get().state == NightState.DONE
    assert bytes(SiteDaily.objects.get().memory) != b""


def test_a_night_whose_message_was_lost_is_asked_for_again() -> None:
    roof = factories.site()
    Night.objects.create(site=roof, day=NOW.date(), asked_at=NOW - timedelta(minutes=30))
    Night.objects.create(site=factories.site(), day=NOW.date(), asked_at=NOW)
    assert poll_nights(now=NOW) == 1


def test_a_roof_without_readings_says_so_and_makes_no_lead() -> None:
    ask_for_assessment(factories.site(), now=NOW)
    assess_next(now=NOW)
    kept = SiteAssessment.objects.get()
    assert kept.verdict == "not enough data"
    assert kept.present_loss is None
    assert kept.reasons == [{"code": "no_readings", "figures": {}}]
    assert not Lead.objects.exists()


def test_a_finished_visit_is_a_known_cleaning_of_its_local_day() -> None:
    roof = factories.site()
    give_readings(roof, days=3)
    evening = datetime.fromisoformat("2026-06-13T03:30:00+00:00")  # 21:30 the evening before in Denver
    factories.visit(site=roof, state=VisitState.DONE, finished_at=evening)
    factories.visit(site=roof, state=VisitState.CANCELLED)
    assert list(site_readings(roof).visits) == [date(2026, 6, 12)]


def test_meters_of_a_site_are_summed_and_half_a_site_is_not_a_site() -> None:
    roof = factories.site()
    first, second = (factories.meter(site=roof, name=name) for name in ("Front", "Back"))
    factories.day_readings(first, LAST, np.full(24, 100.0))
    factories.day_readings(second, LAST, np.full(96, 5.0), interval_minutes=15)
    factories.day_readings(first, LAST + timedelta(days=1), np.full(24, 100.0))
    readings = site_readings(roof)
    assert readings.interval_minutes == 60
    assert readings.energy_wh.iloc[:24].eq(120.0).all()  # 100 + 4 × 5
    assert readings.energy_wh.iloc[24:].isna().all()


def test_files_sent_at_once_cost_a_town_one_assessment() -> None:
    ours = factories.customer()
    roofs = [factories.site(customer=ours, name=name) for name in ("A", "B", "C")]
    for roof in roofs:
        give_readings(roof, days=30)
    for roof in roofs:
        ask_for_assessment(roof, now=NOW)
    Night.objects.create(site=roofs[0], day=LAST, asked_at=NOW - timedelta(days=1))
    assert assess_next(now=NOW) == 3
    assert assess_next(now=NOW) == 0
    assert not Night.objects.waiting().exists(), "the night before is done with it"
    assert SiteAssessment.objects.count() == 3


def test_a_change_of_known_days_forgets_what_was_remembered_and_new_days_do_not() -> None:
    roof = factories.site()
    give_readings(roof, days=200)
    ask_for_assessment(roof, now=NOW)
    assess_next(now=NOW)
    assert roof.daily.memory
    ask_for_assessment(roof, now=NOW, changed_since=LAST + timedelta(days=1))
    assert SiteDaily.objects.get(site=roof).memory
    ask_for_assessment(roof, now=NOW, changed_since=LAST)
    assert not SiteDaily.objects.get(site=roof).memory


def test_remembered_or_not_a_new_day_gives_the_same_answer_to_a_tenth_of_its_doubt() -> None:
    roof = factories.site()
    give_readings(roof, days=300)
    before = NOW - timedelta(days=2)
    ask_for_assessment(roof, now=before)
    assess_next(now=before)
    losses = []
    for forget in (False, True):
        if forget:
            SiteDaily.objects.update(memory=b"")
        ask_for_assessment(roof, now=NOW)
        assess_next(now=NOW)
        kept = SiteAssessment.objects.get(site=roof, as_of=LAST)
        losses.append((kept.present_loss or 0, (kept.loss_high or 0) - (kept.loss_low or 0)))
    (quick, _), (whole, doubt) = losses
    assert doubt > 0
    assert abs(whole - quick) <= 0.1 * doubt


def test_a_meter_that_counts_only_the_surplus_is_not_judged_and_says_so() -> None:
    roof = factories.site()
    meter = give_readings(roof, days=200)
    meter.mapping = {"export": "surplus"}
    meter.save()
    ask_for_assessment(roof, now=NOW)
    assess_next(now=NOW)
    kept = SiteAssessment.objects.get()
    assert (kept.verdict, kept.present_loss) == ("not enough data", None)
    assert kept.reasons == [{"code": "only_surplus", "figures": {}}]


def test_roofs_of_all_firms_under_one_sky_are_neighbours_and_far_ones_are_not() -> None:
    here = [factories.site(name=name) for name in ("A", "B")]
    far = factories.site(latitude=41.0)
    for roof in (*here, far):
        give_readings(roof, days=120)
    start_night(now=NOW)
    assert [assess_next(now=NOW) for _ in range(3)] == [2, 1, 0]
    said = dict(SiteAssessment.objects.values_list("site", "neighbours"))
    assert said[far.pk] == 0
    cell = dict(Site.objects.values_list("pk", "cell"))
    assert cell[here[0].pk] == cell[here[1].pk] != cell[far.pk]


def test_a_short_night_reads_the_new_days_alone_and_says_what_the_whole_record_says() -> None:
    """A memory whose unit, facts or meters are no longer those of the readings is not gone on from in part."""
    roof = factories.site()
    give_readings(roof, days=200)
    before = NOW - timedelta(days=2)
    ask_for_assessment(roof, now=before)
    assess_next(now=before)
    known = LAST - timedelta(days=2)
    part = readings_of([roof], since={roof.pk: known})[roof.pk]
    assert part.energy_wh.index[0].tz_convert(roof.tz).date() == known
    whole = site_readings(roof)
    memory = bytes(roof.daily.memory)
    assert (
        assess(part, as_of=LAST, previous=memory).present_loss
        == assess(whole, as_of=LAST, previous=memory).present_loss
    )
    second = factories.meter(site=roof, name="Silent since")
    factories.day_readings(second, known - timedelta(days=9), np.full(24, 100.0))
    both = readings_of([roof], since={roof.pk: known})[roof.pk]
    assert len(both.energy_wh) > len(part.energy_wh) * 10, "half a site is not the site: the whole record is read"
    other = replace(part, array=replace(part.array, ac_kw=9.0))
    with pytest.raises(PartOfRecord):
        assess(other, as_of=LAST, previous=memory)


def test_a_short_night_writes_the_new_days_alone_and_asks_as_often_for_many_roofs_as_for_few(
    django_assert_max_num_queries: DjangoAssertNumQueries,
) -> None:
    roofs = [factories.site(name=f"Roof {number}") for number in range(9)]
    for roof in roofs:
        give_readings(roof, days=120)
    before = NOW - timedelta(days=1)
    start_night(now=before)
    assert assess_next(now=before) == len(roofs)
    first = {daily.site_id: daily for daily in SiteDaily.objects.all()}
    start_night(now=NOW)
    with django_assert_max_num_queries(55):  # of nine roofs: six a roof, and one for those about who is fitted whole
        assert assess_next(now=NOW) == len(roofs)
    yesterday = (LAST - timedelta(days=1) - EPOCH).days
    for daily in SiteDaily.objects.all():
        was = first[daily.site_id]
        if full_fit_due(yesterday, yesterday + 1, str(daily.site_id)):
            assert not daily.tail
            assert daily.memory != was.memory
        else:
            assert (daily.table, daily.memory) == (was.table, was.memory)
            assert list(unpack_daily(daily.tail).index) == [LAST]
            pd.testing.assert_frame_equal(daily.frame().iloc[:60, :3], was.frame().iloc[:60, :3])
        assert list(daily.frame().index) == [LAST - timedelta(days=back) for back in reversed(range(120))]
    newest = SiteAssessment.objects.newest()
    assert {row.site_id: row.as_of for row in newest} == dict.fromkeys((roof.pk for roof in roofs), LAST)


def test_changed_facts_on_a_short_night_have_the_whole_record_read_again() -> None:
    roof = factories.site()
    give_readings(roof, days=200)
    before = NOW - timedelta(days=2)
    ask_for_assessment(roof, now=before)
    assess_next(now=before)
    Site.objects.update(ac_kw=9.0)
    ask_for_assessment(roof, now=NOW)
    assert assess_next(now=NOW) == 1
    kept = SiteAssessment.objects.get(site=roof, as_of=LAST)
    assert kept.quality["days"] == 200
