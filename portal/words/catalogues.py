"""The catalogues: each language's sentences, kept as text in `locale/` and compiled when the portal starts.

A language is added by its name in `settings.LANGUAGES` and `models.Language`, and its catalogue:
`manage.py words` makes one with every sentence that the source marks, and brings it up to date later.
"""

from __future__ import annotations

import ast
import os
import re
import tempfile
from collections.abc import Iterator
from datetime import UTC, datetime
from io import BytesIO
from pathlib import Path
from string import ascii_lowercase

from babel.messages import Catalog
from babel.messages import Message as BabelMessage
from babel.messages.extract import extract
from babel.messages.mofile import write_mo
from babel.messages.pofile import read_po, write_po
from django.utils.translation.template import templatize

PORTAL = Path(__file__).resolve().parent.parent
SOURCES = PORTAL / "locale"
CATALOGUE = Path("LC_MESSAGES", "django.po")
KEYWORDS = {
    **dict.fromkeys(("_", "gettext", "gettext_lazy", "gettext_noop"), None),
    **dict.fromkeys(("ngettext", "ngettext_lazy"), (1, 2)),
    **dict.fromkeys(("pgettext", "pgettext_lazy"), ((1, "c"), 2)),
}
"""What marks a sentence, and which of its arguments are it."""

STRING = r"""u?(?:'(?:\\.|[^'\\])*'|"(?:\\.|[^"\\])*")"""
CALL = re.compile(rf"(?<!\w)(?:n?p?gettext|_)\({STRING}(?:, {STRING})*(?:, count)?\)")
"""A marked sentence in what Django makes of a template for those who look for marked sentences."""
HEADER = "# Kept up to date by `manage.py words`; only what stands in msgstr is written by hand."
HEAD_DAY = datetime(2026, 11, 26, tzinfo=UTC)
"""A fixed day in the catalogues' heads, or each run would change them."""

WORD = re.compile(r"(?<!\S)[(“]?[A-Za-z][a-z'’]*[.,:;”)]*(?!\S)")
MARKUP = re.compile(r"<[^>]*>|%{[^}]*}")
"""Tags of SVG, and places of plotly's hover texts."""
UNMARKED = ("readers", "charts")
"""These know no Django, so they mark nothing."""
FEWEST_WORDS = 2
"""So many words in a row are meant for a person. Common practice, no source."""

Message = str | tuple[str, ...]


def catalogues() -> dict[str, Path]:
    """The catalogue of each language but English, which the source itself holds."""
    return {path.parent.parent.name: path for path in sorted(SOURCES.glob(f"*/{CATALOGUE}"))}


def read_catalogue(language: str, path: Path) -> Catalog:
    with path.open("rb") as file:
        return read_po(file, language)


def compile_catalogues(into: Path) -> None:
    """Compile what has changed, so that several processes may begin at once and none needs GNU's programs."""
    for language, source in catalogues().items():
        compiled = (into / language / CATALOGUE).with_suffix(".mo")
        seen = source.stat().st_mtime_ns
        if compiled.exists() and compiled.stat().st_mtime_ns == seen:
            continue
        compiled.parent.mkdir(parents=True, exist_ok=True)
        catalogue = read_catalogue(language, source)
        handle, name = tempfile.mkstemp(dir=compiled.parent)
        with open(handle, "wb") as file:
            write_mo(file, catalogue)
        os.utime(name, ns=(seen, seen))
        os.replace(name, compiled)


def strings(message: BabelMessage) -> tuple[str, ...]:
    """A message's translations: one, or one for each plural form."""
    string = message.string or ""
    return (string,) if isinstance(string, str) else tuple(string)


def marked() -> Iterator[tuple[str, Message, str | None]]:
    """Every sentence marked in the source: its file, it (with its plural, if it has one), and its context."""
    for path in sorted(PORTAL.rglob("*")):
        name = path.relative_to(PORTAL)
        if name.parts[0] == "migrations":
            continue
        if name.parts[0] in UNMARKED and path.suffix == ".py":
            yield from ((name.as_posix(), sentence, None) for sentence in _sentences_of(path.read_text("utf-8")))
            continue
        if path.suffix == ".js":
            yield from ((name.as_posix(), sentence, None) for sentence in marked_in_script(path))
            continue
        if path.suffix == ".py":
            source = path.read_bytes()
        elif name.parts[0] == "templates" and path.suffix in (".html", ".txt"):
            source = _as_python(path.read_text("utf-8"))
        else:
            continue
        for _, message, _, context in extract("python", BytesIO(source), keywords=KEYWORDS):
            if message:
                yield name.as_posix(), message, context


def marked_in_script(path: Path) -> Iterator[str]:
    """What a script of ours says: see ``spoken`` in ``static/visit/here.js``."""
    for _, message, _, _ in extract("javascript", BytesIO(path.read_bytes()), keywords={"spoken": None}):
        yield str(message)


def _as_python(template: str) -> bytes:
    """A template's marked sentences as calls, one a line."""
    return "\n".join(CALL.findall(templatize(template))).encode()


def _sentences_of(source: str) -> Iterator[str]:
    """What a reader or a chart says: whatever reads like a sentence is one."""
    tree = ast.parse(source)
    silent = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    for node in ast.walk(tree):
        if isinstance(node, ast.JoinedStr):
            silent.update(
                id(inner) for inner in ast.walk(node) if inner is not node and isinstance(inner, ast.Constant)
            )
    for node in ast.walk(tree):
        if id(node) in silent:
            continue
        if isinstance(node, ast.JoinedStr):
            sentence = _with_places(node)
        elif isinstance(node, ast.Constant) and isinstance(node.value, str):
            sentence = node.value
        else:
            continue
        for piece in MARKUP.split(sentence):
            if len(WORD.findall(piece)) >= FEWEST_WORDS and "|" not in piece:
                yield bare(piece)


def bare(piece: str) -> str:
    """A piece of text without what joins it to its neighbours."""
    return piece.strip(" :,;")


def _with_places(node: ast.JoinedStr) -> str:
    """An f-string with its expressions as places a, b, c …, whatever the reader calls them."""
    said, places = "", dict[str, str]()
    for part in node.values:
        if isinstance(part, ast.FormattedValue):
            place = places.setdefault(ast.unparse(part.value), ascii_lowercase[len(places)])
            said += f"{{{place}}}"
        elif isinstance(part, ast.Constant):
            said += str(part.value)
    return said


def up_to_date(language: str) -> Catalog:
    """The language's catalogue with the sentences that the source marks now, and no other."""
    path = SOURCES / language / CATALOGUE
    kept = read_catalogue(language, path) if path.exists() else Catalog(language)
    fresh = Catalog(language, header_comment=HEADER, creation_date=HEAD_DAY, revision_date=HEAD_DAY, fuzzy=False)
    for file, message, context in marked():
        before = kept.get(message[0] if isinstance(message, tuple) else message, context)
        same = before is not None and before.id == message
        fresh.add(message, before.string if before and same else None, locations=[(file, 0)], context=context)
    return fresh


def written(catalogue: Catalog) -> bytes:
    """The catalogue as text, in an order that does not move when a sentence moves."""
    text = BytesIO()
    write_po(text, catalogue, width=120, sort_output=True, include_lineno=False)
    return text.getvalue()
