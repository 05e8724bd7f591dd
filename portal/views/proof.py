"""The report of a visit: what it gained, with photos and findings; as a page, a PDF, and a link without login."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING, cast
from zoneinfo import ZoneInfo

from django import forms
from django.conf import settings
from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.core.exceptions import ValidationError
from django.db.models import Q
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.template.loader import render_to_string
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.http import require_GET, require_POST

from portal.actions.advice import recommendation
from portal.actions.asks import enquire
from portal.actions.proof import (
    SETTLES_AFTER,
    Worth,
    link_token,
    linked_report,
    no_gain,
    revoke_report_link,
    share_report,
    worth,
)
from portal.charts.before_after import before_after_chart
from portal.charts.chart import Chart
from portal.models import (
    Business,
    Distance,
    EntryKind,
    InspectionFinding,
    Look,
    Phase,
    Proof,
    ReportLink,
    SiteAssessment,
    SiteDaily,
    User,
    Visit,
    VisitPhoto,
    VisitState,
)
from portal.models.record import findings, standing
from portal.pv.recommend import Recommendation
from portal.views.asked import row_asked
from portal.views.printed import pdf
from portal.views.record import photo_file
from portal.words.gains import WHY_NO_GAIN as NO_GAIN
from portal.words.gains import NoGain

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise

FINDING_WORDS = {
    Look.GLASS: (
        gettext_lazy("Glass of a panel looks damaged."),
        gettext_lazy("Do not hose or touch it. Have a licensed electrician look at it."),
    ),
    Look.FRAME: (
        gettext_lazy("A frame or clamp looks loose or worn."),
        gettext_lazy("Ask your installer to check what holds the panels."),
    ),
    Look.CABLES: (
        gettext_lazy("A cable or connector looks damaged."),
        gettext_lazy(
            "Keep away from it. Have a licensed electrician look at it before anything else is done up there."
        ),
    ),
    Look.ROOF: (
        gettext_lazy("Where the panels are fixed, the roof needs a look."),
        gettext_lazy("Ask a roofer, before water gets in."),
    ),
    Look.NESTING: (
        gettext_lazy("Animals nest under the panels."),
        gettext_lazy("Nests may be protected by law at this time of year. Ask us about removal and netting."),
    ),
    Look.DEBRIS: (
        gettext_lazy("Leaves or moss gather under or between the panels."),
        gettext_lazy("It comes back; we look at it on each visit."),
    ),
    Look.SHADING: (
        gettext_lazy("Plants have begun to shade the panels."),
        gettext_lazy("Trimming them brings back what a wash cannot."),
    ),
}


@dataclass(frozen=True, slots=True)
class FindingNote:
    """A finding as the homeowner reads it."""

    urgent: bool
    what: StrOrPromise
    next: StrOrPromise
    note: str


@dataclass(frozen=True, slots=True)
class ShownPhoto:
    """A photo and the address it is shown from."""

    words: str
    address: str
    larger: str
    taken_at: datetime


@dataclass(frozen=True, slots=True)
class Report:
    """Everything a report shows, whichever way it is opened."""

    visit: Visit
    proof: Proof | None
    worth: Worth | None
    chart: Chart | None
    pairs: list[tuple[str, ShownPhoto | None, ShownPhoto | None]]
    findings: list[FindingNote]
    signed_by: str
    not_at_home: bool
    settles_on: date | None
    unknown: NoGain | None
    """Why there is no figure, where there is none."""
    told: Recommendation
    """How the roof stands by now. Shared, without what dirt costs and when somebody comes."""
    washed_a_year_before: date | None
    """A wash shortly before the weeks that the same season is compared with."""
    logo: str
    """Where the firm's logo is shown from; empty where there is none, or the page's frame shows it already."""
    shared: bool
    """Opened by link: whoever has it reads nothing of the roof's owner."""

    @property
    def unknown_words(self) -> str:
        return str(NO_GAIN[self.unknown]) if self.unknown else ""


def report_of(
    visit: Visit, address: Callable[[VisitPhoto, str], str], logo: str = "", *, shared: bool = False
) -> Report:
    """Gather a visit's report; ``address`` says where a photo of a size is shown from, ``logo`` where the firm's is."""
    proof = Proof.objects.filter(visit=visit).select_related("visit__site").first()
    entries = list(visit.entries.all())
    sign_off = standing(entries).get((EntryKind.SIGN_OFF, ""))
    photos = list(visit.photos.all())

    def newest(phase: Phase, distance: Distance) -> ShownPhoto | None:
        of_kind = [photo for photo in photos if (photo.phase, photo.distance, photo.item) == (phase, distance, "")]
        if not of_kind:
            return None
        photo = of_kind[-1]
        if shared:
            photo.note = ""
        return ShownPhoto(photo.words, address(photo, "small"), address(photo, "shown"), photo.taken_at)

    pairs = [
        (str(distance.label), newest(Phase.BEFORE, distance), newest(Phase.AFTER, distance)) for distance in Distance
    ]
    cleaned_on, now = visit.cleaned_on, timezone.now()
    told = recommendation(visit.site, now=now)
    if shared:
        told = replace(told, booked_for=None, lost_a_month=None)
    return Report(
        visit,
        proof,
        worth(proof) if proof else None,
        _chart(visit),
        [pair for pair in pairs if pair[1] or pair[2]],
        [
            FindingNote(
                entry.answer == InspectionFinding.URGENT, *FINDING_WORDS[Look(entry.item)], "" if shared else entry.note
            )
            for entry in findings(entries)
        ],
        sign_off.note if sign_off and sign_off.answer == "signed" and not shared else "",
        sign_off is not None and sign_off.answer == "not_at_home",
        cleaned_on + SETTLES_AFTER if cleaned_on else None,
        no_gain(visit, today=now.astimezone(ZoneInfo(visit.site.tz)).date()),
        told,
        _washed_a_year_before(visit, cleaned_on),
        logo,
        shared,
    )


def _washed_a_year_before(visit: Visit, cleaned_on: date | None) -> date | None:
    if cleaned_on is None:
        return None
    other = visit.site.visits.filter(state=VisitState.DONE).exclude(pk=visit.pk).order_by("-finished_at")
    days = [wash.cleaned_on for wash in other if wash.cleaned_on is not None]
    return next((day for day in days if timedelta(330) <= cleaned_on - day <= timedelta(425)), None)


def _chart(visit: Visit) -> Chart | None:
    kept = SiteDaily.objects.filter(site=visit.site).first()
    if kept is None or visit.cleaned_on is None:
        return None
    newest = SiteAssessment.objects.filter(site=visit.site).newest().first()
    recoveries = [date.fromisoformat(one["date"]) for one in newest.recoveries] if newest else []
    return before_after_chart(kept.frame(), cleaned_on=visit.cleaned_on, recoveries=recoveries)


def _done_visit(request: HttpRequest, pk: int) -> Visit:
    visits = Visit.objects.visible_to(cast(User, request.user)).filter(state=VisitState.DONE)
    visit: Visit = get_object_or_404(visits.select_related("site__customer__business"), pk=pk)
    return visit


def _may_share(visit: Visit, user: User) -> bool:
    """The office and the homeowner may pass a report on; a technician may not."""
    business = visit.site.customer.business
    return visit.site.customer.user_id == user.pk or Business.objects.managed_by(user).filter(pk=business.pk).exists()


def _inside(photo: VisitPhoto, size: str) -> str:
    return reverse("visit_photo", args=[photo.pk, size])


@login_required
def visit_report(request: HttpRequest, pk: int) -> HttpResponse:
    user = cast(User, request.user)
    visit = _done_visit(request, pk)
    may_share = _may_share(visit, user)
    links = ReportLink.objects.filter(visit=visit).live(timezone.now()) if may_share else []
    return render(
        request,
        "proof/report.html",
        {
            "report": report_of(visit, _inside),
            "pdf_url": reverse("visit_report_pdf", args=[visit.pk]),
            "may_share": may_share,
            "links": [(link, settings.BASE_URL + reverse("shared_report", args=[link_token(link)])) for link in links],
        },
    )


@login_required
def visit_report_pdf(request: HttpRequest, pk: int) -> HttpResponse:
    return _pdf(_done_visit(request, pk))


@login_required
@require_POST
def visit_report_share(request: HttpRequest, pk: int) -> HttpResponse:
    """Make a link, or revoke one."""
    user = cast(User, request.user)
    visit = _done_visit(request, pk)
    if not _may_share(visit, user):
        raise Http404
    asked = request.POST.get("revoke", "")
    try:
        if asked:
            link = get_object_or_404(ReportLink.objects.filter(visit=visit), pk=row_asked(asked))
            revoke_report_link(link=link, now=timezone.now())
            messages.success(request, _("The link no longer works."))
        else:
            share_report(visit=visit, now=timezone.now())
            messages.success(
                request, _("Here is the link. It works without login for 90 days, or until you revoke it.")
            )
    except ValidationError as problem:
        messages.error(request, problem.messages[0])
    return redirect(f"{reverse('visit_report', args=[pk])}#share")


def _linked(token: str) -> ReportLink | None:
    return linked_report(token=token, now=timezone.now())


def guarded(answer: HttpResponse) -> HttpResponse:
    """What is shown by link stays out of search engines, caches and other sites' logs."""
    answer["X-Robots-Tag"] = "noindex, nofollow"
    answer["Referrer-Policy"] = "same-origin"  # without any, a browser would not say where a form comes from
    answer["Cache-Control"] = "private, no-store"
    return answer


class EnquiryForm(forms.Form):
    """What a neighbour who sees a report tells of themselves."""

    name = forms.CharField(max_length=120, label=gettext_lazy("Your name"))
    reach = forms.CharField(max_length=254, min_length=5, label=gettext_lazy("Your phone or e-mail"))
    address = forms.CharField(max_length=250, required=False, label=gettext_lazy("Where the panels are"))
    text = forms.CharField(max_length=500, required=False, label=gettext_lazy("Anything else"))


@require_GET
def shared_report(request: HttpRequest, token: str) -> HttpResponse:
    link = _linked(token)
    if link is None:
        return guarded(render(request, "proof/link_over.html", status=404))
    return _shared_page(request, token, link, EnquiryForm())


@require_POST
def shared_ask(request: HttpRequest, token: str) -> HttpResponse:
    """Who sees somebody's report wants to hear from the firm; the link bounds who may ask, and a day how often."""
    link = _linked(token)
    if link is None:
        return guarded(render(request, "proof/link_over.html", status=404))
    form = EnquiryForm(request.POST)
    firm = link.visit.site.customer.business
    if form.is_valid():
        if enquire(business=firm, now=timezone.now(), **form.cleaned_data) is not None:
            return guarded(redirect(f"{reverse('shared_report', args=[token])}?asked=1#enquire"))
        form.add_error(None, _("Many have asked today. Please call or write instead: see the foot of this page."))
    return _shared_page(request, token, link, form)


def _shared_page(request: HttpRequest, token: str, link: ReportLink, form: EnquiryForm) -> HttpResponse:
    def address(photo: VisitPhoto, size: str) -> str:
        return reverse("shared_photo", args=[token, photo.pk, size])

    firm = link.visit.site.customer.business
    logo = reverse("shared_logo", args=[token]) if firm.logo else ""
    return guarded(
        render(
            request,
            "proof/report.html",
            {
                "report": report_of(link.visit, address, logo, shared=True),
                "pdf_url": reverse("shared_report_pdf", args=[token]),
                "may_share": False,
                "until": link.expires_at,
                # the page wears the firm's name; its logo heads the report
                "business": {"name": firm.name, "phone": firm.phone, "email": firm.email},
                "enquiry": form,
                "ask_url": reverse("shared_ask", args=[token]),
                "asked": "asked" in request.GET,
            },
            status=422 if form.errors else 200,
        )
    )


@require_GET
def shared_report_pdf(request: HttpRequest, token: str) -> HttpResponse:
    link = _linked(token)
    if link is None:
        return guarded(render(request, "proof/link_over.html", status=404))
    return guarded(_pdf(link.visit, shared=True))


@require_GET
def shared_photo(request: HttpRequest, token: str, pk: int, size: str) -> HttpResponse:
    """A photo of a shared report: only those the report shows, never the phone's own file."""
    link = _linked(token)
    if link is None:
        raise Http404
    shown = VisitPhoto.objects.filter(Q(phase=Phase.BEFORE) | Q(phase=Phase.AFTER), visit=link.visit_id, item="")
    return photo_file(get_object_or_404(shown, pk=pk), "small" if size == "small" else "shown")


@require_GET
def shared_logo(request: HttpRequest, token: str) -> HttpResponse:
    """The logo of the firm whose report is shared."""
    link = _linked(token)
    if link is None or not link.visit.site.customer.business.logo:
        raise Http404
    return guarded(HttpResponse(firm_logo(link.visit.site.customer.business), content_type="image/png"))


def firm_logo(business: Business) -> bytes:
    with business.logo.open() as file:
        return bytes(file.read())


def _pdf(visit: Visit, *, shared: bool = False) -> HttpResponse:
    pictures: dict[str, bytes] = {}

    def kept(photo: VisitPhoto, size: str) -> str:
        name = f"photo-{photo.pk}.jpg"
        with photo.shown.open() as file:
            pictures[name] = file.read()
        return name

    business = visit.site.customer.business
    if business.logo:
        pictures["logo.png"] = firm_logo(business)
    report = report_of(visit, kept, "logo.png" if business.logo else "", shared=shared)
    if report.chart:
        pictures["chart.svg"] = report.chart.svg.encode()
    page = render_to_string("proof/report_pdf.html", {"report": report, "made_at": timezone.now()})
    answer = HttpResponse(pdf(page, pictures), content_type="application/pdf")
    answer["Content-Disposition"] = f'inline; filename="wash-report-{visit.cleaned_on}.pdf"'
    answer["Cache-Control"] = "private, no-store"
    return answer
