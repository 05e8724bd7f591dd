"""A technician's visits as a calendar feed (iCalendar, RFC 5545) under a secret address."""

from __future__ import annotations

from datetime import timedelta
from typing import cast

from django.conf import settings
from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.core.exceptions import PermissionDenied
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from icalendar import Calendar, Event

from portal.actions.tokens import new_calendar_feed, revoke_calendar_feeds
from portal.models import CALLED_OFF, CalendarFeed, Membership, User, Visit, hash_token
from portal.views.guard import asks_again

PAST = timedelta(days=60)


@login_required
@asks_again
def calendar(request: HttpRequest) -> HttpResponse:
    """Show, make and revoke the address of one's own feed."""
    user = cast(User, request.user)
    if not Membership.objects.filter(user=user).exists():
        raise PermissionDenied
    secret = ""
    if request.POST.get("do") == "revoke":
        revoke_calendar_feeds(user=user, now=timezone.now())
        messages.success(request, _("The address no longer works."))
        return redirect("calendar")
    if request.method == "POST":
        secret = new_calendar_feed(user=user, now=timezone.now())
    feed = CalendarFeed.objects.visible_to(user).live().first()
    address = settings.BASE_URL + reverse("calendar_feed", args=[secret]) if secret else ""
    return render(request, "visits/calendar.html", {"feed": feed, "address": address})


def calendar_feed(request: HttpRequest, token: str) -> HttpResponse:
    """The feed itself: whoever holds the address reads it, so it holds no more than a day's work needs."""
    feed = CalendarFeed.objects.live().filter(hashed=hash_token(token)).select_related("user").first()
    if feed is None:
        raise Http404
    visits = (
        Visit.objects.sent_to(feed.user).filter(starts_at__gte=timezone.now() - PAST).select_related("site__customer")
    )
    book = Calendar()
    book.add("prodid", "-//Rinsemark//Visits//EN")
    book.add("version", "2.0")
    book.add("name", _("Visits"))
    book.add("refresh-interval", timedelta(hours=1), {"value": "DURATION"})
    for visit in visits:
        book.add_component(visit_event(visit, settings.BASE_URL + reverse("visit_sheet", args=[visit.pk])))
    answer = HttpResponse(book.to_ical(), content_type="text/calendar; charset=utf-8")
    answer["Content-Disposition"] = 'inline; filename="visits.ics"'
    answer["Cache-Control"] = "private, no-store"
    answer["X-Robots-Tag"] = "noindex"
    return answer


def visit_event(visit: Visit, address: str) -> Event:
    event = Event()
    event.add("uid", f"visit-{visit.pk}@rinsemark")
    event.add("sequence", visit.revision)
    event.add("dtstamp", visit.changed_at)
    event.add("last-modified", visit.changed_at)
    event.add("dtstart", visit.starts_at)
    event.add("dtend", visit.ends_at)
    called_off = visit.state in CALLED_OFF
    event.add("status", "CANCELLED" if called_off else "CONFIRMED")
    event.add("summary", _("Called off: {visit}").format(visit=visit.site) if called_off else str(visit.site))
    event.add("location", visit.site.address)
    if visit.site.place is not None:
        event.add("geo", visit.site.place)
    event.add("url", address)
    event.add("description", f"{visit.get_state_display()}. Sheet: {address}")
    return event
