"""What only a person can settle, as questions with their choices."""

from __future__ import annotations

from collections.abc import Mapping as Dict
from collections.abc import Sequence

from portal.readers.mapping import Kind, Mapping, Unit
from portal.readers.reading import Choice, Question


def decimal_question(decimal: str) -> Question:
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


def unit_question(kind: Kind, default: Unit) -> Question:
    units: tuple[Unit, ...] = ("kW", "W", "MW") if kind == "power" else ("kWh", "Wh", "MWh")
    ordered = sorted(units, key=lambda unit: unit != default)
    return Question(
        "unit", "The file does not say its unit. Which is it?", tuple(Choice(unit, unit) for unit in ordered), True
    )


def export_question(name: str) -> Question:
    """Ask whether what goes to the grid is everything the panels produce."""
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
    """Ask which of a file's meters is meant."""
    listed = ", ".join(f"“{name}”" for name in list(names)[:6])
    number = f"{len(names)} meters" if len(names) > 1 else "one meter"
    choices = [Choice(name, f"“{name}”{_DIRECTION_WORDS.get(directions.get(name, ''), '')}") for name in names[:50]]
    if len(names) > 1:
        choices.append(Choice("*", "all of them added up"))
    return Question(
        "meter", f"{lead} The file holds {number}: {listed}. Which one is this?".strip(), tuple(choices), True
    )


def order_question(mapping: Mapping) -> Question:
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
