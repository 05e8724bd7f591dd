"""The owner's page: the firm's facts, price list, thresholds, logo and people."""

from __future__ import annotations

import io
from smtplib import SMTPException
from typing import Any, cast

from django import forms
from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.core.exceptions import PermissionDenied
from django.core.files.uploadedfile import UploadedFile
from django.core.validators import MinValueValidator
from django.http import FileResponse, Http404, HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext
from django.views.decorators.http import require_POST
from PIL import Image
from stdnum import bic, iban
from stdnum.exceptions import ValidationError as StdnumError

from portal.actions.joining import asked_to_join, join, take_on
from portal.actions.people import NotPossible, remove_member, save_business
from portal.models import Business, Membership, Role, User
from portal.pv.result import SUREST
from portal.views.customers import send_invitation
from portal.views.guard import asks_again
from portal.views.weekdays import WeekdaysField

LOGO_BYTES = 2 * 1024 * 1024
LOGO_SIDE = 4000
LOGO_KEPT = (600, 200)


class PercentField(forms.FloatField):
    """A fraction in the table, a percentage on the screen."""

    def prepare_value(self, value: Any) -> Any:
        return round(value * 100, 6) if isinstance(value, float) else value

    def clean(self, value: Any) -> float | None:
        given = super().clean(value)
        return None if given is None else round(given / 100, 8)


class BusinessForm(forms.ModelForm):  # type: ignore[type-arg]  # Django cannot be subscripted when it runs
    lead_loss = PercentField(
        label=gettext_lazy("Of roofs that would rather wait: when the loss is likely above [%]"),
        min_value=1,
        max_value=50,
        help_text=gettext_lazy("Common practice has no fixed figure; at 5 % a cleaning begins to pay for many roofs."),
    )
    lead_chance = PercentField(
        label=gettext_lazy("How likely it must be [%]"),
        min_value=50,
        max_value=round(100 * SUREST),
        help_text=gettext_lazy("Higher means fewer wrong calls and more missed roofs."),
    )
    latitude = forms.FloatField(
        required=False,
        min_value=-90,
        max_value=90,
        label=gettext_lazy("Yard latitude"),
        help_text=gettext_lazy(
            "Where the van starts from: a day's route and the way to a lead are measured from there."
        ),
    )
    longitude = forms.FloatField(required=False, min_value=-180, max_value=180, label=gettext_lazy("Yard longitude"))
    work_days = WeekdaysField(label=gettext_lazy("Days of work"))
    logo = forms.ImageField(
        label=gettext_lazy("Logo"),
        required=False,
        help_text=gettext_lazy("PNG, JPEG or WebP, at most 2 MB."),
        widget=forms.FileInput,
    )

    class Meta:
        model = Business
        fields = [
            "name",
            "email",
            "phone",
            "postal_address",
            "tz",
            "currency",
            "language",
            "accent",
            "latitude",
            "longitude",
            "works_from",
            "works_until",
            "work_days",
            "price_minimum",
            "price_per_module",
            "surcharge_per_storey",
            "surcharge_steep",
            "price_nesting_removal",
            "tax_name",
            "tax_percent",
            "prices_include_tax",
            "tax_words",
            "payment_days",
            "iban",
            "bic",
            "technicians_see_prices",
            "lead_loss",
            "lead_chance",
            "lead_days",
            "lead_waiting",
            "lead_pays_months",
            "calendar_months",
            "reminder_cap_per_month",
            "keeps_photo_places",
        ]
        widgets = {
            "postal_address": forms.Textarea(attrs={"rows": 3}),
            "tax_words": forms.Textarea(attrs={"rows": 2}),
            "accent": forms.TextInput(attrs={"type": "color"}),
            "works_from": forms.TimeInput(attrs={"type": "time"}, format="%H:%M"),
            "works_until": forms.TimeInput(attrs={"type": "time"}, format="%H:%M"),
        }
        labels = {
            "works_from": gettext_lazy("Work begins"),
            "works_until": gettext_lazy("Work ends"),
            "name": gettext_lazy("Name"),
            "email": gettext_lazy("E-mail"),
            "phone": gettext_lazy("Phone"),
            "postal_address": gettext_lazy("Postal address"),
            "currency": gettext_lazy("Currency"),
            "language": gettext_lazy("Language"),
            "accent": gettext_lazy("Your colour"),
            "price_minimum": gettext_lazy("Smallest price of a visit"),
            "price_per_module": gettext_lazy("Price of each panel"),
            "surcharge_per_storey": gettext_lazy("Surcharge for each storey above the first"),
            "surcharge_steep": gettext_lazy("Surcharge for a roof steeper than 35°"),
            "price_nesting_removal": gettext_lazy("Removing a nest"),
            "tax_name": gettext_lazy("What your tax is called"),
            "tax_percent": gettext_lazy("Its usual rate [%]"),
            "prices_include_tax": gettext_lazy("Your prices include the tax"),
            "tax_words": gettext_lazy("Tax number and other words for invoices"),
            "payment_days": gettext_lazy("Days to pay"),
            "iban": gettext_lazy("Bank account (IBAN)"),
            "bic": gettext_lazy("BIC of the bank"),
            "technicians_see_prices": gettext_lazy("Technicians see prices and the invoices of their visits"),
            "lead_days": gettext_lazy("A lead opens when a wash is advised, or likely will be within [days]"),
            "lead_waiting": gettext_lazy("Also call about roofs that would rather wait"),
            "lead_pays_months": gettext_lazy("Of these: where the dirt of so many months costs as much as a wash"),
            "calendar_months": gettext_lazy("Where the readings cannot say, clean every [months]"),
            "reminder_cap_per_month": gettext_lazy("Most reminders a customer gets in a month"),
            "keeps_photo_places": gettext_lazy("Keep where a photo was taken"),
        }
        help_texts = {
            "postal_address": gettext_lazy("Stands in the footer of every mail and on invoices."),
            "tax_name": gettext_lazy("VAT, sales tax. Empty where invoices say nothing of a tax."),
            "tax_words": gettext_lazy("Why no tax is charged, where that must be said. Ask your tax adviser."),
            "iban": gettext_lazy("With it, invoices in euros carry a code that fills in the transfer."),
            "accent": gettext_lazy("For buttons, links and mails. Words can be read whatever you choose."),
            "lead_days": gettext_lazy("The time you need from a call to the roof."),
            "lead_waiting": gettext_lazy(
                "Their owner is told to wait, since rain may do it free; the card of the lead says so."
            ),
            "lead_pays_months": "",
            "calendar_months": gettext_lazy("Common practice: once or twice a year."),
            "surcharge_per_storey": "",
            "surcharge_steep": "",
        }

    FIRM = ("name", "email", "phone", "postal_address", "tz", "currency", "language", "latitude", "longitude")
    WORK = ("works_from", "works_until", "work_days")
    PRICES = (
        "price_minimum",
        "price_per_module",
        "surcharge_per_storey",
        "surcharge_steep",
        "price_nesting_removal",
    )

    INVOICES = (
        *("tax_name", "tax_percent", "prices_include_tax", "tax_words"),
        *("payment_days", "iban", "bic", "technicians_see_prices"),
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["accent"].required = False
        for name in self.PRICES:
            self.fields[name].validators.append(MinValueValidator(0))
            self.fields[name].widget.attrs["min"] = 0

    @property
    def firm_fields(self) -> list[forms.BoundField]:
        return [self[name] for name in self.FIRM]

    @property
    def price_fields(self) -> list[forms.BoundField]:
        return [self[name] for name in self.PRICES]

    @property
    def invoice_fields(self) -> list[forms.BoundField]:
        return [self[name] for name in self.INVOICES]

    @property
    def rule_fields(self) -> list[forms.BoundField]:
        known = (*self.FIRM, *self.WORK, *self.PRICES, *self.INVOICES, "logo", "accent")
        return [field for field in self if field.name not in known]

    def clean_accent(self) -> str:
        return str(self.cleaned_data["accent"] or self.instance.accent).lower()

    def clean(self) -> dict[str, Any]:
        given: dict[str, Any] = super().clean() or self.cleaned_data
        begins, ends = given.get("works_from"), given.get("works_until")
        if begins is not None and ends is not None and begins >= ends:
            self.add_error("works_until", _("Work must end after it begins."))
        return given

    def clean_currency(self) -> str:
        code = str(self.cleaned_data["currency"]).upper()
        if len(code) != 3 or not code.isascii() or not code.isalpha():
            raise forms.ValidationError(_("Give the three letters of the currency, such as USD or EUR."))
        if code != self.initial.get("currency") and self.instance.invoices.exists():
            raise forms.ValidationError(_("There are invoices already: their currency stays."))
        return code

    def clean_iban(self) -> str:
        given = str(self.cleaned_data["iban"])
        if not given.strip():
            return ""
        try:
            return str(iban.validate(given))
        except StdnumError:
            raise forms.ValidationError(_("This is no IBAN: a digit is wrong or missing.")) from None

    def clean_bic(self) -> str:
        given = str(self.cleaned_data["bic"])
        if not given.strip():
            return ""
        try:
            return str(bic.validate(given))
        except StdnumError:
            raise forms.ValidationError(_("A BIC has 8 or 11 letters and digits.")) from None

    def clean_logo(self) -> bytes | None:
        """Draw the picture anew as a PNG: whatever else the file held does not come along."""
        sent = self.cleaned_data.get("logo")
        if not isinstance(sent, UploadedFile):
            return None
        if (sent.size or 0) > LOGO_BYTES:
            raise forms.ValidationError(_("The file is larger than 2 MB. Save the logo smaller and send it again."))
        sent.seek(0)
        try:
            with Image.open(sent, formats=("PNG", "JPEG", "WEBP")) as picture:
                if max(picture.size) > LOGO_SIDE:
                    raise forms.ValidationError(
                        _("The picture is more than {logo_side} pixels wide or high.").format(logo_side=LOGO_SIDE)
                    )
                small = picture.convert("RGBA")
        except (OSError, SyntaxError, ValueError):
            raise forms.ValidationError(_("This is not a PNG, JPEG or WebP picture, or it is damaged.")) from None
        small.thumbnail(LOGO_KEPT)
        out = io.BytesIO()
        small.save(out, "PNG", optimize=True)
        return out.getvalue()


MEMBER_IDS = "member-%s"  # the page's other form has a name and an address too


class MemberForm(forms.Form):
    name = forms.CharField(label=gettext_lazy("Name"), max_length=120)
    email = forms.EmailField(label=gettext_lazy("E-mail address"))
    role = forms.ChoiceField(label=gettext_lazy("Role"), choices=Role.choices, initial=Role.TECHNICIAN)


def _owned(request: HttpRequest, slug: str | None) -> Business:
    """The business whose settings are asked for: owners only."""
    user = cast(User, request.user)
    owned = Business.objects.managed_by(user, roles=(Role.OWNER,)).order_by("pk")
    business = owned.filter(slug=slug).first() if slug else owned.first()
    if business:
        return business
    if slug and not Business.objects.visible_to(user).filter(slug=slug).exists():
        raise Http404
    raise PermissionDenied


@login_required
@asks_again
def business_settings(request: HttpRequest, slug: str | None = None) -> HttpResponse:
    business = _owned(request, slug)
    form = BusinessForm(request.POST or None, request.FILES or None, instance=business)
    if request.method == "POST" and form.is_valid():
        save_business(
            business=form.save(commit=False),
            changed=form.changed_data,
            by=cast(User, request.user),
            now=timezone.now(),
            logo=form.cleaned_data["logo"],
        )
        messages.success(request, _("The settings are kept. They count from the next night's estimates on."))
        return redirect("business_settings_of", business.slug)
    if request.method == "POST":
        business.refresh_from_db()  # the frame must not show what was refused
    return _show(request, business, form, MemberForm(auto_id=MEMBER_IDS))


def _show(request: HttpRequest, business: Business, form: BusinessForm, member: MemberForm) -> HttpResponse:
    people = Membership.objects.filter(business=business).select_related("user").order_by("user__name", "pk")
    others = Business.objects.managed_by(cast(User, request.user), roles=(Role.OWNER,)).exclude(pk=business.pk)
    return render(
        request,
        "business/settings.html",
        {"firm": business, "form": form, "member_form": member, "people": people, "others": others},
    )


@login_required
@require_POST
@asks_again
def member_add(request: HttpRequest, slug: str) -> HttpResponse:
    business = _owned(request, slug)
    form = MemberForm(request.POST, auto_id=MEMBER_IDS)
    if not form.is_valid():
        return _show(request, business, BusinessForm(instance=business), form)
    given = form.cleaned_data
    try:
        membership = take_on(
            business=business,
            email=given["email"],
            name=given["name"],
            role=Role(given["role"]),
            by=cast(User, request.user),
            now=timezone.now(),
        )
    except NotPossible as problem:
        messages.error(request, str(problem))
    except (SMTPException, OSError) as problem:
        messages.error(request, _("The mail could not be sent ({problem}). Try again.").format(problem=problem))
    else:
        if membership is None:
            messages.success(
                request, _("They have a login of another firm. We asked them by mail, and they join once they say yes.")
            )
        else:
            send_invitation(request, membership.user, business)
    return redirect("business_settings_of", slug)


@login_required
def member_join(request: HttpRequest, token: str) -> HttpResponse:
    """Where the link of a mail leads whom a firm wants to work there, and who has a login already."""
    asked = asked_to_join(token, user=cast(User, request.user), now=timezone.now())
    if asked is None:
        raise Http404
    if request.method != "POST":
        return render(request, "business/join.html", {"asked": asked})
    join(asked, now=timezone.now())
    messages.success(request, _("You now work at {business}.").format(business=asked.business))
    return redirect("home")


@login_required
@require_POST
@asks_again
def member_remove(request: HttpRequest, slug: str, pk: int) -> HttpResponse:
    business = _owned(request, slug)
    membership = get_object_or_404(Membership.objects.filter(business=business).select_related("user"), pk=pk)
    try:
        sent = remove_member(membership=membership, by=cast(User, request.user), now=timezone.now())
    except NotPossible as problem:
        messages.error(request, str(problem))
    else:
        messages.success(
            request, _("{user} no longer works here; what they recorded stays.").format(user=membership.user)
        )
        if sent:
            words = ngettext(
                "A coming visit needs somebody else now: see “Visits”.",
                "{sent} coming visits need somebody else now: see “Visits”.",
                sent,
            )
            messages.warning(request, words.format(sent=sent))
    return redirect("business_settings_of", slug)


@login_required
def business_logo(request: HttpRequest, slug: str) -> HttpResponseBase:
    """The logo, for the firm's people and customers."""
    business = get_object_or_404(Business.objects.visible_to(cast(User, request.user)), slug=slug)
    if not business.logo:
        raise Http404
    return FileResponse(
        business.logo.open(),
        content_type="image/png",
        headers={"Cache-Control": "private, max-age=3600", "X-Content-Type-Options": "nosniff"},
    )
