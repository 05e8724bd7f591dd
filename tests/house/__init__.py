"""The page of the house: what every file, function and name keeps to, read from the source itself.

A rule may have a list of the places that do not keep to it yet, each with its reason. Such a list can only shrink: a
new violation fails, and so does a line of the list whose place is mended.
"""

import ast
import subprocess
from collections.abc import Iterator, Mapping
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent.parent
PRODUCT = ("portal", "workers", "fixtures", "deploy")

Function = ast.FunctionDef | ast.AsyncFunctionDef


def files(*folders: str, suffixes: tuple[str, ...] = (".py",)) -> Iterator[str]:
    """Paths, from the top, of source files; what Django writes by itself (migrations) is none of ours."""
    command = ["git", "ls-files", "--cached", "--others", "--exclude-standard", *folders]
    listed = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=True).stdout
    gone = [folder for folder in folders if not (ROOT / folder).exists()]
    assert not gone, f"a rule looks at what is not there: {gone}"
    for path in sorted(set(listed.splitlines())):
        if path.endswith(suffixes) and "/migrations/" not in path and (ROOT / path).exists():
            yield path


@cache
def text(path: str) -> str:
    return (ROOT / path).read_text("utf-8")


@cache
def tree(path: str) -> ast.Module:
    return ast.parse(text(path))


def functions(node: ast.AST, inside: str = "") -> Iterator[tuple[str, Function]]:
    """Every function under ``node`` with its dotted name, those in classes and in functions too."""
    for child in ast.iter_child_nodes(node):
        if isinstance(child, Function):
            yield inside + child.name, child
        if isinstance(child, Function | ast.ClassDef):
            yield from functions(child, f"{inside}{child.name}.")
        elif not isinstance(child, ast.expr):
            yield from functions(child, inside)


def hold(rule: str, found: Mapping[str, str], known: Mapping[str, str], listed_in: str) -> None:
    """Fail on what breaks the rule and is not listed, and on what is listed and keeps to it.

    Parameters
    ----------
    rule
        What to do, in one sentence.
    found
        Places that break it now, each with what was seen there.
    known
        Places that may still break it, each with the reason.
    listed_in
        The file that holds the list.
    """
    new = [f"  {place}: {found[place]}" for place in sorted(found.keys() - known.keys())]
    mended = [f"  {place}" for place in sorted(known.keys() - found.keys())]
    said = []
    if new:
        said += [f"{rule} Mend these; the list of exceptions only shrinks:", *new]
    if mended:
        said += [f"These are mended or gone: remove their lines from the list in {listed_in}:", *mended]
    if said:
        pytest.fail("\n".join(said), pytrace=False)
