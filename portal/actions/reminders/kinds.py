"""The kinds of reminders, one row each: adding a kind is a name in ``ReminderKind``, a row here, and its templates.

The rows stand in the order in which reminders go that are due at the same time.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from functools import partial
from types import MappingProxyType
from typing import TYPE_CHECKING

from django.utils.translation import gettext_lazy

from portal.actions.arrival import LONGEST_DRIVE
from portal.actions.mail import facts
from portal.actions.mail.compose import calendar_entry, wash_photos
from portal.actions.mail.letter import Audience, Letter
from portal.actions.reminders import roofs, standing
from portal.actions.reminders.roofs import Roof
from portal.actions.reminders.standing import Firm
from portal.actions.reminders.wish import Wish
from portal.models import Reminder, ReminderKind

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """All there is to say of one kind of reminder. Its name in English is its label, its words are its templates."""

    letter: Letter
    to_owner: StrOrPromise = ""
    """What it is called to the owner of a roof, where that is not its label."""
    of_roof: Callable[[Roof], Iterable[Wish]] | None = None
    """The reminders of this kind that a roof calls for now; of a roof or of a firm, never both."""
    of_firm: Callable[[Firm], Iterable[Wish]] | None = None
    """The reminders of this kind that a firm's calendar and work call for now."""
    moot: Callable[[Reminder, datetime], str]
    """Why what a reminder says is no longer so at a moment; empty when it still is."""
    lifetime: timedelta
    """So long after it was due it is still of use."""
    again_after: timedelta | None = None
    """So long after one about the same thing the next may be planned; None: never."""
    at_most: int | None = None
    """So often at most about the same thing."""
    repeats: Mapping[ReminderKind, timedelta] = field(default_factory=dict)
    """It would only say again what one of these other kinds said about the roof so lately."""
    at_once: bool = False
    """Planned with what a technician enters: the next planning may be too late."""
    at_least_once: bool = False
    """Sent again when nobody can tell whether it arrived; all others are shown as failed (see ``send``)."""


_ROOF = ("name", "site", "business", "phone")
_WASH = (*_ROOF, "due_date", "basis", "pays", "loss", "price", "link")
_STAFF = ("name", "business")

_ROWS = (
    Kind(
        letter=Letter(ReminderKind.SEND_READINGS, Audience.HOMEOWNER, (*_ROOF, "send"), facts.nothing_more),
        of_roof=roofs.without_readings,
        moot=roofs.readings_came,
        lifetime=timedelta(days=21),
        again_after=timedelta(days=45),
        at_most=3,
    ),
    Kind(
        letter=Letter(ReminderKind.QUIET, Audience.HOMEOWNER, (*_ROOF, "last_day", "days", "send"), facts.quiet_facts),
        of_roof=roofs.gone_quiet,
        moot=roofs.no_longer_quiet,
        lifetime=timedelta(days=14),
        again_after=timedelta(days=30),
        at_most=3,
    ),
    Kind(
        letter=Letter(
            ReminderKind.UTILITY_ENDED, Audience.HOMEOWNER, (*_ROOF, "utility", "link", "send"), facts.utility_facts
        ),
        of_roof=roofs.utility_sends_no_more,
        moot=roofs.utility_sends_again,
        lifetime=roofs.UTILITY_NEWS,
    ),
    Kind(
        letter=Letter(
            ReminderKind.OTHER_FAULT, Audience.HOMEOWNER, (*_ROOF, "since", "cause", "link"), facts.fault_facts
        ),
        of_roof=roofs.with_fault,
        moot=roofs.fault_gone,
        lifetime=timedelta(days=21),
        again_after=timedelta(days=90),
        at_most=2,
    ),
    Kind(
        letter=Letter(ReminderKind.DUE_SOON, Audience.HOMEOWNER, _WASH, facts.wash_facts),
        of_roof=roofs.wash_due_soon,
        moot=roofs.wash_soon_moot,
        lifetime=timedelta(days=14),
        again_after=timedelta(days=180),
        at_most=1,
    ),
    Kind(
        letter=Letter(ReminderKind.DUE, Audience.HOMEOWNER, _WASH, facts.wash_facts),
        of_roof=roofs.wash_due_now,
        moot=roofs.wash_moot,
        lifetime=timedelta(days=21),
        again_after=timedelta(days=180),
        repeats={ReminderKind.DUE_SOON: timedelta(days=9), ReminderKind.WISHED: timedelta(days=21)},
    ),
    Kind(
        letter=Letter(
            ReminderKind.WISHED,
            Audience.HOMEOWNER,
            (*_ROOF, "asked", "basis", "price", "choose", "link"),
            facts.wished_facts,
        ),
        to_owner=gettext_lazy("The wash you asked for"),
        of_roof=roofs.wash_wished,
        moot=roofs.wished_moot,
        lifetime=timedelta(days=21),
        again_after=timedelta(days=150),  # twice a year, and a little early
        repeats={ReminderKind.DUE: timedelta(days=45), ReminderKind.DUE_SOON: timedelta(days=9)},
    ),
    Kind(
        letter=Letter(
            ReminderKind.RESULT, Audience.HOMEOWNER, (*_ROOF, "visit_day", "gain", "link"), facts.result_facts
        ),
        of_roof=roofs.gain_to_tell,
        moot=roofs.gain_unsaid,
        lifetime=roofs.GAIN_OF_USE,
    ),
    Kind(
        letter=Letter(
            ReminderKind.BOOKED,
            Audience.BOOKER,
            (*_ROOF, "visit_day", "visit_time", "cost"),
            facts.visit_facts,
            attachments=calendar_entry,
        ),
        of_firm=standing.bookings,
        moot=standing.booking_moot,
        lifetime=timedelta(days=14),
        at_least_once=True,  # a visit nobody knows of costs more than a second mail
    ),
    Kind(
        letter=Letter(
            ReminderKind.ARRIVAL,
            Audience.BOOKER,
            (*_ROOF, "visit_day", "not_before", "not_after"),
            facts.arrival_facts,
        ),
        of_firm=standing.arrivals,
        moot=standing.booking_moot,
        lifetime=timedelta(hours=4),  # nobody wants it at night
    ),
    Kind(
        letter=Letter(ReminderKind.SET_OUT, Audience.BOOKER, (*_ROOF, "there_at"), facts.set_out_facts),
        of_firm=standing.set_outs,
        moot=standing.set_out_moot,
        lifetime=LONGEST_DRIVE,
        at_once=True,
    ),
    Kind(
        letter=Letter(
            ReminderKind.CALLED_OFF,
            Audience.BOOKER,
            (*_ROOF, "visit_day", "visit_time", "why", "link"),
            facts.called_off_facts,
        ),
        of_firm=standing.called_off,
        moot=standing.call_off_moot,
        lifetime=timedelta(days=14),
        at_least_once=True,  # somebody who waits at the gate in vain costs more than a second mail
    ),
    Kind(
        letter=Letter(
            ReminderKind.WASHED,
            Audience.BOOKER,
            (*_ROOF, "visit_day", "photos", "found", "link"),
            facts.washed_facts,
            attachments=wash_photos,
        ),
        of_firm=standing.washes_done,
        moot=standing.wash_undone,
        lifetime=timedelta(days=2),
    ),
    Kind(
        letter=Letter(
            ReminderKind.INVOICE,
            Audience.BOOKER,
            (*_ROOF, "document", "number", "amount", "pay", "link"),
            facts.invoice_facts,
        ),
        of_firm=standing.invoices_out,
        moot=standing.invoice_moot,
        lifetime=timedelta(days=5),
    ),
    Kind(
        letter=Letter(
            ReminderKind.OVERDUE,
            Audience.HOMEOWNER,
            (*_ROOF, "number", "amount", "due_date", "days", "link"),
            facts.overdue_facts,
        ),
        of_firm=standing.invoices_overdue,
        moot=standing.paid_meanwhile,
        lifetime=timedelta(days=7),
        again_after=timedelta(days=14),
        at_most=3,
    ),
    Kind(
        letter=Letter(ReminderKind.TOMORROW, Audience.STAFF, (*_STAFF, "day", "visits", "link"), facts.tomorrow_facts),
        of_firm=standing.tomorrows,
        moot=standing.tomorrow_moot,
        lifetime=timedelta(hours=20),
        at_least_once=True,
    ),
    Kind(
        letter=Letter(
            ReminderKind.ASKED, Audience.STAFF, (*_STAFF, "customer", "site", "what", "link"), facts.asked_facts
        ),
        of_firm=standing.asked,
        moot=standing.asked_moot,
        lifetime=timedelta(days=2),
    ),
    Kind(
        letter=Letter(
            ReminderKind.LEAD_DIGEST, Audience.STAFF, (*_STAFF, "count", "leads", "link"), facts.digest_facts
        ),
        of_firm=partial(standing.digests, kind=ReminderKind.LEAD_DIGEST),
        moot=standing.digest_moot,
        lifetime=timedelta(days=1),
    ),
    Kind(
        letter=Letter(
            ReminderKind.LEAD_COLD,
            Audience.STAFF,
            (*_STAFF, "customer", "site", "days", "why", "link"),
            facts.cold_facts,
        ),
        of_firm=standing.cold_leads,
        moot=standing.cold_moot,
        lifetime=timedelta(days=7),
        again_after=timedelta(days=14),
        at_most=3,
    ),
)

ASKS_FOR_READINGS = (ReminderKind.SEND_READINGS, ReminderKind.QUIET)
"""What is written to the owner of a roof that never sent any readings, and of one that stopped."""

FOR_A_TRY = ReminderKind.LEAD_DIGEST
"""A mail that needs neither roof, lead nor visit: whoever tries whether mails arrive sends it."""

KINDS: Mapping[ReminderKind, Kind] = MappingProxyType({row.letter.kind: row for row in _ROWS})
KINDS_AT_ONCE = [kind for kind, row in KINDS.items() if row.at_once]
"""Kinds that are planned with what a technician enters: that the van has set out."""


def kind_of(reminder: Reminder) -> Kind:
    return KINDS[ReminderKind(reminder.kind)]


def kinds_for(audience: Audience) -> list[ReminderKind]:
    """The kinds that one sort of recipient gets."""
    return [kind for kind in ReminderKind if KINDS[kind].letter.audience == audience]
