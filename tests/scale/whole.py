"""A whole portal of many roofs: people on its pages while a night runs, and parts of it killed half-way through one."""

from __future__ import annotations

import random
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import timedelta

import numpy as np
from django.conf import settings
from django.db import connections
from django.db.models import F, Sum
from django.test import Client
from django.utils import timezone

from portal.actions.nights import start_night
from portal.models import Night, NightState, Site, SiteAssessment, User
from portal.models.night import LEASE
from tests.killed.portal import Portal
from tests.scale import VISITED

USERS = 50
REQUESTS_A_SECOND = 12.0
IDLE_SECONDS = 20.0
PATIENCE = 3600.0
"""Seconds; nothing is judged by it."""
ALL_OF_IT = ("database", "broker", "web", "worker", "beat")


@dataclass
class Visitors:
    """So many people of the two offices, each of whom opens a page now and then."""

    address: str
    taken: dict[str, list[float]] = field(default_factory=dict)
    """Seconds of each request, by what went on meanwhile."""
    failed: dict[str, int] = field(default_factory=dict)
    meanwhile: str = "nothing"
    _over: threading.Event = field(default_factory=threading.Event)

    def come(self) -> list[threading.Thread]:
        """Log in, and begin."""
        people = []
        for person in User.objects.filter(memberships__isnull=False).order_by("pk"):
            client = Client()
            client.force_login(person)
            roofs = list(Site.objects.visible_to(person).order_by("pk").values_list("pk", flat=True)[:500])
            people.append((client.cookies[settings.SESSION_COOKIE_NAME].value, roofs))
        threads = [threading.Thread(target=self._one, args=(n, *people[n % len(people)])) for n in range(USERS)]
        for thread in threads:
            thread.start()
        return threads

    def leave(self) -> None:
        self._over.set()

    def _one(self, number: int, session: str, roofs: list[int]) -> None:
        draw = random.Random(number)
        while not self._over.wait(draw.expovariate(REQUESTS_A_SECOND / USERS)):
            path = draw.choice(VISITED)
            if path == "a roof":
                path = f"/sites/{draw.choice(roofs)}/"
            asked = urllib.request.Request(self.address + path, headers={"Cookie": f"sessionid={session}"})
            meanwhile, began = self.meanwhile, time.monotonic()
            try:
                with urllib.request.urlopen(asked, timeout=60) as answer:
                    answer.read()
                    if answer.url != asked.full_url:
                        raise OSError(f"led to {answer.url}")
            except OSError:  # refused, timed out, or answered with an error
                self.failed[meanwhile] = self.failed.get(meanwhile, 0) + 1
            self.taken.setdefault(meanwhile, []).append(time.monotonic() - began)


def people_while_a_night_runs(portal: Portal, roofs: int) -> None:
    """Print how long the pages took while nothing went on, and while a night ran."""
    visitors = Visitors(portal.address)
    threads = visitors.come()
    seconds = {}
    for meanwhile in ("nobody had been there before", "nothing", "a night"):
        visitors.meanwhile, began = meanwhile, time.monotonic()
        if meanwhile == "a night":
            start_night(now=timezone.now())
            _await(portal, lambda: not Night.objects.waiting().exists())
        else:
            time.sleep(IDLE_SECONDS)
        seconds[meanwhile] = time.monotonic() - began
    visitors.leave()
    for thread in threads:
        thread.join()
    done = Night.objects.filter(state=NightState.DONE).count()
    print(f"a night of {roofs} roofs by two workers while {USERS} people were there: {seconds['a night']:.0f} s")
    assert done >= roofs, f"only {done} of them are done"
    for meanwhile in ("nothing", "a night"):
        taken = 1000 * np.array(visitors.taken.get(meanwhile, [np.nan]))
        median, most, nearly_all = np.quantile(taken, [0.5, 0.95, 0.99])
        print(
            f"pages while {meanwhile} went on: {len(taken)} requests, {len(taken) / seconds[meanwhile]:.1f} a second: "
            f"p50 {median:.0f}, p95 {most:.0f}, p99 {nearly_all:.0f} ms, failed {visitors.failed.get(meanwhile, 0)}",
            flush=True,
        )


def killed_half_way(portal: Portal, roofs: int) -> None:
    """Kill a worker, the broker, and all of it, each half-way through a night; print what became of the night."""
    for name, victims in (("the workers", ("worker",)), ("the broker", ("broker",)), ("the machine", ALL_OF_IT)):
        Night.objects.all().delete()
        SiteAssessment.objects.filter(is_newest=True).update(made_at=timezone.now() - timedelta(days=1))
        asked_at = timezone.now()
        start_night(now=asked_at)
        _await(portal, lambda: Night.objects.filter(state=NightState.DONE).count() >= roofs // 4)
        connections.close_all()  # not to be killed with the database
        portal.kill_and_restart(*victims)
        done, began = Night.objects.filter(state=NightState.DONE).count(), time.monotonic()
        if "worker" in victims:  # as if the lease of the dead were over
            Night.objects.waiting().exclude(begun_at=None).update(begun_at=F("begun_at") - LEASE)
        _await(portal, lambda: not Night.objects.waiting().exists())
        nights = Night.objects.filter(state=NightState.DONE)
        again = (nights.filter(attempts__gt=1).aggregate(Sum("attempts"))["attempts__sum"] or 0) - nights.filter(
            attempts__gt=1
        ).count()
        assessed = SiteAssessment.objects.newest().filter(made_at__gte=asked_at).count()
        print(
            f"{name} killed when {done} of {roofs} roofs were done: {roofs - min(nights.count(), assessed)} lost, "
            f"{Night.objects.filter(state=NightState.FAILED).count()} given up, {again} begun twice, the rest done "
            f"{time.monotonic() - began:.0f} s after the restart",
            flush=True,
        )


def _await(portal: Portal, happened: Callable[[], bool]) -> None:
    deadline = time.monotonic() + PATIENCE
    while not happened():
        portal.look_after()
        if time.monotonic() > deadline:
            raise TimeoutError(f"not within {PATIENCE:.0f} s")
        time.sleep(0.1)
