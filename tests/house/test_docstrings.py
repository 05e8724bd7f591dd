"""Every public function of `pv` and `readers` says in numpydoc what it takes, gives and raises."""

import ast
import importlib
from collections.abc import Iterator

import numpydoc.validate

from tests.house import Function, files, hold, tree

FOLDERS = ("portal/pv", "portal/readers")

KNOWN: dict[str, str] = {}

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
