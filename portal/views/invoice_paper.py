"""An invoice on paper: as a PDF, and by a link without login, in the language of whom it is for."""

from __future__ import annotations

from typing import cast

from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.template.loader import render_to_string
from django.utils import timezone, translation
from django.views.decorators.http import require_GET

from portal.actions.invoices.issue import linked_invoice
from portal.actions.invoices.transfer_code import as_png
from portal.models import Invoice, User
from portal.views.invoices import paper
from portal.views.linked import linked_page
from portal.views.printed import pdf
from portal.views.proof import firm_logo, guarded


@login_required
def invoice_pdf(request: HttpRequest, pk: int) -> HttpResponse:
    issued = Invoice.objects.visible_to(cast(User, request.user)).issued().with_open()
    return _pdf(get_object_or_404(issued.select_related("business", "corrects", "visit__site"), pk=pk))


@require_GET
def shared_invoice(request: HttpRequest, token: str) -> HttpResponse:
    """The page behind the link of a mail."""
    found = linked_invoice(token, now=timezone.now())
    if found is None:
        return guarded(render(request, "invoices/link_over.html", status=404))
    context = paper(found) | {"token": token}
    page = linked_page(request, "invoices/shared.html", context, firm=found.business, language=found.language)
    return guarded(page)


@require_GET
def shared_invoice_pdf(request: HttpRequest, token: str) -> HttpResponse:
    found = linked_invoice(token, now=timezone.now())
    if found is None:
        return guarded(render(request, "invoices/link_over.html", status=404))
    return guarded(_pdf(found))


def _pdf(found: Invoice) -> HttpResponse:
    pictures: dict[str, bytes] = {}
    with translation.override(found.language):
        context = paper(found) | {"pdf": True}
        if found.business.logo:
            pictures["logo.png"] = firm_logo(found.business)
            context["logo"] = "logo.png"
        if context["code"] is not None:
            pictures["code.png"] = as_png(context["code"])  # type: ignore[arg-type]
        page = render_to_string("invoices/paper_pdf.html", context)
    answer = HttpResponse(pdf(page, pictures), content_type="application/pdf")
    answer["Content-Disposition"] = f'inline; filename="{found.kind}-{found.label}.pdf"'
    answer["Cache-Control"] = "private, no-store"
    return answer
