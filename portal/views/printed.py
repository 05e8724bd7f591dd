"""A report as a PDF. Its words are the page's own; how they lie on paper says ``templates/proof/report.typ``."""

from __future__ import annotations

import re
from functools import cache
from importlib.resources import files
from pathlib import Path
from tempfile import TemporaryDirectory

import typst
from django.conf import settings
from lxml import etree, html

TYPST_LAYOUT = settings.ROOT / "portal" / "templates" / "proof" / "report.typ"
FONTS = ("fontpkg_noto_sans", "fontpkg_noto_sans_arabic")
NOT_IN_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
"""Control characters that a pasted note may hold, which no XML may: https://www.w3.org/TR/xml/#charsets."""


@cache
def _fonts() -> typst.Fonts:
    """The pages' own, made at set-up, and those of the packages, whatever the machine has."""
    packed = [str(files(name) / "files") for name in FONTS]
    return typst.Fonts(include_system_fonts=False, font_paths=[str(settings.VAR / "fonts"), *packed])


def pdf(page: str, pictures: dict[str, bytes]) -> bytes:
    """Lay out a page.

    Parameters
    ----------
    page : str
        A whole HTML page, of the elements that ``report.typ`` knows.
    pictures : dict of str to bytes
        What the page's ``img`` show, by ``src``. Nothing else on a disk or a network can be shown.

    Returns
    -------
    bytes
        The PDF, tagged, with the page's title and language.
    """
    with TemporaryDirectory() as folder:
        for name, data in pictures.items():
            Path(folder, name).write_bytes(data)
        Path(folder, "report.xml").write_bytes(etree.tostring(html.document_fromstring(NOT_IN_XML.sub(" ", page))))
        compiler = typst.Compiler(TYPST_LAYOUT.read_bytes(), root=folder, font_paths=_fonts())
        written = compiler.compile(format="pdf")
    assert isinstance(written, bytes)
    return written
