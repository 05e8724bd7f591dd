"""Figures in a homeowner's words: template filters for losses, money, energy and verdicts, always with their doubt."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta
from typing import Any

from django.template import Library
from django.utils.html import json_script
from django.utils.safestring import SafeString

from portal.actions import washes
from portal.models import Lead, Proof, SiteAssessment
from portal.pv.orientation import LEAST_TILT, LEAST_TURN
from portal.pv.result import Cause, Verdict
from portal.words import causes
from portal.words.drawn import chart_in_their_words, svg_in_their_words
from portal.words.figures import NBSP, about_money, compass, day_words, money, percent, roughly
from portal.words.kept import in_their_words
from portal.words.scripts import script_words
from portal.words.sentences import paragraph, sentence

register = Library()
for figure in (
    percent,
    money,
    about_money,
    roughly,
    compass,
    sentence,
    paragraph,
    in_their_words,
    chart_in_their_words,
    svg_in_their_words,
):
    register.filter(figure)

VERDICT_WORDS = {
    Verdict.SOILING: ("soiling", "Dirty"),
    Verdict.CLEAN: ("clean", "Clean"),
    Verdict.UNSURE: ("unsure", "Unsure"),
    Verdict.OTHER_FAULT: ("fault", "Not dirt"),
    Verdict.NOT_ENOUGH_DATA: ("unknown", "Can't tell yet"),
}

CAUSE_NEXT = {
    Cause.STRING_LOSS: "Ask your installer or a licensed electrician to check the fuses, connectors and inverter.",
    Cause.OUTAGE: "Look at the inverter's display for a fault, and ask your installer or a licensed electrician.",
    Cause.SHADING: "Look at the roof at those hours. Trimming the tree helps; a wash does not.",
    Cause.SNOW: "Nothing to do: it slides off or melts. Do not climb up to clear it.",
    Cause.DEGRADATION: "Ask your installer to compare it with the warranty of the panels.",
    Cause.METER: "Check that the file comes from the same meter, in the same unit, as before.",
    Cause.UNKNOWN: "Ask your installer or a licensed electrician to look at the system.",
}


@register.filter
def days(count: int) -> str:
    """A span of days as somebody would say it: "about" stands before it."""
    if count < 150:
        return f"{count} day{'' if count == 1 else 's'}"
    return f"{count / 30.44:.0f} months" if count < 1100 else f"{count / 365.25:.0f} years"


@register.filter
def season_words(proof: Proof) -> str:
    """How output after a wash compares with the same weeks a year earlier."""
    difference, low, high = proof.season_difference, proof.season_low, proof.season_high
    if difference is None or low is None or high is None:
        return ""
    start = "Compared with the same weeks a year earlier, output after the wash was"
    if low <= 0 <= high:
        return f"{start} much the same: {percent(difference)}, likely {percent(low)} to {percent(high)}"
    nearer, farther = sorted((abs(low), abs(high)))
    word = "higher" if difference > 0 else "lower"
    return f"{start} {percent(abs(difference))} {word}, likely {percent(nearer)} to {percent(farther)} {word}"


@register.filter
def kwh(energy_kwh: float | None) -> str:
    if energy_kwh is None:
        return ""
    text = f"{energy_kwh:,.0f}"
    return f"{'0' if text == '-0' else text.replace('-', '−')}{NBSP}kWh"


@register.simple_tag
def verdict_mark(assessment: SiteAssessment | None) -> SafeString:
    """The verdict as a sign, a word and a colour."""
    kind, word = VERDICT_WORDS[assessment.standing] if assessment else ("unknown", "Not assessed yet")
    as_of = ""
    if assessment and assessment.old and assessment.readings_until:
        day = day_words(assessment.readings_until)
        if assessment.silent:
            word = f"No readings since {day}"
        else:
            as_of = f' <span class="muted">as of {day}</span>'
    return SafeString(f'<span class="verdict {kind}">{word}</span>{as_of}')


@register.filter
def loss_words(assessment: SiteAssessment | Lead | None) -> str:
    """The present loss with its interval, for a table: "8 % (6 to 10 %)"."""
    if (
        not assessment
        or assessment.present_loss is None
        or (isinstance(assessment, SiteAssessment) and assessment.silent)
    ):
        return ""
    return f"{percent(assessment.present_loss)} {interval_words(assessment.loss_low, assessment.loss_high)}".strip()


@register.filter
def due_words(assessment: SiteAssessment | None) -> str:
    """When cleaning is due, for a table: "due now", "due 4 May 2027 by the calendar"."""
    if not assessment or assessment.clean_due is None or assessment.old:
        return ""
    due = assessment.clean_due
    when = "now" if due <= assessment.as_of + timedelta(days=1) else f"{due.day} {due:%b %Y}"
    return f"due {when}{' by the calendar' if assessment.due_basis == 'calendar' else ''}"


@register.filter
def best_words(assessment: SiteAssessment | None) -> str:
    """When by the readings a wash becomes cheaper than waiting, for a table; empty where the calendar speaks."""
    if not assessment or assessment.due_basis != "readings" or assessment.old:
        return ""
    due = assessment.clean_due
    if due is None:
        return "by the forecast, not within a year"
    return "best now" if due <= assessment.as_of + timedelta(days=1) else f"best from {due.day} {due:%b %Y}"


@register.filter
def in_a_row(assessment: SiteAssessment | None) -> str:
    """Loss and due date in one line: "9 % (8 to 11 %), due now"."""
    return ", ".join(part for part in (loss_words(assessment), due_words(assessment)) if part)


def interval_words(low: float | None, high: float | None) -> str:
    """A 90 % interval of a loss or gain in brackets."""
    if low is None or high is None:
        return ""
    return f"({percent(low).removesuffix(f'{NBSP}%')} to {percent(high)})"


def seen_words(planes: Sequence[dict[str, Any]]) -> str:
    """How the modules look otherwise than told, by their first plane: the others turn and tilt with it."""
    if not planes:
        return ""
    (told_tilt, told_azimuth), (tilt, azimuth) = planes[0]["told"], planes[0]["seen"]
    steeper, turn = round(tilt - told_tilt), round((azimuth - told_azimuth + 180) % 360 - 180)
    said = []
    if abs(turn) >= LEAST_TURN:
        if compass(azimuth) != compass(told_azimuth):
            said.append(f"turned to the {compass(azimuth)}; told: {compass(told_azimuth)}")
        else:
            side = compass(told_azimuth + (90 if turn > 0 else -90))
            said.append(f"turned about {abs(turn)} degrees towards the {side}; told: {compass(told_azimuth)}")
    if abs(steeper) >= LEAST_TILT:
        said.append(f"about {abs(steeper)} degrees {'steeper' if steeper > 0 else 'flatter'} than told")
    return f"Your modules look {', and '.join(said)}." if said else ""


@register.filter
def cause_words(assessment: SiteAssessment) -> str:
    return causes.cause_words(assessment.cause)


@register.filter
def cause_next(assessment: SiteAssessment) -> str:
    return CAUSE_NEXT[Cause(assessment.cause)] if assessment.cause else CAUSE_NEXT[Cause.UNKNOWN]


@register.filter
def cost_low(assessment: SiteAssessment | Lead) -> float | None:
    """The low end of the monthly cost: it moves with the loss, from which it is computed."""
    return washes.cost_at(assessment, assessment.loss_low)


@register.filter
def cost_high(assessment: SiteAssessment | Lead) -> float | None:
    return washes.cost_at(assessment, assessment.loss_high)


@register.filter
def verdict_word(verdict: str) -> str:
    return VERDICT_WORDS[Verdict(verdict)][1]


@register.simple_tag
def words_for_scripts() -> SafeString:
    """What scripts say in the page's language, where they find it."""
    return json_script(script_words(), "words")
