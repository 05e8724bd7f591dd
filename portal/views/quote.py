"""A roof's price by the price list, to print or read out."""

from __future__ import annotations

from typing import cast

from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.utils import timezone

from portal.actions.pricing import quote, total_of
from portal.models import Site, User


@login_required
def visit_quote(request: HttpRequest, pk: int) -> HttpResponse:
    """A roof's price by the price list, to print or read out before the visit."""
    site = get_object_or_404(
        Site.objects.managed_by(cast(User, request.user)).select_related("customer__business"), pk=pk
    )
    nesting = request.GET.get("nesting") == "1"
    lines = quote(site, nesting=nesting)
    return render(
        request,
        "visits/quote.html",
        {
            "site": site,
            "firm": site.customer.business,
            "lines": lines,
            "total": total_of(lines),
            "nesting": nesting,
            "today": timezone.now(),
        },
    )
