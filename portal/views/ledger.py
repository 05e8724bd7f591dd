"""The ledger of one file: what became of it, its rejected lines, its original, and how it is read."""

from __future__ import annotations

import csv
from collections.abc import Iterable
from datetime import datetime
from typing import Any, cast

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import FileResponse, HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_POST, require_safe

from portal.actions.imports.answers import answer_import, read_differently
from portal.actions.imports.ledger import preview_of
from portal.actions.imports.original import look_at, mapping_of
from portal.actions.imports.receive import ImportRefused
from portal.actions.imports.undo import undo_import
from portal.charts.first_days import first_days
from portal.models import Import, ImportState, User
from portal.readers import MisreadError, ReadError, safe_cell
from portal.views.how import HowForm, how_words


def my_import(request: HttpRequest, pk: int) -> Import:
    sent = Import.objects.visible_to(cast(User, request.user)).select_related(
        "meter__site__customer", "uploaded_by", "undone_by", "token"
    )
    return get_object_or_404(sent, pk=pk)


def first_days_drawn(kept: dict[str, Any] | None, tz: str) -> str:
    if not kept:
        return ""
    return first_days(datetime.fromisoformat(kept["start"]), kept["minutes"], kept["energy_wh"], tz=tz)


@login_required
@require_safe
def import_ledger(request: HttpRequest, pk: int) -> HttpResponse:
    """Show what became of one file."""
    import_ = my_import(request, pk)

    def moments(stamps: Iterable[str]) -> list[datetime]:
        return [datetime.fromisoformat(stamp) for stamp in stamps]

    return render(
        request,
        "imports/ledger.html",
        {
            "import": import_,
            "site": import_.meter.site,
            "drawn": first_days_drawn(import_.preview, import_.meter.site.tz),
            "gaps": [moments(gap) for gap in import_.gaps[:50]],
            "gap_count": len(import_.gaps),
            "lumps": [lump | {"between": moments([lump["start"], lump["end"]])} for lump in import_.lumps[:50]],
            "lump_count": len(import_.lumps),
            "lump_kwh": sum(lump["energy_wh"] for lump in import_.lumps) / 1000,
            "clock_changes": moments(import_.clock_changes),
            "rejected": import_.rejected[:20],
            "how": how_words(mapping_of(import_.mapping)) if import_.mapping else [],
        },
    )


@login_required
@require_safe
def import_state(request: HttpRequest, pk: int) -> HttpResponse:
    """Answer htmx's question whether a file is read; when it is, the page is loaded anew."""
    import_ = my_import(request, pk)
    if import_.state not in (ImportState.PENDING, ImportState.UNDOING):
        answer = HttpResponse()
        answer["HX-Refresh"] = "true"
        return answer
    return render(request, "imports/state.html", {"import": import_})


@login_required
@require_POST
def import_undo(request: HttpRequest, pk: int) -> HttpResponse:
    import_ = my_import(request, pk)
    try:
        undo_import(import_=import_, user=cast(User, request.user), now=timezone.now())
    except ImportRefused as refused:
        messages.error(request, str(refused))
    return redirect("import_ledger", pk)


@login_required
@require_safe
def import_rejected(request: HttpRequest, pk: int) -> HttpResponse:
    """Download the lines that were not taken in."""
    import_ = my_import(request, pk)
    answer = HttpResponse(content_type="text/csv; charset=utf-8")
    answer["Content-Disposition"] = f'attachment; filename="rejected-{import_.pk}.csv"'
    writer = csv.writer(answer)
    writer.writerow(["file", "line", "reason", "text"])
    for line in import_.rejected:
        writer.writerow(safe_cell(str(line[key])) for key in ("file", "line", "reason", "text"))
    return answer


@login_required
@require_safe
def import_original(request: HttpRequest, pk: int) -> HttpResponseBase:
    """Give back the file as it was sent, never shown in the browser."""
    import_ = my_import(request, pk)
    return FileResponse(
        import_.original.open("rb"),
        as_attachment=True,
        filename=import_.filename,
        content_type="application/octet-stream",
    )


@login_required
def import_how(request: HttpRequest, pk: int) -> HttpResponse:
    """Show how a file is read, with its first days drawn; take corrections, draw again, read."""
    user, import_ = cast(User, request.user), my_import(request, pk)
    if import_.state in (ImportState.PENDING, ImportState.UNDOING):
        return redirect("import_ledger", pk)
    tz = import_.meter.site.tz
    problem = ""
    try:
        seen = look_at(import_=import_, now=timezone.now())
    except MisreadError as error:
        seen, problem = error.seen, str(error)
    except ReadError as error:
        return render(request, "imports/how.html", {"import": import_, "site": import_.meter.site, "problem": error})
    mapping = mapping_of(import_.mapping) if import_.mapping else seen.mapping
    meters = [channel["name"] for channel in import_.channels]
    form = HowForm(mapping, import_.questions, seen, meters, request.POST or None)
    drawn = first_days_drawn(import_.preview, tz)
    if request.method == "POST" and form.is_valid():
        problem = ""
        if "draw" in request.POST:
            try:
                drawn = first_days_drawn(
                    preview_of(look_at(import_=import_, now=timezone.now(), mapping=form.mapping()).preview), tz
                )
            except ReadError as error:
                drawn, problem = "", str(error)
        else:
            try:
                if import_.state in (ImportState.QUESTION, ImportState.FAILED):
                    new = answer_import(import_=import_, mapping=form.mapping(), now=timezone.now())
                else:
                    new = read_differently(import_=import_, mapping=form.mapping(), user=user, now=timezone.now())
            except ImportRefused as refused:
                messages.error(request, str(refused))
                new = import_
            return redirect("import_ledger", new.pk)
    return render(
        request,
        "imports/how.html",
        {
            "import": import_,
            "site": import_.meter.site,
            "form": form,
            "asked": [form[code] for code in form.asked],
            "rest": [form[code] for code in form.fields if code not in form.asked],
            "drawn": drawn,
            "problem": problem,
            "sample": seen.sample[:8],
        },
    )
