"""Why nobody can say what a wash gained, for the pages that would say it."""

from __future__ import annotations

from enum import StrEnum, auto

from django.utils.translation import gettext_lazy as _


class NoGain(StrEnum):
    """Why there is no figure."""

    AWAITED = auto()
    """The clear days that tell are still to come."""
    NO_READINGS = auto()
    """The month after the wash is over, and its readings never came."""
    FEW_CLEAR_DAYS = auto()
    TOO_ROUGH = auto()
    """There were clear days, and the readings do not allow a figure all the same."""


IN_A_ROW = {
    NoGain.AWAITED: _("not known yet"),
    NoGain.NO_READINGS: _("could not be measured: no readings"),
    NoGain.FEW_CLEAR_DAYS: _("could not be measured: too few clear days"),
    NoGain.TOO_ROUGH: _("could not be measured: the readings are too rough"),
}
WHY_NO_GAIN = {
    NoGain.AWAITED: _("What it gained is not known yet: it takes some clear days after the wash to tell."),
    NoGain.NO_READINGS: _(
        "What it gained could not be measured: there are no readings of the weeks after it. If you send those of the "
        "weeks before and after, it still can be."
    ),
    NoGain.FEW_CLEAR_DAYS: _(
        "What it gained could not be measured: too few days before or after it were clear and have readings. That is "
        "not a gain of nothing: it is not known."
    ),
    NoGain.TOO_ROUGH: _(
        "What it gained could not be measured: the readings of the weeks around it are too rough. That is not a gain "
        "of nothing: it is not known."
    ),
}
