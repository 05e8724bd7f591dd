"""Each request gets a number, a line in the log and a place in the figures: by its route, never by its path."""

from __future__ import annotations

import logging
import re
from collections.abc import Callable, Iterable, Iterator
from time import perf_counter
from typing import TYPE_CHECKING, Any
from uuid import uuid4

from django.conf import settings
from django.db import DatabaseError
from django.db.models import Count
from django.http import HttpRequest, HttpResponse
from django.utils import timezone
from prometheus_client import REGISTRY, CollectorRegistry, Histogram, make_wsgi_app
from prometheus_client.core import GaugeMetricFamily
from prometheus_client.multiprocess import MultiProcessCollector
from prometheus_client.registry import Collector

from portal.actions.health import broker_answers, waiting_since
from portal.actions.logs import REQUEST
from portal.models import Heartbeat, Import, Night, Reminder

if TYPE_CHECKING:
    from wsgiref.types import StartResponse, WSGIEnvironment

log = logging.getLogger("portal.traffic")

REQUEST_NUMBER = re.compile(r"[A-Za-z0-9-]{8,64}")
"""A proxy may have numbered the request; whatever else stands there is not ours to repeat."""

SECONDS = Histogram(
    "rinsemark_request_seconds",
    "How long requests took, by route.",
    ["method", "route", "status"],
    buckets=(0.05, 0.1, 0.25, 0.5, 1, 2.5, 5, 10, 30),
)
METHODS = {"GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS"}


def numbered(get_response: Callable[[HttpRequest], HttpResponse]) -> Callable[[HttpRequest], HttpResponse]:
    """The outermost middleware."""

    def answer(request: HttpRequest) -> HttpResponse:
        begun = perf_counter()
        given = request.headers.get("X-Request-ID", "")
        number = given if REQUEST_NUMBER.fullmatch(given) else uuid4().hex
        before = REQUEST.set(number)
        try:
            response = get_response(request)
            response["X-Request-ID"] = number
            took = perf_counter() - begun
            method, route = request.method if request.method in METHODS else "other", _route(request)
            SECONDS.labels(method, route, response.status_code).observe(took)
            facts = {"method": method, "route": route, "status": response.status_code, "ms": round(1000 * took)}
            log.info("", extra={"facts": facts})
        finally:
            REQUEST.reset(before)
        return response

    return answer


def _route(request: HttpRequest) -> str:
    if request.resolver_match is not None:
        return f"/{request.resolver_match.route}"
    return settings.STATIC_URL if request.path.startswith(settings.STATIC_URL) else "unknown"


class Rows(Collector):
    """What the tables say when the figures are asked for."""

    def collect(self) -> Iterator[GaugeMetricFamily]:
        now = timezone.now()
        yield GaugeMetricFamily("rinsemark_broker_up", "Whether the queue's server answers.", value=broker_answers())
        try:
            seen = list(self._rows(now))
        except DatabaseError:
            seen = []
        yield GaugeMetricFamily("rinsemark_database_up", "Whether the database answers.", value=bool(seen))
        yield from seen

    def _rows(self, now: Any) -> Iterator[GaugeMetricFamily]:
        beats = GaugeMetricFamily("rinsemark_heartbeat_age_seconds", "Since a worker answered beat.", labels=["queue"])
        for queue, at in Heartbeat.objects.values_list("queue", "beaten_at"):
            beats.add_metric([queue], (now - at).total_seconds())
        yield beats
        oldest = GaugeMetricFamily("rinsemark_oldest_job_seconds", "How long the oldest job waits.", labels=["kind"])
        for kind, since in waiting_since(now=now).items():
            oldest.add_metric([kind], (now - since).total_seconds())
        yield oldest
        rows = GaugeMetricFamily("rinsemark_rows", "Rows of the queues, by their state.", labels=["queue", "state"])
        for model in (Import, Night, Reminder):
            for state, count in model._default_manager.order_by().values_list("state").annotate(Count("pk")):
                rows.add_metric([model._meta.model_name or "", state], count)
        yield rows


def figures(environ: WSGIEnvironment, start_response: StartResponse) -> Iterable[bytes]:
    """The figures of all web processes, in the text form that Prometheus reads. For an address of its own."""
    registry = CollectorRegistry()
    if settings.FIGURES_PORT:
        MultiProcessCollector(registry)  # type: ignore[no-untyped-call]
    else:
        registry.register(REGISTRY)
    registry.register(Rows())
    return list(make_wsgi_app(registry)(environ, start_response))
