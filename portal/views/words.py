"""Figures in a homeowner's words: template filters for losses, money, energy and verdicts, always with their doubt."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django.template import Library
from django.utils.formats import number_format
from django.utils.html import format_html, json_script
from django.utils.safestring import SafeString
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext

from portal.actions.leads import OUR_NOTES
from portal.models import Proof, SiteAssessment
from portal.pv.orientation import LEAST_TILT, LEAST_TURN
from portal.pv.recommend import Reader, Recommendation
from portal.words import advice as sentences_of_advice
from portal.words.advice import SIGNS
from portal.words.drawn import chart_in_their_words, svg_in_their_words
from portal.words.figures import NBSP, about_money, compass, money, percent, roughly, span_words, whole_money
from portal.words.kept import in_their_words
from portal.words.scripts import script_words
from portal.words.sentences import paragraph, sentence
from portal.words.standing_wish import standing_wish_words, your_wish_words

register = Library()
for figure in (
    percent,
    money,
    about_money,
    whole_money,
    roughly,
    compass,
    span_words,
    sentence,
    paragraph,
    in_their_words,
    standing_wish_words,
    your_wish_words,
    chart_in_their_words,
    svg_in_their_words,
):
    register.filter(figure)
for told_as in (
    "headline",
    "why",
    "cause",
    "cost",
    "money_line",
    "advice",
    "loss_in_a_row",
    "advice_in_a_row",
    "in_a_row",
    "cost_in_a_row",
    "on_the_phone",
    "price",
):
    register.filter(told_as, getattr(sentences_of_advice, told_as))


@register.filter
def days(count: int) -> str:
    """A span of days as somebody would say it: "about" stands before it."""
    if count < 150:
        return ngettext("{count} day", "{count} days", count).format(count=count)
    if count < 1100:
        return _("{count} months").format(count=f"{count / 30.44:.0f}")
    return _("{count} years").format(count=f"{count / 365.25:.0f}")


@register.filter
def note_words(text: str) -> str:
    """A lead's note: one that nobody wrote in the reader's language, others as they are."""
    return in_their_words(text) if text.startswith(OUR_NOTES) else text


SEASONS = {
    "alike": gettext_lazy(
        "Compared with the same weeks a year earlier, output after the wash was much the same: {difference}, likely "
        "{near} to {far}"
    ),
    "higher": gettext_lazy(
        "Compared with the same weeks a year earlier, output after the wash was {difference} higher, likely {near} to "
        "{far} higher"
    ),
    "lower": gettext_lazy(
        "Compared with the same weeks a year earlier, output after the wash was {difference} lower, likely {near} to "
        "{far} lower"
    ),
}


@register.filter
def season_words(proof: Proof) -> str:
    """How output after a wash compares with the same weeks a year earlier."""
    difference, low, high = proof.season_difference, proof.season_low, proof.season_high
    if difference is None or low is None or high is None:
        return ""
    if low <= 0 <= high:
        template, near, far = SEASONS["alike"], low, high
    else:
        template = SEASONS["higher" if difference > 0 else "lower"]
        difference, (near, far) = abs(difference), sorted((abs(low), abs(high)))
    return template.format(difference=percent(difference), near=percent(near), far=percent(far))


@register.filter
def kwh(energy_kwh: float | None) -> str:
    if energy_kwh is None:
        return ""
    whole = round(energy_kwh)
    return f"{'−' if whole < 0 else ''}{number_format(abs(whole), 0, force_grouping=True)}{NBSP}kWh"


@register.simple_tag
def state_mark(told: Recommendation) -> SafeString:
    """How a roof stands, as a sign, a word and a colour."""
    mark = sentences_of_advice.sign(told)
    return format_html('<span class="verdict {}">{}</span>', mark.colour, mark.word)


@register.filter
def state_colour(told: Recommendation) -> str:
    """The colour of a panel that tells how a roof stands."""
    return sentences_of_advice.sign(told).colour


@register.simple_tag
def verdict_mark(assessment: SiteAssessment) -> SafeString:
    """What an assessment of before said, as a sign; how the roof stands now is :func:`state_mark`'s to say."""
    colour, word = SIGNS[assessment.state]
    return format_html('<span class="verdict {}">{}</span>', colour, word)


@register.filter
def loss_estimated(assessment: SiteAssessment) -> str:
    """What an assessment of before estimated, for a table: "8 % (6 to 10 %)"."""
    if assessment.present_loss is None or assessment.silent:
        return ""
    return f"{percent(assessment.present_loss)} {interval_words(assessment.loss_low, assessment.loss_high)}".strip()


@register.filter
def step(told: Recommendation, reader: str) -> str:
    """What the reader does next, by its name."""
    return told.step(Reader(reader))


@register.filter
def next_step(told: Recommendation, reader: str) -> str:
    """What a reader does next: "homeowner", "office" or "technician"."""
    return sentences_of_advice.next_step(told, Reader(reader))


def interval_words(low: float | None, high: float | None) -> str:
    """A 90 % interval of a loss or gain in brackets."""
    if low is None or high is None:
        return ""
    return _("({low} to {high})").format(low=percent(low).removesuffix(f"{NBSP}%"), high=percent(high))


def seen_words(planes: Sequence[dict[str, Any]]) -> str:
    """How the modules look otherwise than told, by their first plane: the others turn and tilt with it."""
    if not planes:
        return ""
    (told_tilt, told_azimuth), (tilt, azimuth) = planes[0]["told"], planes[0]["seen"]
    steeper, turn = round(tilt - told_tilt), round((azimuth - told_azimuth + 180) % 360 - 180)
    said = []
    told = compass(told_azimuth)
    if abs(turn) >= LEAST_TURN:
        if compass(azimuth) != told:
            said.append(_("turned to the {wind}; told: {told}").format(wind=compass(azimuth), told=told))
        else:
            side = compass(told_azimuth + (90 if turn > 0 else -90))
            words = _("turned about {degrees} degrees towards the {side}; told: {told}")
            said.append(words.format(degrees=abs(turn), side=side, told=told))
    if abs(steeper) >= LEAST_TILT:
        words = (
            _("about {degrees} degrees steeper than told")
            if steeper > 0
            else _("about {degrees} degrees flatter than told")
        )
        said.append(words.format(degrees=abs(steeper)))
    return _("The modules look {how}.").format(how=_(", and ").join(said)) if said else ""


@register.simple_tag
def words_for_scripts() -> SafeString:
    """What scripts say in the page's language, where they find it."""
    return json_script(script_words(), "words")
