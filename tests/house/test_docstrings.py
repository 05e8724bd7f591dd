"""Every public function of `pv` and `readers` says in numpydoc what it takes, gives and raises."""

import ast
import importlib
from collections.abc import Iterator

import numpydoc.validate

from tests.house import Function, files, hold, tree

FOLDERS = ("portal/pv", "portal/readers")

KNOWN: dict[str, str] = {
    "portal/pv/air.py::companions": "does not say what it returns",
    "portal/pv/air.py::exposure": "leaves parameters out, does not say what it returns",
    "portal/pv/air.py::shared_air": "does not say what it returns",
    "portal/pv/days.py::day_starts": "leaves parameters out, does not say what it returns",
    "portal/pv/diagnosis.py::find_shade": "leaves parameters out, does not say what it returns",
    "portal/pv/diagnosis.py::find_steps": "does not say what it returns",
    "portal/pv/diagnosis.py::is_freezing": "leaves parameters out, does not say what it returns",
    "portal/pv/diagnosis.py::off_since": "leaves parameters out, does not say what it returns",
    "portal/pv/expected.py::clear_sky": "leaves parameters out, does not say what it returns",
    "portal/pv/expected.py::climatological_temperature": "leaves parameters out, does not say what it returns",
    "portal/pv/expected.py::expected_energy": "leaves a parameter without description, does not say what it returns",
    "portal/pv/expected.py::expected_intervals": "leaves a parameter without description, does not say what it returns",
    "portal/pv/expected.py::inverter_ac": "leaves parameters out, does not say what it returns",
    "portal/pv/expected.py::plane_dc": "leaves parameters out, does not say what it returns",
    "portal/pv/expected.py::sun_position": "does not say what it returns",
    "portal/pv/performance.py::final_yield": "leaves parameters out, does not say what it returns",
    "portal/pv/performance.py::new_index": "leaves parameters out, does not say what it returns",
    "portal/pv/performance.py::performance_index": "leaves parameters out, does not say what it returns",
    "portal/pv/performance.py::performance_ratio": "leaves parameters out, does not say what it returns",
    "portal/pv/performance.py::reference_yield": "leaves parameters out, does not say what it returns",
    "portal/pv/quality.py::Daily.dates": "does not say what it returns",
    "portal/pv/quality.py::block_for": "leaves parameters out, does not say what it returns",
    "portal/pv/quality.py::clear_intervals": "as found",
    "portal/pv/quality.py::clock_shift": "leaves parameters out, does not say what it returns",
    "portal/pv/quality.py::daily": "leaves a parameter without description, does not say what it returns",
    "portal/pv/quality.py::haze_slope": "leaves parameters out",
    "portal/pv/quality.py::join_intervals": "leaves parameters out, does not say what it returns",
    "portal/pv/quality.py::level_ahead": "leaves parameters out, does not say what it returns",
    "portal/pv/quality.py::low_sun": "leaves parameters out",
    "portal/pv/quality.py::mark_stuck": "leaves parameters out, does not say what it returns",
    "portal/pv/quality.py::mend_units": "leaves parameters out, does not describe what it returns",
    "portal/pv/quality.py::meter_quantum": "leaves parameters out, does not say what it returns",
    "portal/pv/quality.py::new_days": "as found",
    "portal/pv/quality.py::reduce_days": "leaves parameters out, does not say what it returns",
    "portal/pv/quality.py::standard_offset": "leaves parameters out, does not say what it returns",
    "portal/pv/quality.py::to_grid": "as found",
    "portal/pv/shaded_hours.py::hours_that_look_shaded": "leaves a parameter without description",
    "portal/pv/town.py::kilometres": "leaves parameters out, does not say what it returns",
    "portal/pv/town.py::towns": "leaves parameters out, does not say what it returns",
    "portal/readers/checks.py::check_energies": "has no docstring, does not say that it raises ReadError",
    "portal/readers/checks.py::look_at_shape": "leaves parameters out",
    "portal/readers/checks.py::tell_all": "has no docstring",
    "portal/readers/clock.py::Clock.to_utc": "as found",
    "portal/readers/clock.py::changes": "leaves parameters out, does not say what it returns",
    "portal/readers/clock.py::standard_offsets": "leaves parameters out, does not say what it returns",
    "portal/readers/clock.py::utc_datetime": "leaves parameters out, does not say what it returns",
    "portal/readers/clock_shown.py::better_clock": "leaves parameters out, does not say what it returns",
    "portal/readers/clock_shown.py::set_lone_stamps_aside": "leaves parameters out",
    "portal/readers/clock_shown.py::settle_label": "has no docstring",
    "portal/readers/clock_shown.py::utc_starts": "leaves parameters out, does not say what it returns",
    "portal/readers/dates.py::kind_of": "leaves parameters out, does not say what it returns",
    "portal/readers/dates.py::read_date_parts": "leaves parameters out, does not say what it returns",
    "portal/readers/dates.py::read_time": "leaves parameters out, does not say what it returns",
    "portal/readers/dates.py::split_stamp": "leaves parameters out, does not say what it returns",
    "portal/readers/dates.py::to_day_number": "leaves parameters out, does not say what it returns",
    "portal/readers/delimited.py::cell_reader": "leaves parameters out, does not say what it returns",
    "portal/readers/delimited.py::look_over": "as found",
    "portal/readers/delimited.py::open_text": "leaves parameters out, does not say what it returns",
    "portal/readers/delimited.py::read_chunks": "as found",
    "portal/readers/delimited.py::size_text": "leaves parameters out, does not say what it returns",
    "portal/readers/delimited.py::undress": "leaves parameters out, does not say what it returns",
    "portal/readers/delimiter.py::sniff_delimiter": "as found",
    "portal/readers/doubts.py::Doubts.reject": "leaves parameters out",
    "portal/readers/doubts.py::Doubts.tell": "has no docstring",
    "portal/readers/figures.py::guess_style": "leaves parameters out, does not say what it returns",
    "portal/readers/figures.py::is_figure": "leaves parameters out, does not say what it returns",
    "portal/readers/figures.py::read_cell": "leaves parameters out, does not say what it returns",
    "portal/readers/figures.py::read_column": "leaves parameters out, does not say what it returns",
    "portal/readers/figures.py::style_by_unit": "leaves parameters out, does not say what it returns",
    "portal/readers/intervals.py::clock_changes": "leaves parameters out, does not say what it returns",
    "portal/readers/intervals.py::daily": "leaves parameters out, does not say what it returns",
    "portal/readers/intervals.py::local_lengths": "leaves parameters out, does not say what it returns",
    "portal/readers/intervals.py::on_grid": "as found",
    "portal/readers/intervals.py::out_minutes": "leaves parameters out, does not say what it returns",
    "portal/readers/load.py::load": "as found",
    "portal/readers/lumps.py::catch_up_lumps": "leaves parameters out",
    "portal/readers/lumps.py::follows_gap_at": "leaves parameters out, does not say what it returns",
    "portal/readers/lumps.py::lump_pieces": "leaves parameters out",
    "portal/readers/lumps.py::set_lumps": "leaves parameters out",
    "portal/readers/mapping.py::Mapping.answered": "as found",
    "portal/readers/mapping.py::Mapping.from_json": "leaves parameters out",
    "portal/readers/mapping.py::Mapping.to_json": "does not say what it returns",
    "portal/readers/meters.py::pick_meter": "has no docstring",
    "portal/readers/meters.py::pick_series": "has no docstring",
    "portal/readers/plausible.py::blank_stand_ins": "leaves parameters out, does not say what it returns",
    "portal/readers/plausible.py::clock_shift": "leaves parameters out, does not say what it returns",
    "portal/readers/plausible.py::day_shape": "leaves parameters out, does not say what it returns",
    "portal/readers/plausible.py::fill_nights": "leaves parameters out, does not say what it returns",
    "portal/readers/plausible.py::gaps": "leaves parameters out, does not say what it returns",
    "portal/readers/plausible.py::impossible": "leaves parameters out, does not say what it returns",
    "portal/readers/plausible.py::local_seconds": "leaves parameters out, does not say what it returns",
    "portal/readers/plausible.py::mend_negatives": "leaves parameters out, does not say what it returns",
    "portal/readers/plausible.py::unit_jump": "leaves parameters out, does not say what it returns",
    "portal/readers/rain.py::read_rain": "leaves parameters out, does not say what it returns",
    "portal/readers/register.py::bridge": "leaves parameters out",
    "portal/readers/register.py::from_registers": "has no docstring, does not say that it raises ReadError",
    "portal/readers/register.py::register_to_energy": "leaves parameters out, does not say what it returns",
    "portal/readers/rows.py::Reader.finish": "has no docstring",
    "portal/readers/rows.py::Reader.start": "has no docstring",
    "portal/readers/rows.py::Reader.take": "has no docstring",
    "portal/readers/rows.py::Tall.finish": "has no docstring",
    "portal/readers/rows.py::Tall.take": "has no docstring",
    "portal/readers/series.py::as_series": "leaves parameters out, does not say what it returns",
    "portal/readers/series.py::common_step": "leaves parameters out, does not say what it returns",
    "portal/readers/series.py::to_starts": "leaves parameters out, does not say what it returns",
    "portal/readers/series.py::to_wh": "leaves parameters out, does not say what it returns",
    "portal/readers/sheet.py::cell_text": "leaves parameters out, does not say what it returns",
    "portal/readers/sheet.py::refuse_doctype": "leaves parameters out, does not say that it raises ReadError",
    "portal/readers/sheet.py::to_text": "as found",
    "portal/readers/source.py::damaged": "has no docstring",
    "portal/readers/source.py::kind_of_bytes": "as found",
    "portal/readers/source.py::opened": "as found",
    "portal/readers/source.py::xml_events": "leaves parameters out, does not say what it returns",
    "portal/readers/stamps.py::StampColumn.add": "leaves parameters out",
    "portal/readers/stamps.py::StampColumn.add_split": "leaves parameters out",
    "portal/readers/stamps.py::StampColumn.distinct_dates": "has no docstring",
    "portal/readers/stamps.py::StampColumn.finish": "leaves parameters out, does not say what it returns",
    "portal/readers/stamps.py::decide_order": "leaves parameters out, does not say what it returns",
    "portal/readers/table.py::Loaded.keep": "leaves parameters out",
    "portal/readers/table.py::column_names": "leaves parameters out, does not say what it returns",
    "portal/readers/table.py::find_header": "as found",
    "portal/readers/table.py::has_columns": "leaves parameters out, does not say what it returns",
    "portal/readers/table.py::look": "leaves parameters out, does not say what it returns",
    "portal/readers/table.py::sum_columns": "leaves parameters out, does not say what it returns",
    "portal/readers/table.py::too_wide": "has no docstring",
    "portal/readers/time_columns.py::at_midnight": "has no docstring",
    "portal/readers/time_columns.py::filled_down": "leaves parameters out, does not say what it returns",
    "portal/readers/time_columns.py::find_time_columns": "has no docstring",
    "portal/readers/time_columns.py::is_data": "has no docstring",
    "portal/readers/time_columns.py::serial_column": "has no docstring",
    "portal/readers/time_columns.py::stamped_rows": "leaves parameters out, does not say what it returns",
    "portal/readers/wide.py::Wide.finish": "has no docstring",
    "portal/readers/wide.py::Wide.start": "has no docstring",
    "portal/readers/wide.py::Wide.take": "has no docstring",
    "portal/readers/wide.py::column_count": "leaves parameters out, does not say what it returns",
    "portal/readers/wide.py::column_time": "leaves parameters out, does not say what it returns",
    "portal/readers/wide.py::interval_columns": "as found",
    "portal/readers/words.py::unit_in": "leaves parameters out, does not say what it returns",
}

ASKED = {
    "GL08": "has no docstring",
    "PR01": "leaves parameters out",
    "PR02": "documents parameters it does not take",
    "PR03": "documents its parameters in another order",
    "PR07": "leaves a parameter without description",
    "RT01": "does not say what it returns",
    "RT03": "does not describe what it returns",
    "YD01": "does not say what it yields",
}
"""Codes of numpydoc's validation (numpydoc.readthedocs.io, "Validation") that are asked of every public function."""


def _public(path: str) -> Iterator[tuple[str, Function | ast.ClassDef]]:
    for node in tree(path).body:
        if isinstance(node, Function | ast.ClassDef) and not node.name.startswith("_"):
            yield node.name, node
            if isinstance(node, ast.ClassDef):
                for inner in node.body:
                    if isinstance(inner, Function) and not inner.name.startswith("_"):
                        yield f"{node.name}.{inner.name}", inner


def test_every_public_function_says_what_it_takes_gives_and_raises() -> None:
    found = {}
    for path in files(*FOLDERS):
        module = path.removesuffix(".py").replace("/", ".").removesuffix(".__init__")
        importlib.import_module(module)
        for name, node in _public(path):
            said = numpydoc.validate.validate(f"{module}.{name}")
            codes = {code for code, _ in said["errors"]} & ASKED.keys()
            if isinstance(node, ast.ClassDef):
                codes &= {"GL08"}  # its fields are described where they are declared
            faults = [ASKED[code] for code in sorted(codes)]
            if isinstance(node, Function):
                documented = said["docstring"].partition("Raises\n")[2]
                faults += [f"does not say that it raises {each}" for each in _raised(node) if each not in documented]
            if faults:
                found[f"{path}::{name}"] = ", ".join(faults)
    hold(
        "Public functions of pv and readers have a numpydoc docstring: Parameters (shapes, [units]), Returns, Raises.",
        found,
        KNOWN,
        "tests/house/test_docstrings.py",
    )


def _raised(function: Function) -> list[str]:
    """Names of the exceptions that a function makes itself."""
    names = set()
    for node in ast.walk(function):
        if isinstance(node, ast.Raise) and isinstance(node.exc, ast.Call):
            names.add(ast.unparse(node.exc.func).rsplit(".", 1)[-1])
    return sorted(name for name in names if name[0].isupper())
