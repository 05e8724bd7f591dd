"""Makes what browsers fetch: what others made out of its packages, all compressed under names made of the content."""

import hashlib
import os
import re
import shutil
import tarfile
import tempfile
from http.client import HTTPException
from io import BytesIO
from pathlib import Path
from typing import Any
from urllib.request import urlopen

import plotly
from django.conf import settings
from django.contrib.staticfiles.finders import get_finders
from django.core.management import call_command
from django.core.management.base import BaseCommand, CommandError

from portal.management.appearance import make_appearance, make_paper_fonts

BASIC, BASIC_VERSION = "plotly.js-basic-dist-min", "4.1.1"
BASIC_SHA256 = "99784e3abfb07b142a15e521a439e6d9addceadb3f79553fd24c72774f0649ba"
"""Plotly with lines, dots and bars alone, a third of what is in the wheel: its npm package, of the wheel's version."""
NEVER_FETCHED = ("css/*", "jquery.js", "select2.full.js", "xregexp.js", "htmx-2.js", "htmx-4*", "htmax-4*")
"""Our own sheets, which go out joined; what packages bring in full beside the small file that pages name."""
PATIENCE = 30
"""Seconds without a byte until fetching it is given up. No source."""


class Command(BaseCommand):
    help = "Take what browsers fetch out of its packages, collect and compress it; does nothing if none has changed."

    def handle(self, *args: Any, **options: Any) -> None:
        if problem := take_plotly(settings.VAR / "assets" / "plotly"):
            self.stderr.write(problem)
        make_appearance(settings.VAR / "assets")
        make_paper_fonts(settings.VAR / "fonts")
        seen = static_fingerprint()
        stamp: Path = settings.STATIC_ROOT / "prepared"
        if stamp.exists() and stamp.read_text() == seen:
            return
        self.stdout.write("Compressing what browsers fetch (once).")
        call_command("collectstatic", interactive=False, clear=True, ignore_patterns=[*NEVER_FETCHED], verbosity=0)
        stamp.write_text(seen)


def take_plotly(folder: Path) -> str:
    """Put plotly's script and its style sheet into ``folder``, unless they are there already.

    Where the small one cannot be had, the wheel's own serves as well, three times as large; what is said then is
    returned, and the next set-up tries again.
    """
    taken = folder / "plotly.min.js"
    if taken.exists() and _digest(taken) == BASIC_SHA256:
        return ""
    folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as aside:
        script, problem = _fetch(Path(aside))
        if script is None:
            script = Path(plotly.__file__).parent / "package_data" / "plotly.min.js"
            if taken.exists() and _digest(taken) == _digest(script):
                return problem
        (folder / "plotly.css").write_text(plotly_rules(script.read_text("utf-8")), "utf-8")
        shutil.copy(script, taken)
    return problem


def _fetch(aside: Path) -> tuple[Path | None, str]:
    """The small plotly, out of its npm package; else None, and why in a sentence."""
    larger = "so who looks closer at a chart waits for all of plotly. Run this again with a network."
    registry = os.environ.get("NPM_CONFIG_REGISTRY", "https://registry.npmjs.org").rstrip("/")
    try:
        with urlopen(f"{registry}/{BASIC}/-/{BASIC}-{BASIC_VERSION}.tgz", timeout=PATIENCE) as answer:
            package = answer.read()
        with tarfile.open(fileobj=BytesIO(package)) as inside:
            script = inside.extractfile("package/plotly-basic.min.js")
            found = aside / "plotly-basic.min.js"
            found.write_bytes(script.read() if script else b"")
    except (OSError, HTTPException, KeyError, tarfile.TarError) as error:
        return None, f"{BASIC} could not be fetched ({type(error).__name__}: {error}), {larger}"
    if _digest(found) != BASIC_SHA256:
        return None, f"{BASIC} {BASIC_VERSION} is not the one that was looked at, {larger}"
    return found, ""


def _digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def static_fingerprint() -> str:
    """A digest that changes when any static file does, by name, size and time."""
    digest = hashlib.sha256()
    for finder in get_finders():
        for name, storage in finder.list([]):
            found = Path(storage.path(name)).stat()
            digest.update(f"{name} {found.st_size} {found.st_mtime_ns}\n".encode())
    return digest.hexdigest()


def plotly_rules(script: str) -> str:
    """The style rules which plotly adds to a page by itself, as a sheet, since our security policy forbids that.

    In the script they are one object, selector to declarations, in which X and Y stand for plotly's two containers.
    Plotly puts each rule before the one before it, so they come out last first.
    """
    pair = r"""(?:"[^"]*"|\w+):(?:"[^"]*"|'[^']*')"""
    found = re.search(rf"""\{{("X,X div":(?:"[^"]*"|'[^']*')(?:,{pair})*)\}}""", script)
    if not found:
        raise CommandError("This plotly keeps its style rules elsewhere: see plotly_rules in prepare_assets.py.")
    rules = re.findall(r"""(?:"([^"]*)"|(\w+)):(?:"([^"]*)"|'([^']*)')""", found[1])
    sheet = []
    for quoted, bare, double, single in reversed(rules):
        selector = (quoted or bare).replace("X", ".js-plotly-plot .plotly").replace("Y", ".plotly-notifier")
        sheet.append(f"{selector} {{{double or single}}}\n")
    return "".join(sheet)
