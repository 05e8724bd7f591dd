"""The office's customers."""

from __future__ import annotations

from collections.abc import Iterable
from smtplib import SMTPException
from typing import Any, cast
from zoneinfo import ZoneInfo

from django import forms
from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.db.models import Q, QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.http import require_POST

from portal.actions.advice import recommendations
from portal.actions.erase import erase_customer
from portal.actions.invitations import invite, known_elsewhere, may_hand_on_link, password_link
from portal.actions.mail.post import mail_folder
from portal.actions.missing import missing_of
from portal.actions.people import NotPossible, give_access, save_customer, withdraw_access
from portal.models import Business, Customer, Enquiry, Site, User, Visit, VisitState
from portal.views.asked import page_asked, row_asked
from portal.views.csv_files import exported_csv, safe_cell
from portal.views.guard import asks_again, asks_again_to_read
from portal.views.office import office
from portal.views.searching import SearchForm
from portal.views.weekdays import WeekdaysField


class CustomerListForm(SearchForm):
    sort = forms.ChoiceField(
        label=gettext_lazy("Order"),
        choices=[
            ("", gettext_lazy("Name")),
            ("cost", gettext_lazy("What dirt costs")),
            ("new", gettext_lazy("Newest first")),
        ],
        required=False,
    )


def _listed(request: HttpRequest) -> tuple[CustomerListForm, list[Customer]]:
    """The customers asked for, in the order asked for, each with what is told of its roofs beside it."""
    user, _firm = office(request)
    form = CustomerListForm(request.GET)
    states, words = form.states_and_words()
    found = searched(Customer.objects.managed_by(user), " ".join(words))
    if form.asked("sort") == "new":
        found = found.order_by("-pk")
    if not states and form.asked("sort") != "cost":
        return form, found  # type: ignore[return-value]  # a page of it is read, not all
    listed = list(found)
    _tell(listed)
    if states:
        listed = [one for one in listed if any(roof.told.state in states for roof in one.roofs)]  # type: ignore[attr-defined]
    if form.asked("sort") == "cost":
        listed.sort(key=lambda one: -sum(cost.middle for roof in one.roofs if (cost := roof.told.lost_a_month)))  # type: ignore[attr-defined]
    return form, listed


@login_required
def customers(request: HttpRequest) -> HttpResponse:
    """Customers with their roofs, searched by name, address, e-mail, phone, or by how a roof stands."""
    form, found = _listed(request)
    page = page_asked(request, found)
    page.object_list = list(page.object_list)
    _tell(page.object_list)
    asked = {"page": page, "form": form, "wanted": form.asked("q")}
    return render(request, "customer/list.html", asked)


CUSTOMER_COLUMNS = (
    "customer",
    "phone",
    "email",
    "consented_on",
    "site",
    "address",
    "latitude",
    "longitude",
    "state",
    "loss",
)


@login_required
@asks_again_to_read
def customers_csv(request: HttpRequest) -> HttpResponse:
    """The customers asked for as a file for a spreadsheet, one row a roof."""
    _form, found = _listed(request)
    listed = list(found)
    _tell(listed)
    firms = Business.objects.filter(customers__in=listed).distinct()
    response, out = exported_csv(request, "customers.csv", CUSTOMER_COLUMNS, firms)
    for one in listed:
        person = [*map(safe_cell, (one.name, one.phone, one.email)), one.consented_on or ""]
        for roof in one.roofs or [None]:  # type: ignore[attr-defined]
            facts = ["", "", "", "", "", ""]
            if roof is not None:
                loss = f"{roof.told.loss.middle:.4f}" if roof.told.loss else ""
                place = [*(roof.place or ("", "")), str(roof.told.state), loss]
                facts = [safe_cell(roof.name), safe_cell(roof.address), *place]
            out.writerow(person + facts)
    return response


def searched(customers: QuerySet[Customer], wanted: str) -> QuerySet[Customer]:
    """Those in whose facts or roofs every word is found."""
    for word in wanted.split():
        customers = customers.filter(
            Q(name__icontains=word)
            | Q(email__icontains=word)
            | Q(phone__icontains=word)
            | Q(sites__address__icontains=word)
            | Q(sites__name__icontains=word)
        )
    return customers.distinct()


def _tell(customers: Iterable[Customer]) -> None:
    """Put what is to be said of each roof beside it, in as many queries for many customers as for one."""
    sites = list(Site.objects.filter(customer__in=customers).select_related("customer__business"))
    told = recommendations(sites, now=timezone.now())
    for customer in customers:
        roofs = [site for site in sites if site.customer_id == customer.pk]
        for roof in roofs:
            roof.told = told[roof.pk]  # type: ignore[attr-defined]  # for the template
        customer.roofs = roofs  # type: ignore[attr-defined]  # for the template


@login_required
def customer(request: HttpRequest, pk: int) -> HttpResponse:
    """One customer: contact, roofs, coming visits, login."""
    user = cast(User, request.user)
    found = get_object_or_404(Customer.objects.managed_by(user).select_related("business", "user", "came_with"), pk=pk)
    _tell([found])
    visits = Visit.objects.filter(site__customer=found, state=VisitState.BOOKED).select_related("site__customer")
    invoices = found.invoices.with_open().order_by("-made_at", "-pk")[:20]
    today = timezone.now().astimezone(ZoneInfo(found.business.tz)).date()
    missing = missing_of(found, list(found.sites.all()))
    return render(
        request,
        "customer/customer.html",
        {"customer": found, "visits": visits, "invoices": invoices, "today": today, "missing": missing},
    )


class CustomerForm(forms.ModelForm):  # type: ignore[type-arg]  # Django cannot be subscripted when it runs
    week_days = WeekdaysField(
        label=gettext_lazy("Days of the week that suit them"),
        required=False,
        help_text=gettext_lazy("None ticked: any day. Booking asks before it takes another."),
    )

    class Meta:
        model = Customer
        fields = ["business", "name", "phone", "email", "language", "consented_on", "week_days", "notes"]
        widgets = {
            "consented_on": forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
            "notes": forms.Textarea(attrs={"rows": 3}),
        }
        labels = {
            "business": gettext_lazy("Business"),
            "name": gettext_lazy("Name"),
            "email": gettext_lazy("E-mail"),
            "phone": gettext_lazy("Phone"),
            "language": gettext_lazy("Language"),
            "consented_on": gettext_lazy("Agreed to be written to on"),
            "notes": gettext_lazy("Notes"),
        }
        help_texts = {
            "consented_on": gettext_lazy(
                "The day they said you may write to them about their panels. Without it nothing is sent."
            ),
            "language": gettext_lazy("Mails to this customer are in this language."),
        }
        error_messages = {
            "__all__": {"unique_together": gettext_lazy("This firm already has a customer with this e-mail address.")},
        }

    def __init__(self, user: User, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        field = cast("forms.ModelChoiceField[Business]", self.fields["business"])
        field.queryset = Business.objects.managed_by(user)
        if self.instance.pk or len(field.queryset) == 1:
            del self.fields["business"]  # nothing to choose

    def clean_email(self) -> str:
        """One customer an address within a firm."""
        email = str(self.cleaned_data["email"]).lower()
        business = self.cleaned_data.get("business") or self.instance.business
        if email and Customer.objects.filter(business=business, email=email).exclude(pk=self.instance.pk).exists():
            raise forms.ValidationError(_("This firm already has a customer with this e-mail address."))
        return email


@login_required
def customer_new(request: HttpRequest) -> HttpResponse:
    user, first = office(request)
    entered = Customer(business=first, language=first.language)
    asked = request.GET.get("enquiry", "")
    enquiry = Enquiry.objects.visible_to(user).filter(pk=row_asked(asked))
    for one in enquiry:
        entered.business, entered.name, entered.notes = one.business, one.name, one.address
        entered.email, entered.phone = (one.reach, "") if "@" in one.reach else ("", one.reach[:40])
    return _edit(request, user, entered)


@login_required
def customer_edit(request: HttpRequest, pk: int) -> HttpResponse:
    user = cast(User, request.user)
    return _edit(request, user, get_object_or_404(Customer.objects.managed_by(user), pk=pk))


def _edit(request: HttpRequest, user: User, edited: Customer) -> HttpResponse:
    form = CustomerForm(user, request.POST or None, instance=edited)
    if request.method == "POST" and form.is_valid():
        could_log_in = edited.user_id is not None
        try:
            saved = save_customer(customer=form.save(commit=False))
        except NotPossible as problem:
            form.add_error("email", str(problem))
            return _show(request, form, edited)
        messages.success(request, _("{name} is kept.").format(name=saved.name))
        if could_log_in and saved.user_id is None:
            messages.warning(request, _("The address is another one, so the login is taken away. Invite them again."))
        return redirect("customer", saved.pk)
    return _show(request, form, edited)


def _show(request: HttpRequest, form: CustomerForm, edited: Customer) -> HttpResponse:
    return render(request, "customer/edit.html", {"form": form, "customer": edited if edited.pk else None})


@login_required
@require_POST
def customer_access(request: HttpRequest, pk: int) -> HttpResponse:
    """Invite a customer to log in, or take the login away."""
    user = cast(User, request.user)
    found = get_object_or_404(Customer.objects.managed_by(user).select_related("business"), pk=pk)
    if request.POST.get("wish") == "withdraw":
        withdraw_access(customer=found, by=user, now=timezone.now())
        messages.success(request, _("{name} can no longer see their roofs here.").format(name=found.name))
        return redirect("customer", pk)
    try:
        invited = give_access(customer=found)
    except NotPossible as problem:
        messages.error(request, str(problem))
        return redirect("customer", pk)
    send_invitation(request, invited, found.business)
    return redirect("customer", pk)


@login_required
@require_POST
@asks_again
def customer_erase(request: HttpRequest, pk: int) -> HttpResponse:
    user = cast(User, request.user)
    found = get_object_or_404(Customer.objects.managed_by(user).select_related("business"), pk=pk)
    try:
        erase_customer(customer=found, by=user, now=timezone.now())
    except NotPossible as problem:
        messages.error(request, str(problem))
        return redirect("customer", pk)
    messages.success(request, _("{name} is erased.").format(name=found.name))
    return redirect("customers")


def send_invitation(request: HttpRequest, invited: User, business: Business) -> None:
    """Send the mail and say what became of it; the login is kept either way."""
    by = cast(User, request.user)
    try:
        invite(user=invited, business=business, by=by, now=timezone.now())
    except NotPossible as problem:
        messages.error(request, str(problem))
        return
    except (SMTPException, OSError) as problem:
        messages.error(
            request,
            _("The login is kept, but the mail to {email} could not be sent ({problem}). Send it again.").format(
                email=invited.email, problem=problem
            ),
        )
        return
    if mail_folder() is None:
        messages.success(
            request,
            _("An invitation is on its way to {email}. Its link works for three days.").format(email=invited.email),
        )
    elif invited.has_usable_password() or known_elsewhere(user=invited, business=business):
        messages.warning(
            request, _("This portal has no mail server yet. {email} has a login already.").format(email=invited.email)
        )
    elif not may_hand_on_link(to=invited, by=by, business=business):
        messages.warning(
            request,
            _(
                "This portal has no mail server yet, and a link into a login that may do as much as yours is not shown "
                "to you. Whoever runs the machine finds the mail to {email} in its folder."
            ).format(email=invited.email),
        )
    else:
        link = password_link(invited)
        messages.warning(
            request,
            _(
                "This portal has no mail server yet, so nobody gets the invitation. Hand this link, "
                "where a password is chosen, to {email} yourself; it works for three days: {link}"
            ).format(email=invited.email, link=link),
        )
