"""Meters, the files customers send for them, and the readings as day blocks: one row a meter a local day."""

from __future__ import annotations

import zlib
from collections.abc import Iterable, Mapping
from datetime import date
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from django.contrib.auth.models import AnonymousUser
from django.db import models
from django.db.models import OuterRef, Subquery
from django.utils.translation import gettext, gettext_lazy, gettext_noop

from portal.models.by_mail import ReadingsMail
from portal.models.people import User
from portal.models.site import Site
from portal.models.token import Token
from portal.pv.days import join_days

DayBlock = npt.NDArray[np.float32]


def pack(block: DayBlock) -> bytes:
    """Pack a day's interval energies [Wh, float32, NaN where missing] for storage.

    The first bytes of all values come first, then the second ones: signs and exponents are alike and pack small.
    """
    by_place = block.astype("<f4").view(np.uint8).reshape(-1, 4).T
    return zlib.compress(by_place.tobytes(), 6, wbits=-zlib.MAX_WBITS)


def unpack(packed: bytes | memoryview) -> DayBlock:
    """Undo ``pack``."""
    by_place = np.frombuffer(zlib.decompress(packed, wbits=-zlib.MAX_WBITS), dtype=np.uint8).reshape(4, -1)
    return by_place.T.copy().view("<f4")[:, 0]


class MeterQuerySet(models.QuerySet["Meter"]):
    def visible_to(self, user: User | AnonymousUser) -> MeterQuerySet:
        return self.filter(site__in=Site.objects.visible_to(user))

    def fed_by(self, user: User | AnonymousUser) -> MeterQuerySet:
        return self.filter(site__in=Site.objects.fed_by(user))

    def last_days(self) -> list[tuple[int, int, date | None]]:
        """Each meter's site, its own key, and its newest day with readings."""
        # One step in the index of its days; the greatest of all days would read them all.
        newest = DayReadings.objects.filter(meter=OuterRef("pk")).order_by("-day").values("day")[:1]
        return list(self.annotate(last=Subquery(newest)).order_by("pk").values_list("site_id", "pk", "last"))


class Meter(models.Model):
    """Something that counts a site's production. A site's production is the sum of its meters."""

    site = models.ForeignKey(Site, models.CASCADE, related_name="meters")
    name = models.CharField(max_length=80, default=gettext_noop("Production"))
    mapping = models.JSONField(
        null=True, blank=True, editable=False, help_text="How the last file of this meter was read."
    )

    zone = models.CharField(
        max_length=64,
        blank=True,
        editable=False,
        help_text="The time zone its days are cut in; the site's when empty. After the site's changed, until a replay.",
    )
    replay_asked_at = models.DateTimeField(
        null=True, editable=False, help_text="Set while its days wait to be cut anew, in the site's new time zone."
    )

    objects = MeterQuerySet.as_manager()

    class Meta:
        ordering = ["pk"]
        constraints = [models.UniqueConstraint(fields=["site", "name"], name="meter_name_once_a_site")]

    def __str__(self) -> str:
        return f"{self.site} · {self.called}"

    @property
    def called(self) -> str:
        """Its name, in the reader's language where nobody gave it one."""
        return gettext("Production") if self.name == "Production" else self.name

    @property
    def cut_in(self) -> str:
        """The time zone its days are cut in."""
        return self.zone or self.site.tz


class ImportState(models.TextChoices):
    PENDING = "pending", gettext_lazy("Waiting")
    QUESTION = "question", gettext_lazy("Needs an answer")
    DONE = "done", gettext_lazy("Read")
    FAILED = "failed", gettext_lazy("Could not be read")
    UNDOING = "undoing", gettext_lazy("Being undone")
    UNDONE = "undone", gettext_lazy("Undone")


WAITING_STATES = (ImportState.PENDING, ImportState.UNDOING)
STUCK_STATES = (ImportState.FAILED, ImportState.QUESTION)
"""Nothing of it was taken in, and a person has to see to it."""


class CameBy(models.TextChoices):
    UPLOAD = "upload", gettext_lazy("Upload page")
    API = "api", "API"
    FOLDER = "folder", gettext_lazy("Watched folder")
    COMMAND = "command", gettext_lazy("Command line")
    MAIL = "mail", gettext_lazy("Mail")
    UTILITY = "utility", gettext_lazy("Utility")


class ImportQuerySet(models.QuerySet["Import"]):
    def visible_to(self, user: User | AnonymousUser) -> ImportQuerySet:
        """Imports of the sites whose readings the user may bring in."""
        return self.filter(meter__site__in=Site.objects.fed_by(user))

    def unfinished(self) -> ImportQuerySet:
        """Imports that wait for a worker."""
        return self.filter(state__in=WAITING_STATES)

    def unread(self) -> ImportQuerySet:
        """Those that could not be read or wait for an answer, where nothing came for their meter since that was."""
        later = Import.objects.filter(
            meter=models.OuterRef("meter"), state=ImportState.DONE, uploaded_at__gt=models.OuterRef("uploaded_at")
        )
        stuck = self.filter(state__in=STUCK_STATES)
        return stuck.exclude(models.Exists(later)).order_by("-uploaded_at", "-pk")

    def listed(self) -> ImportQuerySet:
        """Imports for a list: with their site, without what only the ledger page shows."""
        return self.select_related("meter__site__customer", "uploaded_by").defer(
            "rejected", "lumps", "gaps", "preview", "mapping", "clock_changes", "channels", "seen"
        )


class Import(models.Model):
    """One file for one meter, and the ledger of what reading it did. The original is kept."""

    meter = models.ForeignKey(Meter, models.CASCADE, related_name="imports")
    uploaded_by = models.ForeignKey(User, models.SET_NULL, null=True, blank=True, related_name="imports")
    uploaded_at = models.DateTimeField()
    came_by = models.CharField(max_length=10, choices=CameBy, default=CameBy.UPLOAD)
    token = models.ForeignKey(Token, models.SET_NULL, null=True, blank=True, related_name="imports")
    mail = models.ForeignKey(ReadingsMail, models.SET_NULL, null=True, blank=True, related_name="imports")
    filename = models.CharField(max_length=255)
    original = models.FileField(upload_to="imports/%Y/%m")
    size_bytes = models.PositiveBigIntegerField(
        default=0, help_text="Of the original; 0 where it came before this was kept."
    )
    sha256 = models.CharField(max_length=64)
    state = models.CharField(max_length=10, choices=ImportState, default=ImportState.PENDING)
    mapping = models.JSONField(null=True, blank=True)
    questions = models.JSONField(default=list, blank=True)
    problem = models.TextField(blank=True, help_text="Why it failed, in a sentence that says what to do next.")
    asked_at = models.DateTimeField(null=True, help_text="Since when it waits for a worker, or last did.")
    attempts = models.PositiveSmallIntegerField(
        default=0, help_text="How often a worker has begun; only the newest one may finish."
    )
    begun_at = models.DateTimeField(null=True, blank=True, help_text="When the newest attempt began.")
    turn = models.PositiveIntegerField(null=True, help_text="The order in which a meter's imports were merged.")
    finished_at = models.DateTimeField(null=True, blank=True)
    undone_by = models.ForeignKey(User, models.SET_NULL, null=True, blank=True, related_name="+")
    undone_at = models.DateTimeField(null=True, blank=True)

    interval_minutes = models.PositiveSmallIntegerField(null=True)
    rows_read = models.PositiveIntegerField(default=0)
    readings_new = models.PositiveIntegerField(default=0)
    readings_unchanged = models.PositiveIntegerField(default=0)
    readings_replaced = models.PositiveIntegerField(default=0)
    readings_set_aside = models.PositiveIntegerField(
        default=0, help_text="Not taken, because the day is held at a better interval."
    )
    rows_blank = models.PositiveIntegerField(default=0)
    rows_duplicate = models.PositiveIntegerField(default=0)
    rows_rejected = models.PositiveIntegerField(default=0)
    rejected = models.JSONField(default=list, blank=True, help_text="The first rejected lines: line, text, reason.")
    warnings = models.JSONField(default=list, blank=True)
    first_day = models.DateField(null=True, blank=True)
    last_day = models.DateField(null=True, blank=True)
    gaps = models.JSONField(default=list, blank=True, help_text="Missing stretches: first instant, instant after.")
    lumps = models.JSONField(
        default=list, blank=True, help_text="Energy whose course is unknown: start, end, energy_wh, reason, line."
    )
    clock_changes = models.JSONField(default=list, blank=True)
    channels = models.JSONField(default=list, blank=True, help_text="Series found: name, direction, taken.")
    preview = models.JSONField(null=True, blank=True, help_text="The first days as read: start, minutes, energy_wh.")
    seen = models.JSONField(
        null=True, blank=True, help_text="What the page that asks shows of the file: columns, sample, measures."
    )

    objects = ImportQuerySet.as_manager()

    class Meta:
        ordering = ["-pk"]
        indexes = [models.Index(fields=["state"], name="import_state")]
        constraints = [models.UniqueConstraint(fields=["meter", "turn"], name="import_turn_once_a_meter")]

    def __str__(self) -> str:
        return f"{self.filename} ({self.get_state_display()})"

    @property
    def waits(self) -> bool:
        """Whether it waits for a worker, or one is at it."""
        return self.state in WAITING_STATES


class Drawing(models.Model):
    """A file's first days as somebody proposes to have it read: asked for on a page, drawn by a worker."""

    of = models.OneToOneField(Import, models.CASCADE, related_name="drawing")
    mapping = models.JSONField()
    answers = models.JSONField(default=dict, help_text="What the form held, to show it again.")
    asked_at = models.DateTimeField()
    attempts = models.PositiveSmallIntegerField(default=0)
    begun_at = models.DateTimeField(null=True)
    drawn_at = models.DateTimeField(null=True)
    preview = models.JSONField(null=True)
    problem = models.TextField(blank=True, help_text="Why it cannot be drawn like this.")

    def __str__(self) -> str:
        return f"{self.of} drawn"


class DayReadingsQuerySet(models.QuerySet["DayReadings"]):
    def visible_to(self, user: User | AnonymousUser) -> DayReadingsQuerySet:
        return self.filter(meter__site__in=Site.objects.visible_to(user))

    def last_day(self, site: Site) -> date | None:
        """The newest day of any of a site's meters."""
        last: date | None = self.filter(meter__site=site).aggregate(last=models.Max("day"))["last"]
        return last

    def site_energy_wh(self, site: Site, *, since: date | None = None) -> tuple[pd.Series[float], int]:
        """A site's production [Wh] by interval start in UTC, and the interval in minutes.

        Meters are summed at the coarsest interval of the newest day's meters; where one meter misses, the sum misses.
        """
        days = self.filter(meter__site=site).order_by("meter_id", "day")
        return _sum(site, (days.filter(day__gte=since) if since else days).values_list("day", *_SUMMED))

    def since(self, days: Mapping[Site, date]) -> dict[int, tuple[pd.Series[float], int]]:
        """The same of several sites by their keys, each from a day on, in one query."""
        if not days:
            return {}
        rows: dict[int, list[Any]] = {site.pk: [] for site in days}
        first = {site.pk: day for site, day in days.items()}
        newest = self.filter(meter__site__in=first, day__gte=min(first.values())).order_by("meter_id", "day")
        for site_id, day, *rest in newest.values_list("meter__site_id", "day", *_SUMMED):
            if day >= first[site_id]:
                rows[site_id].append((day, *rest))
        return {site.pk: _sum(site, rows[site.pk]) for site in days}


_SUMMED = ("meter_id", "meter__zone", "interval_minutes", "packed")


def _sum(site: Site, rows: Iterable[Any]) -> tuple[pd.Series[float], int]:
    by_meter: dict[tuple[int, str], list[tuple[date, int, DayBlock]]] = {}
    for day, meter_id, zone, minutes, packed in rows:
        by_meter.setdefault((meter_id, zone or site.tz), []).append((day, minutes, unpack(packed)))
    if not by_meter:
        return pd.Series(dtype="float64", index=pd.DatetimeIndex([], tz="UTC"), name="energy_wh"), 15
    minutes = max(blocks[-1][1] for blocks in by_meter.values())
    series = [join_days(blocks, tz=zone, interval_minutes=minutes) for (_, zone), blocks in by_meter.items()]
    total = series[0]
    for other in series[1:]:
        total = total.add(other)  # NaN where either is missing: half a site is not the site
    return total.rename("energy_wh"), minutes


class DayReadings(models.Model):
    """One meter, one local day: interval energies in Wh, packed; 23, 24 or 25 hours long at clock changes."""

    meter = models.ForeignKey(Meter, models.CASCADE, related_name="days")
    day = models.DateField()
    interval_minutes = models.PositiveSmallIntegerField()
    packed = models.BinaryField()
    quality = models.TextField(
        blank=True, help_text="The source's own flags, run by run (“A*90 S*6”); empty when it has none."
    )
    written_by = models.ForeignKey(Import, models.SET_NULL, null=True, related_name="days_written")
    created_by = models.ForeignKey(Import, models.SET_NULL, null=True, related_name="days_created")

    objects = DayReadingsQuerySet.as_manager()

    class Meta:
        ordering = ["meter", "day"]
        constraints = [models.UniqueConstraint(fields=["meter", "day"], name="day_once_a_meter")]

    def __str__(self) -> str:
        return f"{self.meter} {self.day}"


class DayBefore(models.Model):
    """What a day looked like before an import changed it, so that the import can be undone.

    A day that an import created needs none: ``DayReadings.created_by`` says so.
    """

    changed_by = models.ForeignKey(Import, models.CASCADE, related_name="days_before")
    day = models.DateField()
    interval_minutes = models.PositiveSmallIntegerField()
    packed = models.BinaryField()
    quality = models.TextField(blank=True)
    written_by = models.ForeignKey(Import, models.SET_NULL, null=True, related_name="+")

    class Meta:
        constraints = [models.UniqueConstraint(fields=["changed_by", "day"], name="before_once_a_day")]

    def __str__(self) -> str:
        return f"{self.day} before import {self.changed_by_id}"
