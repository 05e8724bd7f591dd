"""What came of a call, taking it back, and a mail to who sends nothing: the buttons of the office's first page."""

from __future__ import annotations

from django import forms
from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.http import require_POST

from portal.actions.calls import keep_call, take_back_call
from portal.actions.reminders.by_hand import ask_for_readings
from portal.models import Call, CallOutcome, Lead, Site
from portal.views.office import office
from portal.words.figures import day_words


class CallForm(forms.Form):
    """What came of a call; the button pressed is the outcome."""

    outcome = forms.ChoiceField(choices=CallOutcome.choices)
    again_on = forms.DateField(label=gettext_lazy("Call again on"), required=False)
    said = forms.CharField(label=gettext_lazy("What was said"), max_length=5000, required=False)


@login_required
@require_POST
def lead_call(request: HttpRequest, pk: int) -> HttpResponse:
    user, _firm = office(request)
    lead = get_object_or_404(Lead.objects.visible_to(user).select_related("site__customer"), pk=pk)
    form = CallForm(request.POST)
    if not form.is_valid():
        messages.error(request, _("That could not be read. Go back and press it again."))
        return redirect("home")
    given = form.cleaned_data
    try:
        call = keep_call(
            lead=lead,
            outcome=CallOutcome(given["outcome"]),
            by=user,
            now=timezone.now(),
            said=given["said"],
            again_on=given["again_on"],
        )
    except ValidationError as problem:
        messages.error(request, f"{lead.site}: {problem.messages[0]}")
    else:
        words = call.get_outcome_display()
        if call.again_on:
            words = f"{words}: {day_words(call.again_on)}"
        messages.success(request, f"{lead.site}: {words}.")
    return redirect("home")


@login_required
@require_POST
def call_undo(request: HttpRequest, pk: int) -> HttpResponse:
    user, _firm = office(request)
    call = get_object_or_404(Call.objects.visible_to(user).select_related("lead__site__customer"), pk=pk)
    try:
        take_back_call(call=call, now=timezone.now())
    except ValidationError as problem:
        messages.error(request, problem.messages[0])
    else:
        messages.success(request, _("Taken back: {site}.").format(site=call.lead.site))
    return redirect("home")


@login_required
@require_POST
def site_write(request: HttpRequest, pk: int) -> HttpResponse:
    """Ask the owner of a silent roof for readings."""
    user, _firm = office(request)
    site = get_object_or_404(Site.objects.managed_by(user).select_related("customer"), pk=pk)
    try:
        ask_for_readings(site=site, now=timezone.now())
    except ValidationError as problem:
        messages.error(request, problem.messages[0])
    else:
        messages.success(request, _("A mail to {name} goes out.").format(name=site.customer.name))
    return redirect("home")
