"""Where somebody is logged in, as they would say it: "Firefox on Android", in their own hours."""

from __future__ import annotations

from zoneinfo import ZoneInfo

from django.template import Library
from django.utils.translation import gettext as _

from portal.models import Business, Site, User

register = Library()

BROWSERS = (
    ("Edg", "Edge"),
    ("OPR/", "Opera"),
    ("SamsungBrowser/", "Samsung"),
    ("Firefox/", "Firefox"),
    ("FxiOS/", "Firefox"),
    ("CriOS/", "Chrome"),
    ("Chrome/", "Chrome"),
    ("Safari/", "Safari"),
)
"""What a browser calls itself, the particular before what it says it is like."""
MACHINES = (
    ("iPhone", "iPhone"),
    ("iPad", "iPad"),
    ("Android", "Android"),
    ("CrOS", "ChromeOS"),
    ("Windows", "Windows"),
    ("Macintosh", "Mac"),
    ("Linux", "Linux"),
)


@register.filter
def device(user_agent: str) -> str:
    """The browser and the machine that a browser's long name tells; what is not known is said to be so."""
    browser = next((name for sign, name in BROWSERS if sign in user_agent), "")
    machine = next((name for sign, name in MACHINES if sign in user_agent), "")
    if browser and machine:
        return _("{browser} on {machine}").format(browser=browser, machine=machine)
    return browser or machine or _("An unknown browser")


@register.filter
def their_zone(user: User) -> ZoneInfo:
    """The hours somebody lives by: their firm's, or their roof's."""
    firm = Business.objects.filter(memberships__user=user).order_by("pk").values_list("tz", flat=True).first()
    roof = Site.objects.filter(customer__user=user).order_by("pk").values_list("tz", flat=True).first()
    return ZoneInfo(firm or roof or "UTC")
