"""Searching lists: words of a roof's state ("dirty") find roofs in that state, all others look in the facts."""

from __future__ import annotations

import re
from collections.abc import Iterable

from django import forms
from django.db.models import Q
from django.utils import timezone
from django.utils.translation import gettext_lazy

from portal.actions.advice import recommendations
from portal.models.site import SiteQuerySet
from portal.pv.advice import State
from portal.words.advice import SIGNS

STATE_CHOICES = [(state.value, SIGNS[state][1]) for state in State]


class SearchForm(forms.Form):
    """What each list can be asked; an unknown choice is none."""

    q = forms.CharField(label=gettext_lazy("Search"), required=False, max_length=200)
    state = forms.ChoiceField(
        label=gettext_lazy("State of the roof"), choices=[("", gettext_lazy("Any")), *STATE_CHOICES], required=False
    )

    def asked(self, name: str) -> str:
        """What was asked for; nothing where it could not be read."""
        self.is_valid()
        return str(self.cleaned_data.get(name) or "")

    def states_and_words(self) -> tuple[set[State], list[str]]:
        """The states asked for, chosen or named in the search, and the other words."""
        text = self.asked("q")
        states = {State(self.asked("state"))} if self.asked("state") else set()
        for state in State:
            named = re.compile(rf"(?<!\w){re.escape(str(SIGNS[state][1]))}(?!\w)", re.IGNORECASE)
            if named.search(text):
                states.add(state)
                text = named.sub(" ", text)
        return states, text.split()


def in_states(sites: SiteQuerySet, states: Iterable[State]) -> list[int]:
    """Keys of the roofs that stand so now."""
    wanted = set(states)
    told = recommendations(sites.with_firms(), now=timezone.now())
    return [key for key, one in told.items() if one.state in wanted]


def matching(words: Iterable[str], prefix: str = "") -> Q:
    """Every word is found in a roof's or its owner's facts; ``prefix`` leads to the roof."""
    found = Q()
    for word in words:
        found &= (
            Q(**{f"{prefix}name__icontains": word})
            | Q(**{f"{prefix}address__icontains": word})
            | Q(**{f"{prefix}customer__name__icontains": word})
            | Q(**{f"{prefix}customer__email__icontains": word})
            | Q(**{f"{prefix}customer__phone__icontains": word})
        )
    return found


def managed_in_states(sites: SiteQuerySet, states: set[State]) -> Q:
    """Rows of roofs in these states, for a table with a column ``site``; all where none is asked for."""
    return Q(site__in=in_states(sites, states)) if states else Q()
