"""How a file is read, in words and as a form to correct it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Any, cast
from zoneinfo import available_timezones

from django import forms
from django.core.exceptions import ValidationError
from django.utils.translation import gettext as _
from django.utils.translation import gettext_noop

from portal.actions.imports.kept import FileSeen, mapping_of
from portal.models import Import
from portal.readers.mapping import FILES, Mapping
from portal.words.kept import in_their_words

FORMATS = {
    "text": gettext_noop("Text table"),
    "sheet": gettext_noop("Spreadsheet"),
    "espi": "Green Button",
    "nem12": "NEM12",
}
UNIT_NAMES = {"Wh": "Wh", "kWh": "kWh", "MWh": "MWh", "W": "W", "kW": "kW", "MW": "MW"}
FIGURE_KINDS = {
    "energy": gettext_noop("energy of each interval"),
    "register": gettext_noop("a counter that runs on"),
    "power": gettext_noop("average power"),
}
DECIMALS = {".": gettext_noop("a point: 1.5"), ",": gettext_noop("a comma: 1,5")}
DATE_ORDERS = {
    "": gettext_noop("day and month alike, so far"),
    "ymd": gettext_noop("year-month-day"),
    "dmy": gettext_noop("day/month/year"),
    "mdy": gettext_noop("month/day/year"),
    "unix_s": gettext_noop("Unix seconds"),
    "unix_ms": gettext_noop("Unix milliseconds"),
    "serial": gettext_noop("spreadsheet day numbers"),
}
CLOCKS = {
    "wall": gettext_noop("the clock on the wall, with daylight saving"),
    "winter": gettext_noop("winter time all year"),
    "utc": "UTC",
    "offset": gettext_noop("each stamp says its own offset"),
}
LABELS = {"start": gettext_noop("the start of its interval"), "end": gettext_noop("the end of its interval")}
EXPORTS = {
    "": gettext_noop("no, production"),
    "all": gettext_noop("all of the production"),
    "surplus": gettext_noop("only the surplus after the house took its share"),
}


def _each(words: dict[str, str]) -> dict[str, str]:
    return {code: _(word) for code, word in words.items()}


def mapping_in_words(mapping: Mapping) -> list[tuple[str, str]]:
    """Say how a file was read, as pairs of name and value."""
    words = [
        (
            _("Format"),
            _(FORMATS[mapping.format]),
        )
    ]
    if mapping.format in ("text", "sheet"):
        if mapping.sheet:
            words.append((_("Sheet"), mapping.sheet))
        date_order = _(DATE_ORDERS[mapping.date_order])
        words += [
            (_("Time"), f"{' + '.join(mapping.time_columns)} ({date_order})"),
            (_("Production"), _columns_in_words(mapping)),
            (_("Figures"), _("{kind} in {unit}").format(kind=_(FIGURE_KINDS[mapping.kind]), unit=mapping.unit)),
        ]
    if mapping.meter:
        words.append((_("Meter in the file"), mapping.meter))
    zone = "" if mapping.clock.kind in ("utc", "offset") else f" ({mapping.clock.tz})"
    words += [
        (_("Clock"), _(CLOCKS[mapping.clock.kind]) + zone + _assumed("clock", mapping)),
        (_("The time on each line is"), _(LABELS[mapping.clock.label]) + _assumed("label", mapping)),
    ]
    if mapping.export:
        words.append((_("Sent to the grid"), _(EXPORTS[mapping.export])))
    return words


def _assumed(what: str, mapping: Mapping) -> str:
    """Mark what neither the file nor anybody says."""
    return " – " + _("assumed, the file does not say") if what in mapping.assumed else ""


def _columns_in_words(mapping: Mapping) -> str:
    if mapping.layout == "wide":
        return _("{value_columns} columns, {value_columns_2} to {value_columns_3}").format(
            value_columns=len(mapping.value_columns),
            value_columns_2=mapping.value_columns[0],
            value_columns_3=mapping.value_columns[-1],
        )
    return " + ".join(mapping.value_columns or [_("none found")]) + "".join(
        f" − {name}" for name in mapping.minus_columns
    )


class MappingForm(forms.Form):
    """How a file is to be read: what the file leaves open first, then everything else that can be corrected."""

    def __init__(self, import_: Import, *, data: Any = None, answers: dict[str, Any] | None = None) -> None:
        """Ask about an import that has a mapping; ``answers`` are shown as chosen before."""
        super().__init__(data, initial=answers)
        assert import_.mapping is not None, "a file nobody can make a table of has no form"
        self.base = mapping = mapping_of(import_.mapping)
        seen = cast(FileSeen, import_.seen or {"columns": [], "sample": [], "measures": {}})
        self.measures, questions = seen["measures"], import_.questions
        self.asked = [question["code"] for question in questions]
        table = mapping.format in ("text", "sheet")
        used = [*mapping.time_columns, *mapping.value_columns, *mapping.minus_columns]
        names = list(dict.fromkeys([*seen["columns"], *used])) if table else []
        for question in questions:
            if question["code"] == "columns":
                self._tick("columns", in_their_words(question["text"]), names, ())
                continue
            self.fields[question["code"]] = forms.ChoiceField(
                label=in_their_words(question["text"]),
                choices=[(choice["value"], in_their_words(choice["label"])) for choice in question["choices"]],
                required=question["required"],
                widget=forms.RadioSelect,
                error_messages={"required": _("Choose one of these first.")},
            )
        if table:
            if "columns" not in self.asked and mapping.layout == "tall":
                self._tick("columns", _("Columns that hold production"), names, mapping.value_columns)
            self._choose("kind", _("The figures are"), _each(FIGURE_KINDS), mapping.kind)
            self._choose("unit", _("Unit"), UNIT_NAMES, mapping.unit)
            self._choose("decimal", _("The decimal mark is"), _each(DECIMALS), mapping.decimal)
            orders = {code: words for code, words in _each(DATE_ORDERS).items() if code or not mapping.date_order}
            self._choose("date_order", _("Dates are written"), orders, mapping.date_order)
            day, time = (*mapping.time_columns, "", "")[:2]
            listed, none = {name: name for name in names}, {"": _("none")}
            self._choose("time_column", _("Column with the date, or the date and time"), listed, day)
            self._choose("second_time_column", _("Column with the time of day, if it has its own"), none | listed, time)
            each = {FILES: _("each file or sheet is a meter")} if mapping.meter_column == FILES else {}
            self._choose(
                "meter_column", _("Column that tells several meters apart"), none | each | listed, mapping.meter_column
            )
        if mapping.meter:
            every = {channel["name"]: channel["name"] for channel in import_.channels} | {
                mapping.meter: mapping.meter,
                "*": _("all of them added up"),
            }
            self._choose("meter", _("Meter in the file"), every, mapping.meter)
        if mapping.export or table:
            self._choose("export", _("Energy sent to the grid"), _each(EXPORTS), mapping.export)
        self._choose("clock", _("Which clock stamped it"), _each(CLOCKS), mapping.clock.kind)
        self._choose("label", _("The time on each line is"), _each(LABELS), mapping.clock.label)
        if "zone" not in self.asked:
            self.fields["zone"] = forms.CharField(label=_("Time zone of that clock"), initial=mapping.clock.tz)

    def _choose(self, code: str, label: str, choices: dict[str, str], initial: str) -> None:
        if code not in self.asked:
            self.fields[code] = forms.ChoiceField(
                label=label, choices=list(choices.items()), initial=initial, required="" not in choices
            )

    def _tick(self, code: str, label: str, names: list[str], initial: Iterable[str]) -> None:
        self.fields[code] = forms.MultipleChoiceField(
            label=label,
            choices=[(name, name) for name in names if name not in self.base.time_columns],
            initial=list(initial),
            widget=forms.CheckboxSelectMultiple,
            help_text=_("Several are added up: tick a total or its parts, not both."),
            error_messages={"required": _("Tick at least one column.")},
        )

    def clean_zone(self) -> str:
        zone: str = self.cleaned_data["zone"]
        if zone not in available_timezones():
            raise ValidationError(
                _("“{zone}” is not a time zone. Use a name such as America/Denver or Europe/Madrid.").format(zone=zone)
            )
        return zone

    def clean(self) -> dict[str, Any]:
        cleaned: dict[str, Any] = super().clean() or self.cleaned_data
        unit, kind = cleaned.get("unit"), cleaned.get("kind")
        if unit and kind and (kind == "power") == unit.endswith("h"):
            raise ValidationError(
                _("Power is in W, kW or MW; energy and counters are in Wh, kWh or MWh. Choose a pair.")
            )
        if len({tuple(self.measures[name]) for name in cleaned.get("columns", ()) if name in self.measures}) > 1:
            self.add_error(
                "columns", _("These columns hold different things and cannot be added up. Tick those of one unit.")
            )
        return cleaned

    def mapping(self) -> Mapping:
        """The mapping with what was answered and corrected."""
        mapping, chosen = self.base, tuple(self.cleaned_data.get("columns", ()))
        if chosen and chosen != mapping.value_columns:
            mapping = replace(mapping, value_columns=chosen, minus_columns=())
            if not {"kind", "unit"}.intersection(self.changed_data) and chosen[0] in self.measures:
                kind, unit = self.measures[chosen[0]]
                mapping = replace(mapping, kind=kind, unit=unit)  # type: ignore[arg-type]  # as the reader wrote them
        changed = [code for code in self.fields if code in self.asked or code in self.changed_data]
        for code in sorted(
            changed, key=lambda code: code == "kind"
        ):  # the unit moves the kind; the kind has the last word
            value: str = self.cleaned_data[code]
            if code in ("columns", "time_column", "second_time_column"):
                continue
            if code == "meter_column":
                mapping = replace(mapping, meter_column=value, meter="")
            elif code == "export":
                mapping = replace(mapping, export=value)  # type: ignore[arg-type]  # one of the choices, which are the three
            elif value:
                mapping = mapping.answered(code, value)
        if "time_column" in self.fields:
            times = (self.cleaned_data["time_column"], self.cleaned_data["second_time_column"])
            if times != (*mapping.time_columns, "", "")[:2]:  # a third, of minutes or of AM and PM, goes with its two
                mapping = replace(mapping, time_columns=tuple(name for name in times if name))
        return mapping
