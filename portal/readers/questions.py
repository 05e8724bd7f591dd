"""What only a person can settle, as questions with their choices."""

from __future__ import annotations

import json
from collections.abc import Mapping as Dict
from collections.abc import Sequence

from portal.readers.clock import ClockKind
from portal.readers.mapping import FigureKind, Mapping, Unit
from portal.readers.reading import Choice, Question


def decimal_question(decimal: str) -> Question:
    """Ask what the only mark in the figures means.

    Parameters
    ----------
    decimal
        The decimal mark that is guessed: "." or ",".

    Returns
    -------
    Question
        The question, with the guessed answer first.
    """
    choices = (
        Choice(".", "1,234 is one thousand two hundred and thirty-four"),
        Choice(",", "1,234 is a little more than one"),
    )
    if decimal == ".":
        choices = (
            Choice(".", "1.234 is a little more than one"),
            Choice(",", "1.234 is one thousand two hundred and thirty-four"),
        )
    return Question(
        "decimal", "Does the mark inside the figures divide thousands, or is it the decimal mark?", choices, False
    )


def columns_question(called: Dict[str, str], first: str) -> Question:
    """Ask which columns are the production.

    Parameters
    ----------
    called
        The columns that may be: each with its name and the heading above it.
    first
        The likeliest one, "" for all of them added up.

    Returns
    -------
    Question
        The question, with the likeliest answer first.
    """
    names = list(called)
    choices = [Choice(_as_json([name]), f"only “{called[name]}”") for name in names[:12]]
    choices.insert(0, Choice(_as_json(names), "all of them added up"))
    if first:
        choices.sort(key=lambda choice: choice.value != _as_json([first]))
    listed = ", ".join(f"“{called[name]}”" for name in names[:6])
    return Question(
        "columns",
        f"The file has {len(names)} columns that may be production: {listed}. Which belong to this meter?",
        tuple(choices),
        True,
    )


def _as_json(names: Sequence[str]) -> str:
    return json.dumps(list(names), ensure_ascii=False)


def kind_question(title: str) -> Question:
    """Ask whether figures are energies or powers.

    Parameters
    ----------
    title
        Name of the columns, "" for those of a table with a row a day.

    Returns
    -------
    Question
        The question.
    """
    what = f"Is “{title.strip()[:80]}”" if title else "Are the figures"
    return Question(
        "kind",
        f"{what} the energy of each interval or the average power in it?",
        (
            Choice("energy", "energy of each interval (Wh, kWh)"),
            Choice("power", "average power (W, kW)"),
            Choice("register", "a running meter reading (Wh, kWh)"),
        ),
        True,
    )


def unit_question(kind: FigureKind, default: Unit) -> Question:
    """Ask for the unit.

    Parameters
    ----------
    kind
        What the figures are.
    default
        The likeliest unit.

    Returns
    -------
    Question
        The question, with the likeliest unit first.
    """
    units: tuple[Unit, ...] = ("kW", "W", "MW") if kind == "power" else ("kWh", "Wh", "MWh")
    ordered = sorted(units, key=lambda unit: unit != default)
    return Question(
        "unit", "The file does not say its unit. Which is it?", tuple(Choice(unit, unit) for unit in ordered), True
    )


def export_question(name: str) -> Question:
    """Ask whether what goes to the grid is everything the panels produce.

    Parameters
    ----------
    name
        The column or channel.

    Returns
    -------
    Question
        The question.
    """
    return Question(
        "export",
        f"“{name}” is energy sent to the grid. Is that everything the panels produce, or only what the house "
        "leaves over?",
        (
            Choice("surplus", "only the surplus: the house uses some of it first"),
            Choice("all", "everything: the panels have a meter of their own"),
        ),
        True,
    )


_DIRECTION_WORDS = {"consumption": ": what the house used", "export": ": sent to the grid", "net": ": the net of both"}


def meter_question(names: Sequence[str], lead: str, directions: Dict[str, str]) -> Question:
    """Ask which of a file's meters is meant.

    Parameters
    ----------
    names
        The meters in the file.
    lead
        A sentence to begin with, or "".
    directions
        Where energy flows in each, by name, where the file says so.

    Returns
    -------
    Question
        The question.
    """
    listed = ", ".join(f"“{name}”" for name in list(names)[:6])
    choices = [Choice(name, f"“{name}”{_DIRECTION_WORDS.get(directions.get(name, ''), '')}") for name in names[:50]]
    if len(names) > 1:
        choices.append(Choice("*", "all of them added up"))
    asked = f"The file holds {len(names)} meters: {listed}. Which one is this?"
    if len(names) == 1:
        asked = f"The file holds one meter: {listed}. Which one is this?"
    return Question("meter", f"{lead} {asked}".strip(), tuple(choices), True)


def order_question(mapping: Mapping) -> Question:
    """Ask whether day or month comes first.

    Parameters
    ----------
    mapping
        The mapping as guessed.

    Returns
    -------
    Question
        The question, with the guessed answer first.
    """
    first: tuple[Choice, Choice] = (
        Choice("dmy", "day first: 3/4 is the 3rd of April"),
        Choice("mdy", "month first: 3/4 is the 4th of March"),
    )
    ordered = first if mapping.date_order != "mdy" else first[::-1]
    return Question(
        "date_order",
        f"The dates in “{mapping.time_columns[0]}” fit day-first and month-first alike. Which is it?",
        ordered,
        True,
    )


def night_question(share: float) -> Question:
    """Ask whether what flows at night is production all the same.

    Parameters
    ----------
    share
        Share of the energy between 23:00 and 3:00.

    Returns
    -------
    Question
        The question.
    """
    return Question(
        "night",
        f"{100 * share:.0f} % of the energy lies between 23:00 and 3:00, and no part of the day is dark. This looks "
        "like consumption, not production. Send the inverter's or the production meter's export.",
        (Choice("accept", "It is production all the same"),),
        True,
    )


def nothing_question(count: int) -> Question:
    """Ask whether the panels really made nothing.

    Parameters
    ----------
    count
        Readings, all of them zero.

    Returns
    -------
    Question
        The question.
    """
    return Question(
        "nothing",
        f"All {count:,} readings of this file are zero. Often another column holds the production, or the logger was "
        "not connected. Choose the column below, or send another export.",
        (Choice("accept", "The panels made nothing in that time"),),
        True,
    )


def hours_question(centre_h: float, kind: ClockKind, zone: str) -> Question:
    """Ask for the clock where the production lies at hours without sun.

    Parameters
    ----------
    centre_h
        Middle of the production, local hours.
    kind
        The clock that the file was read by.
    zone
        The site's zone.

    Returns
    -------
    Question
        The question.
    """
    others = (
        ("utc", "the stamps are in UTC"),
        ("wall", f"the stamps follow the local clock of {zone}"),
        ("winter", f"the stamps keep the winter time of {zone}"),
    )
    return Question(
        "hours",
        f"The middle of the production lies at {int(centre_h):02d}:{int(centre_h % 1 * 60):02d} on the site's clock "
        f"({zone}), where the sun is not. Is the site's time zone right, and which clock wrote the file?",
        (
            *(Choice(other, label) for other, label in others if other != kind),
            Choice("accept", "It is right all the same"),
        ),
        True,
    )
