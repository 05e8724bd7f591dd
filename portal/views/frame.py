"""What every page's frame needs: whose portal it is, where this person may go, and whether it is a demonstration."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from django.http import HttpRequest
from django.urls import NoReverseMatch, reverse
from django.utils.translation import gettext_lazy

from portal.models import Business, Customer, Role

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise

Places = tuple[tuple[str, "StrOrPromise"], ...]

OFFICE_PLACES: Places = (
    ("home", gettext_lazy("Today")),
    ("leads", gettext_lazy("Leads")),
    ("customers", gettext_lazy("Customers")),
    ("visits", gettext_lazy("Visits")),
    ("invoices", gettext_lazy("Invoices")),
    ("imports", gettext_lazy("Imports")),
    ("reminders", gettext_lazy("Reminders")),
)
OWNER_PLACES: Places = (*OFFICE_PLACES, ("business_settings", gettext_lazy("Business")))
TECHNICIAN_PLACES: Places = (("home", gettext_lazy("Today")), ("visits", gettext_lazy("Visits")))
HOMEOWNER_PLACES: Places = (("home", gettext_lazy("My roof")), ("imports", gettext_lazy("Send readings")))
ABOUT: Places = (
    ("method", gettext_lazy("How the estimate is made")),
    ("cautions", gettext_lazy("Cautions")),
    ("privacy", gettext_lazy("Your data")),
)
MEMBER_ABOUT: Places = (
    ("mfa_index", gettext_lazy("Your login")),
    ("account_logout", gettext_lazy("Log out")),
)
PLACE_ICONS = {
    "leads": "target",
    "customers": "users",
    "visits": "calendar-days",
    "invoices": "receipt-text",
    "imports": "upload",
    "reminders": "mail",
    "business_settings": "store",
}
"""Each page's icon; the first page of whoever logs in has the sun."""


@dataclass(frozen=True, slots=True)
class FrameLink:
    """A link of the frame."""

    url: str
    word: StrOrPromise
    here: bool
    icon: str


def _places(request: HttpRequest, names: Places) -> list[FrameLink]:
    """The links a page's frame shows; the most exact match of the address is where the reader is."""
    links = []
    for name, word in names:
        try:
            links.append((reverse(name), word, PLACE_ICONS.get(name, "sun")))
        except NoReverseMatch:
            continue
    matches = [url for url, *_ in links if url == request.path or (url != "/" and request.path.startswith(url))]
    here = max(matches, key=len, default=None)
    return [FrameLink(url, word, url == here, icon) for url, word, icon in links]


def frame(request: HttpRequest) -> dict[str, Any]:
    user = getattr(request, "user", None)
    if user is None or not user.is_authenticated:
        return {
            "invented": Business.objects.filter(invented=True).exists(),
            "home_url": reverse("account_login"),
            "about": _places(request, ABOUT),
        }
    roles = {role for role, _ in user.held}
    office, roofs = bool(roles & {Role.OWNER, Role.OFFICE}), Role.TECHNICIAN in roles
    businesses = list(Business.objects.visible_to(user)[:2])
    if Role.OWNER in roles:
        places: Places = OWNER_PLACES
    else:
        places = OFFICE_PLACES if office else TECHNICIAN_PLACES if roofs else HOMEOWNER_PLACES
    return {
        "works_in_office": office,
        "works_on_roofs": roofs,
        "owns_a_roof": Customer.objects.filter(user=user).exists(),
        "business": businesses[0] if len(businesses) == 1 else None,
        "invented": any(business.invented for business in businesses),
        "home_url": "/",
        "nav": _places(request, places),
        "about": _places(request, ABOUT + MEMBER_ABOUT),
    }
