"""A mail that the office wants now: to ask the owner of a silent roof for readings."""

from __future__ import annotations

from datetime import datetime, timedelta

from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils.translation import gettext as _

from portal.actions.reminders.kinds import ASKS_FOR_READINGS, KINDS
from portal.actions.reminders.plan import planned_row
from portal.actions.reminders.roofs import look_at_roofs
from portal.models import Reminder, ReminderState, Site
from portal.words.figures import day_words

AGAIN_BY_HAND = timedelta(days=3)
"""Nobody is asked the same twice within so long. Common practice, no source."""


@transaction.atomic
def ask_for_readings(*, site: Site, now: datetime) -> Reminder:
    """Write to the owner of a roof that sends nothing, in the next decent hour. Pressed twice it is one mail."""
    site = Site.objects.select_for_update(of=("self",)).select_related("customer__business").get(pk=site.pk)
    person = site.customer
    if not person.email:
        raise ValidationError(_("There is no e-mail address of {name}. Call instead.").format(name=person.name))
    if person.consented_on is None:
        raise ValidationError(_("{name} has not agreed to be written to. Call instead.").format(name=person.name))
    (roof,) = look_at_roofs([site], now)
    kind = KINDS[ASKS_FOR_READINGS[roof.last_reading is not None]]
    wish = roof.wish("none" if roof.last_reading is None else roof.last_reading)
    same = [
        one
        for one in Reminder.objects.filter(site=site, kind=kind.letter.kind).order_by("pk")
        if one.about == wish.about
    ]
    last = same[-1] if same else None
    if last is not None and last.state in (ReminderState.DUE, ReminderState.SENDING):
        return last
    if last is not None and last.sent_at is not None and now - last.sent_at < AGAIN_BY_HAND:
        raise ValidationError(_("They were written to on {day}.").format(day=day_words(last.sent_at.date())))
    row = planned_row(kind, wish, number=len(same))
    # The nightly planning may add the very same at this moment: a key is unique.
    Reminder.objects.bulk_create([row], ignore_conflicts=True)
    return Reminder.objects.get(key=row.key)
