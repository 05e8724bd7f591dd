"""The one recommendation of a roof in sentences: every page, mail, sheet and report takes its words from here.

Each sentence is marked for gettext, with its figures by name.
"""

from __future__ import annotations

from dataclasses import dataclass

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext

from portal.pv.advice import Act, RainAhead, Range, State
from portal.pv.recommend import Because, Fact, Reader, Recommendation, Step
from portal.pv.result import Cause
from portal.words.figures import about_money, day_words, money, percent, roughly, whole_money
from portal.words.sentences import sentence

SIGNS = {
    State.DIRTY: ("soiling", gettext_lazy("Dirty")),
    State.CLEAN: ("clean", gettext_lazy("Clean")),
    State.UNSURE: ("unsure", gettext_lazy("Unsure")),
    State.CANNOT_TELL: ("unknown", gettext_lazy("Can't tell yet")),
    State.NOT_DIRT: ("fault", gettext_lazy("Not dirt")),
    State.JUST_WASHED: ("clean", gettext_lazy("Just washed")),
    State.RAINED: ("unsure", gettext_lazy("Rain fell")),
    State.NO_READINGS: ("unknown", gettext_lazy("No readings")),
}
"""Of each state the colour of its sign and its word."""

CAUSES = {
    Cause.STRING_LOSS: gettext_lazy("Part of the panels seems to have stopped: a group wired together gives nothing."),
    Cause.OUTAGE: gettext_lazy("The system, or one inverter, seems to have stood still for days."),
    Cause.SHADING: gettext_lazy(
        "Something throws shade at certain hours: a tree that grew, a mast or a neighbour's roof."
    ),
    Cause.SNOW: gettext_lazy("Snow seems to lie on the panels."),
    Cause.DEGRADATION: gettext_lazy("The panels lose output steadily over the years, more than dirt would explain."),
    Cause.UNKNOWN: gettext_lazy("The readings do not tell the cause."),
}
"""What seems wrong with a roof."""

WHO_LOOKS = {
    Cause.STRING_LOSS: gettext_lazy(
        "Ask your installer or a licensed electrician to check the fuses, connectors and inverter."
    ),
    Cause.OUTAGE: gettext_lazy(
        "Look at the inverter's display for a fault, and ask your installer or a licensed electrician."
    ),
    Cause.SHADING: gettext_lazy("Look from the ground at those hours. Having the tree trimmed helps; a wash does not."),
    Cause.SNOW: gettext_lazy("Nothing to do: it slides off or melts. Do not climb up to clear it."),
    Cause.DEGRADATION: gettext_lazy("Ask your installer to compare it with the warranty of the panels."),
    Cause.UNKNOWN: gettext_lazy("Ask your installer or a licensed electrician to look at the system."),
}
"""Who is to look at it, to the owner of the roof."""

STEP_WORDS = {
    Step.ASK_FOR_WASH: gettext_lazy("Ask for a wash"),
    Step.ASK_FOR_CALL: gettext_lazy("Ask for a call"),
    Step.SEND_READINGS: gettext_lazy("Send readings"),
    Step.CALL_ELECTRICIAN: gettext_lazy("Have an electrician look"),
    Step.CALL_CUSTOMER: gettext_lazy("Call and offer a wash"),
    Step.REFER: gettext_lazy("Tell them, and refer them"),
    Step.ASK_FOR_READINGS: gettext_lazy("Ask them for readings"),
    Step.TELL_FACTS: gettext_lazy("Tell the firm what is missing"),
    Step.ENTER_FACTS: gettext_lazy("Fill in what is missing"),
    Step.READ_FINDINGS: gettext_lazy("Read what was found"),
    Step.NOTE_VISIT: gettext_lazy("Note what came of the visit"),
    Step.WASH: gettext_lazy("Wash"),
    Step.WAIT_FOR_FIRM: gettext_lazy("Nothing more: the firm knows, and gets in touch"),
    Step.ANSWER: gettext_lazy("Answer what they asked"),
    Step.NOTHING: gettext_lazy("Nothing to do now"),
}
"""What a reader does next, as a button says it."""

FACT_WORDS = {
    Fact.PLACE: gettext_lazy("where the roof is"),
    Fact.INVERTER: gettext_lazy("the inverter's size"),
    Fact.PLANES: gettext_lazy("tilt, direction and panels of a roof plane"),
}
"""What of a roof's facts is missing."""

NEARLY_ALL = 0.95
"""A larger share of the dirt is said in words: "about 100 %" would promise what no rain keeps."""


@dataclass(frozen=True, slots=True)
class Sign:
    """The state as a sign: its colour and its word."""

    colour: str
    word: str


def sign(told: Recommendation) -> Sign:
    """The state in one word, with its day where that is all there is to say."""
    colour, word = SIGNS[told.state]
    if told.state == State.NO_READINGS:
        if told.state_day is None:
            return Sign(colour, _("No readings yet"))
        return Sign(colour, _("No readings since {day}").format(day=day_words(told.state_day)))
    return Sign(colour, str(word))


def headline(told: Recommendation) -> str:
    """How the roof stands, in one sentence."""
    day = day_words(told.state_day) if told.state_day else ""
    if told.state == State.DIRTY:
        likely = _("The panels make less than they should, most likely because of dirt.")
        return likely if told.only_likely else _("The panels are dirty.")
    if told.state == State.CLEAN:
        return _("The panels are clean enough.")
    if told.state == State.UNSURE:
        return _("Nothing to wash yet: dirt may lie on the panels, but too little is sure.")
    if told.state == State.NOT_DIRT:
        return _("The panels make less, and it is not dirt. A wash will not mend it.")
    if told.state == State.JUST_WASHED:
        lacks = _("Washed on {day}. Without newer readings nobody can tell what it gained.").format(day=day)
        yet = _("Washed on {day}. What it gained is not known yet.").format(day=day)
        return lacks if told.act == Act.SEND_READINGS else yet
    if told.state == State.RAINED:
        return _("Rain fell on {day}. How much dirt it took is not known yet.").format(day=day)
    if told.state == State.CANNOT_TELL:
        return _("The readings cannot tell yet.")
    if not day:
        return _("There are no readings yet, so nobody can tell whether the panels are dirty.")
    return _("No readings since {day}, so nobody can tell how dirty the panels are now.").format(day=day)


def why(told: Recommendation) -> str:
    """What stands behind the headline: the loss, since when, or why nobody can tell."""
    said = []
    if told.state == State.NOT_DIRT:
        said.append(cause(told))
        if told.state_day:
            said.append(_("It began about {day}.").format(day=day_words(told.state_day)))
    if told.loss is not None:
        said.append(loss_words(told))
    if told.state == State.NOT_DIRT and told.lost_a_month is not None:
        said.append(_costs(told.lost_a_month, told.currency))
    if told.state == State.DIRTY and told.state_day:
        said.append(_("It has built up since about {day}.").format(day=day_words(told.state_day)))
    said += [sentence(one) for one in told.why]
    return " ".join(said)


def cause(told: Recommendation) -> str:
    """What seems wrong where it is not dirt."""
    return str(CAUSES[told.cause or Cause.UNKNOWN])


def loss_words(told: Recommendation) -> str:
    """The loss with its interval, as a sentence; empty where there is none."""
    if told.loss is None:
        return ""
    template = _("About {loss} of what clean panels would make is lost to dirt (likely {low} to {high}).")
    if told.state == State.NOT_DIRT:
        template = _("Besides, about {loss} seems lost to dirt (likely {low} to {high}).")
    return template.format(**_shares(told.loss))


def _shares(loss: Range) -> dict[str, str]:
    return {"loss": percent(loss.middle), "low": percent(max(0.0, loss.low)), "high": percent(loss.high)}


def loss_in_a_row(told: Recommendation) -> str:
    """The loss by dirt with its interval for a table: "8 % (6 to 10 %)"; empty where there is none, or a fault."""
    if told.loss is None or told.state == State.NOT_DIRT:  # beside that word it would be read as the fault's
        return ""
    shares = _shares(told.loss)
    low = shares["low"].rstrip("%").rstrip()
    return _("{loss} ({low} to {high})").format(loss=shares["loss"], low=low, high=shares["high"])


def cost(told: Recommendation) -> str:
    """What the dirt costs a month; empty where that is not known, and where dirt is not what is wrong."""
    if told.lost_a_month is None or told.state == State.NOT_DIRT:
        return ""
    return _costs(told.lost_a_month, told.currency)


def _costs(a_month: Range, currency: str) -> str:
    return _("Dirt costs {cost} a month (likely {low} to {high}).").format(
        cost=roughly(a_month.middle, currency),
        low=whole_money(a_month.low, currency),
        high=about_money(a_month.high, currency),
    )


def cost_in_a_row(told: Recommendation) -> str:
    """What the dirt costs a month, for a table: "$37 ($30 to $45)"; empty where that is not known, or for a fault."""
    if told.lost_a_month is None or told.state == State.NOT_DIRT:  # beside that word it would be read as the fault's
        return ""
    low, middle, high = (
        about_money(one, told.currency)
        for one in (told.lost_a_month.low, told.lost_a_month.middle, told.lost_a_month.high)
    )
    return _("{middle} ({low} to {high})").format(low=low, middle=middle, high=high)


def price(told: Recommendation) -> str:
    """What a wash costs; empty where the readings cannot say what it brings."""
    return money(told.wash.price, told.currency) if told.wash else ""


def money_line(told: Recommendation) -> str:
    """What the dirt costs, what a wash costs and brings, its chance of paying back, and what would turn the advice."""
    said = [cost(told)]
    if told.wash is not None and told.state != State.NOT_DIRT:
        said += [_wash_brings(told), _chance(told), _turns(told)]
    return " ".join(one for one in said if one)


def _wash_brings(told: Recommendation) -> str:
    if told.wash is None:
        return ""
    return _(
        "A wash now costs {price} and would bring {brings} (likely {low} to {high}) until rain does it free."
    ).format(
        price=money(told.wash.price, told.currency),
        brings=roughly(told.wash.brings.middle, told.currency),
        low=whole_money(told.wash.brings.low, told.currency),
        high=about_money(told.wash.brings.high, told.currency),
    )


def _chance(told: Recommendation) -> str:
    if told.wash is None:
        return ""
    tenths = round(told.wash.pays_back * 10)
    if tenths <= 0:
        return _("It would hardly ever pay back.")
    if tenths >= 10:
        return _("It would almost surely pay back.")
    return _("It pays back in about {count} of 10 possible futures.").format(count=tenths)


def _turns(told: Recommendation) -> str:
    """How the advice changes with the price and the value of a kWh."""
    wash = told.wash
    if wash is None:
        return ""
    if wash.turns_at_price is None or wash.turns_at_kwh is None:
        return _("Even at a quarter of the price the advice would be the same.")
    figures = {"price": whole_money(wash.turns_at_price, told.currency), "kwh": money(wash.turns_at_kwh, told.currency)}
    if told.act == Act.WASH:
        return _(
            "The advice would change if a wash cost more than about {price}, or a kWh were worth less than about {kwh}."
        ).format(**figures)
    return _(
        "A wash now would be advised at a price under about {price}, or with a kWh worth more than about {kwh}."
    ).format(**figures)


def advice(told: Recommendation) -> str:
    """What is advised and why, in one or two sentences."""
    said = _advice(told)
    if told.booked_for is None:
        return said
    booked = _("A visit is booked for {day}.")
    if told.visit_unnoted:
        booked = _("A visit was booked for {day}, and nobody noted yet what came of it.")
    return f"{booked.format(day=day_words(told.booked_for.date()))} {said}"


def _advice(told: Recommendation) -> str:
    if told.act == Act.WASH:
        return _("Wash now: by the readings, that is cheaper than waiting.")
    if told.act == Act.WAIT:
        return _wait(told)
    if told.act == Act.WOULD_NOT_PAY:
        return _("A wash would not pay at this price now.")
    if told.act == Act.LOOK:
        said = _("Have it looked at first.") + f" {WHO_LOOKS[told.cause or Cause.UNKNOWN]}"
        too = _("The dirt besides is worth a wash once that is mended.")
        return f"{said} {too}" if told.wash_too else said
    if told.act == Act.TELL_FACTS:
        return _facts_first(told)
    said = _("Send the newest readings: then we can tell.")
    if told.state == State.JUST_WASHED:
        said = _("Send the readings since the wash: then we can tell what it gained.")
    return f"{said} {_calendar(told)}".strip()


def _facts_first(told: Recommendation) -> str:
    missing = ", ".join(str(FACT_WORDS[fact]) for fact in told.lacks)
    said = _("First these facts about the roof are needed: {missing}.").format(missing=missing)
    then = _("Then send the newest readings.") if told.state == State.NO_READINGS else ""
    return " ".join(one for one in (said, then, _calendar(told)) if one)


def _wait(told: Recommendation) -> str:
    day = day_words(told.on) if told.on else ""
    if told.because == Because.RESULT:
        return _("Wait for the result: it is expected about {day}.").format(day=day)
    if told.because == Because.FIRST_LOOK:
        return _("Readings came in. The first answer comes by tomorrow.")
    if told.because == Because.NOT_YET:
        return _("Leave them for now: a wash from about {day} on keeps more for its price than one today.").format(
            day=day
        )
    if told.because == Because.RAIN and told.rain is not None:
        return _("Wait until about {day}: {rain}").format(day=day, rain=_rain(told.rain))
    if day:
        return _("Wait for clear days: the next answer is expected about {day}.").format(day=day)
    return " ".join((_("Wait for more clear days: they will tell."), _calendar(told))).strip()


def _rain(rain: RainAhead) -> str:
    dirt = _("nearly all of the dirt") if rain.share >= NEARLY_ALL else _("about {share} of the dirt")
    figures = {"dirt": dirt.format(share=percent(rain.share)), "count": rain.half_in, "of": rain.of}
    if rain.futures:
        return _("rain usually takes {dirt} by then (half or more in {count} of {of} possible futures).").format(
            **figures
        )
    return ngettext(
        "rain usually takes {dirt} by then (half or more in {count} of {of} year on record).",
        "rain usually takes {dirt} by then (half or more in {count} of {of} years on record).",
        rain.of,
    ).format(**figures)


def _calendar(told: Recommendation) -> str:
    """The firm's rule, from the last wash or, where none is known, from the day the panels were put up."""
    never = "" if told.ever_washed else _("No wash of these panels is known.")
    if told.calendar_on is None:
        return never
    if told.calendar_on <= told.today:
        due = _("By the calendar a wash would be due; whether it pays, nobody can tell yet.")
        return f"{never} {due}".strip()
    if never:
        first = _("By the calendar a first wash would be about {day}.").format(day=day_words(told.calendar_on))
        return f"{never} {first}"
    return _("By the calendar the next wash would be about {day}.").format(day=day_words(told.calendar_on))


def advice_in_a_row(told: Recommendation) -> str:
    """The advice in a few words, for a table."""
    if told.act == Act.WASH:
        return _("wash now")
    if told.act == Act.LOOK:
        return _("look first")
    if told.act == Act.WOULD_NOT_PAY:
        return _("would not pay now")
    if told.act == Act.SEND_READINGS:
        return _("send readings")
    if told.act == Act.TELL_FACTS:
        return _("facts are missing")
    if told.on is None:
        return _("wait for clear days") if told.because != Because.FIRST_LOOK else _("first answer by tomorrow")
    if told.because == Because.RESULT:
        return _("result about {day}").format(day=day_words(told.on))
    if told.because == Because.CLEAR_DAYS:
        return _("wait until about {day}").format(day=day_words(told.on))
    return _("wash from about {day}").format(day=day_words(told.on))


def in_a_row(told: Recommendation) -> str:
    """Loss and advice in one line: "9 % (8 to 11 %), wash now"."""
    return ", ".join(part for part in (loss_in_a_row(told), advice_in_a_row(told)) if part)


def next_step(told: Recommendation, reader: Reader) -> str:
    """What the reader does next, as a button says it."""
    return str(STEP_WORDS[told.step(reader)])


def on_the_phone(told: Recommendation) -> list[str]:
    """What to say to the owner of a roof, in at most three sentences: how it stands, what it costs, what is advised."""
    if told.state == State.NOT_DIRT:
        return [headline(told), cause(told), str(WHO_LOOKS[told.cause or Cause.UNKNOWN])]
    stands = loss_words(told) if told.state == State.DIRTY else ""
    costs = _wash_brings(told) if told.act == Act.WASH else ""
    return [one for one in (stands or headline(told), costs or cost(told), _advice(told)) if one]
