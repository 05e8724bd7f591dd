"""The record of a visit: entries as they arrive from phones, what is missing, and what follows from findings."""

from __future__ import annotations

import re
from collections.abc import Iterable
from datetime import datetime, timedelta
from decimal import Decimal
from uuid import UUID

from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils.translation import gettext as _

from portal.actions.arrival import LONGEST_DRIVE
from portal.actions.invoices.draft import draft_invoice
from portal.actions.jobs import ask_for
from portal.actions.reminders.plan import plan_at_once
from portal.actions.sites import keep_place
from portal.actions.visits import finish_visit
from portal.actions.where import read_place
from portal.models import (
    Ask,
    EntryKind,
    InspectionFinding,
    Look,
    Phase,
    Referral,
    SignOff,
    User,
    Visit,
    VisitEntry,
    VisitPhoto,
    WorkStep,
)
from portal.models.record import findings, standing

PHOTOS_EACH = 2
"""Photos before and after the wash: one from far and one from near. Common practice, no source."""
OLDEST_ENTRY = timedelta(days=14)
"""What says it waited on a phone for longer is dated to its arrival: the phone's clock is not to be believed. Common
practice, no source."""

MOST_WATER_PPM, LONGEST_SOAK_MINUTES = 5000, 600
"""Dissolved solids of the water [ppm], brackish already, and minutes: more is a slip of the finger. No source."""

_ITEMS: dict[EntryKind, type[WorkStep] | type[Look] | type[Ask]] = {
    EntryKind.STEP: WorkStep,
    EntryKind.INSPECTION: Look,
    EntryKind.ANSWER: Ask,
}
_ANSWERS: dict[EntryKind, type[InspectionFinding] | type[SignOff]] = {
    EntryKind.INSPECTION: InspectionFinding,
    EntryKind.SIGN_OFF: SignOff,
}


SIGNATURE = re.compile(r"(?:M\d{1,3} \d{1,3}(?:L\d{1,3} \d{1,3})+)+")
"""Strokes of a finger as an SVG path: moves and lines between whole numbers, and nothing else."""
LONGEST_SIGNATURE = 30_000
"""Characters: some 3000 points, a minute of drawing. A bound on the row, no source."""

_SAID = (
    *("kind", "item", "answer", "water_ppm", "soak_minutes", "drive_minutes"),
    *("note", "amount", "agreed_by", "signature", "at", "by"),
)
"""What an entry says, besides which visit it is of and its number."""


def record_entry(
    *,
    visit: Visit,
    client_id: UUID,
    kind: str,
    at: datetime,
    by: User,
    now: datetime,
    item: str = "",
    answer: str = "",
    water_ppm: int | None = None,
    soak_minutes: int | None = None,
    drive_minutes: int | None = None,
    note: str = "",
    amount: Decimal | None = None,
    agreed_by: str = "",
    signature: str = "",
) -> VisitEntry:
    """Keep one entry from a phone; the same ``client_id`` again returns what is kept.

    Entries are taken after the finish too, and on a visit that was called off: the other phone may have waited for
    a signal, and what was seen was seen.
    """
    if at.tzinfo is None:
        raise ValueError("an entry's time needs a time zone: naive times are refused")
    with transaction.atomic():
        kept = VisitEntry.objects.filter(visit=visit, client_id=client_id).first()
        if kept is not None:
            return kept
        entry = VisitEntry(
            visit=visit,
            client_id=client_id,
            kind=kind,
            item=item,
            answer=answer,
            water_ppm=water_ppm,
            soak_minutes=soak_minutes,
            drive_minutes=drive_minutes,
            note=note.strip(),
            amount=amount,
            agreed_by=agreed_by.strip(),
            signature=signature,
            at=at if now - OLDEST_ENTRY <= at <= now else now,
            by=by,
        )
        _check(entry)
        if entry.kind == EntryKind.FINISH:
            too_few = photos_missing(visit)
            if too_few:
                raise ValidationError(
                    _("{too_few} Take them, or say why there are fewer, and finish again.").format(
                        too_few=" ".join(too_few)
                    )
                )
        # Sent twice at the same moment, the second insert meets the constraint and reads the first.
        said = {field: getattr(entry, field) for field in _SAID}
        entry, made = VisitEntry.objects.get_or_create(visit=visit, client_id=client_id, defaults=said)
        if made:
            _follow(entry, now=now)
    return entry


def _follow(entry: VisitEntry, *, now: datetime) -> None:
    """What an entry brings about, once."""
    visit = entry.visit
    if entry.kind == EntryKind.SET_OUT:
        plan_at_once(business=visit.site.customer.business, now=now)
        transaction.on_commit(lambda: ask_for("send_reminders"))
    if entry.kind == EntryKind.FINISH:
        finish_visit(visit=visit, now=now, finished_at=entry.at)
    if entry.kind == EntryKind.INSPECTION:
        refer_findings(visit=visit, now=now)
    if entry.kind == EntryKind.PLACE:
        keep_place(site=visit.site, pasted=entry.note, now=now)
    if entry.kind == EntryKind.EXTRA:
        draft_invoice(visit=visit, now=now)  # of a visit that is done already: the phone had no signal


def _check(entry: VisitEntry) -> None:
    """Refuse what no page of ours sends, in a sentence."""
    if entry.kind not in EntryKind.values:
        raise ValidationError(_("This kind of entry is not known here. Reload the page and enter it again."))
    kind = EntryKind(entry.kind)
    items, answers = _ITEMS.get(kind), _ANSWERS.get(kind)
    if kind == EntryKind.READ:
        if not re.fullmatch(r"[0-9a-f]{12}", entry.item):
            raise ValidationError(_("It does not say what was read. Reload the page and press it again."))
    elif entry.item not in (items.values if items else [""]):
        raise ValidationError(_("This item is not on the list. Reload the page and enter it again."))
    if entry.answer not in (answers.values if answers else [""]):
        choices = ", ".join(str(label) for label in answers.labels) if answers else "nothing"
        raise ValidationError(_("Choose one of: {choices}.").format(choices=choices))
    if entry.water_ppm is not None and not 0 <= entry.water_ppm <= MOST_WATER_PPM:
        raise ValidationError(_("The water reading lies between 0 and 5000 ppm. Check the meter's unit."))
    if entry.soak_minutes is not None and not 0 <= entry.soak_minutes <= LONGEST_SOAK_MINUTES:
        raise ValidationError(_("Soaking takes between 0 and 600 minutes."))
    longest = int(LONGEST_DRIVE.total_seconds() / 60)
    if kind == EntryKind.SET_OUT and not 1 <= (entry.drive_minutes or 0) <= longest:
        raise ValidationError(_("Say how long the way takes: between 1 and {longest} minutes.").format(longest=longest))
    if kind == EntryKind.FEW_PHOTOS and not entry.note:
        raise ValidationError(_("Say why there are fewer photos."))
    if kind == EntryKind.EXTRA:
        _check_extra(entry)
    if kind == EntryKind.PLACE and read_place(entry.note) is None:
        raise ValidationError(_("The phone did not say where it is. Try again under the open sky."))
    if kind == EntryKind.INSPECTION and entry.answer == InspectionFinding.URGENT and not entry.note:
        raise ValidationError(_("Say what you saw: an urgent finding needs a note."))
    if kind == EntryKind.SIGN_OFF and entry.answer == SignOff.SIGNED and not entry.note:
        raise ValidationError(_("Enter the name of the customer who agreed."))
    if entry.signature and (
        kind != EntryKind.SIGN_OFF
        or len(entry.signature) > LONGEST_SIGNATURE
        or not SIGNATURE.fullmatch(entry.signature)
    ):
        raise ValidationError(_("The signature cannot be read. Clear it and sign again, or keep the name alone."))


def _check_extra(entry: VisitEntry) -> None:
    if not entry.note:
        raise ValidationError(_("Say what was done besides the wash."))
    if not entry.agreed_by:
        raise ValidationError(_("Enter who agreed to the extra work."))
    if entry.amount is not None and not 0 <= entry.amount < 1_000_000:
        raise ValidationError(_("A price lies between 0 and 999,999."))


def photos_missing(visit: Visit) -> list[str]:
    """Sentences for the photos a visit still needs; none when a reason was given."""
    if visit.entries.filter(kind=EntryKind.FEW_PHOTOS).exists():
        return []
    missing = []
    for phase in (Phase.BEFORE, Phase.AFTER):
        have = VisitPhoto.objects.filter(visit=visit, phase=phase).count()
        if have < PHOTOS_EACH:
            missing.append(
                _("{have} of {photos_each} photos {lower} the wash are here.").format(
                    have=have, photos_each=PHOTOS_EACH, lower=phase.label.lower()
                )
            )
    return missing


def missing_from(visit: Visit, entries: Iterable[VisitEntry]) -> list[str]:
    """Sentences for what the record of a visit lacks."""
    stands = standing(entries)
    missing = photos_missing(visit)
    for kind, items, words in (
        (EntryKind.STEP, WorkStep, _("Steps without an entry")),
        (EntryKind.INSPECTION, Look, _("Not looked over")),
    ):
        left = [str(item.label).lower() for item in items if (kind.value, item.value) not in stands]
        if left:
            missing.append(f"{words}: {', '.join(left)}.")
    if (EntryKind.SIGN_OFF.value, "") not in stands:
        missing.append(_("Neither signed off nor marked “not at home”."))
    return missing


@transaction.atomic
def refer_findings(*, visit: Visit, now: datetime) -> None:
    """Make what is not dirt the office's work to pass on, also while the wash goes on. Twice changes nothing.

    At once, not at the finish: a burnt connector stops the work, and a visit that was stopped is never finished.
    """
    found = {entry.item: entry for entry in findings(visit.entries.all()) if entry.item != Look.DEBRIS}
    referred = {referral.item: referral for referral in visit.referrals.select_related("entry")}
    for item, entry in found.items():
        referral = referred.get(item) or Referral(visit=visit, item=item, entry=entry, opened_at=now)
        if entry.answer == InspectionFinding.URGENT and referral.entry.answer != InspectionFinding.URGENT:
            referral.closed_at, referral.outcome = None, ""  # worse than what was passed on
        referral.entry = entry
        referral.save()
    visit.referrals.open().exclude(item__in=found).delete()  # corrected on the roof; the entries tell of it


def close_referral(*, referral: Referral, outcome: str, now: datetime) -> None:
    """The office has passed the work on."""
    if not outcome.strip():
        raise ValidationError(_("Say who was told, or why nothing is to do."))
    if referral.closed_at is None:
        referral.outcome = outcome.strip()
        referral.closed_at = now
        referral.save(update_fields=["outcome", "closed_at"])
