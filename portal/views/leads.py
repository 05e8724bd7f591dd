"""Leads: the board, one lead's page, and the list as a file."""

from __future__ import annotations

from datetime import datetime
from typing import Any, cast
from zoneinfo import ZoneInfo

from django import forms
from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.core.exceptions import ValidationError
from django.db.models import F, QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.utils.text import format_lazy
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.http import require_POST

from portal.actions.advice import recommendation, recommendations
from portal.actions.lead_figures import promises, raised_by_month, weekly_figures
from portal.actions.leads import distance_km, lose_lead, move_lead, note_lead, plan_lead, trips
from portal.charts.promise import promise_chart
from portal.models import Business, Lead, LeadKind, LeadStage, Membership, Site, User
from portal.models.lead import LeadQuerySet
from portal.views.asked import page_asked
from portal.views.csv_files import exported_csv, safe_cell
from portal.views.guard import asks_again_to_read
from portal.views.office import office
from portal.views.searching import SearchForm, managed_in_states, matching
from portal.words.advice import advice, headline

TRIPS_A_PAGE = 20
TRIP_KM = 8.0
OPEN_STAGES = (LeadStage.NEW, LeadStage.CONTACTED, LeadStage.QUOTED)


class BoardForm(SearchForm):
    """What the board shows."""

    show = forms.ChoiceField(
        choices=[
            ("open", gettext_lazy("Open")),
            ("snoozed", gettext_lazy("Snoozed")),
            ("closed", gettext_lazy("Closed")),
        ],
        required=False,
        label=gettext_lazy("Show"),
    )
    kind = forms.ChoiceField(
        label=gettext_lazy("Kind"), choices=[("", gettext_lazy("Any")), *LeadKind.choices], required=False
    )
    stage = forms.ChoiceField(
        label=gettext_lazy("Stage"), choices=[("", gettext_lazy("Any")), *LeadStage.choices], required=False
    )
    whose = forms.ChoiceField(
        label=gettext_lazy("Whose"),
        choices=[
            ("", gettext_lazy("Anybody's")),
            ("mine", gettext_lazy("Mine")),
            ("nobody", gettext_lazy("Nobody's")),
        ],
        required=False,
    )
    sort = forms.ChoiceField(
        label=gettext_lazy("Order"),
        choices=[
            ("", gettext_lazy("Most at stake")),
            ("opened_at", gettext_lazy("Open the longest")),
            ("contacted_at", gettext_lazy("Last contact")),
            ("next_action_on", gettext_lazy("Next step")),
        ],
        required=False,
    )
    near = forms.BooleanField(
        required=False, label=format_lazy(gettext_lazy("Group neighbours within {trip_km:.0f} km"), trip_km=TRIP_KM)
    )

    def chosen(self, leads: LeadQuerySet, user: User, today: Any) -> LeadQuerySet:
        states, words = self.states_and_words()
        wish = self.cleaned_data
        leads = leads.filter(matching(words, "site__"), managed_in_states(Site.objects.managed_by(user), states))
        show = wish.get("show") or "open"
        if show == "closed":
            leads = leads.exclude(closed_at=None)
        elif show == "snoozed":
            leads = leads.open().filter(snoozed_until__gt=today)
        else:
            leads = leads.awake(today)
        if wish.get("kind"):
            leads = leads.filter(kind=wish["kind"])
        if wish.get("stage"):
            leads = leads.filter(stage=wish["stage"])
        if wish.get("whose") == "mine":
            leads = leads.filter(assigned_to=user)
        elif wish.get("whose") == "nobody":
            leads = leads.filter(assigned_to=None)
        if show == "closed":
            return leads.with_stake().order_by("-closed_at", "-pk")
        if wish.get("sort"):
            return leads.with_stake().order_by(F(wish["sort"]).asc(nulls_first=True), "pk")
        return leads.by_value()


def team_of(user: User) -> QuerySet[User]:
    """Those who work in the firms that the user runs."""
    working = Membership.objects.filter(business__in=Business.objects.managed_by(user), user__is_active=True)
    return User.objects.filter(pk__in=working.values("user")).order_by("name", "pk")


def _board(request: HttpRequest) -> tuple[BoardForm, LeadQuerySet]:
    user, business = office(request)
    form = BoardForm(request.GET)
    today = timezone.now().astimezone(ZoneInfo(business.tz)).date()
    leads = Lead.objects.visible_to(user).select_related("site__customer__business", "assigned_to")
    return form, form.chosen(leads, user, today)


@login_required
def leads(request: HttpRequest) -> HttpResponse:
    """The board: what is at stake first; with ``near`` the neighbours of one trip together."""
    form, chosen = _board(request)
    near = bool(form.is_valid() and form.cleaned_data["near"])
    if near:
        page = page_asked(request, trips(list(chosen), within_km=TRIP_KM), TRIPS_A_PAGE)
        groups = list(page.object_list)
    else:
        page = page_asked(request, chosen)
        groups = [list(page.object_list)]
    told = recommendations([lead.site for group in groups for lead in group], now=timezone.now())
    return render(
        request,
        "leads/leads.html",
        {
            "form": form,
            "page": page,
            "near": near,
            "groups": [
                {
                    "leads": [(lead, distance_km(lead), told[lead.site_id]) for lead in group],
                    "value": sum(one.middle for lead in group if (one := told[lead.site_id].lost_a_month)),
                    "currency": group[0].site.customer.business.currency if group else "",
                }
                for group in groups
            ],
            "count": chosen.count(),
            "team": team_of(cast(User, request.user)),
        },
    )


LEAD_COLUMNS = (
    *("customer", "site", "address", "phone", "email", "consented_on", "kind", "stage", "opened_on"),
    *("state", "advice", "wash_from", "loss", "loss_low", "loss_high", "value_per_month"),
    *("price", "wash_brings", "chance_it_pays_back", "currency"),
    *("distance_km", "last_contact", "next_action_on", "assigned_to", "why", "closed_because"),
)


@login_required
@asks_again_to_read
def leads_csv(request: HttpRequest) -> HttpResponse:
    """The board's leads as a file for a spreadsheet."""
    _, chosen = _board(request)
    listed = list(chosen)
    response, out = exported_csv(request, "leads.csv", LEAD_COLUMNS, {lead.site.customer.business for lead in listed})
    told_of = recommendations([lead.site for lead in listed], now=timezone.now())
    for lead in listed:
        told = told_of[lead.site_id]
        loss, wash = told.loss, told.wash
        site = lead.site
        person = site.customer
        out.writerow(
            [
                *map(safe_cell, (person.name, site.name, site.address, person.phone, person.email)),
                person.consented_on or "",
                lead.kind,
                lead.stage,
                _day(lead.opened_at, person.business),
                str(told.state),
                str(told.act),
                told.on or "",
                *(_number(one, 4) for one in ((loss.middle, loss.low, loss.high) if loss else (None,) * 3)),
                _number(told.lost_a_month.middle if told.lost_a_month else None, 2),
                _number(wash.price if wash else None, 2),
                _number(wash.brings.middle if wash else None, 2),
                _number(wash.pays_back if wash else None, 2),
                person.business.currency,
                _number(distance_km(lead), 1),
                _day(lead.contacted_at, person.business),
                lead.next_action_on or "",
                safe_cell(str(lead.assigned_to or "")),
                safe_cell(f"{headline(told)} {advice(told)}"),
                safe_cell(lead.closed_because),
            ]
        )
    return response


def _number(value: float | None, digits: int) -> str:
    return "" if value is None else f"{value:.{digits}f}"


def _day(moment: datetime | None, business: Business) -> str:
    return moment.astimezone(ZoneInfo(business.tz)).date().isoformat() if moment else ""


@login_required
def leads_weekly(request: HttpRequest) -> HttpResponse:
    """Week by week: opened, contacted, booked, cleaned; and whether the promised gain came true."""
    user, business = office(request)
    mine = Lead.objects.visible_to(user)
    washed = promises(mine)
    return render(
        request,
        "leads/weekly.html",
        {
            "months": raised_by_month(mine, tz=business.tz, now=timezone.now()),
            "weeks": weekly_figures(mine, tz=business.tz, now=timezone.now()),
            "chart": promise_chart(washed),
            "promised": sum(one.promised for one in washed) / len(washed) if washed else None,
            "measured": sum(one.measured for one in washed) / len(washed) if washed else None,
        },
    )


class PlanForm(forms.ModelForm):  # type: ignore[type-arg]  # Django cannot be subscripted when it runs
    """Who follows a lead up, and when."""

    class Meta:
        model = Lead
        fields = ["assigned_to", "next_action_on", "snoozed_until"]
        labels = {
            "assigned_to": gettext_lazy("Who"),
            "next_action_on": gettext_lazy("Next step on"),
            "snoozed_until": gettext_lazy("Off the board until"),
        }
        widgets = {
            "next_action_on": forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
            "snoozed_until": forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
        }

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        team = Membership.objects.filter(business=self.instance.site.customer.business, user__is_active=True)
        field = cast("forms.ModelChoiceField[User]", self.fields["assigned_to"])
        field.queryset = User.objects.filter(pk__in=team.values("user"))
        field.empty_label = _("Nobody yet")


class NoteForm(forms.Form):
    text = forms.CharField(widget=forms.Textarea(attrs={"rows": 3}), label=gettext_lazy("Note"), max_length=5000)


class LostForm(forms.Form):
    reason = forms.CharField(max_length=200, label=gettext_lazy("Why they said no"))


def _lead(request: HttpRequest, pk: int) -> Lead:
    user, _ = office(request)
    found = Lead.objects.visible_to(user).select_related("site__customer__business", "assigned_to")
    return get_object_or_404(found, pk=pk)


@login_required
def lead(request: HttpRequest, pk: int) -> HttpResponse:
    found = _lead(request, pk)
    return _lead_page(request, found)


def _lead_page(request: HttpRequest, found: Lead, **forms_with_errors: forms.BaseForm) -> HttpResponse:
    return render(
        request,
        "leads/lead.html",
        {
            "lead": found,
            "events": (events := list(found.events.all())),
            "waits": any(event.answered_at is None for event in events),
            "notes": found.notes.select_related("written_by"),
            "visits": found.visits.order_by("starts_at"),
            "distance": distance_km(found),
            "told": recommendation(found.site, now=timezone.now()),
            "stages": [stage for stage in OPEN_STAGES if stage != found.stage],
            "plan_form": PlanForm(instance=found),
            "note_form": NoteForm(),
            "lost_form": LostForm(),
            **forms_with_errors,
        },
        status=422 if forms_with_errors else 200,
    )


@login_required
@require_POST
def lead_move(request: HttpRequest, pk: int) -> HttpResponse:
    found = _lead(request, pk)
    try:
        stage = LeadStage(request.POST.get("stage", ""))
        move_lead(lead=found, stage=stage, by=cast(User, request.user), now=timezone.now())
    except ValueError:
        messages.error(request, _("There is no such stage."))
    except ValidationError as problem:
        messages.error(request, problem.message)
    return redirect("lead", pk)


@login_required
@require_POST
def lead_note(request: HttpRequest, pk: int) -> HttpResponse:
    found = _lead(request, pk)
    form = NoteForm(request.POST)
    if not form.is_valid():
        return _lead_page(request, found, note_form=form)
    note_lead(lead=found, text=form.cleaned_data["text"], by=cast(User, request.user), now=timezone.now())
    return redirect("lead", pk)


@login_required
@require_POST
def lead_plan(request: HttpRequest, pk: int) -> HttpResponse:
    found = _lead(request, pk)
    form = PlanForm(request.POST, instance=_lead(request, pk))
    if form.is_valid():
        try:
            plan_lead(lead=found, now=timezone.now(), **form.cleaned_data)
        except ValidationError as problem:
            form.add_error(None, problem)
        else:
            messages.success(request, _("Kept."))
            return redirect("lead", pk)
    return _lead_page(request, found, plan_form=form)


@login_required
@require_POST
def lead_lose(request: HttpRequest, pk: int) -> HttpResponse:
    found = _lead(request, pk)
    form = LostForm(request.POST)
    if form.is_valid():
        try:
            lose_lead(lead=found, reason=form.cleaned_data["reason"], by=cast(User, request.user), now=timezone.now())
        except ValidationError as problem:
            form.add_error(None, problem)
        else:
            messages.success(request, _("Closed as turned down. The roof is left in peace for half a year."))
            return redirect("leads")
    return _lead_page(request, found, lost_form=form)
