"""Every sentence that people read is marked, translated into each language, and used."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator

import pytest
from babel.messages import Message

from portal.models import Language
from portal.words.catalogues import (
    CATALOGUE,
    KEYWORDS,
    SOURCES,
    catalogues,
    read_catalogue,
    strings,
    up_to_date,
    written,
)
from tests.house import files, hold, text, tree

HERE = "tests/house/test_catalogues.py"
LANGUAGES = sorted(catalogues())
FORMAT = re.compile(r"(?:\\?[A-Za-z])(?:[ ,:.]*\\?[A-Za-z])*")
"""A date's format (``j F Y``) is one letter a part."""


def test_there_is_a_catalogue_of_each_language_but_english() -> None:
    assert set(LANGUAGES) == set(Language.values) - {"en"}


@pytest.mark.parametrize("language", LANGUAGES)
def test_the_catalogue_holds_what_the_source_marks_and_no_more(language: str) -> None:
    kept = (SOURCES / language / CATALOGUE).read_bytes()
    assert kept == written(up_to_date(language)), "Run manage.py words, translate what it lists, and commit."


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_sentence_is_translated_with_all_that_stands_in_it(language: str) -> None:
    found = {}
    for message in read_catalogue(language, SOURCES / language / CATALOGUE):
        if message.id and (wrong := _wrong(message)):
            found[str(message.id)[:70]] = wrong
    hold("Each sentence has its translation, with the same placeholders and markup.", found, {}, HERE)


def _wrong(message: Message) -> str:
    said = strings(message)
    sources = message.id if isinstance(message.id, tuple) else (str(message.id),) * len(said)
    if not all(said):
        return "not translated"
    if message.fuzzy:
        return "fuzzy"
    for source, string in zip(sources, said, strict=True):
        if _ends(source) != _ends(string):  # as when a translation slipped to the next sentence
            return f"the source ends in “{_ends(source)}”, the translation in “{_ends(string)}”"
        for part in (r"%\(\w+\)\w", r"(?<!{){\w+[^{}]*}", r"</?\w+"):
            if _parts(part, source) != _parts(part, string):
                return f"{_parts(part, source)} in the source, {_parts(part, string)} in the translation"
    return ""


def _ends(sentence: str) -> str:
    last = sentence.strip().rstrip('»”")')[-1:]
    return last if last in ".?!:" else ""


def _parts(pattern: str, sentence: str) -> list[str]:
    return sorted(re.findall(pattern, str(sentence)))


def test_no_sentence_is_marked_inside_an_f_string() -> None:
    """Before Python 3.12 a marked sentence there is not found (PEP 701), so nobody would translate it."""
    found = {}
    for path in files("portal", "workers"):
        for f_string in (node for node in ast.walk(tree(path)) if isinstance(node, ast.JoinedStr)):
            for node in ast.walk(f_string):
                if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in KEYWORDS:
                    found[f"{path}:{node.lineno}"] = ast.unparse(node)
    hold("Mark the sentence outside of the f-string.", found, {}, HERE)


# ---- templates

SPOKEN_ATTRIBUTES = ("aria-label", "alt", "title", "placeholder", "data-label", "data-title")
NO_WORDS = {
    "kWh",
    "kW",
    "Wh",
    "ppm",
    "min",
    "km",
    "mm",
    "Rinsemark",
    "UTC",
    "kB",
    "MB",
    "nbsp",
    "amp",
    "times",
    "middot",
}
"""Units, our name, and the names of characters: alike in every language."""
TEMPLATES: dict[str, str] = {
    "portal/templates/design.html": "shown to who changes the pages alone, in English as the code is",
}
"""Templates with sentences that are not marked yet, each with the reason."""
BY_LANGUAGE = (
    "portal/templates/mail/en/",
    "portal/templates/mail/es/",
    "portal/templates/account/email/invitation.",
    "portal/templates/account/email/join.",
)
"""Whole mails that stand there once for each language."""


def test_templates_hold_no_sentence_outside_the_catalogues() -> None:
    found = {}
    for path in files("portal/templates", suffixes=(".html", ".txt")):
        left = [] if path.startswith(BY_LANGUAGE) else list(_unmarked(text(path)))
        if left:
            found[path] = f"{len(left)}, such as “{left[0][:60]}”"
    print(f"{len(found)} templates with sentences outside the catalogues")
    hold('Put words for people in {% translate "…" %} or {% blocktranslate %}.', found, TEMPLATES, HERE)


TAG = re.compile(r"<!--.*?-->|<(?:\"[^\"]*\"|'[^']*'|[^'\">])*>", re.DOTALL)


def _unmarked(template: str) -> Iterator[str]:
    """Words outside of what is translated: between tags, and in attributes that are read out or shown."""
    bare = re.sub(r"{%\s*(blocktranslate|comment)\b.*?{%\s*end\1\s*%}", "", template, flags=re.DOTALL)
    bare = re.sub(r"{%\s*block main_class\s*%}.*?{%\s*endblock\s*%}", "", bare)
    for default in re.findall(r"\|(?:default|default_if_none|yesno|pluralize):\"([^\"]*)\"", bare):
        if _words(default):
            yield default
    yield from (wished for wished in re.findall(r"\|date:\"([^\"]+)\"", bare) if re.search("[FMlDN]", wished))
    bare = re.sub(r"{%.*?%}|{{.*?}}|{#.*?#}", "\x00", bare, flags=re.DOTALL)
    for tag in TAG.findall(bare):
        for attribute in SPOKEN_ATTRIBUTES:
            for value in re.findall(rf"\s{attribute}=\"([^\"]*)\"", tag):
                if _words(value):
                    yield value
    bare = re.sub(r"<(script|style|code|pre)\b.*?</\1>", "", bare, flags=re.DOTALL)
    for run in re.split(r"[\x00]", TAG.sub("\x00", bare)):
        if _words(run):
            yield " ".join(run.split())


def _words(run: str) -> list[str]:
    return [word for word in re.findall(r"[^\W\d_]{2,}", run) if word not in NO_WORDS]


# ---- Python

SPEAKING = ("portal/views", "portal/actions", "portal/models", "portal/words", "portal/api")
SILENT_CALLS = {"getLogger", "ValueError", "TypeError", "RuntimeError", "NoBackup", "Damaged"}
SILENT_CALLS |= {"log", "exception", "warning", "info", "debug"}
"""What these are given is for who runs or calls the portal."""
FILES: dict[str, str] = {
    "portal/actions/by_mail/address.py": "the salt of a digest",
    "portal/actions/by_mail/take.py": "why a mail is dropped unread, which nobody is told",
    "portal/models/proof.py": "how the admin calls a row",
    "portal/views/traffic.py": "what figures are, for who watches the server",
    "portal/words/catalogues.py": "the head of a catalogue, for who translates",
}
"""Files with sentences for nobody who uses the portal, each with the reason."""
OWN_LANGUAGES = {
    "portal/actions/mail/phrases.py": "what mails say, once for each language",
}


def test_python_holds_no_sentence_outside_the_catalogues() -> None:
    found = {}
    for path in files(*SPEAKING):
        left = [] if path in OWN_LANGUAGES else sorted(set(_unmarked_strings(tree(path))))
        if left:
            found[path] = f"{len(left)}, such as line {left[0][0]}: “{left[0][1][:60]}”"
    print(f"{len(found)} Python files with sentences outside the catalogues; {len(FILES)} are known")
    hold("Mark words for people: gettext in functions, gettext_lazy outside, gettext_noop if kept.", found, FILES, HERE)


def _unmarked_strings(module: ast.Module) -> Iterator[tuple[int, str]]:
    """Strings of three words and more outside of calls that mark them; docstrings and help on columns are none."""
    silent: set[int] = set()
    for node in ast.walk(module):
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
            silent.add(id(node.value))
        elif isinstance(node, ast.Call) and _name(node.func) in {*KEYWORDS, *SILENT_CALLS}:
            silent.update(id(inner) for inner in ast.walk(node))
        elif isinstance(node, ast.Call):
            helps = (
                word.value for word in node.keywords if word.arg == "help_text" and "models" in ast.dump(node.func)
            )
            silent.update(id(inner) for value in helps for inner in ast.walk(value))
        elif isinstance(node, ast.JoinedStr):
            silent.update(id(part) for part in node.values)
        elif isinstance(node, ast.Assert):
            silent.update(id(inner) for inner in ast.walk(node))
    for node in ast.walk(module):
        if id(node) in silent:
            continue
        if isinstance(node, ast.JoinedStr):
            said = "".join(str(part.value) if isinstance(part, ast.Constant) else "0" for part in node.values)
        elif isinstance(node, ast.Constant) and isinstance(node.value, str):
            said = node.value
        else:
            continue
        if len(re.findall(r"(?<!\S)[A-Za-z][a-z'’]*[.,:;]?(?!\S)", said)) >= 3 and "<" not in said:
            yield node.lineno, said


def _name(function: ast.expr) -> str:
    return getattr(function, "id", getattr(function, "attr", ""))
