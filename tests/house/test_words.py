"""`pv` computes and says nothing: reasons are values there, and the words for them stand where a person reads them."""

import ast
import re
from collections.abc import Iterator

from tests.house import files, hold, tree

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
        "pv says codes with their figures (portal/pv/said.py); their sentences stand in portal/words.",
        found,
        {},
        "tests/house/test_words.py",
    )


def _strings(module: ast.Module) -> Iterator[tuple[int, str]]:
    """String constants, but for documentation, what an exception says to who calls us wrongly, and an enumeration's
    values in lower case, which are codes."""
    silent: set[int] = set()
    for node in ast.walk(module):
        if isinstance(node, ast.ClassDef) and any(getattr(base, "id", "") == "StrEnum" for base in node.bases):
            values = (each.value for each in node.body if isinstance(each, ast.Assign))
            silent.update(id(value) for value in values if re.fullmatch(r"[a-z ]+", str(getattr(value, "value", ""))))
        elif (isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)) or isinstance(node, ast.Raise):
            silent.update(id(inner) for inner in ast.walk(node))
        elif isinstance(node, ast.JoinedStr):
            silent.update(id(inner) for inner in ast.walk(node))
            parts = [each.value if isinstance(each, ast.Constant) else "0" for each in node.values]
            if id(node) not in silent:
                yield node.lineno, "".join(str(part) for part in parts)
    for node in ast.walk(module):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in silent:
            yield node.lineno, node.value
