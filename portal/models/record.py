"""The record of a visit: what was done, seen and photographed, as it came in from one or more phones.

Entries are only ever added. Each carries an identity made on the phone, so that sending it twice keeps one, and two
phones on one visit simply add up. What stands of an item is worked out when it is read (``standing``).
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime

from django.contrib.auth.models import AnonymousUser
from django.db import models
from django.db.models import Q
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from portal.models.people import Business, User
from portal.models.site import Site
from portal.models.visit import Visit


class EntryKind(models.TextChoices):
    SET_OUT = "set_out", gettext_lazy("Set out")
    ARRIVED = "arrived", gettext_lazy("Arrived")
    PLACE = "place", gettext_lazy("Where the roof is")
    ANSWER = "answer", gettext_lazy("Asked on the doorstep")
    STEP = "step", gettext_lazy("Step of the work")
    INSPECTION = "inspection", gettext_lazy("Looked over")
    FEW_PHOTOS = "few_photos", gettext_lazy("Why fewer photos")
    EXTRA = "extra", gettext_lazy("Extra work")
    TOLD = "told", gettext_lazy("What the customer was told")
    SIGN_OFF = "sign_off", gettext_lazy("Customer")
    FINISH = "finish", gettext_lazy("Finished")
    LEFT = "left", gettext_lazy("Left")
    READ = "read", gettext_lazy("Read what is known of the roof")


class WorkStep(models.TextChoices):
    """The work, in its order."""

    TAP = "tap", gettext_lazy("Tap and hose")
    WATER = "water", gettext_lazy("Filter and water quality")
    LADDER = "ladder", gettext_lazy("Ladder and footing")
    PRE_RINSE = "pre_rinse", gettext_lazy("Pre-rinse")
    SOAK = "soak", gettext_lazy("Soak")
    SCRUB = "scrub", gettext_lazy("Soft scrub")
    RINSE = "rinse", gettext_lazy("Final rinse")


class Look(models.TextChoices):
    """What is looked over."""

    GLASS = "glass", gettext_lazy("Glass")
    FRAME = "frame", gettext_lazy("Frame and clamps")
    CABLES = "cables", gettext_lazy("Cables and connectors")
    ROOF = "roof", gettext_lazy("Roof penetrations")
    NESTING = "nesting", gettext_lazy("Nesting under panels")
    DEBRIS = "debris", gettext_lazy("Debris")
    SHADING = "shading", gettext_lazy("Shading growth")


class Ask(models.TextChoices):
    """What to ask on the doorstep."""

    INSTALLED = "installed", gettext_lazy("When was the system installed, and by whom?")
    CLEANED = "cleaned", gettext_lazy("Has it ever been cleaned? When?")
    NOTICED = "noticed", gettext_lazy("Have you noticed it making less?")


class InspectionFinding(models.TextChoices):
    OK = "ok", "OK"
    SEEN = "seen", gettext_lazy("Seen")
    URGENT = "urgent", gettext_lazy("Urgent")


class SignOff(models.TextChoices):
    SIGNED = "signed", gettext_lazy("Customer agreed")
    NOT_AT_HOME = "not_at_home", gettext_lazy("Not at home")


_SEVERITY = {InspectionFinding.OK: 0, InspectionFinding.SEEN: 1, InspectionFinding.URGENT: 2}


class VisitEntryQuerySet(models.QuerySet["VisitEntry"]):
    def visible_to(self, user: User | AnonymousUser) -> VisitEntryQuerySet:
        return self.filter(visit__in=Visit.objects.visible_to(user))


class VisitEntry(models.Model):
    """One thing somebody entered on a visit."""

    visit = models.ForeignKey(Visit, models.CASCADE, related_name="entries")
    client_id = models.UUIDField(help_text="Made on the phone: the same entry sent twice is one.")
    kind = models.CharField(max_length=12, choices=EntryKind)
    item = models.CharField(
        max_length=12, blank=True, help_text="Which step, part, question; the mark of what was read."
    )
    answer = models.CharField(max_length=12, blank=True, help_text="ok, seen, urgent; signed, not_at_home.")
    water_ppm = models.PositiveIntegerField(null=True, blank=True, help_text="Dissolved solids of the rinse water.")
    soak_minutes = models.PositiveSmallIntegerField(null=True, blank=True)
    drive_minutes = models.PositiveSmallIntegerField(
        null=True, blank=True, help_text="Of a van that sets out: how long it takes to the roof."
    )
    note = models.TextField(blank=True)
    amount = models.DecimalField(
        max_digits=8, decimal_places=2, null=True, blank=True, help_text="Of an extra: the price agreed on the spot."
    )
    agreed_by = models.CharField(max_length=120, blank=True, help_text="Of an extra: who said yes to it.")
    signature = models.TextField(
        blank=True, help_text="Of a sign-off: what was drawn on the glass, as an SVG path in a box of 600 by 200."
    )
    at = models.DateTimeField(help_text="By the phone's clock.")
    by = models.ForeignKey(User, models.SET_NULL, null=True, related_name="visit_entries")

    objects = VisitEntryQuerySet.as_manager()

    class Meta:
        verbose_name_plural = "visit entries"
        ordering = ["at", "pk"]
        constraints = [models.UniqueConstraint(fields=["visit", "client_id"], name="entry_arrives_once")]

    def __str__(self) -> str:
        return f"{self.get_kind_display()} {self.item} {self.answer}".strip()

    @property
    def item_label(self) -> str:
        labels = {EntryKind.STEP: WorkStep, EntryKind.INSPECTION: Look, EntryKind.ANSWER: Ask}.get(EntryKind(self.kind))
        return str(labels(self.item).label) if labels and self.item else ""

    @property
    def answer_label(self) -> str:
        labels = {EntryKind.INSPECTION: InspectionFinding, EntryKind.SIGN_OFF: SignOff}.get(EntryKind(self.kind))
        return str(labels(self.answer).label) if labels and self.answer else ""


def standing(entries: Iterable[VisitEntry]) -> dict[tuple[str, str], VisitEntry]:
    """What stands of each (kind, item): each person's newest word, and between persons the gravest.

    Two technicians who look at the same clamp and disagree leave the graver finding on the record.
    """
    newest: dict[tuple[str, str, int | None], VisitEntry] = {}
    for entry in sorted(entries, key=lambda e: (e.at, e.pk)):
        newest[entry.kind, entry.item, entry.by_id] = entry
    stands: dict[tuple[str, str], VisitEntry] = {}
    for entry in sorted(
        newest.values(),
        key=lambda e: (
            (_SEVERITY.get(InspectionFinding(e.answer), 0), e.at, e.pk)
            if e.kind == EntryKind.INSPECTION
            else (0, e.at, e.pk)
        ),
    ):
        stands[entry.kind, entry.item] = entry
    return stands


def times_there(entries: Iterable[VisitEntry]) -> tuple[datetime | None, datetime | None]:
    """When the first of the crew arrived, and when the last left."""
    entries = list(entries)
    arrived = [entry.at for entry in entries if entry.kind == EntryKind.ARRIVED]
    left = [entry.at for entry in entries if entry.kind == EntryKind.LEFT]
    return min(arrived, default=None), max(left, default=None)


def findings(entries: Iterable[VisitEntry]) -> list[VisitEntry]:
    """Standing findings that are not "ok", the urgent ones first."""
    found = [
        entry
        for (kind, _), entry in standing(entries).items()
        if kind == EntryKind.INSPECTION and entry.answer != InspectionFinding.OK
    ]
    order = {look.value: place for place, look in enumerate(Look)}
    return sorted(found, key=lambda entry: (entry.answer != InspectionFinding.URGENT, order[entry.item]))


class Phase(models.TextChoices):
    BEFORE = "before", gettext_lazy("Before")
    AFTER = "after", gettext_lazy("After")
    FINDING = "finding", gettext_lazy("Of a finding")


class Distance(models.TextChoices):
    WIDE = "wide", gettext_lazy("Wide")
    CLOSE = "close", gettext_lazy("Close")


class VisitPhotoQuerySet(models.QuerySet["VisitPhoto"]):
    def visible_to(self, user: User | AnonymousUser) -> VisitPhotoQuerySet:
        """Photos are for the people of their visit; those of a finding for whoever may see the roof.

        Who is sent to a roof must know what was found there before.
        """
        of_roof = Q(visit__site__in=Site.objects.visible_to(user)) & ~Q(item="")
        return self.filter(Q(visit__in=Visit.objects.visible_to(user)) | of_roof)


class VisitPhoto(models.Model):
    """One photo of a visit. The file from the phone is kept as it came; what pages show are stripped copies."""

    visit = models.ForeignKey(Visit, models.CASCADE, related_name="photos")
    client_id = models.UUIDField(help_text="Made on the phone: the same photo sent twice is one.")
    phase = models.CharField(max_length=8, choices=Phase)
    distance = models.CharField(max_length=6, choices=Distance, blank=True)
    item = models.CharField(max_length=12, choices=Look, blank=True)
    note = models.CharField(max_length=200, blank=True)
    taken_at = models.DateTimeField(help_text="By the camera, or by the phone where the camera did not say.")
    by = models.ForeignKey(User, models.SET_NULL, null=True, related_name="visit_photos")
    filename = models.CharField(max_length=255)
    original = models.FileField(upload_to="photos/originals/%Y/%m")
    shown = models.FileField(upload_to="photos/shown/%Y/%m", help_text="At most 1600 pixels, no metadata.")
    small = models.FileField(upload_to="photos/small/%Y/%m", help_text="At most 400 pixels, no metadata.")

    objects = VisitPhotoQuerySet.as_manager()

    class Meta:
        ordering = ["taken_at", "pk"]
        constraints = [models.UniqueConstraint(fields=["visit", "client_id"], name="photo_arrives_once")]

    def __str__(self) -> str:
        return f"{self.get_phase_display()} {self.get_distance_display()} {self.filename}".strip()

    @property
    def words(self) -> str:
        """What a screen reader says of it."""
        what = str(Look(self.item).label) if self.item else _("Panels")
        distance = f", {self.get_distance_display().lower()}" if self.distance else ""
        phase = (
            ""
            if self.phase == Phase.FINDING
            else " " + _("{when} the wash").format(when=self.get_phase_display().lower())
        )
        return f"{what}{phase}{distance}" + (f": {self.note}" if self.note else "")


class ReferralQuerySet(models.QuerySet["Referral"]):
    def visible_to(self, user: User | AnonymousUser) -> ReferralQuerySet:
        """Work to refer is the office's."""
        return self.filter(visit__site__customer__business__in=Business.objects.managed_by(user))

    def open(self) -> ReferralQuerySet:
        return self.filter(closed_at=None)


class Referral(models.Model):
    """Something a technician saw that no wash mends: work for the office to pass on to somebody licensed for it."""

    visit = models.ForeignKey(Visit, models.CASCADE, related_name="referrals")
    item = models.CharField(max_length=12, choices=Look)
    entry = models.ForeignKey(
        VisitEntry, models.CASCADE, related_name="referrals", help_text="The finding that stands."
    )
    opened_at = models.DateTimeField()
    closed_at = models.DateTimeField(null=True, blank=True)
    outcome = models.CharField(max_length=200, blank=True, help_text="Who was told, and what came of it.")

    objects = ReferralQuerySet.as_manager()

    class Meta:
        ordering = ["-opened_at", "pk"]
        constraints = [models.UniqueConstraint(fields=["visit", "item"], name="referral_once_a_finding")]

    def __str__(self) -> str:
        return f"{self.visit.site}: {self.get_item_display()}"


class CalendarFeedQuerySet(models.QuerySet["CalendarFeed"]):
    def visible_to(self, user: User | AnonymousUser) -> CalendarFeedQuerySet:
        """A feed is its technician's own."""
        return self.filter(user=user) if user.is_authenticated else self.none()

    def live(self) -> CalendarFeedQuerySet:
        return self.filter(revoked_at=None, user__is_active=True)


class CalendarFeed(models.Model):
    """The secret address under which a technician's calendar reads their visits; only its hash is kept."""

    user = models.ForeignKey(User, models.CASCADE, related_name="calendar_feeds")
    hashed = models.CharField(max_length=64, unique=True, editable=False)
    revoked_at = models.DateTimeField(null=True, blank=True)

    objects = CalendarFeedQuerySet.as_manager()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["user"], condition=models.Q(revoked_at=None), name="one_live_feed_a_technician"
            )
        ]

    def __str__(self) -> str:
        return f"Calendar of {self.user}"
