"""What homeowners ask of the firm, and what the office answers: wishes, wrong leads, enquiries of neighbours."""

from __future__ import annotations

from decimal import Decimal, InvalidOperation
from typing import cast

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.core.exceptions import ValidationError
from django.db.models import Q
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_POST

from portal.actions.asks import answer, ask, close_enquiry, erase_enquiry
from portal.actions.leads import unwrong_lead, wrong_lead
from portal.actions.standing_wishes import want
from portal.models import Enquiry, EventKind, Lead, Site, User
from portal.pv.standing_wish import Rhythm
from portal.views.office import office


@login_required
@require_POST
def site_ask(request: HttpRequest, pk: int) -> HttpResponse:
    """The owner of a roof asks for something."""
    user = cast(User, request.user)
    site = get_object_or_404(Site.objects.owned_by(user).select_related("customer__business"), pk=pk)
    firm = site.customer.business
    months = request.POST.get("months", "")
    try:
        kind = EventKind(request.POST.get("kind", ""))
        ask(
            site=site,
            kind=kind,
            by=user,
            now=timezone.now(),
            text=request.POST.get("text", ""),
            months=int(months) if months.isdecimal() and len(months) < 4 else None,
            price=Decimal(request.POST.get("price", "0")),
        )
    except (ValueError, InvalidOperation):
        messages.error(request, _("That could not be read. Go back and press it again."))
    except ValidationError as problem:
        messages.error(request, problem.messages[0])
    else:
        if kind == EventKind.NOT_NOW:
            messages.success(request, _("{firm} knows, and does not ask you before then.").format(firm=firm.name))
        else:
            messages.success(request, _("{firm} knows, and gets in touch with you.").format(firm=firm.name))
    # back to where the buttons stand: the first page of who has one roof, else the roof's own
    only = Site.objects.owned_by(user).count() == 1
    return redirect("/?as=roof#ask" if only else f"{reverse('site', args=[pk])}#ask")


def _lead(request: HttpRequest, pk: int) -> Lead:
    user, _firm = office(request)
    return get_object_or_404(Lead.objects.visible_to(user), pk=pk)


@login_required
@require_POST
def lead_answer(request: HttpRequest, pk: int) -> HttpResponse:
    answer(lead=_lead(request, pk), now=timezone.now())
    messages.success(request, _("Kept: seen to."))
    return redirect("lead", pk)


@login_required
@require_POST
def lead_wrong(request: HttpRequest, pk: int) -> HttpResponse:
    try:
        wrong_lead(
            lead=_lead(request, pk),
            reason=request.POST.get("reason", "")[:200],
            by=cast(User, request.user),
            now=timezone.now(),
        )
        messages.success(request, _("Closed as raised wrongly. It counts as wrong, and can be reopened here."))
    except ValidationError as problem:
        messages.error(request, problem.messages[0])
    return redirect("lead", pk)


@login_required
@require_POST
def lead_reopen(request: HttpRequest, pk: int) -> HttpResponse:
    try:
        unwrong_lead(lead=_lead(request, pk), by=cast(User, request.user), now=timezone.now())
        messages.success(request, _("Open again."))
    except ValidationError as problem:
        messages.error(request, problem.messages[0])
    return redirect("lead", pk)


@login_required
@require_POST
def enquiry(request: HttpRequest, pk: int) -> HttpResponse:
    """The office has called somebody who saw a report, or nothing of them is to be kept."""
    user, _firm = office(request)
    found = get_object_or_404(Enquiry.objects.visible_to(user), pk=pk)
    if request.POST.get("do") == "erase":
        erase_enquiry(enquiry=found)
        messages.success(request, _("Erased."))
    else:
        close_enquiry(enquiry=found, now=timezone.now())
        messages.success(request, _("Kept: seen to."))
    return redirect("home")


@login_required
@require_POST
def site_rhythm(request: HttpRequest, pk: int) -> HttpResponse:
    """How often a wash is wanted: the roof's owner says so, or the office for them."""
    user = cast(User, request.user)
    own, managed = Site.objects.owned_by(user), Site.objects.managed_by(user)
    site = get_object_or_404(Site.objects.filter(Q(pk__in=own) | Q(pk__in=managed)), pk=pk)
    asked = request.POST.get("rhythm", "")
    try:
        want(site=site, rhythm=Rhythm(asked) if asked else None, now=timezone.now())
    except ValueError:
        messages.error(request, _("That could not be read. Go back and press it again."))
    else:
        messages.success(request, _("Kept."))
    return redirect(f"{reverse('site', args=[pk])}#rhythm")
