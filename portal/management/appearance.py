"""Makes what every page looks like, at set-up: a font and icons out of their packages, and one style sheet.

The font is Figtree (Erik Kennedy and contributors, SIL Open Font License 1.1), cut down to the letters of our languages
and their neighbours; the icons are Lucide's (ISC). Both licences lie in the packages. Nothing of either is committed.
"""

from __future__ import annotations

import base64
import os
import re
from pathlib import Path

import fontpkg
from django.conf import settings
from django.core.management.base import CommandError
from fontTools.subset import Options, Subsetter
from fontTools.ttLib import TTFont
from fontTools.varLib.instancer import instantiateVariableFont
from lucide import get_icon_list, lucide_icon

from portal.charts import colours

LAYERS = (
    *("scale", "base", "signs", "tables", "forms", "frame", "panels"),
    *("charts", "drawings", "visit", "office", "design", "print"),
)
"""The files of ``static/css``, the last word last; the colours come before them all."""

ICONS = ("arrow-right", "calendar-days", "mail", "receipt-text", "store", "sun", "target", "upload", "users")

PAPER_WEIGHTS = (450, 700)
"""Of running words and of headings on paper, as on the pages."""

# Latin as far as Latin Extended-A, quotes, dashes, signs of money, the arrows and marks that our sentences use.
LETTERS = (
    *range(0x20, 0x7F),
    *range(0xA0, 0x180),
    *range(0x2010, 0x2027),
    *(0x202F, 0x2030, 0x2039, 0x203A, 0x20AC, 0x2190, 0x2192, 0x2212, 0x2248, 0x2260, 0x2264, 0x2265),
)


def make_appearance(folder: Path) -> None:
    """Put ``figtree.woff2``, ``icons.svg`` and ``portal.css`` into ``folder``; what is unchanged is left alone."""
    folder.mkdir(parents=True, exist_ok=True)
    _cut_font(fontpkg.path("figtree"), folder / "figtree.woff2")
    _keep(folder / "icons.svg", sprite(ICONS))
    _keep(folder / "portal.css", joined(settings.ROOT / "portal" / "static" / "css"))


def make_paper_fonts(folder: Path) -> None:
    """Put the font's weights on paper into ``folder``, each a file of its own: typst knows no variable fonts."""
    folder.mkdir(parents=True, exist_ok=True)
    source = fontpkg.path("figtree")
    made_at = source.stat().st_mtime_ns
    for weight in PAPER_WEIGHTS:
        cut = folder / f"figtree-{weight}.ttf"
        if cut.exists() and cut.stat().st_mtime_ns == made_at:
            continue
        with TTFont(source) as font:
            instantiateVariableFont(font, {"wght": weight}, inplace=True)
            font.save(cut)
        os.utime(cut, ns=(made_at, made_at))


def _keep(path: Path, text: str) -> None:
    if not path.exists() or path.read_text("utf-8") != text:
        path.write_text(text, "utf-8")


def _cut_font(source: Path, cut: Path) -> None:
    """Keep only ``LETTERS`` of a font, compressed for browsers; its time tells of which font it was cut."""
    made_at = source.stat().st_mtime_ns
    if cut.exists() and cut.stat().st_mtime_ns == made_at:
        return
    cutter = Subsetter(Options(layout_features=["*"], hinting=False))
    cutter.populate(unicodes=LETTERS)
    with TTFont(source) as font:
        cutter.subset(font)
        font.flavor = "woff2"
        font.save(cut)
    os.utime(cut, ns=(made_at, made_at))


def _strokes(name: str) -> str:
    """What is drawn inside an icon's 24 by 24 square."""
    found = re.search(r"<svg[^>]*>(.*)</svg>", lucide_icon(name), re.DOTALL)
    if not found or name not in get_icon_list():
        raise CommandError(f"This Lucide has no icon named {name}: see appearance.py.")
    return re.sub(r"\s+", " ", found[1]).replace(" />", "/>").replace("> <", "><").strip()


def sprite(names: tuple[str, ...]) -> str:
    """One file with each icon as a symbol by its name."""
    symbols = (f'<symbol id="{name}" viewBox="0 0 24 24">{_strokes(name)}</symbol>' for name in names)
    return f'<svg xmlns="http://www.w3.org/2000/svg">{"".join(symbols)}</svg>'


def joined(folder: Path) -> str:
    """The style sheet: each file in a layer of its own; ``icon("name")`` in a file becomes that icon as a mask."""
    sheet = [f"@layer colours, {', '.join(LAYERS)};\n", f"@layer colours {{\n{colours.sheet()}}}\n"]
    for name in LAYERS:
        rules = re.sub(r"/\*.*?\*/", "", (folder / f"{name}.css").read_text("utf-8"), flags=re.DOTALL)
        rules = re.sub(r'icon\("([\w-]+)"\)', lambda found: _mask(found[1]), rules)
        rules = re.sub(r"\n\s*", "\n", rules).strip()
        sheet.append(f"@layer {name} {{\n{rules}\n}}\n")
    return "".join(sheet)


def _mask(name: str) -> str:
    drawn = (
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 24 24" fill="none" stroke="#000" stroke-width="2.5" '
        f'stroke-linecap="round" stroke-linejoin="round">{_strokes(name)}</svg>'
    )
    return f'url("data:image/svg+xml;base64,{base64.b64encode(drawn.encode()).decode()}")'
