"""What somebody must know of a roof before they book a visit or climb it, and who has read it.

Findings that nobody has seen to yet, notes about the customer and the roof, and a fault in the readings belong to the
roof: every page of a coming visit shows the same ones, first. Reading them is an entry of the visit's record, so that
who and when is kept, also of a phone without a signal. What is new asks to be read again.
"""

from __future__ import annotations

import hashlib
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from uuid import NAMESPACE_URL, UUID, uuid5

from django.core.exceptions import ValidationError
from django.utils.translation import gettext as _

from portal.actions.advice import recommendations
from portal.actions.doubts import Doubt, mark_of
from portal.models import (
    EntryKind,
    InspectionFinding,
    Referral,
    Site,
    User,
    Visit,
    VisitEntry,
    VisitPhoto,
    VisitState,
)
from portal.pv.advice import State
from portal.pv.recommend import Recommendation

MARK_LENGTH = 12
"""Hexadecimal digits, 48 bits: marks of one roof are told apart. No source."""
MOST_PHOTOS = 4
"""Photos beside a warning: a row on a phone. No source."""


class AskFirst(ValidationError):
    """Something speaks against a visit: nobody is sent there without having read it."""

    def __init__(self, message: str, doubts: Sequence[Doubt] = ()) -> None:
        super().__init__(message)
        self.doubts = doubts


@dataclass(frozen=True, slots=True)
class OpenFinding:
    """A finding of an earlier visit that nobody has seen to yet, with its newest photos."""

    referral: Referral
    photos: list[VisitPhoto]

    @property
    def urgent(self) -> bool:
        return self.referral.entry.answer == InspectionFinding.URGENT


@dataclass(frozen=True, slots=True)
class RoofWarnings:
    """What must be known of one roof; of a visit, who of those sent there has read it."""

    findings: list[OpenFinding] = field(default_factory=list)
    customer_note: str = ""
    roof_note: str = ""
    fault: Recommendation | None = None
    """What is to be said of the roof, where that is something other than dirt."""
    visit: Visit | None = None
    reader: User | None = None
    read: list[VisitEntry] = field(default_factory=list)
    """Who has read just this before the visit, and when."""

    def __bool__(self) -> bool:
        return bool(self.findings or self.customer_note or self.roof_note or self.fault)

    @property
    def grave(self) -> bool:
        """Whether booking asks first: an urgent finding, or a fault that a wash does not mend."""
        return self.fault is not None or self.urgent

    @property
    def urgent(self) -> bool:
        """Whether something urgent was found that nobody has noted as seen to: the roof stays dry."""
        return any(one.urgent for one in self.findings)

    @property
    def mark(self) -> str:
        """Changes when something new is to be read. A number of the entry, since a finding may become worse."""
        said = [f"finding {one.referral.pk} {one.referral.entry_id}" for one in self.findings]
        said += [self.customer_note, self.roof_note, (self.fault.cause or "") if self.fault else ""]
        return hashlib.sha256("\0".join(said).encode()).hexdigest()[:MARK_LENGTH] if self else ""

    @property
    def unread(self) -> bool:
        """Whether the reader has still to say that they have read it."""
        coming = self.visit is not None and self.visit.state == VisitState.BOOKED
        return bool(self) and coming and not any(entry.by == self.reader for entry in self.read)

    @property
    def identity(self) -> UUID | None:
        """The number of the reader's entry, made of what it says: pressed twice it is one."""
        return _identity(self.visit, self.mark, self.reader) if self.visit and self.reader else None


def roof_warnings(
    sites: Iterable[Site], *, now: datetime, told: Mapping[int, Recommendation] | None = None
) -> dict[int, RoofWarnings]:
    """What must be known of each roof, by its key; as many queries for many roofs as for one.

    ``told`` is what is said of them now, where that was asked already.
    """
    roofs = {site.pk: site for site in sites}
    open_ = Referral.objects.open().filter(visit__site__in=roofs).select_related("entry__by", "visit__site")
    photos: dict[tuple[int, str], list[VisitPhoto]] = defaultdict(list)
    of_findings = VisitPhoto.objects.filter(visit__referrals__in=open_).exclude(item="").distinct()
    for photo in of_findings.order_by("-taken_at", "-pk"):
        photos[photo.visit_id, photo.item].append(photo)
    findings: dict[int, list[OpenFinding]] = defaultdict(list)
    for referral in open_.order_by("-opened_at", "pk"):
        shots = photos[referral.visit_id, referral.item][:MOST_PHOTOS]
        findings[referral.visit.site_id].append(OpenFinding(referral, shots))
    told = told or recommendations(roofs.values(), now=now)
    faulty = {pk: told[pk] for pk in roofs if told[pk].state == State.NOT_DIRT}
    return {
        pk: RoofWarnings(
            sorted(findings[pk], key=lambda one: not one.urgent),
            site.customer.notes.strip(),
            site.notes.strip(),
            faulty.get(pk),
        )
        for pk, site in roofs.items()
    }


def visit_warnings(
    visits: Iterable[Visit], *, reader: User, now: datetime, told: Mapping[int, Recommendation] | None = None
) -> dict[int, RoofWarnings]:
    """What must be known before each visit, by its key, and who has read just that.

    What is found on the visit itself is no news to those who are there.
    """
    listed = list(visits)
    of_roof = roof_warnings([visit.site for visit in listed], now=now, told=told)
    read: dict[tuple[int, str], list[VisitEntry]] = defaultdict(list)
    for entry in VisitEntry.objects.filter(visit__in=listed, kind=EntryKind.READ).select_related("by").order_by("at"):
        read[entry.visit_id, entry.item].append(entry)
    found = {}
    for visit in listed:
        known = of_roof[visit.site_id]
        if not visit.tells_of_access:
            known = replace(known, customer_note="", roof_note="")
        earlier = [one for one in known.findings if one.referral.visit_id != visit.pk]
        before = replace(known, findings=earlier, visit=visit, reader=reader)
        found[visit.pk] = replace(before, read=read[visit.pk, before.mark] if before else [])
    return found


def ask_first(site: Site, *, read: str, now: datetime, doubts: Sequence[Doubt] = (), despite: str = "") -> RoofWarnings:
    """What must be known of a roof that is being booked. ``read`` is the mark of what was read.

    Raises ``AskFirst`` where something is grave and just that has not been read, or where something speaks against the
    time or the crew: ``despite`` is the mark of what was agreed to.
    """
    known = roof_warnings([site], now=now)[site.pk]
    if known.grave and read != known.mark:
        raise AskFirst(_("Something is known of this roof that a wash does not mend. Read it, then decide."), doubts)
    if doubts and despite != mark_of(doubts):
        raise AskFirst(" ".join(one.words for one in doubts), doubts)
    return known


def note_read(*, visit: Visit, mark: str, by: User, now: datetime) -> None:
    """Keep who read, with a booking, what is known of the roof; twice is once."""
    said = {"kind": EntryKind.READ, "item": mark, "at": now, "by": by}
    VisitEntry.objects.get_or_create(visit=visit, client_id=_identity(visit, mark, by), defaults=said)


def _identity(visit: Visit, mark: str, reader: User) -> UUID:
    return uuid5(NAMESPACE_URL, f"read/{visit.pk}/{mark}/{reader.pk}")
