"""Which columns hold the production, and in what unit."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from portal.pv.arrays import Floats
from portal.readers import words
from portal.readers.mapping import FigureKind, Mapping, Unit
from portal.readers.questions import columns_question, export_question, kind_question, unit_question
from portal.readers.reading import Notice, Question, ReadError
from portal.readers.series import LARGE_PERCENTILE, NEARLY_A_DAY_S, WH_PER
from portal.readers.words import unit_in

TURNS = 0.06
"""Share of a column's moves that may go the other way in a running register, or in a counter that starts again each day
(at 15 minutes 1 in 50 of its moves by day). Tuned on the made files of the tests: a fifth more or less changes none."""
FEWEST_MOVES = 8
"""Readings that must differ from the one before to tell a register. Common practice, no source."""
LARGE_MOVES = 95
"""Percentile [%] of a register's moves that stands for its large ones. Common practice, no source."""
COARSE = 0.05
"""A register that counts in steps of more than this share of its large moves hides the course of a day. Tuned on the
made files of the tests: a fifth more or less changes none."""
SUM_APART = 0.03
"""Share of the energy by which a column of totals may miss the sum of the others, for rounding. Tuned on the made files
of the tests: a fifth more or less changes none."""
ROOF_W = (400.0, 1e6)
"""Peak [W] of what counts as a roof: from two modules to a large hall. Common practice, no source."""
USUAL_LOG_W = 3.8
"""Decimal logarithm of the peak [W] of the likeliest roof, 6 kW. Common practice, no source."""
PEAK_HOURS = 5.0
"""Hours for which a day's energy holds the peak power. Common practice, no source."""


@dataclass(frozen=True, slots=True)
class Figures:
    """The columns of figures, by their positions, and what the file says of them."""

    names: list[str]
    called: list[str]
    """Names with the headings above them."""
    texts: list[str]
    """Names, units and headings."""
    preamble: str
    """What is written above the table."""
    values: dict[int, Floats]
    """Figures of the sample (n,) by the column's position, NaN where blank."""
    kinds: dict[int, FigureKind]


@dataclass(frozen=True, slots=True)
class Settled:
    """A mapping with what is to be asked and told about it."""

    mapping: Mapping
    questions: tuple[Question, ...] = ()
    notices: tuple[Notice, ...] = ()
    meter_candidate: str = ""
    """Name of a column that may tell meters apart."""
    measures: dict[str, tuple[FigureKind, Unit]] = field(default_factory=dict)
    """What the file says each column holds."""


@dataclass(frozen=True, slots=True)
class _Parts:
    """Positions of the columns by what their names say they hold."""

    drawn: list[int]
    export: list[int]
    consumed: list[int]
    net: list[int]
    rest: list[int]


def choose_columns(mapping: Mapping, figures: Figures, step: int, file: str) -> Settled:
    """Choose the columns that hold the production.

    Parameters
    ----------
    mapping
        What is known of the file so far.
    figures
        Its columns of figures.
    step
        Seconds between neighbouring readings.
    file
        The file as a person knows it.

    Returns
    -------
    Settled
        The mapping with its columns, kind and unit, and what is to be asked of them.

    Raises
    ------
    ReadError
        When all energy in the file was used or bought.
    """
    names, parts = figures.names, _parts(figures)
    strong = [at for at in parts.rest if words.PRODUCTION.search(figures.called[at])]
    flows = _flows(figures, parts, strong)
    strong = [at for at in strong if at not in flows] or flows
    candidates = strong or [at for at in parts.rest if words.GENERAL.search(figures.texts[at])] or parts.rest
    asked: tuple[Question, ...] = ()
    if not candidates:
        if len(parts.export) == len(parts.drawn) == len(parts.consumed) == 1:
            return _balance(mapping, figures, parts, step)
        candidates = parts.export or parts.net
        if not candidates and not (parts.drawn or parts.consumed):
            listed = ", ".join(f"“{figures.called[at]}”" for at in list(figures.values)[:4])
            raise ReadError(
                f"{file} has no column of energy or power that the panels made, only {listed}. Expected was one such "
                "as “PV energy (kWh)”. Send the export of the inverter or of the production meter."
            )
        if not candidates:
            listed = ", ".join(f"“{names[at]}”" for at in (parts.drawn + parts.consumed)[:3])
            raise ReadError(
                f"{file} holds energy that was used or bought ({listed}), not what the panels produced. "
                "Send the export of the inverter or of the production meter."
            )
        asked = (export_question(names[candidates[0]]),)
    undecided = [at for at in parts.rest if at not in strong + flows]
    if flows and candidates == flows:
        picked = flows
        which: tuple[Question, ...] = (columns_question({names[at]: figures.called[at] for at in flows}, ""),)
    else:
        picked, which = _pick(figures, candidates, undecided)
    mapping = replace(mapping, value_columns=tuple(names[at] for at in picked), kind=figures.kinds[picked[0]])
    title = " ".join(figures.called[at] for at in picked)
    text = " ¦ ".join(figures.texts[at] for at in picked)
    text = text if unit_in(text) else f"{text} ¦ {figures.preamble}"
    total = np.sum([np.nan_to_num(figures.values[at]) for at in picked], axis=0)
    mapping, more = settle_kind_and_unit(mapping, text, title, total, step, columns_asked=bool(which))
    return Settled(mapping, (*asked, *which, *more))


def _parts(figures: Figures) -> _Parts:
    called = figures.called
    usable = [
        at
        for at in figures.values
        if not (
            words.OTHER.search(called[at]) or words.UNIT_OF_OTHERS.search(figures.texts[at]) or _is_never(figures, at)
        )
    ]
    usable = usable or [at for at in figures.values if not _is_never(figures, at)]
    drawn = [at for at in usable if words.DRAWN.search(called[at])]
    export = [at for at in usable if words.EXPORT.search(called[at]) and at not in drawn]
    consumed = [at for at in usable if words.CONSUMED.search(called[at]) and at not in drawn + export]
    net = [at for at in usable if words.NET.search(called[at]) and at not in drawn + export + consumed]
    rest = [at for at in usable if at not in drawn + export + consumed + net]
    return _Parts(drawn, export, consumed, net, rest)


def _flows(figures: Figures, parts: _Parts, strong: list[int]) -> list[int]:
    """Return the columns that are the production by where it went, two at least and in one unit; none for others."""
    called = figures.called
    flows = [at for at in figures.values if words.FLOW.search(called[at])]
    if len(flows) < 2 and not strong:
        used = [at for at in figures.values if words.USED_AT_ONCE.search(called[at])]
        stored = [at for at in figures.values if words.STORED.search(called[at]) and at not in used]
        flows = sorted({*used, *stored, *parts.export}) if used and parts.export else []
    flows = [at for at in flows if _alive(figures.values[at]) and "%" not in figures.texts[at]]
    alike = {(figures.kinds[at], unit_in(figures.texts[at])) for at in flows}
    return flows if len(flows) > 1 and len(alike) == 1 else []


def _is_never(figures: Figures, at: int) -> bool:
    """Say whether a column is weather, money, a battery's state or in a unit of these, whatever else there is."""
    text = figures.texts[at]
    bare = figures.preamble if unit_in(text) is None and len(figures.values) == 1 else ""
    return bool(
        words.NEVER_PRODUCTION.search(figures.called[at])
        or words.NEVER_UNIT.search(text)
        or words.NOT_OURS.search(text)
        or words.NEVER_UNIT.search(bare)
    )


def _pick(figures: Figures, candidates: list[int], undecided: list[int]) -> tuple[list[int], tuple[Question, ...]]:
    """Return the columns to add up, and the question where it takes a person to know."""
    names, values, kinds = figures.names, figures.values, figures.kinds
    chosen = candidates
    order = ("energy", "power", "register") if _coarse(figures, candidates) else ("energy", "register", "power")
    for kind in order:
        group = [at for at in candidates if kinds[at] == kind]
        if group:
            chosen = group
            break
    chosen = [at for at in chosen if _alive(values[at])] or chosen
    if len(candidates) > 1 and all(re.fullmatch(r"column \d+", names[at]) for at in candidates):
        return chosen[:1], _one_or_sum(figures, candidates, preferred=chosen[:1])[1]
    if len(chosen) > 1:
        return _one_or_sum(figures, chosen)
    # Another column in the same unit, of which the name says neither yes nor no, is not passed over in silence.
    unit = unit_in(figures.texts[chosen[0]])
    beside = [at for at in undecided if unit and unit_in(figures.texts[at]) == unit and at not in chosen]
    beside = [at for at in beside if _alive(values[at])]
    return chosen, _one_or_sum(figures, [*chosen, *beside], preferred=chosen)[1] if beside else ()


def _alive(values: Floats) -> bool:
    return bool(np.nansum(np.abs(values)) > 0)


def _looks_register(values: Floats) -> bool:
    """Say whether a column runs on like a meter's register, or like a counter that starts again each day."""
    known = values[~np.isnan(values)]
    moves = np.diff(known)
    up, down = int((moves > 0).sum()), int((moves < 0).sum())
    if up + down < FEWEST_MOVES:
        return False
    return min(up, down) <= TURNS * (up + down)


def kind_of_column(values: Floats, text: str, name: str) -> FigureKind:
    """Say what a column's figures are.

    Parameters
    ----------
    values
        Figures of the sample (n,), NaN where blank.
    text
        The column's name, unit and heading.
    name
        Its name and heading.

    Returns
    -------
    FigureKind
        "register" where the figures run on, "power" where unit or name say so, else "energy".

    Examples
    --------
    >>> kind_of_column(np.array([0.0, 1.2, 0.4]), "PV power (kW)", "PV power")
    'power'
    >>> kind_of_column(np.array([812.0, 813.2, 813.6, 815.0] * 20).cumsum(), "Meter (kWh)", "Meter")
    'register'
    """
    unit = unit_in(text)
    if _looks_register(values) and (unit is None or unit.endswith("h")):
        return "register"
    power = words.POWER_WORD.search(name) if unit is None else not unit.endswith("h")
    return "power" if power else "energy"


def _coarse(figures: Figures, candidates: list[int]) -> bool:
    """Say whether the register there is counts in steps too large to see the course of a day by."""
    for at in candidates:
        if figures.kinds[at] == "register":
            known = figures.values[at][~np.isnan(figures.values[at])]
            moves = np.diff(known)
            moves = moves[moves > 0]
            return len(moves) > 0 and float(moves.min()) > COARSE * float(np.percentile(moves, LARGE_MOVES))
    return False


def _balance(mapping: Mapping, figures: Figures, parts: _Parts, step: int) -> Settled:
    """Work the production out: what was used and what was sent, less what was bought."""
    names = figures.names
    used, sent, bought = parts.consumed[0], parts.export[0], parts.drawn[0]
    title = f"{names[used]} {names[sent]}"
    registers = _looks_register(figures.values[used]) and _looks_register(figures.values[sent])
    mapping = replace(
        mapping,
        value_columns=(names[used], names[sent]),
        minus_columns=(names[bought],),
        kind="register" if registers else "energy",
    )
    text = f"The file has no column of production. It is worked out as “{names[used]}” plus “{names[sent]}” less "
    notice = Notice("balance", f"{text}“{names[bought]}”.")
    mapping, asked = settle_kind_and_unit(mapping, f"{title} ¦ {figures.preamble}", title, figures.values[used], step)
    return Settled(mapping, asked, (notice,))


def _one_or_sum(
    figures: Figures, chosen: list[int], preferred: Sequence[int] = ()
) -> tuple[list[int], tuple[Question, ...]]:
    """Decide between a column of totals, the sum of all columns, and asking."""
    names = figures.names
    stack = {at: np.nan_to_num(figures.values[at]) for at in chosen}
    size = max(float(np.abs(column).sum()) for column in stack.values())
    for at in sorted(chosen, key=lambda a: -float(stack[a].sum())):
        others = np.sum([stack[o] for o in chosen if o != at], axis=0)
        # Two columns that agree are twins rather than a part and its total, unless a name says total.
        telling = len(chosen) > 2 or words.TOTAL.search(names[at])
        if telling and size and float(np.abs(stack[at] - others).sum()) < SUM_APART * size:
            return [at], ()
    stems = {words.NUMBERING.sub("", words.SIDES.sub("", names[at].lower())) for at in chosen}
    years = [int(year[0]) for at in chosen if (year := re.search(r"\b(?:19|20)\d\d\b", names[at]))]
    if len(set(years)) > 1:  # this year beside the last: no inverters
        latest = names[chosen[int(np.argmax(years))]] if len(years) == len(chosen) else ""
        return chosen, (columns_question({names[at]: figures.called[at] for at in chosen}, latest),)
    if len(stems) == 1 and stems != {"column"}:
        return chosen, ()
    totals = list(preferred) or [at for at in chosen if words.TOTAL.search(names[at])]
    first = names[totals[0]] if len(totals) == 1 else ""
    return totals if first else chosen, (columns_question({names[at]: figures.called[at] for at in chosen}, first),)


def settle_kind_and_unit(
    mapping: Mapping, text: str, title: str, values: Floats, step: int, *, columns_asked: bool = False
) -> tuple[Mapping, tuple[Question, ...]]:
    """Settle kind and unit by what the header says, else by what a roof can deliver.

    Parameters
    ----------
    mapping
        What is known of the file so far.
    text
        All that may name the unit.
    title
        The names of the columns alone.
    values
        Their figures (n,), NaN where blank.
    step
        Seconds between neighbouring readings.
    columns_asked
        Whether the columns themselves are in doubt: what one shows says nothing of another's kind and unit.

    Returns
    -------
    mapping : Mapping
        The mapping with kind and unit.
    asked : tuple of Question
        What neither header nor figures tell.
    """
    unit, kind = unit_in(text), mapping.kind
    asked: list[Question] = []
    if unit is not None and not unit.endswith("h"):
        kind = "power"
    elif unit is not None and kind == "power":
        kind = "energy"
    elif (
        unit is None
        and kind == "energy"
        and not words.ENERGY_WORD.search(title)
        and (step < 3600 or columns_asked or not words.PRODUCTION.search(text))
    ):
        if words.POWER_WORD.search(title):
            kind = "power"
        elif mapping.layout == "tall" or not words.ENERGY_WORD.search(text):
            asked.append(kind_question("" if mapping.layout == "wide" else title))
    if unit is None:
        unit, certain = _unit_by_size(kind, values, step)
        if not certain or columns_asked:
            asked.append(unit_question(kind, unit))
    return replace(mapping, kind=kind, unit=unit), tuple(asked)


def _unit_by_size(kind: FigureKind, values: Floats, step: int) -> tuple[Unit, bool]:
    """Return the unit under which the plant's peak is that of a roof, and whether it is the only one."""
    figures = values[~np.isnan(values)]
    if kind == "register":
        figures = np.diff(figures)
    figures = np.abs(figures)
    figures = figures[figures > 0]
    if not len(figures):
        return ("W" if kind == "power" else "kWh"), False
    # A daily total is a peak held for some hours.
    hours = 1.0 if kind == "power" else step / 3600 if step < NEARLY_A_DAY_S else PEAK_HOURS
    peak = float(np.percentile(figures, LARGE_PERCENTILE)) / hours
    units: tuple[Unit, ...] = ("W", "kW", "MW") if kind == "power" else ("Wh", "kWh", "MWh")
    least, most = ROOF_W
    fits = [unit for unit in units if least <= peak * WH_PER[unit] <= most]
    if len(fits) == 1:
        return fits[0], True
    if not fits:
        return units[0] if peak > most else units[1], False
    return min(fits, key=lambda unit: abs(np.log10(peak * WH_PER[unit]) - USUAL_LOG_W)), False
