"""The first page after log-in, by what a person is here: homeowner, office or technician."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import cast
from zoneinfo import ZoneInfo

from django.contrib.auth.decorators import login_required
from django.db.models import Count, Exists, OuterRef, Q
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext_lazy

from portal.actions.advice import recommendations
from portal.actions.asks import wishes
from portal.actions.mail.recipient import token_for
from portal.actions.roof_warnings import RoofWarnings, visit_warnings
from portal.actions.troubles import troubles
from portal.models import (
    Business,
    Customer,
    DayReadings,
    Enquiry,
    Import,
    ImportState,
    Lead,
    LeadEvent,
    LeadKind,
    Membership,
    Night,
    NightState,
    Referral,
    Reminder,
    ReminderState,
    Role,
    Site,
    User,
    Visit,
    VisitState,
)
from portal.pv.advice import State
from portal.pv.recommend import Recommendation
from portal.views.sites import site_story
from portal.words.advice import SIGNS

LISTED = 8
ASKED = 30
RECENT = timedelta(days=14)

FACES = (("office", gettext_lazy("Office")), ("roofs", gettext_lazy("My visits")), ("roof", gettext_lazy("My roof")))


@login_required
def home(request: HttpRequest) -> HttpResponse:
    """Show the face for the person's role; somebody with several gets links between them."""
    user, now = cast(User, request.user), timezone.now()
    roles = set(Membership.objects.filter(user=user).values_list("role", flat=True))
    may = {
        "office": bool(roles & {Role.OWNER, Role.OFFICE}),
        "roofs": Role.TECHNICIAN in roles,
        "roof": Customer.objects.filter(user=user).exists(),
    }
    faces = [(face, word) for face, word in FACES if may[face]]
    if not faces:
        return render(request, "home/nobody.html")
    wished = request.GET.get("as", "")
    face = wished if may.get(wished) else faces[0][0]
    frame = {"faces": faces if len(faces) > 1 else [], "face": face}
    if face == "office":
        return render(request, "home/office.html", frame | _office(user, now))
    if face == "roofs":
        return render(request, "home/technician.html", frame | _technician(user, now))
    return render(request, "home/homeowner.html", frame | _homeowner(user, now))


@dataclass(frozen=True, slots=True)
class Stop:
    """A visit in a day's list, with what the readings say of its roof."""

    visit: Visit
    later: bool
    told: Recommendation
    known: RoofWarnings


def _homeowner(user: User, now: datetime) -> dict[str, object]:
    roofs = list(Site.objects.filter(customer__user=user).select_related("customer__business"))
    served = list(Customer.objects.filter(user=user).select_related("business"))
    mails = [
        (customer.business.name, reverse("mail_choices", args=[token_for({"customer": customer.pk})]))
        for customer in served
    ]
    wrong = troubles(roofs, now=now)
    frame = {"mails": mails, "served": served, "troubles": [one for roof in roofs for one in wrong[roof.pk]]}
    if len(roofs) == 1:
        return frame | {"story": site_story(roofs[0], user=user, now=now), "wishes": wishes(roofs[0], now=now)}
    told = recommendations(roofs, now=now)
    return frame | {"roofs": [(site, told[site.pk]) for site in roofs]}


def _office(user: User, now: datetime) -> dict[str, object]:
    mine = Business.objects.managed_by(user)
    sites = Site.objects.managed_by(user)
    leads = Lead.objects.visible_to(user).awake(_today(user, now))
    told = recommendations(sites.select_related("customer__business"), now=now)
    states = Counter(one.state for one in told.values())
    stuck = Import.objects.filter(
        meter__site__customer__business__in=mine,
        state__in=[ImportState.FAILED, ImportState.QUESTION],
        uploaded_at__gte=now - RECENT,
    )
    unassessed = Night.objects.filter(
        site__in=sites, state=NightState.FAILED, day__gte=now.date() - timedelta(days=2)
    ).order_by("-day", "pk")
    reminders = Reminder.objects.visible_to(user).aggregate(
        due=Count("pk", filter=Q(state=ReminderState.DUE, due_at__lte=now)),
        failed=Count("pk", filter=Q(state=ReminderState.FAILED, due_at__gte=now - RECENT)),
    )
    silent = sites.filter(~Exists(DayReadings.objects.filter(meter__site=OuterRef("pk"))))
    asked = LeadEvent.objects.waiting().filter(lead__site__in=sites, lead__closed_at=None)
    return {
        "asked": asked.select_related("lead__site__customer__business")[:ASKED],
        "enquiries": Enquiry.objects.visible_to(user).open().select_related("business")[:ASKED],
        "leads": [
            (lead, told[lead.site_id]) for lead in leads.by_value().select_related("site__customer__business")[:LISTED]
        ],
        "lead_counts": leads.aggregate(
            cleaning=Count("pk", filter=Q(kind=LeadKind.CLEANING)),
            referral=Count("pk", filter=Q(kind=LeadKind.REFERRAL)),
        ),
        "states": [(SIGNS[state][1], states[state]) for state in State],
        "site_count": sites.count(),
        "visits": _visits(user, now, days=1, told=told),
        "referrals": Referral.objects.visible_to(user).open().select_related("visit__site__customer", "entry")[:LISTED],
        "stuck_imports": stuck.select_related("meter__site__customer")[:LISTED],
        "unassessed": unassessed.select_related("site__customer")[:LISTED],
        "reminders": reminders,
        "silent": silent.select_related("customer")[:LISTED],
        "silent_count": silent.count(),
        "owned": Business.objects.managed_by(user, roles=(Role.OWNER,)).exists(),
    }


def _technician(user: User, now: datetime) -> dict[str, object]:
    stops = _visits(user, now, days=2, technician=True)
    return {"today": [stop for stop in stops if not stop.later], "tomorrow": [stop for stop in stops if stop.later]}


def _today(user: User, now: datetime) -> date:
    """The day it is at the user's first business."""
    first = Business.objects.visible_to(user).order_by("pk").first()
    return now.astimezone(ZoneInfo(first.tz)).date() if first else now.date()


def _visits(
    user: User,
    now: datetime,
    *,
    days: int,
    technician: bool = False,
    told: dict[int, Recommendation] | None = None,
) -> list[Stop]:
    """Booked and done visits from each business's local midnight on, and whether each is later than today."""
    found: list[tuple[Visit, bool]] = []
    for business in Business.objects.filter(memberships__user=user).distinct():
        zone = ZoneInfo(business.tz)
        today = now.astimezone(zone).date()
        start, end = (datetime.combine(today + timedelta(days=d), time.min, zone) for d in (0, days))
        visits = Visit.objects.worked_by(user).filter(
            site__customer__business=business,
            starts_at__gte=start,
            starts_at__lt=end,
            state__in=[VisitState.BOOKED, VisitState.DONE],
        )
        if technician:
            visits = visits.filter(technicians=user)
        for visit in visits.select_related("site__customer__business").prefetch_related("technicians"):
            found.append((visit, visit.starts_at.astimezone(zone).date() > today))
    if told is None:
        told = recommendations([visit.site for visit, _ in found], now=now)
    known = visit_warnings([visit for visit, _ in found], reader=user)
    stops = [Stop(visit, later, told[visit.site_id], known[visit.pk]) for visit, later in found]
    return sorted(stops, key=lambda stop: (stop.visit.starts_at, stop.visit.pk))
