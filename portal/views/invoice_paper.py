"""An invoice on paper: as a PDF, and by a link without login, in the language of whom it is for."""

from __future__ import annotations

from typing import cast

from django.conf import settings
from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.template.loader import render_to_string
from django.utils import timezone, translation
from django.views.decorators.http import require_GET

from portal.actions.invoices.issue import linked_invoice
from portal.actions.invoices.transfer_code import as_png
from portal.models import Invoice, Language, User
from portal.views.invoices import paper
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
    language, firm = _language(request, found), found.business
    with translation.override(language):
        context = paper(found) | {
            "token": token,
            "business": {"name": firm.name, "phone": firm.phone, "email": firm.email},
        }
        answer = guarded(render(request, "invoices/shared.html", context))
    answer["Content-Language"] = language
    return answer


def _language(request: HttpRequest, found: Invoice) -> str:
    """Whom it is for reads it in their language, whatever the browser speaks, unless the reader chose one."""
    if isinstance(request.user, User):
        return request.user.language
    chosen = request.COOKIES.get(settings.LANGUAGE_COOKIE_NAME, "")
    return chosen if chosen in Language.values else found.language


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
