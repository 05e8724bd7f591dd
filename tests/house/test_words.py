"""`pv` computes and says nothing: reasons are values there, and the words for them stand where a person reads them."""

import ast
import re
from collections.abc import Iterator

from tests.house import files, hold, tree

KNOWN: dict[str, str] = {
    "portal/pv/daily.py::inverter off or snow on the modules": "line 43",
    "portal/pv/daily.py::meter changed units this day": "line 46",
    "portal/pv/daily.py::readings missing by day": "line 42",
    "portal/pv/daily.py::sun too low": "line 47",
    "portal/pv/due.py::The panels make almost nothing now. A wa": "line 522",
    "portal/pv/due.py::The readings give no estimate of the los": "line 609",
    "portal/pv/due.py::The value of a day's output is not known": "line 613",
    "portal/pv/due.py::Whether it pays in money is not known.": "line 588",
    "portal/pv/quality.py::The meter's clock ran wrong by an hour o": "line 333",
    "portal/pv/result.py::not enough data": "line 26",
    "portal/pv/verdict.py::Have an electrician check string fuses, ": "line 71",
    "portal/pv/verdict.py::It fell from one day to the next. Dirt d": "line 70",
    "portal/pv/verdict.py::Look at the inverter's display, the AC b": "line 50",
    "portal/pv/verdict.py::Look for a tree, chimney or new building": "line 84",
    "portal/pv/verdict.py::Nobody should climb a snowy roof. If pro": "line 40",
    "portal/pv/verdict.py::The modules are clean enough.": "line 115",
    "portal/pv/verdict.py::There are no readings yet.": "line 55",
    "portal/pv/verdict.py::There is too little to tell a fault from": "line 111",
    "portal/pv/verdict.py::There may well be dirt, but this is too ": "line 122",
    "portal/pv/verdict.py::There was no clear day in the last six w": "line 91",
    "portal/pv/verdict.py::This is too small or too unsure to call ": "line 126",
}

FEWEST_WORDS = 3
"""So many words in a row are meant for a person; a column or a unit has fewer. Common practice, no source."""


def test_pv_holds_no_sentence_for_people() -> None:
    found = {
        f"{path}::{string[:40]}": f"line {line}"
        for path in files("portal/pv")
        for line, string in _strings(tree(path))
        if len(re.findall(r"(?<!\S)[A-Za-z][a-z'’]*[.,:;]?(?!\S)", string)) >= FEWEST_WORDS
    }
    hold(
        "pv gives reasons as values (an enumeration, or a frozen dataclass with its figures); words belong to actions.",
        found,
        KNOWN,
        "tests/house/test_words.py",
    )


def _strings(module: ast.Module) -> Iterator[tuple[int, str]]:
    """String constants, but for documentation and for what an exception says to who calls us wrongly."""
    silent: set[int] = set()
    for node in ast.walk(module):
        if (isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)) or isinstance(node, ast.Raise):
            silent.update(id(inner) for inner in ast.walk(node))
        elif isinstance(node, ast.JoinedStr):
            silent.update(id(inner) for inner in ast.walk(node))
            parts = [each.value if isinstance(each, ast.Constant) else "0" for each in node.values]
            if id(node) not in silent:
                yield node.lineno, "".join(str(part) for part in parts)
    for node in ast.walk(module):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in silent:
            yield node.lineno, node.value
