"""Whether a due reminder may and should still go."""

from __future__ import annotations

from datetime import datetime

from portal.actions.mail.letter import Audience
from portal.actions.mail.recipient import recipient
from portal.actions.reminders.kinds import kind_of
from portal.models import MailStop, Preference, Reminder


def why_not(reminder: Reminder, moment: datetime) -> str:
    """Why a reminder should not go any more; empty when it should."""
    kind = kind_of(reminder)
    audience = kind.letter.audience
    if moment > reminder.stale_at:
        return f"It was due on {reminder.due_at:%Y-%m-%d %H:%M} UTC and came too late to be of use."
    person = recipient(reminder)
    if not person.email:
        return "There is no e-mail address."
    stop = MailStop.objects.filter(business=reminder.business, email__iexact=person.email).first()
    if stop and not (stop.why == "unsubscribed" and audience == Audience.BOOKER):
        return f"This address is not written to any more: {stop.get_why_display().lower()} on {stop.since:%Y-%m-%d}."
    if audience == Audience.HOMEOWNER and reminder.customer is not None:
        if reminder.customer.consented_on is None:
            return "They have not agreed to be written to."
        if not reminder.business.postal_address.strip():
            return (
                "Your postal address, which belongs into every such mail, is missing. Fill it in, then put this back."
            )
    wishes = Preference.objects.filter(customer=reminder.customer, user=reminder.user, kind=reminder.kind)
    if wishes.filter(wanted=False).exists():
        return "They do not want mails of this kind."
    return kind.moot(reminder, moment)
