"""A day chosen by a customer without a login, by the link of a mail: another one, or one for the wash they want."""

from __future__ import annotations

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.utils import timezone, translation
from django.utils.translation import gettext as _
from django.views.decorators.cache import never_cache

from portal.actions.again import Offer, choose_again, choose_wished, offer, wish_offer
from portal.actions.mail.recipient import read_again_token, read_wish_token
from portal.actions.pricing import price_of_visit
from portal.views.linked import linked_page, spoken_behind_link


@never_cache
def visit_again(request: HttpRequest, token: str) -> HttpResponse:
    """A GET shows free times, a POST books one: mail scanners follow every link."""
    found = read_again_token(token)
    if found is None:
        raise Http404
    visit, as_told = found
    customer = visit.site.customer
    if request.method == "POST":
        starts_at, _at, technician = request.POST.get("slot", "").partition("@")
        with translation.override(spoken_behind_link(request, customer.language)):
            try:
                if not as_told:
                    raise ValidationError(_("This visit has changed since that mail. Please call us."))
                choose_again(visit=visit, starts_at=starts_at, technician=technician, now=timezone.now())
            except ValidationError as problem:
                messages.error(request, problem.messages[0])
        return redirect("visit_again", token)
    shown = offer(visit, now=timezone.now()) if as_told else Offer(visit, [])
    context = {"offer": shown, "visit": visit, "firm": customer.business}
    return linked_page(request, "visits/again.html", context, firm=customer.business, language=customer.language)


@never_cache
def visit_wished(request: HttpRequest, token: str) -> HttpResponse:
    """The same for a wash that is due by a standing wish, which nobody has booked yet."""
    site = read_wish_token(token)
    if site is None:
        raise Http404
    customer = site.customer
    if request.method == "POST":
        starts_at, _at, technician = request.POST.get("slot", "").partition("@")
        with translation.override(spoken_behind_link(request, customer.language)):
            try:
                choose_wished(site=site, starts_at=starts_at, technician=technician, now=timezone.now())
            except ValidationError as problem:
                messages.error(request, problem.messages[0])
        return redirect("visit_wished", token)
    context = {
        "offer": wish_offer(site, now=timezone.now()),
        "site": site,
        "firm": customer.business,
        "price": price_of_visit(site),
    }
    return linked_page(request, "visits/wished.html", context, firm=customer.business, language=customer.language)
