"""The record of a visit: the page that works without a signal, and the addresses its phone sends to."""

from __future__ import annotations

import json
import re
from datetime import datetime, timedelta
from decimal import Decimal
from functools import wraps
from typing import cast
from uuid import UUID, uuid4

from django.conf import settings
from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.core.exceptions import PermissionDenied, ValidationError
from django.http import Http404, HttpRequest, HttpResponse, JsonResponse
from django.middleware.csrf import get_token
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_GET, require_POST

from portal.actions.advice import recommendation
from portal.actions.photos import MOST_PHOTO_BYTES, keep_photo, too_many_bytes
from portal.actions.record import close_referral, missing_from, record_entry
from portal.actions.roof_warnings import visit_warnings
from portal.actions.uploads import TOO_LARGE
from portal.models import (
    EntryKind,
    InspectionFinding,
    Referral,
    Site,
    User,
    Visit,
    VisitPhoto,
)
from portal.models.record import standing
from portal.views.guard import View
from portal.views.record_steps import found_in, screens_of
from portal.words.scripts import script_words

LISTS = {"visits": "/visits/", "office": "/?as=office", "roofs": "/?as=roofs"}
"""The day's lists, on which too somebody says that they have read what is known of a roof."""


def _wants_json(request: HttpRequest) -> bool:
    return request.headers.get("accept", "").startswith("application/json")


def _phone(view: View) -> View:
    """Answer a phone's script with sentences in JSON, so that it knows what to keep and what to say."""

    @wraps(view)
    def answer(request: HttpRequest, *args: object, **kwargs: object) -> HttpResponse:
        if not request.user.is_authenticated:
            if _wants_json(request):
                return JsonResponse({"problem": _("You are logged out. Log in again; nothing is lost.")}, status=401)
            return redirect(f"{settings.LOGIN_URL}")
        try:
            return view(request, *args, **kwargs)
        except ValidationError as problem:
            sentence = " ".join(problem.messages)
            if _wants_json(request):
                return JsonResponse({"problem": sentence}, status=422)
            messages.error(request, sentence)
            return redirect("visit_record", kwargs["pk"])
        except Http404:
            if _wants_json(request):
                sentence = _("This visit is not yours, or not any more. Ask the office; the entry stays on your phone.")
                return JsonResponse({"problem": sentence}, status=404)
            raise

    return answer


@login_required
def visit_record(request: HttpRequest, pk: int) -> HttpResponse:
    """What is entered on the roof."""
    user = cast(User, request.user)
    visit = get_object_or_404(Visit.objects.worked_by(user).select_related("site__customer__business"), pk=pk)
    entries = list(visit.entries.select_related("by"))
    photos = list(visit.photos.select_related("by"))
    screens = screens_of(visit, entries, photos)
    return render(
        request,
        "visits/record.html",
        {
            "visit": visit,
            "known": visit_warnings([visit], reader=user, now=timezone.now())[visit.pk],
            "site": visit.site,
            "user_id": user.pk,
            "have": " ".join(str(key) for key in [e.client_id for e in entries] + [p.client_id for p in photos]),
            "screens": screens,
            "found": found_in(screens),
            "urgent": any(
                screen.entry.answer == InspectionFinding.URGENT for screen in found_in(screens) if screen.entry
            ),
            "told": recommendation(visit.site, now=timezone.now()),
            "answers": InspectionFinding,
            "missing": missing_from(visit, entries),
            "extras": [entry for entry in entries if entry.kind == EntryKind.EXTRA],
            "shows_prices": visit.site.customer.business.shows_prices_to(user),
            "left": standing(entries).get((EntryKind.LEFT, "")),
            "left_id": uuid4(),
        },
    )


@require_POST
@never_cache
@_phone
def visit_entries(request: HttpRequest, pk: int) -> HttpResponse:
    """Take one entry. The phone may send it as often as it likes."""
    user, now = cast(User, request.user), timezone.now()
    visit = get_object_or_404(Visit.objects.worked_by(user).select_related("site__customer__business"), pk=pk)
    entry = record_entry(
        visit=visit,
        client_id=_client_id(request),
        kind=request.POST.get("kind", ""),
        item=request.POST.get("item", ""),
        answer=request.POST.get("answer", ""),
        water_ppm=_whole(request, "water_ppm", _("water reading [ppm]")),
        soak_minutes=_whole(request, "soak_minutes", _("soak time [minutes]")),
        drive_minutes=_whole(request, "drive_minutes", _("way [minutes]")),
        note=request.POST.get("note", "")[:4000],
        amount=_price(request),
        agreed_by=request.POST.get("agreed_by", "")[:120],
        signature=request.POST.get("signature", ""),
        at=_moment(request, now),
        by=user,
        now=now,
    )
    if _wants_json(request):
        return JsonResponse({"id": entry.pk})
    back = request.POST.get("back", "")
    if back in LISTS:
        return redirect(f"{LISTS[back]}#visit-{pk}")
    messages.success(request, _("Kept."))
    return redirect("visit_sheet" if back == "sheet" else "visit_record", pk)


@require_POST
@never_cache
@_phone
def visit_photos(request: HttpRequest, pk: int) -> HttpResponse:
    """Take one photo. The phone may send it as often as it likes."""
    user, now = cast(User, request.user), timezone.now()
    visit = get_object_or_404(Visit.objects.worked_by(user).select_related("site__customer__business"), pk=pk)
    sent = request.FILES.get("photo")
    if TOO_LARGE in request.META or (sent is not None and (sent.size or 0) > MOST_PHOTO_BYTES):
        raise ValidationError(too_many_bytes(str(request.META.get(TOO_LARGE) or (sent.name if sent else "photo"))))
    if sent is None:
        raise ValidationError(_("No photo came with this. Choose one, or take it again."))
    photo = keep_photo(
        visit=visit,
        client_id=_client_id(request),
        data=sent.read(),
        filename=sent.name or "photo",
        phase=request.POST.get("phase", ""),
        distance=request.POST.get("distance", ""),
        item=request.POST.get("item", ""),
        note=request.POST.get("note", ""),
        at=_moment(request, now),
        by=user,
        now=now,
    )
    if _wants_json(request):
        return JsonResponse({"id": photo.pk})
    messages.success(request, _("Kept."))
    return redirect("visit_record", pk)


@require_GET
def visit_photo(request: HttpRequest, pk: int, size: str) -> HttpResponse:
    """One photo, for the people of its visit; the file as it came from the phone is the office's."""
    if not request.user.is_authenticated:
        raise PermissionDenied
    photo = get_object_or_404(VisitPhoto.objects.visible_to(request.user), pk=pk)
    if size == "original":
        get_object_or_404(Site.objects.managed_by(request.user), visits=photo.visit_id)
    return photo_file(photo, size)


def photo_file(photo: VisitPhoto, size: str) -> HttpResponse:
    """The file's bytes; the copies are small, and an original is for the office's disk, never for showing."""
    if size == "original" and not photo.original:
        raise Http404  # kept for a while only
    field = {"original": photo.original, "small": photo.small}.get(size, photo.shown)
    with field.open() as file:
        data = file.read()
    if size == "original":
        name = f"photo-{photo.pk}-original.{str(photo.original.name).rsplit('.', 1)[-1]}"
        return HttpResponse(
            data,
            content_type="application/octet-stream",
            headers={"Content-Disposition": f'attachment; filename="{name}"', "Cache-Control": "private, no-store"},
        )
    return HttpResponse(data, content_type="image/jpeg", headers={"Cache-Control": "private, max-age=3600"})


@require_GET
@never_cache
@_phone
def visit_hello(request: HttpRequest) -> HttpResponse:
    """Tell a phone that there is a signal, who is logged in, and the token to send with."""
    return JsonResponse({"user": request.user.pk, "token": get_token(request)})


@require_GET
def visit_worker(request: HttpRequest) -> HttpResponse:
    """The service worker. It reaches beyond its own folder, so that the first page after log-in opens too."""
    script = settings.ROOT / "portal" / "static" / "visit" / "worker.js"
    words = json.dumps(script_words(), ensure_ascii=False)
    answer = HttpResponse(script.read_text().replace("WORDS = {}", f"WORDS = {words}"), content_type="text/javascript")
    answer["Cache-Control"] = "no-cache"
    answer["Service-Worker-Allowed"] = "/"
    return answer


@login_required
@require_POST
def visit_referral(request: HttpRequest, pk: int) -> HttpResponse:
    """The office has passed a finding on."""
    user = cast(User, request.user)
    referral = get_object_or_404(Referral.objects.visible_to(user), pk=pk)
    try:
        close_referral(referral=referral, outcome=request.POST.get("outcome", "")[:200], now=timezone.now())
        messages.success(request, _("Passed on."))
    except ValidationError as problem:
        messages.error(request, problem.messages[0])
    return redirect("visits")


def _client_id(request: HttpRequest) -> UUID:
    try:
        return UUID(request.POST.get("client_id", ""))
    except ValueError:
        raise ValidationError(_("The entry came without its number. Reload the page and enter it again.")) from None


def _whole(request: HttpRequest, field: str, words: str) -> int | None:
    text = request.POST.get(field, "").strip()
    if not text:
        return None
    if not text.isascii() or not text.isdigit() or len(text) > 6:
        raise ValidationError(_("The {words} must be a whole number, such as 12.").format(words=words))
    return int(text)


def _price(request: HttpRequest) -> Decimal | None:
    """What was agreed for an extra, with a point or a comma before the cents."""
    text = request.POST.get("amount", "").strip().replace(",", ".")
    if not text:
        return None
    if not re.fullmatch(r"[0-9]{1,6}(\.[0-9]{1,2})?", text):
        raise ValidationError(_("Write the price as a number, such as 35 or 35.50."))
    return Decimal(text)


def _moment(request: HttpRequest, now: datetime) -> datetime:
    """When an entry was made: as long before its arrival as the phone's own clock says, however wrong that is.

    A form sent without the script has no time; an old page of ours does not say when it sent.
    """
    try:
        at = datetime.fromisoformat(request.POST.get("at", ""))
        sent_at = datetime.fromisoformat(request.POST.get("sent_at", now.isoformat()))
        return now - max(sent_at - at, timedelta(0))
    except (ValueError, TypeError, OverflowError):  # no time, one without a zone, or one beyond all time
        return now
