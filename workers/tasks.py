"""What the worker does, by the names under which the portal asks for it. Each may run twice, late, or die half-way."""

import logging
from collections.abc import Callable
from functools import wraps

from django.conf import settings
from django.utils import timezone

from portal.actions import files, forget, health, holds, inbox, nights, proof, standing_wishes, stations, thin
from portal.actions.by_mail import keep, take
from portal.actions.green_button import farewell, fetch, notices
from portal.actions.imports import drawing, replay, waiting
from portal.actions.keeping import strays
from portal.actions.reminders import plan, send
from workers.app import app

log = logging.getLogger(__name__)


def where_the_clock_is_right(job: Callable[[], None]) -> Callable[[], None]:
    """Leave out a round of what hangs on the day while the clock is in doubt: beat asks again."""

    @wraps(job)
    def held() -> None:
        if holds.trust_clock(now=timezone.now()):
            job()

    return held


def where_there_is_room(job: Callable[[], None]) -> Callable[[], None]:
    """Leave out a round of what can wait while the disk is as good as full: half an assessment helps nobody."""

    @wraps(job)
    def held() -> None:
        if files.short_of_room():
            log.error("the disk is as good as full: %s waits until there is room", job.__name__)
        else:
            job()

    return held


@app.task(name="import_file")
def import_file(import_id: int) -> None:
    waiting.work_on_import(import_id=import_id, now=timezone.now())


@app.task(name="draw_import")
def draw_import(drawing_id: int) -> None:
    drawing.draw_import(drawing_id=drawing_id, now=timezone.now())


@app.task(name="replay_meter")
def replay_meter(meter_id: int) -> None:
    replay.replay_meter(meter_id=meter_id, now=timezone.now())


@app.task(name="poll_imports")
def poll_imports() -> None:
    waiting.poll_imports(now=timezone.now())


@app.task(name="collect_inbox")
def collect_inbox() -> None:
    inbox.collect_inbox(inbox=settings.INBOX, now=timezone.now())


@app.task(name="take_mail")
def take_mail(mail_id: int) -> None:
    take.take_mail(mail_id=mail_id, now=timezone.now())


@app.task(name="collect_mails")
def collect_mails() -> None:
    keep.collect_mails(now=timezone.now())


@app.task(name="poll_mails")
def poll_mails() -> None:
    take.poll_mails(now=timezone.now())


@app.task(name="work_on_utility")
def work_on_utility(connection_id: int) -> None:
    fetch.work_on_utility(connection_id=connection_id, now=timezone.now())


@app.task(name="read_notice")
def read_notice(notice_id: int) -> None:
    notices.read_notice(notice_id=notice_id, now=timezone.now())


@app.task(name="say_farewell")
def say_farewell(farewell_id: int) -> None:
    farewell.say_farewell(farewell_id=farewell_id, now=timezone.now())


@app.task(name="poll_utilities")
def poll_utilities() -> None:
    fetch.poll_utilities(now=timezone.now())


@app.task(name="fetch_rain")
def fetch_rain() -> None:
    stations.fetch_stations(address=settings.RAIN_ADDRESS, now=timezone.now())


@app.task(name="start_night")
@where_the_clock_is_right
@where_there_is_room
def start_night() -> None:
    nights.start_night(now=timezone.now())


@app.task(name="assess_next")
@where_the_clock_is_right
@where_there_is_room
def assess_next() -> None:
    nights.assess_next(now=timezone.now())


@app.task(name="poll_nights")
@where_the_clock_is_right
@where_there_is_room
def poll_nights() -> None:
    nights.poll_nights(now=timezone.now())


@app.task(name="update_proofs")
@where_the_clock_is_right
def update_proofs() -> None:
    proof.update_proofs(now=timezone.now())


@app.task(name="thin_assessments")
@where_the_clock_is_right
def thin_assessments() -> None:
    thin.thin_assessments(now=timezone.now())


@app.task(name="clear_strays")
@where_the_clock_is_right
def clear_strays() -> None:
    strays.clear_strays(now=timezone.now())


@app.task(name="forget_old")
@where_the_clock_is_right
def forget_old() -> None:
    forget.forget_old(now=timezone.now())


@app.task(name="plan_reminders")
@where_the_clock_is_right
def plan_reminders() -> None:
    plan.plan_standing(now=timezone.now())
    plan.plan_unassessed(now=timezone.now())
    standing_wishes.call_for_wishes(now=timezone.now())


@app.task(name="send_reminders")
@where_the_clock_is_right
def send_reminders() -> None:
    send.send_due(now=timezone.now())


@app.task(name="heartbeat")
def heartbeat(queue: str) -> None:
    health.beat(queue=queue, now=timezone.now())
