"""The first page after log-in, by what a person is here: homeowner, office or technician."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import cast
from zoneinfo import ZoneInfo

from django.conf import settings
from django.contrib.auth.decorators import login_required
from django.db.models import Exists, OuterRef, Q
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext_lazy

from portal.actions.advice import recommendations
from portal.actions.asks import wishes
from portal.actions.calls import ToCall, calls_to_make
from portal.actions.health import standing_still
from portal.actions.invoices.unpaid import bills_to_pay, unpaid_work
from portal.actions.mail.recipient import token_for
from portal.actions.roof_warnings import RoofWarnings, visit_warnings
from portal.actions.slipped import slipped
from portal.actions.troubles import troubles
from portal.models import (
    Business,
    Call,
    Customer,
    DayReadings,
    Enquiry,
    Invoice,
    Lead,
    LeadEvent,
    Membership,
    Role,
    Site,
    User,
    Visit,
    VisitState,
)
from portal.pv.advice import State
from portal.pv.recommend import Recommendation
from portal.views.fleet import last_years
from portal.views.holds import holds_shown
from portal.views.setting_out import SettingOut, sets_out
from portal.views.sites import site_story
from portal.words.advice import SIGNS

LISTED = 8
ASKED = 30
CALLED_LATELY = timedelta(hours=12)
CALL_AGAIN_IN = timedelta(days=7)

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
class ListedVisit:
    """A visit in a day's list, with what the readings say of its roof."""

    visit: Visit
    later: bool
    told: Recommendation
    known: RoofWarnings
    out: SettingOut | None


@dataclass(frozen=True, slots=True)
class CallCard:
    """A call to make, with the last year of its roof."""

    call: ToCall
    chart: str


def _homeowner(user: User, now: datetime) -> dict[str, object]:
    roofs = list(Site.objects.filter(customer__user=user).select_related("customer__business"))
    served = list(Customer.objects.filter(user=user).select_related("business"))
    mails = [
        (customer.business.name, reverse("mail_choices", args=[token_for({"customer": customer.pk})]))
        for customer in served
    ]
    wrong = troubles(roofs, now=now)
    invoices = Invoice.objects.issued().filter(customer__user=user).with_open().order_by("-issued_on", "-pk")[:20]
    frame: dict[str, object] = {
        "mails": mails,
        "served": served,
        "invoices": invoices,
        "to_pay": bills_to_pay(user),
        "today": _today(user, now),
        "troubles": [one for roof in roofs for one in wrong[roof.pk]],
    }
    if len(roofs) == 1:
        return frame | {"story": site_story(roofs[0], user=user, now=now), "wishes": wishes(roofs[0], now=now)}
    told = recommendations(roofs, now=now)
    return frame | {"roofs": [(site, told[site.pk]) for site in roofs]}


def _office(user: User, now: datetime) -> dict[str, object]:
    sites = Site.objects.managed_by(user).with_firms()  # read once: the page grows with them
    today = _today(user, now)
    told = recommendations(sites, now=now)
    states = Counter(one.state for one in told.values())
    to_call = calls_to_make(Lead.objects.visible_to(user), told, today=today)
    calls = [call for call in to_call if call.due]
    asked = LeadEvent.objects.waiting().filter(lead__site__in=Site.objects.managed_by(user), lead__closed_at=None)
    called = Call.objects.visible_to(user).standing().filter(at__gte=now - CALLED_LATELY)
    return {
        # without a broker nothing is expected to work: the doctor says that
        "standing_still": standing_still(now=now, up_since=settings.UP_SINCE) if settings.REDIS_URL else [],
        "held": holds_shown(user, now),
        "asked": asked.select_related("lead__site__customer__business")[:ASKED],
        "enquiries": Enquiry.objects.visible_to(user).open().select_related("business")[:ASKED],
        "calls": [CallCard(call, chart) for call, chart in zip(calls, _charts(calls[:LISTED], today), strict=False)],
        "calls_left": max(0, len(calls) - LISTED),
        "can_wait": [call for call in to_call if not call.due],
        "called": called.select_related("lead__site__customer", "by")[:LISTED],
        "call_again_on": today + CALL_AGAIN_IN,
        "states": [(SIGNS[state][1], states[state]) for state in State],
        "site_count": len(told),
        "steps": _first_steps(user),
        "visits": _visits(user, now, days=1, told=told),
        "slipped": slipped(user, sites=sites, today=today, now=now),
        "unpaid": unpaid_work(user, today=today),
        "owned": Business.objects.managed_by(user, roles=(Role.OWNER,)).exists(),
    }


def _first_steps(user: User) -> dict[str, bool]:
    """What a new firm does first, and whether it is done; nothing once all is."""
    within = {
        "roof": Site.objects.filter(customer__business=OuterRef("pk")),
        "readings": DayReadings.objects.filter(meter__site__customer__business=OuterRef("pk")),
        "invited": Customer.objects.filter(business=OuterRef("pk")).exclude(user=None),
    }
    mine = Business.objects.managed_by(user).annotate(**{name: Exists(rows) for name, rows in within.items()})
    firms = list(mine.values("phone", *within))
    steps = {"facts": all(firm["phone"] for firm in firms)}
    steps |= {name: any(firm[name] for firm in firms) for name in within}
    return {} if all(steps.values()) else steps


def _charts(calls: Sequence[ToCall], today: date) -> list[str]:
    """The last year of each roof that is to be called about."""
    drawn = last_years([call.lead.site_id for call in calls], until=today)
    return [drawn.get(call.lead.site_id, "") for call in calls]


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
) -> list[ListedVisit]:
    """Booked and done visits from each business's local midnight on, and whether each is later than today."""
    days_of = Q(pk__in=[])
    for tz in set(Business.objects.filter(memberships__user=user).order_by().values_list("tz", flat=True)):
        zone = ZoneInfo(tz)
        today = now.astimezone(zone).date()
        start, end = (datetime.combine(today + timedelta(days=d), time.min, zone) for d in (0, days))
        days_of |= Q(site__customer__business__tz=tz, starts_at__gte=start, starts_at__lt=end)
    visits = Visit.objects.worked_by(user).filter(days_of, state__in=[VisitState.BOOKED, VisitState.DONE])
    if technician:
        visits = visits.filter(technicians=user)
    found: list[tuple[Visit, bool]] = []
    for visit in visits.select_related("site__customer__business").prefetch_related("technicians"):
        zone = ZoneInfo(visit.site.customer.business.tz)
        found.append((visit, visit.starts_at.astimezone(zone).date() > now.astimezone(zone).date()))
    if told is None:
        told = recommendations([visit.site for visit, _ in found], now=now)
    known = visit_warnings([visit for visit, _ in found], reader=user, now=now, told=told)
    found.sort(key=lambda one: (one[0].starts_at, one[0].pk))
    out = sets_out([visit for visit, _ in found], reader=user, now=now) if technician else {}
    return [
        ListedVisit(visit, later, told[visit.site_id], known[visit.pk], out.get(visit.pk)) for visit, later in found
    ]
