"""The queue of the night: what a worker has begun is its own, a dead worker's is another's, nothing ends unsaid."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from django.utils import timezone

from portal.actions.cells import assess_cell
from portal.actions.nights import ask_for_assessment, assess_next, poll_nights, start_night
from portal.models import DayReadings, Night, NightState, Role, Site, SiteAssessment
from portal.models.night import LEASE, TRIES
from portal.pv.cells import LARGEST_CELL
from portal.pv.said import Code
from tests import factories
from tests.actions.test_assessments import give_readings

pytestmark = pytest.mark.django_db

NOW = factories.NOW
LATER = NOW + LEASE + timedelta(minutes=1)


def begun(site: Site, *, tries: int = 1) -> Night:
    """A night whose worker died."""
    return Night.objects.create(site=site, day=NOW.date(), asked_at=NOW, begun_at=NOW, attempts=tries)


def test_what_a_worker_has_begun_no_other_takes_until_its_lease_is_over() -> None:
    begun(factories.site())
    assert assess_next(now=NOW + timedelta(minutes=1)) == 0
    assert assess_next(now=LATER) == 1
    night = Night.objects.get()
    assert (night.state, night.attempts, night.begun_at) == (NightState.DONE, 2, None)


def test_a_night_whose_worker_died_three_times_is_given_up_in_a_sentence_and_the_last_answer_stays() -> None:
    roof = factories.site()
    good = factories.assessment(site=roof, as_of=NOW.date() - timedelta(days=3))
    begun(roof, tries=TRIES)
    poll_nights(now=NOW + timedelta(minutes=1))
    assert Night.objects.get().state == NightState.WAITING, "its worker may still be at it"
    poll_nights(now=LATER)
    night = Night.objects.get()
    assert night.state == NightState.FAILED
    assert "three times" in night.problem
    assert assess_next(now=LATER) == 0
    assert SiteAssessment.objects.get() == good


def test_the_office_sees_on_its_first_page_what_was_given_up(client: Any) -> None:
    now = timezone.now()
    roof = factories.site()
    Night.objects.create(site=roof, day=now.date(), asked_at=now, begun_at=now - 2 * LEASE, attempts=TRIES)
    poll_nights(now=now)
    client.force_login(factories.member(roof.customer.business, Role.OFFICE))
    assert "did not come to an end, three times over" in client.get("/").content.decode()


def test_given_up_and_asked_for_again_it_has_three_tries_again() -> None:
    roof = factories.site()
    Night.objects.create(site=roof, day=NOW.date(), asked_at=NOW, state=NightState.FAILED, attempts=TRIES)
    ask_for_assessment(roof, now=NOW)
    assert assess_next(now=NOW) == 1
    assert Night.objects.get().state == NightState.DONE


def test_what_was_asked_for_while_the_clock_stood_ahead_is_of_today_when_it_is_right_again() -> None:
    roof = factories.site()
    give_readings(roof, days=20)
    ask_for_assessment(roof, now=NOW + timedelta(days=365))
    assert assess_next(now=NOW) == 1
    assert SiteAssessment.objects.get().as_of == NOW.date() - timedelta(days=1)


def test_what_was_uploaded_today_goes_before_the_night() -> None:
    far = [factories.site(latitude=30.0 + 2 * number) for number in range(3)]
    start_night(now=NOW)
    ask_for_assessment(far[2], now=NOW + timedelta(seconds=1))
    assert assess_next(now=NOW + timedelta(seconds=2)) == 1
    assert Night.objects.get(state=NightState.DONE).site == far[2]


def test_a_town_of_many_roofs_is_done_in_parts_that_any_worker_may_take() -> None:
    customer = factories.customer()
    count = LARGEST_CELL + 4
    for number in range(count):
        factories.site(customer=customer, name=f"Roof {number}", latitude=39.6 + 0.004 * number)
    start_night(now=NOW)
    taken = [assess_next(now=NOW), assess_next(now=NOW)]
    assert taken == [count // 2, count // 2]
    assert not Night.objects.waiting().exists()


def test_a_roof_that_stops_its_neighbours_is_tried_in_smaller_company_until_it_alone_is_given_up() -> None:
    roofs = [factories.site(name=f"Roof {number}") for number in range(8)]
    meter = factories.meter(site=roofs[2])
    DayReadings.objects.create(meter=meter, day=NOW.date(), interval_minutes=60, packed=b"not a day")
    start_night(now=NOW)
    taken = []
    while count := assess_next(now=NOW):
        taken.append(count)
    assert taken[0] == 8
    assert dict(Night.objects.values_list("site", "state")) == {
        roof.pk: NightState.FAILED if roof == roofs[2] else NightState.DONE for roof in roofs
    }
    assert "three times" in Night.objects.get(site=roofs[2]).problem


def test_a_roof_judged_without_its_neighbours_says_so_and_is_compared_again_the_next_night(client: Any) -> None:
    roofs = [factories.site(name=name) for name in ("A", "B")]
    for roof in roofs:
        give_readings(roof, days=200)
        begun(roof, tries=TRIES - 1)
    assert assess_next(now=LATER) == 1, "the third try is alone"
    said = SiteAssessment.objects.get()
    assert {"code": Code.WITHOUT_NEIGHBOURS, "figures": {}} in said.reasons
    assert not said.site.daily.memory
    now = timezone.now()
    told = factories.assessment(as_of=now.date() - timedelta(days=1), made_at=now, reasons=said.reasons)
    client.force_login(factories.member(told.site.customer.business, Role.OFFICE))
    page = client.get(f"/sites/{told.site.pk}/").content.decode()
    assert "could not be compared with the roofs around it" in page


def test_a_village_a_little_outside_of_a_town_is_compared_with_the_roofs_of_it_that_are_near() -> None:
    # In degrees of latitude, 111 km each: the last is 50 km from the town's first roof, and 12 km from two others.
    town = [factories.site(name=f"{north} north", latitude=39.6 + north) for north in (0, 0.34, 0.35)]
    village = factories.site(name="Village", latitude=39.6 + 0.45)
    for roof in (*town, village):
        give_readings(roof, days=120)
    start_night(now=NOW)
    village.refresh_from_db()
    assert village.cell == village.pk, "it is no part of the town"
    as_of = NOW.date() - timedelta(days=1)
    [(_, answer)] = assess_cell([village.pk], as_of=as_of, in_company=True)
    assert answer is not None
    assert answer.neighbours == 2


def test_a_site_without_a_plane_keeps_nobody_waiting() -> None:
    ask_for_assessment(factories.site(planes=False), now=NOW)
    assert assess_next(now=NOW) == 1
    assert not Night.objects.waiting().exists()
    assert not SiteAssessment.objects.exists()


def test_the_night_begins_with_a_dozen_queries_however_many_roofs(django_assert_max_num_queries: Any) -> None:
    for number in range(20):
        factories.site(latitude=30.0 + number)
    with django_assert_max_num_queries(14):
        assert start_night(now=NOW) == 20


def test_firms_help_each_other_with_their_air_and_see_nothing_of_each_other(client: Any) -> None:
    ours, theirs = factories.site(), factories.site()
    assert ours.customer.business != theirs.customer.business
    for roof in (ours, theirs):
        give_readings(roof, days=120)
    start_night(now=NOW)
    assert assess_next(now=NOW) == 2
    owner = factories.member(ours.customer.business, Role.OWNER)
    client.force_login(owner)
    for page in ("/", "/sites/", f"/sites/{ours.pk}/"):
        text = client.get(page).content.decode()
        assert theirs.customer.name not in text
        assert theirs.customer.business.name not in text
        assert f"/sites/{theirs.pk}/" not in text
    assert client.get(f"/sites/{theirs.pk}/").status_code == 404
    assert set(SiteAssessment.objects.visible_to(owner).values_list("site", flat=True)) == {ours.pk}


@pytest.mark.long(8)
@pytest.mark.services
@pytest.mark.django_db(transaction=True)
def test_a_night_whose_whole_worker_is_killed_is_done_by_the_next_one(
    celery_worker_process: Callable[..., Any], supervisor: object
) -> None:
    for name in ("A", "B", "C", "D"):
        give_readings(factories.site(name=name), days=500, minutes=15)
    worker = celery_worker_process()
    start_night(now=NOW)  # asks for the job: the queue is set

    def until(happened: Callable[[], bool], seconds: float) -> None:
        deadline = time.monotonic() + seconds
        while not happened():
            assert time.monotonic() < deadline
            time.sleep(0.01)

    until(lambda: Night.objects.filter(attempts=1).exists(), 30)
    os.killpg(worker.process.pid, signal.SIGKILL)
    worker.process.wait()
    done = set(Night.objects.filter(state=NightState.DONE).values_list("pk", flat=True))
    assert len(done) < 4, "it was killed too late"
    celery_worker_process()
    night = Night.objects.waiting().first()
    assert night is not None
    assert night.begun_at is not None
    # A while later the lease is over, and the poll sees that nobody is at it.
    Night.objects.waiting().update(begun_at=night.begun_at - LEASE)
    assert poll_nights(now=night.begun_at + timedelta(minutes=10)) == 4 - len(done)
    until(lambda: not Night.objects.waiting().exists(), 60)
    assert dict(Night.objects.values_list("pk", "attempts")) == {
        key: 1 if key in done else 2 for key in Night.objects.values_list("pk", flat=True)
    }
    assert SiteAssessment.objects.count() == 4
