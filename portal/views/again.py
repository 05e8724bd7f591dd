"""Another day for a visit that was called off, chosen by its customer without a login, by the link of the mail."""

from __future__ import annotations

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.utils import timezone, translation
from django.utils.translation import gettext as _
from django.views.decorators.cache import never_cache

from portal.actions.again import Offer, choose_again, offer
from portal.actions.mail.recipient import read_again_token
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
