"""Each threshold of `pv`, `readers` and `actions` says what it is, in what unit, and where it comes from."""

import ast
import re
from collections.abc import Iterator

import pytest

from tests.house import files, functions, hold, text, tree

KNOWN: dict[str, str] = {}

PLAIN = {0.0, 0.5, 1.0, 2.0, 10.0, 24.0, 60.0, 100.0, 1000.0, 3600.0}
"""Figures that need no name: halves, percent, powers of ten, units of time."""
GUARD = 1e-4
"""Figures up to this size keep a division from zero, and decide nothing."""
FEW = 4
"""Whole numbers up to this are how many there are of something at hand, or a place in a row."""
CALENDAR = {12, 23, 24, 25, 48, 50, 59, 60, 96, 99, 100, 366, 1440, 3600, 86_400}
"""Parts of hours, days and years; the years of a century."""
LAYOUTS = {
    "portal/readers/dates.py": "digits of a date and of a time",
    "portal/readers/rain.py": "columns of GHCN-Daily's layout, which its docstring cites",
    "portal/readers/delimited.py::size_text": "thousands of bytes, and millions",
    "portal/readers/sheet.py::cell_text": "digits up to which a float is exact (IEEE 754)",
    "portal/readers/source.py::kind_of_bytes": "the head of a program's file (Microsoft's PE format)",
}
FORMULAS = {
    "portal/pv/sun.py::sun_position": "coefficients of the published algorithm that its docstring cites",
    "portal/pv/sun.py::_suns": "standard air and refraction, which the published algorithm asks for",
    "portal/pv/expected.py::climatological_temperature": "coefficients of the formula that its docstring writes out",
}

UNIT = re.compile(
    r"\[[^\]]+\]|%|°|\b(years?|months?|days?|hours?|minutes?|seconds?|k?Wh?|[kM]?bytes|MB|kB|km|mm|metres|degrees"
    r"|share|fraction|ratio|chance|probability|correlation|log|standard deviations?|logs?|rows?|columns?|lines?"
    r"|characters?|letters|digits|bits|pixels|cells|files?|readings?|intervals?|times|rounds|steps|roofs|sites|points?|futures"
    r"|likelihood|loss|efficiency|addresses|notices|mails|invoices|photos|entries|tries|ranks)\b",
    re.I,
)
NAMED_UNIT = re.compile(r"_(S|SECONDS|MINUTES|HOURS?|DAYS|BYTES|PIXELS|DEGREES|KMH)$")
SOURCE = re.compile(
    r"doi:|https?://|common practice|no source|from memory|tuned|measured|reckoned|by definition|\bexact"
    r"|\b(ISO|IEC|IEEE|ASTM|EN|RFC|WMO|IUGG|PVWatts|Meeus|NEM12|ESPI|EPC069|TIFF|NIST|Unicode)\b"
    r"|\b(19|20)\d\d[a-z]?\b",
    re.I,
)


def test_every_threshold_says_its_unit_and_its_source() -> None:
    found = {}
    for path in files("portal/pv", "portal/readers", "portal/actions"):
        for name, value, said in _thresholds(path):
            faults = [] if UNIT.search(said) or _names_its_unit(name, value) else ["names no unit"]
            faults += [] if SOURCE.search(said) else ["names no source"]
            if faults:
                found[f"{path}::{name}"] = ", ".join(faults) if said else "says nothing"
    hold(
        "A threshold of pv, readers or actions says in a docstring below it (or a comment above or beside it) what it "
        'is, its unit and its source: a DOI or standard, "common practice, no source", "from memory", "tuned on ...".',
        found,
        KNOWN,
        "tests/house/test_thresholds.py",
    )


def test_a_figure_inside_a_function_has_a_name_above_it() -> None:
    found: dict[str, str] = {}
    for path in files("portal/pv", "portal/readers"):
        for name, function in functions(tree(path)):
            bare = _bare(function)
            if bare:
                found[f"{path}::{name}"] = ", ".join(map(str, bare))
    hold(
        "Name each figure of pv and readers above the functions, with its unit and its source.",
        found,
        FORMULAS,
        "tests/house/test_thresholds.py",
    )


def _bare(function: ast.AST) -> list[float]:
    values = (node.value for node in ast.walk(function) if isinstance(node, ast.Constant))
    return [value for value in values if isinstance(value, float) and value not in PLAIN and value > GUARD]


def test_a_whole_number_that_a_reader_compares_with_has_a_name_above_it() -> None:
    found: dict[str, str] = {}
    for path in files("portal/readers"):
        for name, function in functions(tree(path)):
            bare = _compared(function)
            if bare and not {path, f"{path}::{name}"} & LAYOUTS.keys():
                found[f"{path}::{name}"] = ", ".join(map(str, bare))
    hold(
        "Name each number that decides in a reader above the functions, with its unit and its source.",
        found,
        {},
        "tests/house/test_thresholds.py",
    )


def _compared(function: ast.AST) -> list[int]:
    sides = [side for node in ast.walk(function) if isinstance(node, ast.Compare) for side in ast.walk(node)]
    return [
        side.value
        for side in sides
        if isinstance(side, ast.Constant)
        and type(side.value) is int
        and side.value > FEW
        and side.value not in CALENDAR
    ]


def test_a_number_without_a_name_would_be_found() -> None:
    assert _compared(ast.parse("def f(x):\n    return x[7:] if len(x) < 20 else max(x) > max(51, x[0])")) == [20, 51]


def test_a_figure_without_a_name_would_be_found() -> None:
    assert _bare(ast.parse("def f(x):\n    return max(x / 2.0, 1e-9) > 0.15 * x")) == [0.15]


def _names_its_unit(name: str, value: ast.expr) -> bool:
    """Whether a time is built of its days or minutes, or the name ends in a unit."""
    return ast.unparse(value).startswith("timedelta(") or bool(NAMED_UNIT.search(name))


def _thresholds(path: str) -> Iterator[tuple[str, ast.expr, str]]:
    """Figures at the top of a module with what is said of them.

    A docstring or a comment speaks for the lines that stand with it, without a blank line between.
    """
    body = tree(path).body
    lines = text(path).splitlines()
    for at, node in enumerate(body):
        name, value = _assigned(node)
        if value is None or not _is_figure(value):
            continue
        first, last = node.lineno, node.end_lineno or node.lineno
        said = [line.partition("#")[2] for line in lines[first - 1 : last]]
        above = first - 1
        while above and lines[above - 1].startswith("#"):
            said.append(lines[above - 1])
            above -= 1
        for after in body[at + 1 :]:
            if any(not line.strip() for line in lines[last : after.lineno - 1]):
                break
            last = after.end_lineno or after.lineno
            if isinstance(after, ast.Expr) and isinstance(after.value, ast.Constant):
                said.append(str(after.value.value))
                break
            if _assigned(after)[1] is None:
                break
        yield name, value, " ".join(" ".join(said).split())


def _assigned(node: ast.stmt) -> tuple[str, ast.expr | None]:
    if isinstance(node, ast.Assign) and len(node.targets) == 1 and isinstance(node.targets[0], ast.Name):
        return node.targets[0].id, node.value
    if isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name):
        return node.target.id, node.value
    return "", None


def _is_figure(value: ast.expr) -> bool:
    """Whether it is made of figures alone, itself or in a tuple, an array or a timedelta."""
    if isinstance(value, ast.Constant):
        return isinstance(value.value, int | float) and not isinstance(value.value, bool)
    if isinstance(value, ast.UnaryOp):
        return _is_figure(value.operand)
    if isinstance(value, ast.BinOp):
        return _is_figure(value.left) and _is_figure(value.right)
    if isinstance(value, ast.Tuple | ast.List):
        return bool(value.elts) and all(_is_figure(each) for each in value.elts)
    if isinstance(value, ast.Call):
        given = [*value.args, *(each.value for each in value.keywords)]
        return ast.unparse(value.func) in ("np.array", "timedelta") and all(_is_figure(each) for each in given)
    return False


@pytest.mark.parametrize(
    ("code", "figure"),
    [
        ("0.5", True),
        ("-1 / 90", True),
        ("np.array([0.1, 0.2])", True),
        ("'x'", False),
        ("True", False),
        ("f(1)", False),
    ],
)
def test_a_figure_is_told_from_other_values(code: str, figure: bool) -> None:
    assert _is_figure(ast.parse(code, mode="eval").body) is figure
