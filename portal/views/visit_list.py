"""All visits as one list: searched, filtered, sorted, and as a file."""

from __future__ import annotations

from zoneinfo import ZoneInfo

from django import forms
from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils.translation import gettext_lazy

from portal.models import Business, Site, Visit, VisitState
from portal.models.visit import VisitQuerySet
from portal.views.asked import page_asked
from portal.views.csv_files import exported_csv, safe_cell
from portal.views.guard import asks_again_to_read
from portal.views.office import office
from portal.views.searching import SearchForm, managed_in_states, matching


class VisitListForm(SearchForm):
    visit = forms.ChoiceField(
        label=gettext_lazy("Visit"), choices=[("", gettext_lazy("Any")), *VisitState.choices], required=False
    )
    first = forms.DateField(label=gettext_lazy("From"), widget=forms.DateInput(attrs={"type": "date"}), required=False)
    last = forms.DateField(label=gettext_lazy("To"), widget=forms.DateInput(attrs={"type": "date"}), required=False)
    sort = forms.ChoiceField(
        label=gettext_lazy("Order"),
        choices=[("", gettext_lazy("Newest first")), ("old", gettext_lazy("Oldest first"))],
        required=False,
    )


def _listed(request: HttpRequest) -> tuple[VisitListForm, VisitQuerySet]:
    user, firm = office(request)
    form = VisitListForm(request.GET)
    states, words = form.states_and_words()
    sites = Site.objects.managed_by(user)
    visits = Visit.objects.filter(site__in=sites).filter(matching(words, "site__"), managed_in_states(sites, states))
    if form.asked("visit"):
        visits = visits.filter(state=form.asked("visit"))
    first, last = form.cleaned_data.get("first"), form.cleaned_data.get("last")
    if first is not None:
        visits = visits.from_day(first, tz=firm.tz)
    if last is not None:
        visits = visits.to_day(last, tz=firm.tz)
    order = ("starts_at", "pk") if form.asked("sort") == "old" else ("-starts_at", "-pk")
    return form, visits.with_site().order_by(*order)


@login_required
def visit_list(request: HttpRequest) -> HttpResponse:
    form, found = _listed(request)
    page = page_asked(request, found)
    return render(request, "visits/list.html", {"form": form, "page": page})


VISIT_COLUMNS = (
    "starts_at",
    "minutes",
    "state",
    "customer",
    "site",
    "address",
    "technicians",
    "price",
    "finished_at",
    "note",
)


@login_required
@asks_again_to_read
def visits_csv(request: HttpRequest) -> HttpResponse:
    """The visits asked for as a file for a spreadsheet; times are the roof's own."""
    _form, found = _listed(request)
    firms = Business.objects.filter(customers__sites__visits__in=found).distinct()
    response, out = exported_csv(request, "visits.csv", VISIT_COLUMNS, firms)
    for one in found:
        zone, site = ZoneInfo(one.site.tz), one.site
        finished = one.finished_at.astimezone(zone).isoformat(timespec="minutes") if one.finished_at else ""
        crew = ", ".join(str(person) for person in one.technicians.all())
        out.writerow(
            [
                one.starts_at.astimezone(zone).isoformat(timespec="minutes"),
                one.minutes,
                one.state,
                *map(safe_cell, (site.customer.name, site.name, site.address, crew)),
                one.price if one.price is not None else "",
                finished,
                safe_cell(one.note),
            ]
        )
    return response
