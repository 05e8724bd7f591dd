"""Makes what browsers fetch: what others made out of its packages, all compressed under names made of the content."""

import hashlib
import re
import shutil
from pathlib import Path
from typing import Any

import plotly
from django.conf import settings
from django.contrib.staticfiles.finders import get_finders
from django.core.management import call_command
from django.core.management.base import BaseCommand, CommandError

from portal.management.appearance import make_appearance


class Command(BaseCommand):
    help = "Take what browsers fetch out of its packages, collect and compress it; does nothing if none has changed."

    def handle(self, *args: Any, **options: Any) -> None:
        take_plotly(settings.VAR / "assets" / "plotly")
        make_appearance(settings.VAR / "assets")
        seen = fingerprint()
        stamp: Path = settings.STATIC_ROOT / "prepared"
        if stamp.exists() and stamp.read_text() == seen:
            return
        self.stdout.write("Compressing what browsers fetch (once).")
        call_command("collectstatic", interactive=False, clear=True, ignore_patterns=["css"], verbosity=0)
        stamp.write_text(seen)


def take_plotly(folder: Path) -> None:
    """Put plotly's script and its style sheet into ``folder``, unless they are there already."""
    script = Path(plotly.__file__).parent / "package_data" / "plotly.min.js"
    taken = folder / script.name
    if taken.exists() and taken.stat().st_mtime_ns == script.stat().st_mtime_ns:
        return
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "plotly.css").write_text(plotly_rules(script.read_text("utf-8")), "utf-8")
    shutil.copy2(script, folder)


def fingerprint() -> str:
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
