"""No circle of modules that import each other, and no import inside a function without its reason beside it."""

import ast
from collections.abc import Iterator

import grimp

from tests.house import PRODUCT, Function, files, functions, hold, text, tree

KNOWN: dict[str, str] = {}
KNOWN_LOCAL: dict[str, str] = {}


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
