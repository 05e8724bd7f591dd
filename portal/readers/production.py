"""Which columns hold the production, and in what unit."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from portal.readers import words
from portal.readers.mapping import Kind, Mapping, Unit
from portal.readers.questions import export_question, unit_question
from portal.readers.reading import Choice, Notice, Question, ReadError
from portal.readers.words import unit_in


def _looks_register(values: NDArray[np.float64]) -> bool:
    """Say whether a column runs on like a meter's register, or like a counter that starts again each day."""
    known = values[~np.isnan(values)]
    moves = np.diff(known)
    up, down = int((moves > 0).sum()), int((moves < 0).sum())
    if up + down < 8:
        return False
    return min(up, down) <= 0.06 * (up + down)


def choose_columns(
    mapping: Mapping,
    names: list[str],
    called: list[str],
    texts: list[str],
    preamble: str,
    columns: dict[int, NDArray[np.float64]],
    kinds: dict[int, Kind],
    step: int,
    questions: list[Question],
    notices: list[Notice],
    file: str,
) -> Mapping:
    """Choose the columns that hold the production.

    ``called`` are the names with the headings above them, ``texts`` have the units too.
    """
    usable = [at for at in columns if not (words.OTHER.search(called[at]) or words.OTHER_UNIT.search(texts[at]))]
    if not usable:
        usable = list(columns)
    drawn = [at for at in usable if words.DRAWN.search(called[at])]
    export = [at for at in usable if words.EXPORT.search(called[at]) and at not in drawn]
    consumed = [at for at in usable if words.CONSUMED.search(called[at]) and at not in drawn + export]
    net = [at for at in usable if words.NET.search(called[at]) and at not in drawn + export + consumed]
    rest = [at for at in usable if at not in drawn + export + consumed + net]
    strong = [at for at in rest if words.PRODUCTION.search(called[at])]
    chosen = strong or [at for at in rest if words.GENERAL.search(texts[at])] or rest
    minus: list[int] = []
    if not chosen:
        if len(export) == 1 and len(drawn) == 1 and len(consumed) == 1:
            chosen, minus = [consumed[0], export[0]], [drawn[0]]
            notices.append(
                Notice(
                    "balance",
                    f"The file has no column of production. It is worked out as “{names[consumed[0]]}” plus "
                    f"“{names[export[0]]}” less “{names[drawn[0]]}”.",
                )
            )
        elif export or net:
            chosen = export or net
            questions.append(export_question(names[chosen[0]]))
        else:
            listed = ", ".join(f"“{names[at]}”" for at in (drawn + consumed)[:3])
            raise ReadError(
                f"{file} holds energy that was used or bought ({listed}), not what the panels produced. "
                "Send the export of the inverter or of the production meter."
            )
    if minus:
        return _balance(mapping, names, preamble, columns, chosen, minus, step, questions)
    kinds = {at: kinds[at] for at in chosen}
    everything = chosen
    for kind in ("energy", "power", "register") if _coarse(columns, kinds) else ("energy", "register", "power"):
        group = [at for at in chosen if kinds[at] == kind]
        if group:
            chosen = group
            break
    alive = [at for at in chosen if np.nansum(np.abs(columns[at])) > 0]
    chosen = alive or chosen
    picked = chosen
    if len(everything) > 1 and all(re.fullmatch(r"column \d+", names[at]) for at in everything):
        picked = chosen[:1]
        _one_or_sum(names, columns, everything, questions, preferred=picked)
    elif len(chosen) > 1:
        picked = _one_or_sum(names, columns, chosen, questions)
    else:
        # Another column in the same unit, of which the name says neither yes nor no, is not passed over in silence.
        unit = unit_in(texts[chosen[0]])
        beside = [at for at in rest if at not in strong and unit and unit_in(texts[at]) == unit and at not in chosen]
        beside = [at for at in beside if np.nansum(np.abs(columns[at])) > 0]
        if beside:
            _one_or_sum(names, columns, [*chosen, *beside], questions, preferred=chosen)
    mapping = replace(mapping, value_columns=tuple(names[at] for at in picked))
    title = " ".join(called[at] for at in picked)
    total = np.sum([np.nan_to_num(columns[at]) for at in picked], axis=0)
    mapping = replace(mapping, kind=kinds[picked[0]])
    text = " ¦ ".join(texts[at] for at in picked)
    return settle_kind_and_unit(
        mapping, text if unit_in(text) else f"{text} ¦ {preamble}", title, total, step, questions
    )


def kind_of_column(column: NDArray[np.float64], text: str, name: str) -> Kind:
    unit = unit_in(text)
    if _looks_register(column) and (unit is None or unit.endswith("h")):
        return "register"
    return (
        "power" if (unit and not unit.endswith("h")) or (unit is None and words.POWER_WORD.search(name)) else "energy"
    )


def _coarse(columns: dict[int, NDArray[np.float64]], kinds: dict[int, Kind]) -> bool:
    """Say whether the register there is counts in steps too large to see the course of a day by."""
    for at, kind in kinds.items():
        if kind == "register":
            moves = np.diff(columns[at][~np.isnan(columns[at])])
            moves = moves[moves > 0]
            return len(moves) > 0 and float(moves.min()) > 0.05 * float(np.percentile(moves, 95))
    return False


def _balance(
    mapping: Mapping,
    names: list[str],
    preamble: str,
    columns: dict[int, NDArray[np.float64]],
    plus: list[int],
    minus: list[int],
    step: int,
    questions: list[Question],
) -> Mapping:
    title = " ".join(names[at] for at in plus)
    mapping = replace(
        mapping,
        value_columns=tuple(names[at] for at in plus),
        minus_columns=tuple(names[at] for at in minus),
        kind="register" if all(_looks_register(columns[at]) for at in plus) else "energy",
    )
    return settle_kind_and_unit(mapping, f"{title} ¦ {preamble}", title, columns[plus[0]], step, questions)


def _one_or_sum(
    names: list[str],
    columns: dict[int, NDArray[np.float64]],
    chosen: list[int],
    questions: list[Question],
    preferred: Sequence[int] = (),
) -> list[int]:
    """Decide between a column of totals, the sum of all columns, and asking."""
    stack = {at: np.nan_to_num(columns[at]) for at in chosen}
    size = max(float(np.abs(column).sum()) for column in stack.values())
    for at in sorted(chosen, key=lambda a: -float(stack[a].sum())):
        others = np.sum([stack[o] for o in chosen if o != at], axis=0)
        # Two columns that agree are twins rather than a part and its total, unless a name says total.
        telling = len(chosen) > 2 or words.TOTAL.search(names[at])
        if telling and size and float(np.abs(stack[at] - others).sum()) < 0.03 * size:
            return [at]
    stems = {words.NUMBERING.sub("", words.SIDES.sub("", names[at].lower())) for at in chosen}
    if len(stems) == 1 and stems != {"column"}:
        return chosen
    totals = list(preferred) or [at for at in chosen if words.TOTAL.search(names[at])]
    together = json.dumps([names[at] for at in chosen], ensure_ascii=False)
    choices = [Choice(json.dumps([names[at]], ensure_ascii=False), f"only “{names[at]}”") for at in chosen[:12]]
    choices.insert(0, Choice(together, "all of them added up"))
    default = totals[:1] if len(totals) == 1 else chosen
    if len(totals) == 1:
        choices.sort(key=lambda choice: choice.value != json.dumps([names[totals[0]]], ensure_ascii=False))
    questions.append(
        Question(
            "columns",
            f"The file has {len(chosen)} columns that may be production: "
            f"{', '.join(f'“{names[at]}”' for at in chosen[:6])}. Which belong to this meter?",
            tuple(choices),
            True,
        )
    )
    return default


def settle_kind_and_unit(
    mapping: Mapping, text: str, title: str, values: NDArray[np.float64], step: int, questions: list[Question]
) -> Mapping:
    """Settle kind and unit by what the header says, else by what a roof can deliver."""
    unit = unit_in(text)
    kind = mapping.kind
    # What one column shows says nothing of another's kind and unit.
    columns_asked = any(question.code == "columns" for question in questions)
    if unit is not None and not unit.endswith("h"):
        kind = "power"
    elif unit is not None and kind == "power":
        kind = "energy"
    elif unit is None and kind == "energy" and not words.ENERGY_WORD.search(title) and (step < 3600 or columns_asked):
        if words.POWER_WORD.search(title):
            kind = "power"
        elif mapping.layout == "tall" or not words.ENERGY_WORD.search(text):
            questions.append(
                Question(
                    "kind",
                    "Are the figures the energy of each interval or the average power in it?"
                    if mapping.layout == "wide"
                    else f"Is “{title.strip()[:80]}” the energy of each interval or the average power in it?",
                    (
                        Choice("energy", "energy of each interval (Wh, kWh)"),
                        Choice("power", "average power (W, kW)"),
                        Choice("register", "a running meter reading (Wh, kWh)"),
                    ),
                    True,
                )
            )
    if unit is None:
        unit, certain = _unit_by_size(kind, values, step)
        if not certain or columns_asked:
            questions.append(unit_question(kind, unit))
    return replace(mapping, kind=kind, unit=unit)


def _unit_by_size(kind: Kind, values: NDArray[np.float64], step: int) -> tuple[Unit, bool]:
    """Return the unit under which the plant's peak is that of a roof: 400 W to 1 MW (common practice, no source)."""
    figures = values[~np.isnan(values)]
    if kind == "register":
        figures = np.abs(np.diff(figures))
        figures = figures[figures > 0]
    figures = np.abs(figures)
    figures = figures[figures > 0]
    if not len(figures):
        return ("W" if kind == "power" else "kWh"), False
    # A daily total is a peak held for some five hours.
    hours = 1.0 if kind == "power" else step / 3600 if step < 80_000 else 5.0
    peak = float(np.percentile(figures, 99)) / hours
    units: tuple[Unit, ...] = ("W", "kW", "MW") if kind == "power" else ("Wh", "kWh", "MWh")
    fits = [unit for unit, factor in zip(units, (1.0, 1e3, 1e6), strict=True) if 400 <= peak * factor <= 1e6]
    if len(fits) == 1:
        return fits[0], True
    if not fits:
        return units[0] if peak > 1e6 else units[1], False
    return min(fits, key=lambda unit: abs(np.log10(peak * {"W": 1, "k": 1e3, "M": 1e6}[unit[0]]) - 3.8)), False
