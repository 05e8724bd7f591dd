"""One press for many rows of a list: give leads to somebody, write to the owners of roofs."""

from __future__ import annotations

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse, HttpResponseRedirect, QueryDict
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_POST

from portal.actions.leads import plan_lead
from portal.actions.reminders.by_hand import ask_for_readings
from portal.models import Lead, Site, User
from portal.views.asked import row_asked
from portal.views.office import office

MOST_AT_ONCE = 200
"""So many rows at once: a list's page has fewer."""


def _chosen(request: HttpRequest, name: str) -> list[int]:
    """The rows that were ticked."""
    keys = [row_asked(key) for key in request.POST.getlist(name)[:MOST_AT_ONCE]]
    return [key for key in keys if key]


def _back(request: HttpRequest, page: str) -> HttpResponseRedirect:
    """To the list as it was asked for."""
    query = QueryDict(request.POST.get("query", "")).urlencode()
    return HttpResponseRedirect(reverse(page) + (f"?{query}" if query else ""))


@login_required
@require_POST
def leads_assign(request: HttpRequest) -> HttpResponse:
    """Give the ticked leads to one of the team, or to nobody."""
    user, _firm = office(request)
    asked = request.POST.get("assigned_to", "")
    who = User.objects.filter(pk=row_asked(asked)).first() if asked else None
    given, problems = 0, []
    for lead in Lead.objects.visible_to(user).filter(pk__in=_chosen(request, "lead")).select_related("site"):
        try:
            if asked and who is None:
                raise ValidationError(_("Give it to somebody who works here."))
            plan_lead(
                lead=lead,
                assigned_to=who,
                next_action_on=lead.next_action_on,
                snoozed_until=lead.snoozed_until,
                now=timezone.now(),
            )
            given += 1
        except ValidationError as problem:
            problems.append(f"{lead.site}: {problem.messages[0]}")
    words = ngettext("{count} lead is given to {name}.", "{count} leads are given to {name}.", given)
    _say(request, words.format(count=given, name=who or _("nobody")) if given else "", problems)
    return _back(request, "leads")


@login_required
@require_POST
def customers_ask(request: HttpRequest) -> HttpResponse:
    """Write to the owners of the ticked roofs and ask for readings; who may not be written to is named."""
    user, _firm = office(request)
    asked, problems = 0, []
    for site in Site.objects.managed_by(user).filter(pk__in=_chosen(request, "site")):
        try:
            ask_for_readings(site=site, now=timezone.now())
            asked += 1
        except ValidationError as problem:
            problems.append(f"{site}: {problem.messages[0]}")
    words = ngettext("{count} mail is on its way.", "{count} mails are on their way.", asked)
    _say(request, words.format(count=asked) if asked else "", problems)
    return _back(request, "customers")


def _say(request: HttpRequest, done: str, problems: list[str]) -> None:
    if done:
        messages.success(request, done)
    for problem in problems:
        messages.warning(request, problem)
    if not done and not problems:
        messages.error(request, _("Nothing is ticked."))
