"""The ledger of one file: what became of it, its rejected lines, its original, and how it is read."""

from __future__ import annotations

import csv
from collections.abc import Iterable
from datetime import datetime, timedelta
from typing import Any, cast

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import FileResponse, Http404, HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_POST, require_safe

from portal.actions.advice import recommendation
from portal.actions.imports.asked import answer_import, ask_to_draw, correct_clock, read_differently, undo_import
from portal.actions.imports.kept import mapping_of
from portal.actions.imports.receive import STALLED_AFTER, ImportRefused
from portal.charts.first_days import first_days
from portal.models import Business, Drawing, Import, ImportState, Night, User
from portal.views.csv_files import safe_cell
from portal.views.mapping import CLOCKS, LABELS, MappingForm, mapping_in_words
from portal.words.kept import in_their_words

FRESH = timedelta(days=1)
"""So long after a file was read its page begins with what it says of the roof."""


def my_import(request: HttpRequest, pk: int) -> Import:
    sent = Import.objects.visible_to(cast(User, request.user)).select_related(
        "meter__site__customer", "uploaded_by", "undone_by", "token"
    )
    return get_object_or_404(sent, pk=pk)


def first_days_drawn(kept: dict[str, Any] | None, tz: str) -> str:
    if not kept:
        return ""
    return first_days(datetime.fromisoformat(kept["start"]), kept["minutes"], kept["energy_wh"], tz=tz)


def _size_of(import_: Import) -> int | None:
    """The kept file's size [bytes]; None where it is gone from the disk, which must not keep anyone from its ledger."""
    try:
        size: int = import_.original.size
    except OSError:
        return None
    return size


@login_required
@require_safe
def import_ledger(request: HttpRequest, pk: int) -> HttpResponse:
    """Show what became of one file."""
    return _ledger(request, my_import(request, pk))


def _ledger(request: HttpRequest, import_: Import, said: str = "") -> HttpResponse:

    def moments(stamps: Iterable[str]) -> list[datetime]:
        return [datetime.fromisoformat(stamp) for stamp in stamps]

    return render(
        request,
        "imports/ledger.html",
        {
            "import": import_,
            "late": _waits_long(import_),
            "size": _size_of(import_),
            "site": import_.meter.site,
            "drawn": first_days_drawn(import_.preview, import_.meter.site.tz),
            "gaps": [moments(gap) for gap in import_.gaps[:50]],
            "gap_count": len(import_.gaps),
            "lumps": [lump | {"between": moments([lump["start"], lump["end"]])} for lump in import_.lumps[:50]],
            "lump_count": len(import_.lumps),
            "lump_kwh": sum(lump["energy_wh"] for lump in import_.lumps) / 1000,
            "clock_changes": moments(import_.clock_changes),
            "rejected": import_.rejected[:20],
            "mapping": mapping_in_words(mapping_of(import_.mapping)) if import_.mapping else [],
            "said": said,
            "of_customers": "of customers" in import_.problem
            and Business.objects.managed_by(cast(User, request.user)).exists(),
        }
        | _clock_choices(import_)
        | _verdict(import_),
    )


def _verdict(import_: Import) -> dict[str, Any]:
    """What a file that was read lately says of its roof, or that the roof is still being assessed."""
    now = timezone.now()
    if import_.state != ImportState.DONE or import_.finished_at is None or now - import_.finished_at > FRESH:
        return {}
    site = import_.meter.site
    if Night.objects.waiting().filter(site=site).exists():
        return {"fresh": True, "assessing": True}
    return {"fresh": True, "told": recommendation(site, now=now)}


@login_required
@require_safe
def import_verdict(request: HttpRequest, pk: int) -> HttpResponse:
    """Answer htmx's question whether the roof of a file is assessed."""
    import_ = my_import(request, pk)
    if not (verdict := _verdict(import_)):
        return _load_anew()
    return render(request, "imports/verdict.html", {"import": import_, "site": import_.meter.site} | verdict)


@login_required
@require_safe
def import_state(request: HttpRequest, pk: int) -> HttpResponse:
    """Answer htmx's question whether a file is read; when it is, the page's middle is put in its place, and said."""
    import_ = my_import(request, pk)
    if not import_.waits:
        answer = _ledger(request, import_, said=f"{import_.filename}: {import_.get_state_display()}")
        answer["HX-Retarget"] = answer["HX-Reselect"] = "#main"
        return answer
    return render(request, "imports/state.html", {"import": import_, "late": _waits_long(import_)})


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
@require_POST
def import_clock(request: HttpRequest, pk: int) -> HttpResponse:
    """Read all of the meter's files that were read by this one's clock by another."""
    import_ = my_import(request, pk)
    clock, label = request.POST.get("clock", ""), request.POST.get("label", "")
    if import_.state != ImportState.DONE or clock not in CLOCKS or label not in LABELS:
        messages.error(request, _("Choose a clock and what a stamp marks, on a file that has been read."))
        return redirect("import_ledger", pk)
    files = correct_clock(import_=import_, clock=clock, label=label, now=timezone.now())
    told = ngettext(
        "One file of this meter is being read by the other clock; its days follow within minutes.",
        "%(files)s files of this meter are being read by the other clock; their days follow within minutes.",
        files,
    )
    messages.success(request, told % {"files": files})
    return redirect("import_ledger", pk)


def _clock_choices(import_: Import) -> dict[str, Any]:
    """What the page needs to have a clock corrected: what was taken, what was assumed, and what the sun speaks for."""
    if import_.state != ImportState.DONE or not import_.mapping or import_.interval_minutes == 1440:
        return {}
    mapping = mapping_of(import_.mapping)
    if mapping.format not in ("text", "sheet") or mapping.clock.kind == "offset":
        return {}
    instead = next((one["instead"] for one in import_.warnings if one.get("instead")), "")
    code, _sep, value = instead.partition(" ")
    better = {"clock": mapping.clock.kind, "label": mapping.clock.label} | ({code: value} if code else {})
    return {
        "clocks": {code: _(words) for code, words in CLOCKS.items() if code != "offset"},
        "labels": {code: _(words) for code, words in LABELS.items()},
        "clock": mapping.clock,
        "better": better if code else None,
        "better_words": _((CLOCKS if code == "clock" else LABELS)[value]) if code else "",
        "assumed": mapping.assumed,
    }


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
        said = line | {"reason": in_their_words(line["reason"])}
        writer.writerow(safe_cell(str(said[key])) for key in ("file", "line", "reason", "text"))
    return answer


@login_required
@require_safe
def import_original(request: HttpRequest, pk: int) -> HttpResponseBase:
    """Give back the file as it was sent, never shown in the browser."""
    import_ = my_import(request, pk)
    try:
        original = import_.original.open("rb")
    except OSError:
        raise Http404(_("The kept file is gone from the disk.")) from None
    return FileResponse(
        original,
        as_attachment=True,
        filename=import_.filename,
        content_type="application/octet-stream",
    )


@login_required
def import_mapping(request: HttpRequest, pk: int) -> HttpResponse:
    """Show how a file is read, with its first days drawn; take corrections, have it drawn or read so.

    The page knows the file only from its row: a worker has seen it, draws it and reads it.
    """
    user, import_ = cast(User, request.user), my_import(request, pk)
    if import_.waits or not import_.mapping:  # of a photo, say, there is nothing to choose
        return redirect("import_ledger", pk)
    site = import_.meter.site
    drawing = Drawing.objects.filter(of=import_).first() if "drawing" in request.GET else None
    form = MappingForm(import_, data=request.POST or None, answers=drawing.answers if drawing else None)
    if request.method == "POST" and form.is_valid():
        if "draw" in request.POST:
            ask_to_draw(import_=import_, mapping=form.mapping(), answers=form.cleaned_data, now=timezone.now())
            return redirect(reverse("import_mapping", args=[pk]) + "?drawing")
        try:
            if import_.state in (ImportState.QUESTION, ImportState.FAILED):
                new = answer_import(import_=import_, mapping=form.mapping(), now=timezone.now())
            else:
                new = read_differently(import_=import_, mapping=form.mapping(), user=user, now=timezone.now())
        except ImportRefused as refused:
            messages.error(request, str(refused))
            new = import_
        return redirect("import_ledger", new.pk)
    shown = {
        "import": import_,
        "site": site,
        "form": form,
        "asked": [form[code] for code in form.asked],
        "rest": [form[code] for code in form.fields if code not in form.asked],
        "drawn": first_days_drawn(import_.preview, site.tz),
        "problem": import_.problem,
        "sample": import_.seen["sample"] if import_.seen else [],
    }
    return render(request, "imports/mapping.html", shown | (_drawing_shown(drawing) if drawing else {}))


@login_required
@require_safe
def import_drawing(request: HttpRequest, pk: int) -> HttpResponse:
    """Answer htmx's question whether a proposal is drawn; where there is none any more, the page is loaded anew."""
    import_ = my_import(request, pk)
    drawing = Drawing.objects.filter(of=import_).select_related("of__meter__site").first()
    if drawing is None or import_.waits:
        return _load_anew()
    return render(request, "imports/drawing.html", {"import": import_} | _drawing_shown(drawing))


def _drawing_shown(drawing: Drawing) -> dict[str, Any]:
    site = drawing.of.meter.site
    return {
        "site": site,
        "drawing": drawing,
        "drawn": first_days_drawn(drawing.preview, site.tz),
        "late": _waits_long(drawing),
    }


def _waits_long(row: Import | Drawing) -> bool:
    """Whether no worker has begun with it for so long that people should be told."""
    return row.begun_at is None and row.asked_at is not None and timezone.now() - row.asked_at > STALLED_AFTER


def _load_anew() -> HttpResponse:
    answer = HttpResponse()
    answer["HX-Refresh"] = "true"
    return answer
