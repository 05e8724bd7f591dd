"""How one file's columns become readings: guessed, shown, corrected, and remembered for the meter."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, replace
from typing import Any, Literal, get_args

from portal.readers.clock import ClockKind, Label, StampClock

Format = Literal["text", "sheet", "espi", "nem12"]
Layout = Literal["tall", "wide"]
FigureKind = Literal["energy", "register", "power"]
Unit = Literal["Wh", "kWh", "MWh", "W", "kW", "MW"]
DateOrder = Literal["", "ymd", "dmy", "mdy", "unix_s", "unix_ms", "serial"]
Export = Literal["", "all", "surplus"]
FILES = "(file or sheet)"
_CLOCK_ANSWERS = {"clock": get_args(ClockKind), "hours": get_args(ClockKind), "label": get_args(Label)}
_ANSWERS: dict[str, tuple[str, ...]] = {
    "date_order": get_args(DateOrder)[1:],
    "unit": get_args(Unit),
    "kind": get_args(FigureKind),
    "decimal": (".", ","),
    "export": ("all", "surplus"),
}


@dataclass(frozen=True, slots=True)
class Mapping:
    """One file's shape. Columns go by the name in the header; a file without one has "column 1", "column 2" …

    The production is the sum of ``value_columns`` less the sum of ``minus_columns``.
    ``meter`` picks one meter of a file that holds several (by ``meter_column``, usage point or NMI and suffix).
    ``meter_column`` is ``FILES`` where each file of a zip, or each sheet of a workbook, is a meter of its own.
    ``export`` says whether a channel of energy sent to the grid is all of the production or only its surplus.
    ``assumed`` holds "clock" and "label" where nothing in the file, and nobody, says which they are.
    ``accepted`` holds the codes of doubts that somebody has looked at and waved through, with a word on how far.
    """

    format: Format
    clock: StampClock
    delimiter: str = ","
    quote: str = '"'
    decimal: str = "."
    thousands: str = ""
    sheet: str = ""
    header_line: int = 1
    """Line of the header, counted from 1; 0 for none."""
    layout: Layout = "tall"
    time_columns: tuple[str, ...] = ()
    date_order: DateOrder = "ymd"
    """"" while neither a file nor a person has decided whether day or month comes first: each file is asked."""
    offset_column: str = ""
    """Column that says how far the stamps are ahead of UTC, "" where there is none."""
    value_columns: tuple[str, ...] = ()
    minus_columns: tuple[str, ...] = ()
    meter_column: str = ""
    meter: str = ""
    kind: FigureKind = "energy"
    unit: Unit = "kWh"
    export: Export = ""
    accepted: tuple[str, ...] = ()
    assumed: tuple[str, ...] = ()

    def to_json(self) -> str:
        """Return the mapping as JSON text.

        Returns
        -------
        str
            A JSON object.
        """
        return json.dumps(asdict(self), ensure_ascii=False)

    @classmethod
    def from_json(cls, text: str) -> Mapping:
        """Return the mapping of ``to_json``'s text.

        Parameters
        ----------
        text
            What ``to_json`` gave.
        """
        fields: dict[str, Any] = json.loads(text)
        clock = StampClock(**fields.pop("clock"))
        known: dict[str, Any] = {k: tuple(v) if isinstance(v, list) else v for k, v in fields.items()}
        return cls(clock=clock, **known)

    def answered(self, code: str, value: str) -> Mapping:
        """Return the mapping with one question answered by the value of the chosen choice.

        Parameters
        ----------
        code
            Code of the question.
        value
            Value of the choice.

        Returns
        -------
        Mapping
            Another mapping.

        Raises
        ------
        ValueError
            When the value is no answer to that question.

        Examples
        --------
        >>> Mapping("text", StampClock("Europe/Berlin")).answered("unit", "kW").kind
        'power'
        """
        changes: dict[str, Any] = {}
        if code in _CLOCK_ANSWERS and value in _CLOCK_ANSWERS[code]:
            change: dict[str, Any] = {"label" if code == "label" else "kind": value}
            changes["clock"] = replace(self.clock, **change)
            told = "label" if code == "label" else "clock"
            changes["assumed"] = tuple(one for one in self.assumed if one != told)
        elif code == "zone":
            changes["clock"] = replace(self.clock, tz=value)
        elif code in _ANSWERS and value in _ANSWERS[code]:
            changes[code] = value
            if code == "unit":
                power = not value.endswith("h")
                changes["kind"] = "power" if power else "energy" if self.kind == "power" else self.kind
            if code == "decimal":
                changes["thousands"] = "." if value == "," else ","
        elif code == "columns":
            changes |= {"value_columns": tuple(json.loads(value)), "minus_columns": ()}
        elif code == "meter":
            changes["meter"] = value
        elif value.partition(" ")[0] in ("accept", "keep"):
            others = (one for one in self.accepted if one.partition(" ")[0] != code)
            changes["accepted"] = (*others, f"{code} {value.removeprefix('accept').strip()}".strip())
        else:
            raise ValueError(f"{value!r} is no answer to the question {code!r}")
        return replace(self, **changes)
