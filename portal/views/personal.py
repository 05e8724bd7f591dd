"""Personal data: what is kept and why, taking it along, and who did what with it."""

from __future__ import annotations

import tempfile
from typing import cast

from django.contrib.auth.decorators import login_required
from django.core.exceptions import PermissionDenied
from django.http import FileResponse, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.utils import timezone, translation
from django.views.decorators.http import require_GET

from portal.actions.export import export_customer
from portal.models import AuditEntry, Business, Customer, Role, User
from portal.views.asked import page_asked
from portal.views.guard import asks_again_to_read

LINES = 100
IN_MEMORY = 8 * 1024 * 1024


def privacy(request: HttpRequest) -> HttpResponse:
    """In plain words, for everybody; a homeowner finds what is kept of them."""
    own = Customer.objects.filter(user=request.user).select_related("business") if request.user.is_authenticated else ()
    return render(request, "about/privacy.html", {"own": own})


@login_required
@require_GET
@asks_again_to_read
def customer_data(request: HttpRequest, pk: int) -> FileResponse:
    """All of a customer's data as an archive, for themselves and for the office that is asked for it."""
    user = cast(User, request.user)
    customer = get_object_or_404(Customer.objects.visible_to(user).select_related("business"), pk=pk)
    archive = tempfile.SpooledTemporaryFile(IN_MEMORY)  # noqa: SIM115 - the answer closes it
    with translation.override(customer.language):
        export_customer(customer=customer, to=archive, by=user, now=timezone.now())
    archive.seek(0)
    return FileResponse(archive, as_attachment=True, filename=f"data-{customer.pk}.zip")


@login_required
def business_trail(request: HttpRequest, slug: str) -> HttpResponse:
    """The audit trail of a firm, for its owner."""
    user = cast(User, request.user)
    business = get_object_or_404(Business.objects.visible_to(user), slug=slug)
    if not Business.objects.managed_by(user, roles=(Role.OWNER,)).filter(pk=business.pk).exists():
        raise PermissionDenied
    entries = AuditEntry.objects.visible_to(user).filter(business=business).select_related("by")
    page = page_asked(request, entries, LINES)
    return render(request, "business/trail.html", {"page": page, "firm": business})
