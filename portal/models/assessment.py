"""What the readings said of a site on a day, kept for pages, leads and reminders."""

from __future__ import annotations

import io
from collections.abc import Sequence
from datetime import date, timedelta
from typing import Any

import numpy as np
import pandas as pd
from django.contrib.auth.models import AnonymousUser
from django.db import models
from django.utils import timezone

from portal.models.people import User
from portal.models.site import Site
from portal.pv.advice import STATES, State, kept_advice
from portal.pv.result import Cause, Verdict

SILENT_AFTER = timedelta(days=60)
"""Without readings for longer there is no verdict any more. Common practice, no source."""


_ONE_A_DAY = ("site", "as_of")


class SiteAssessmentQuerySet(models.QuerySet["SiteAssessment"]):
    def visible_to(self, user: User | AnonymousUser) -> SiteAssessmentQuerySet:
        return self.filter(site__in=Site.objects.visible_to(user))

    def newest(self) -> SiteAssessmentQuerySet:
        """One row a site: its newest assessment."""
        return self.filter(is_newest=True)

    def keep(self, rows: Sequence[SiteAssessment]) -> None:
        """Keep assessments, one a site; the same day again replaces it. In four queries for any number."""
        sites = [row.site_id for row in rows]
        last = dict(self.filter(site__in=sites).newest().values_list("site_id", "as_of"))
        for row in rows:
            row.is_newest = row.site_id not in last or last[row.site_id] <= row.as_of
        changed = [field.name for field in self.model._meta.concrete_fields if field.name not in ("id", *_ONE_A_DAY)]
        self.bulk_create(rows, update_conflicts=True, unique_fields=_ONE_A_DAY, update_fields=changed)
        newest = [row for row in rows if row.is_newest]
        before = self.filter(site__in=[row.site_id for row in newest], is_newest=True)
        before.exclude(pk__in=[row.pk for row in newest]).update(is_newest=False)


class SiteAssessment(models.Model):
    """One site as of one day. Losses and gains are fractions of the clean yield."""

    site = models.ForeignKey(Site, models.CASCADE, related_name="assessments")
    as_of = models.DateField()
    is_newest = models.BooleanField(default=False, editable=False, help_text="Of its site; set when it is kept.")
    made_at = models.DateTimeField(default=timezone.now)
    verdict = models.CharField(max_length=20, choices=[(v.value, v.value) for v in Verdict])
    cause = models.CharField(max_length=20, choices=[(c.value, c.value) for c in Cause], blank=True)
    cause_began = models.DateField(null=True)
    present_loss = models.FloatField(null=True)
    loss_low = models.FloatField(null=True)
    loss_high = models.FloatField(null=True)
    loss_quantiles = models.JSONField(default=list, help_text="0.05, 0.15 … 0.95 quantiles of the present loss.")
    soiling_rate_per_day = models.FloatField(null=True)
    soiling_since = models.DateField(null=True)
    reasons = models.JSONField(
        default=list, help_text="Each a code with its figures (portal.pv.said); a sentence in rows of before."
    )
    cleanings = models.JSONField(default=list, help_text="date, gain, low, high of each known visit.")
    recoveries = models.JSONField(default=list, help_text="date, gain, low, high of each recovery in the data.")
    quality = models.JSONField(default=dict)
    readings_until = models.DateField(null=True, help_text="Last day with readings; not known of rows of before.")
    seen = models.JSONField(
        default=list,
        help_text="Where the readings show another slope or direction than told: each plane with its tilt and azimuth "
        "[degrees] as told and as seen.",
    )
    neighbours = models.PositiveIntegerField(default=0)

    # what follows from it: money and time
    energy_kwh_per_year = models.FloatField(null=True, help_text="Expected clean yield of a year, the site's own.")
    value_lost_per_month = models.DecimalField(max_digits=10, decimal_places=2, null=True)
    clean_due = models.DateField(null=True)
    due_basis = models.CharField(
        max_length=10, choices=[("readings", "the readings"), ("calendar", "the calendar")], blank=True
    )
    advice = models.JSONField(
        default=dict,
        help_text="What these readings advise (portal.pv.advice); what happened since is joined when it is read. Empty "
        "on rows of before.",
    )

    objects = SiteAssessmentQuerySet.as_manager()

    class Meta:
        ordering = ["-as_of", "-pk"]
        constraints = [models.UniqueConstraint(fields=["site", "as_of"], name="assessment_once_a_day")]
        indexes = [models.Index(fields=["site"], condition=models.Q(is_newest=True), name="newest_assessment")]

    def __str__(self) -> str:
        return f"{self.site} {self.as_of}: {self.verdict}"

    def save(self, **options: Any) -> None:
        """Keep it, and mark the site's newest one: lists read that and no other."""
        of_site = SiteAssessment.objects.filter(site=self.site_id)
        self.is_newest = not of_site.filter(as_of__gt=self.as_of).exists()
        super().save(**options)
        if self.is_newest:
            of_site.filter(is_newest=True).exclude(pk=self.pk).update(is_newest=False)

    @property
    def less_since(self) -> date | None:
        """Since when the roof makes less, by a fault or by dirt."""
        return self.cause_began or self.soiling_since

    @property
    def silent(self) -> bool:
        """Whether its readings end so long before it was made that its verdict counts no more."""
        return self._without_readings() > SILENT_AFTER

    @property
    def state(self) -> State:
        """How the roof stood by it, as far as that still counts: by the advice of the day, not by the verdict alone."""
        advised = kept_advice(self.advice)
        if self.silent:
            return State.CANNOT_TELL
        return advised.state if advised else STATES[Verdict(self.verdict)]

    def _without_readings(self) -> timedelta:
        return timedelta(0) if self.readings_until is None else self.made_at.date() - self.readings_until


FLOAT_COLUMNS = ("energy_wh", "expected_wh", "index", "soiling_ratio", "soiling_ratio_low", "soiling_ratio_high")


def pack_daily(daily: pd.DataFrame) -> bytes:
    """Pack an assessment's daily table (see ``portal.pv.result.Assessment``)."""
    reasons, codes = np.unique(daily["refused"].to_numpy(dtype=str), return_inverse=True)
    packed = io.BytesIO()
    np.savez_compressed(
        packed,
        day=np.array([day.toordinal() for day in daily.index], dtype=np.int32),
        used=daily["used"].to_numpy(dtype=bool),
        reasons=reasons,
        refused=codes.astype(np.uint8),
        values=daily[list(FLOAT_COLUMNS)].to_numpy(dtype=np.float32),
    )
    return packed.getvalue()


def unpack_daily(packed: bytes | memoryview) -> pd.DataFrame:
    """Undo ``pack_daily``."""
    with np.load(io.BytesIO(packed), allow_pickle=False) as kept:
        columns = dict(zip(FLOAT_COLUMNS, kept["values"].T.astype(np.float64), strict=True))
        columns["used"] = kept["used"]
        columns["refused"] = kept["reasons"][kept["refused"]] if len(kept["reasons"]) else np.array([], dtype=str)
        days = [date.fromordinal(int(day)) for day in kept["day"]]
    return pd.DataFrame(columns, index=pd.Index(days, dtype=object))


class SiteDaily(models.Model):
    """The newest assessment's daily table for the charts, and the state that makes the next one cheap."""

    site = models.OneToOneField(Site, models.CASCADE, related_name="daily")
    as_of = models.DateField()
    table = models.BinaryField(help_text="Packed daily frame of the last full fit.")
    tail = models.BinaryField(default=b"", help_text="The same of the days since; empty where there are none.")
    memory = models.BinaryField(
        default=b"", help_text="What the assessment remembers, so that a new day costs milliseconds; may be empty."
    )
    fan = models.JSONField(
        default=dict,
        help_text="The year ahead (portal.pv.fan); empty where readings cannot say, and on rows of before.",
    )

    def __str__(self) -> str:
        return f"{self.site} daily to {self.as_of}"

    def frame(self) -> pd.DataFrame:
        """The daily table, as ``Assessment.daily``."""
        table = unpack_daily(self.table)
        if not self.tail:
            return table
        tail = unpack_daily(self.tail)
        return pd.concat([table.loc[: tail.index[0] - timedelta(days=1)], tail])
