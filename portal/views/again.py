"""A day chosen by a customer without a login, by the link of a mail: another one, or one for the wash they want."""

from __future__ import annotations

from collections.abc import Callable

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


def _press(request: HttpRequest, language: str, choose: Callable[[str, str], object]) -> None:
    """Take the time whose button was pressed, named by its start and its technician, or say why not."""
    starts_at, _at, technician = request.POST.get("slot", "").partition("@")
    with translation.override(spoken_behind_link(request, language)):
        try:
            choose(starts_at, technician)
        except ValidationError as problem:
            messages.error(request, problem.messages[0])


@never_cache
def visit_again(request: HttpRequest, token: str) -> HttpResponse:
    """A GET shows free times, a POST books one: mail scanners follow every link."""
    found = read_again_token(token)
    if found is None:
        raise Http404
    visit, as_told = found
    customer, now = visit.site.customer, timezone.now()

    def choose(starts_at: str, technician: str) -> None:
        if not as_told:
            raise ValidationError(_("This visit has changed since that mail. Please call us."))
        choose_again(visit=visit, starts_at=starts_at, technician=technician, now=now)

    if request.method == "POST":
        _press(request, customer.language, choose)
        return redirect("visit_again", token)
    shown = offer(visit, now=now) if as_told else Offer(visit, [])
    context = {"offer": shown, "visit": visit, "firm": customer.business}
    return linked_page(request, "visits/again.html", context, firm=customer.business, language=customer.language)


@never_cache
def visit_wished(request: HttpRequest, token: str) -> HttpResponse:
    """The same for a wash that is due by a standing wish, which nobody has booked yet."""
    site = read_wish_token(token)
    if site is None:
        raise Http404
    customer, now = site.customer, timezone.now()
    if request.method == "POST":
        _press(
            request, customer.language, lambda at, who: choose_wished(site=site, starts_at=at, technician=who, now=now)
        )
        return redirect("visit_wished", token)
    firm = customer.business
    context = {"offer": wish_offer(site, now=now), "site": site, "firm": firm, "price": price_of_visit(site)}
    return linked_page(request, "visits/wished.html", context, firm=firm, language=customer.language)
