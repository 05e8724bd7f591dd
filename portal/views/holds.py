"""What waits until somebody of the firm has said that it may go on."""

from __future__ import annotations

from datetime import datetime
from typing import cast

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.core.exceptions import PermissionDenied
from django.db.models import Count
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_POST

from portal.actions.files import short_of_room
from portal.actions.holds import clock_doubt, confirm_clock, decide_mails
from portal.actions.trail import note
from portal.models import Business, Deed, MailHold, Reminder, User


def holds_shown(user: User, now: datetime) -> dict[str, object]:
    """What the office's first page asks of them."""
    holds = MailHold.objects.open().filter(business__in=Business.objects.managed_by(user)).select_related("business")
    due = Reminder.objects.filter(business__in=holds.values("business")).due(now).order_by()
    waiting = dict(due.values_list("business").annotate(count=Count("pk")))
    return {
        "full": short_of_room(),
        "clock": clock_doubt(now=now),
        "holds": [(hold, waiting.get(hold.business_id, 0)) for hold in holds],
    }


@login_required
@require_POST
def clock_confirm(request: HttpRequest) -> HttpResponse:
    """Believe the clock, for all firms of the portal: not for an invented one's logins to say, which are public."""
    user, now = cast(User, request.user), timezone.now()
    mine = Business.objects.managed_by(user)
    speaks = mine.exclude(invented=True) if Business.objects.exclude(invented=True).exists() else mine
    if not speaks.exists():
        raise PermissionDenied
    doubt = clock_doubt(now=now)
    confirm_clock(now=now)
    if doubt is not None:
        for firm in Business.objects.all():
            note(deed=Deed.SETTINGS, about=f"clock believed: {now:%Y-%m-%d %H:%M}", business=firm, by=user, now=now)
    messages.success(request, _("Thank you. The portal goes on within minutes."))
    return redirect("home")


@login_required
@require_POST
def mails_decide(request: HttpRequest, slug: str) -> HttpResponse:
    """Send what waited since a restore, or drop it."""
    user = cast(User, request.user)
    business = get_object_or_404(Business.objects.managed_by(user), slug=slug)
    send = request.POST.get("send") == "1"
    decide_mails(business=business, send=send, by=user, now=timezone.now())
    if send:
        messages.success(request, _("They go out within minutes."))
    else:
        messages.success(request, _("Dropped. Each can still be put back on its own, in the list of reminders."))
    return redirect("home")
