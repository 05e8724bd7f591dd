"""A standing wish in words, to who asked for it and to who washes."""

from __future__ import annotations

from datetime import date

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from portal.pv.standing_wish import Heard, Rhythm, StandingWish
from portal.words.figures import day_words

RHYTHMS = {
    Rhythm.SPRING: gettext_lazy("Every spring"),
    Rhythm.YEARLY: gettext_lazy("Once a year"),
    Rhythm.TWICE: gettext_lazy("Twice a year"),
}
WISHES = {
    Rhythm.SPRING: gettext_lazy("A wash every spring was asked for."),
    Rhythm.YEARLY: gettext_lazy("A wash once a year was asked for."),
    Rhythm.TWICE: gettext_lazy("A wash twice a year was asked for."),
}
YOUR_WISHES = {
    Rhythm.SPRING: gettext_lazy("You asked for a wash every spring."),
    Rhythm.YEARLY: gettext_lazy("You asked for a wash once a year."),
    Rhythm.TWICE: gettext_lazy("You asked for a wash twice a year."),
}
"""To the owner of the roof."""
SPRING_COUNTS = {
    True: gettext_lazy("Spring is March to May; a wash from the middle of January on counts as that spring's."),
    False: gettext_lazy("Spring is September to November; a wash from the middle of July on counts as that spring's."),
}
"""By whether the roof stands north of the equator."""


def standing_wish_words(wish: StandingWish, today: date) -> str:
    """What was asked for, and what it comes to beside the readings."""
    no_need = _("By the readings it would not pay now: the owner of the roof decides.")
    return f"{WISHES[wish.rhythm]} {_heard(wish, today, no_need)}"


def your_wish_words(wish: StandingWish, today: date) -> str:
    """The same to the owner of the roof."""
    no_need = _("By the readings it would not pay now: you decide.")
    return f"{YOUR_WISHES[wish.rhythm]} {_heard(wish, today, no_need)}"


def _heard(wish: StandingWish, today: date, no_need: str) -> str:
    if wish.heard == Heard.BOOKED:
        return _("A visit is booked.")
    if wish.heard == Heard.LOOK_FIRST:
        return _("First the fault has to be looked at.")
    if wish.heard == Heard.SOONER:
        return _("The readings say that one pays already.")
    if wish.heard == Heard.CAN_WAIT and wish.on is not None:
        return _("The readings say it can wait until about {day}.").format(day=day_words(wish.on))
    if wish.heard == Heard.NO_NEED:
        return no_need
    if wish.asked_for <= today:
        return _("It is due now.")
    return _("The next is due on {day}.").format(day=day_words(wish.asked_for))
