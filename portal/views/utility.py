"""A roof's connection to its utility: the page, the way there and back, and where the utility posts its notices."""

from __future__ import annotations

from typing import cast

from django.conf import settings
from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.utils.crypto import constant_time_compare
from django.utils.translation import gettext as _
from django.views.decorators.cache import never_cache
from django.views.decorators.csrf import csrf_exempt
from django.views.decorators.http import require_POST, require_safe

from portal.actions.green_button.connect import connect, end, way_to_utility
from portal.actions.green_button.notices import MOST_NOTICE_BYTES, keep_notice
from portal.actions.green_button.utility import offered
from portal.actions.people import NotPossible
from portal.models import CameBy, EndedBy, Import, Site, User, UtilityConnection

ON_THE_WAY = "utility"
"""Where the session keeps which answer of the utility it waits for."""
FILES_SHOWN = 5


def _roof(user: User, pk: int) -> Site:
    """A roof whose readings the user may bring in; where no utility is set there is no page."""
    if not offered():
        raise Http404
    return get_object_or_404(Site.objects.fed_by(user).select_related("customer__business"), pk=pk)


@login_required
@require_safe
def utility(request: HttpRequest, pk: int) -> HttpResponse:
    """How the connection stands, what came by it, and the way to make or end it."""
    user = cast(User, request.user)
    roof = _roof(user, pk)
    sent = Import.objects.visible_to(user).listed().filter(meter__site=roof, came_by=CameBy.UTILITY)
    return render(
        request,
        "site/utility.html",
        {
            "site": roof,
            "connection": UtilityConnection.objects.filter(site=roof).first(),
            "utility": settings.GREEN_BUTTON["name"],
            "own": roof.customer.user_id == user.pk,
            "files": sent[:FILES_SHOWN],
        },
    )


@login_required
@require_POST
def utility_connect(request: HttpRequest, pk: int) -> HttpResponse:
    """Send the owner of the roof to the utility. Nobody else may say yes there."""
    user = cast(User, request.user)
    roof = _roof(user, pk)
    if roof.customer.user_id != user.pk:
        messages.error(request, _("Only the owner of the roof can allow this, with the utility's own log-in."))
        return redirect("utility", pk)
    address, kept = way_to_utility()
    request.session[ON_THE_WAY] = kept | {"site": roof.pk}
    return redirect(address)


@login_required
@require_safe
@never_cache
def utility_back(request: HttpRequest) -> HttpResponse:
    """The owner comes back from the utility, with its answer (RFC 6749, section 4.1.2)."""
    user, kept = cast(User, request.user), request.session.pop(ON_THE_WAY, None)
    if not offered():
        raise Http404
    if not kept or not constant_time_compare(kept["state"], request.GET.get("state", "")):
        messages.error(request, _("That answer of the utility belongs to nothing that was begun here. Begin again."))
        return redirect("home")
    roof = get_object_or_404(Site.objects.owned_by(user).select_related("customer__business"), pk=kept["site"])
    code = request.GET.get("code", "")
    if not code:
        said = _("The utility did not allow it. Nothing is connected.")
        if request.GET.get("error") == "access_denied":
            said = _("You did not allow it. Nothing is connected.")
        messages.warning(request, said)
    else:
        try:
            connect(site=roof, code=code, verifier=kept["verifier"], by=user, now=timezone.now())
        except NotPossible as problem:
            messages.error(request, str(problem))
    return redirect("utility", roof.pk)


@login_required
@require_POST
def utility_end(request: HttpRequest, pk: int) -> HttpResponse:
    """End it at once; readings stay."""
    user = cast(User, request.user)
    roof = _roof(user, pk)
    how = EndedBy.CUSTOMER if roof.customer.user_id == user.pk else EndedBy.OFFICE
    connection = UtilityConnection.objects.filter(site=roof).first()
    if connection and end(connection_id=connection.pk, how=how, by=user, now=timezone.now()):
        messages.success(request, _("It has ended. The readings that came stay."))
    return redirect("utility", pk)


@csrf_exempt  # a utility's server has no cookie; what it posts only says where to look
@require_POST
def utility_notice(request: HttpRequest) -> HttpResponse:
    """Keep what the utility posts, to be read by a worker."""
    if not offered():
        raise Http404
    if request.content_type == "multipart/form-data":
        return HttpResponse(status=415)
    if len(request.body) > MOST_NOTICE_BYTES:
        return HttpResponse(status=413)
    if not keep_notice(body=request.body, now=timezone.now()):
        return HttpResponse(status=503, headers={"Retry-After": "600"})
    return HttpResponse(status=200)
