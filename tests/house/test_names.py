"""No public name that only tests use: what nothing calls, reads or shows is not kept. And one name, one meaning."""

import ast
import enum
import importlib
import re
from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from django.db import models

from tests.house import PRODUCT, Function, files, hold, text, tree

KNOWN: dict[str, str] = {
    "fixtures/history.py::History.made_wh": "the planted truth before the meter; tests compare readings with it",
}

REGISTER = re.compile(r"^(api|app|register|admin|receiver|shared_task|pytest)\b|\.(connect|register)$")
"""A decorator of this name hands the function to a framework, which calls it."""
QUERIES = {"Q", "filter", "exclude", "get", "get_object_or_404", "CheckConstraint", "UniqueConstraint"}
"""Calls that read the columns which their keywords name; elsewhere a keyword only sets what it names."""
HOOK = re.compile(r"^(clean|resolve)_\w+|EMAIL_FIELD|USERNAME_FIELD|create_superuser$")
"""What Django's forms and log-in and the API's schemas ask a class for by name."""
CALLED_BY_NAME = {
    "deploy/gunicorn_conf.py": "gunicorn reads it",
    "deploy/lines_run.py": "pytest finds its hook",
    "portal/apps.py": "Django finds it",
    "portal/settings.py": "Django and its apps read it",
    "portal/urls.py": "Django reads it",
    "portal/wsgi.py": "gunicorn finds it",
}
"""Files of which a framework knows what it wants from them."""

ALIKE = {
    "Command": "Django finds it by this name, one in each file",
    "log": "where a file writes what happened",
    "register": "where a file enrols its tags with Django's templates",
    "Plane": "the row that keeps a roof plane, and the plane as computation takes it",
    "next_step": "the filter with which a template says the sentence of that name",
    **dict.fromkeys(
        ("WIDTH", "HEIGHT", "LEFT", "RIGHT", "TOP", "BOTTOM", "FOOT", "MARGIN"),
        "sizes and edges of the file's own picture",
    ),
}
"""Names that stand in several files and mean the same in each."""


@dataclass(frozen=True)
class Defined:
    """A public name and where it is made; ``within`` is the class around it, if there is one."""

    path: str
    name: str
    node: ast.stmt
    within: str = ""

    @property
    def place(self) -> str:
        return f"{self.path}::{self.within + '.' if self.within else ''}{self.name}"


def test_no_public_name_is_used_by_tests_only() -> None:
    used = set(_used())
    found = {
        one.place: "nothing outside the tests uses it"
        for one in _defined()
        if one.name not in used and one.path not in CALLED_BY_NAME and not _called_by_a_framework(one)
    }
    hold("A public name is used by the product, not only by tests.", found, KNOWN, "tests/house/test_names.py")


def test_a_public_name_has_one_meaning() -> None:
    found = {}
    for name, paths in _places_of(_defined("portal")).items():
        if len(paths) > 1:
            found[name] = ", ".join(sorted(paths))
    hold(
        "Two files of the portal give one name two meanings: call each by what it is, or join them.",
        found,
        ALIKE,
        "tests/house/test_names.py",
    )


def test_a_name_with_two_meanings_would_be_found() -> None:
    statement = ast.parse("LONGEST = 6").body[0]
    twice = [Defined("a.py", "LONGEST", statement), Defined("b.py", "LONGEST", statement)]
    assert _places_of([*twice, Defined("b.py", "of_a_class", statement, "Inner")]) == {"LONGEST": {"a.py", "b.py"}}


def _places_of(defined: Iterable[Defined]) -> dict[str, set[str]]:
    """The files in which each name of a module's top stands."""
    places: dict[str, set[str]] = defaultdict(set)
    for one in defined:
        if not one.within:
            places[one.name].add(one.path)
    return places


def _defined(*folders: str) -> Iterator[Defined]:
    for path in files(*(folders or PRODUCT)):
        for statement in tree(path).body:
            yield from (Defined(path, name, statement) for name in _names(statement))
            if isinstance(statement, ast.ClassDef) and not statement.name.startswith("_"):
                for inner in statement.body:
                    yield from (Defined(path, name, inner, statement.name) for name in _names(inner))


def _names(statement: ast.stmt) -> Iterator[str]:
    made: list[str] = []
    if isinstance(statement, Function | ast.ClassDef):
        made = [statement.name]
    elif isinstance(statement, ast.AnnAssign) and isinstance(statement.target, ast.Name):
        made = [statement.target.id]
    elif isinstance(statement, ast.Assign):
        made = [name.id for target in statement.targets for name in ast.walk(target) if isinstance(name, ast.Name)]
    yield from (name for name in made if not name.startswith("_"))


def _used() -> Iterator[str]:
    """Every word with which the product may mean something that is defined elsewhere."""
    for path in files(*PRODUCT):
        documentation = set(_documentation(tree(path)))
        for node in ast.walk(tree(path)):
            if isinstance(node, ast.Name | ast.Attribute) and isinstance(node.ctx, ast.Load):
                yield node.id if isinstance(node, ast.Name) else node.attr
            elif isinstance(node, ast.alias) and node.asname and node.asname != node.name:
                yield node.name
            elif isinstance(node, ast.Call) and ast.unparse(node.func).rsplit(".", 1)[-1] in QUERIES:
                yield from (word for each in node.keywords if each.arg for word in each.arg.split("__"))
            elif isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in documentation:
                yield from _words_of(node.value)
            elif isinstance(node, ast.FunctionDef) and node.name.startswith("resolve_"):
                yield node.name.removeprefix("resolve_")  # the API's schema hands it out
            elif isinstance(node, ast.MatchClass):
                yield from node.kwd_attrs
    for path in files("portal", suffixes=(".html", ".txt")):
        for code in re.findall(r"\{[{%](.*?)[%}]\}", text(path), re.S):
            yield from re.findall(r"\w+", code)
    for path in (
        *files("deploy", suffixes=("run", "test", "check", ".service", ".conf")),
        "pyproject.toml",
        "manage.py",
    ):
        yield from re.findall(r"\w+", text(path))


def _documentation(module: ast.Module) -> Iterator[int]:
    """Strings that stand alone, and the list of what a package shows: they use nothing."""
    for node in ast.walk(module):
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
            yield id(node.value)
        elif isinstance(node, ast.Assign) and any(isinstance(t, ast.Name) and t.id == "__all__" for t in node.targets):
            yield from (id(inner) for inner in ast.walk(node.value))


def _words_of(string: str) -> Iterator[str]:
    """Columns of a query, names of tasks, attributes asked for by name; a sentence names nothing."""
    if not re.search(r"\s", string):
        for word in re.findall(r"\w+", string):
            yield word
            yield from word.split("__")


def _called_by_a_framework(one: Defined) -> bool:
    decorators = getattr(one.node, "decorator_list", [])
    names = [ast.unparse(each.func if isinstance(each, ast.Call) else each) for each in decorators]
    if any(REGISTER.search(name) for name in names):
        return True
    if not one.within:
        return one.name == "Command" and "/management/commands/" in one.path
    if HOOK.match(one.name):
        return True
    module = importlib.import_module(one.path.removesuffix(".py").replace("/", "."))
    around = getattr(module, one.within)
    if issubclass(around, enum.Enum) and isinstance(one.node, ast.Assign):
        return True  # chosen on a page, or read from a row
    if one.name == "objects" and issubclass(around, models.Model):
        return True
    return any(hasattr(base, one.name) or one.name in _declared(base) for base in around.__mro__[1:])


def _declared(base: type) -> dict[str, object]:
    return getattr(base, "__annotations__", {})
