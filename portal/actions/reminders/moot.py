"""Whether a due reminder may and should still go."""

from __future__ import annotations

from datetime import datetime

from django.utils.translation import gettext_noop

from portal.actions.mail.letter import Audience
from portal.actions.mail.recipient import recipient
from portal.actions.reminders.kinds import kind_of
from portal.models import MailStop, Preference, Reminder


def why_not(reminder: Reminder, moment: datetime) -> str:
    """Why a reminder should not go any more; empty when it should."""
    kind = kind_of(reminder)
    audience = kind.letter.audience
    if moment > reminder.stale_at:
        return gettext_noop("It was due on {due_at:%Y-%m-%d %H:%M} UTC and came too late to be of use.").format(
            due_at=reminder.due_at
        )
    person = recipient(reminder)
    if not person.email:
        return gettext_noop("There is no e-mail address.")
    stop = MailStop.objects.filter(business=reminder.business, email__iexact=person.email).first()
    if stop and not (stop.why == "unsubscribed" and audience == Audience.BOOKER):
        return gettext_noop("This address is not written to any more: {lower} on {since:%Y-%m-%d}.").format(
            lower=stop.get_why_display().lower(), since=stop.since
        )
    if audience == Audience.HOMEOWNER and reminder.customer is not None:
        if reminder.customer.consented_on is None:
            return gettext_noop("They have not agreed to be written to.")
        if not reminder.business.postal_address.strip():
            return gettext_noop(
                "Your postal address, which belongs into every such mail, is missing. Fill it in, then put this back."
            )
    wishes = Preference.objects.filter(customer=reminder.customer, user=reminder.user, kind=reminder.kind)
    if wishes.filter(wanted=False).exists():
        return gettext_noop("They do not want mails of this kind.")
    return kind.moot(reminder, moment)
