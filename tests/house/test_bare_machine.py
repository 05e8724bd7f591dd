"""A machine with Python and git is enough: no other shared library is loaded, and no other program is called."""

import ast
import io
import os
import shutil
import subprocess
import sys
from datetime import date
from pathlib import Path

import pandas as pd
import pillow_heif
import pytest
from PIL import Image

from tests.house import PRODUCT, ROOT, files, hold, tree
from tests.readers import test_espi, test_nem12, test_sheet
from tests.readers.dialects import truth

MAPPED = """
for line in open("/proc/self/maps"):
    path = line.split(maxsplit=5)[5:]
    if path and ".so" in path[0]:
        print("mapped", path[0].strip())
"""
STANDARD_LIBRARY = """
import importlib, sys, warnings
warnings.simplefilter("ignore")
for name in sys.stdlib_module_names - {"antigravity", "this", "idlelib", "tkinter", "_tkinter", "turtle", "turtledemo"}:
    try:
        importlib.import_module(name)
    except ImportError:
        pass
"""
ALL_THAT_IS_DONE = """
import importlib, pkgutil, sys
from pathlib import Path
import django
django.setup()
import portal, workers
import portal.urls, portal.wsgi, workers.tasks
slow = {"openpyxl", "pvlib", "scipy"} & sys.modules.keys()
assert not slow, f"{slow}: half a second and 60 MB of each process; who needs them imports them then"
for package in (portal, workers):
    for module in pkgutil.walk_packages(package.__path__, package.__name__ + "."):
        importlib.import_module(module.name)
from PIL import Image
from portal.views import printed
from tests.readers.dialects import guess_file
brought = Path(sys.argv[1])
pictures = {}
for path in sorted(brought.iterdir()):
    if path.suffix in (".heic", ".jpg", ".png", ".webp"):
        with Image.open(path) as photo:
            photo.load()
        print("done", path.name)
    else:
        print("done", path.name, bool(guess_file(path, "Australia/Brisbane").mapping))
page = '<html lang="en"><head><title>x</title></head><body><figure><img src="a.jpg" alt="x"></figure></body></html>'
print("done", printed.pdf(page, {"a.jpg": (brought / "roof.jpg").read_bytes()})[:4])
"""
# What a wheel may take from the machine: PEP 513, "The manylinux1 policy", without those that draw.
C_LIBRARY = (
    "ld-linux libc. libdl. libgcc_s. libm. libmvec. libnsl. libnss_ libpthread. libresolv. librt. libstdc++. libutil."
)
# Pillow takes it where it is, for text from right to left, and does without (its installation notes, "FriBiDi").
TAKEN_WHERE_IT_IS = "libfribidi."
ALLOWED = tuple(f"{C_LIBRARY} {TAKEN_WHERE_IT_IS}".split())


def _mapped(script: str, *arguments: str) -> tuple[set[Path], list[str]]:
    """The shared libraries that are loaded once a script has run, and what it says it has done."""
    env = dict(os.environ) | {"DJANGO_SETTINGS_MODULE": "portal.settings"}
    command = [sys.executable, "-c", script + MAPPED, *arguments]
    done = subprocess.run(command, cwd=ROOT, env=env, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    lines = [line.split(" ", 1) for line in done.stdout.splitlines() if line.startswith(("mapped ", "done "))]
    return {Path(path) for word, path in lines if word == "mapped"}, [said for word, said in lines if word == "done"]


def _foreign(script: str, *arguments: str) -> tuple[set[Path], list[str]]:
    """Those that come neither out of a wheel, nor with Python itself, nor with the C library."""
    with_python, _ = _mapped(STANDARD_LIBRARY)
    mapped, did = _mapped(script, *arguments)
    assert any("site-packages" in path.parts for path in mapped)
    packages = Path(sys.prefix).resolve()
    others = {path for path in mapped - with_python if packages not in path.resolve().parents}
    return {path for path in others if not path.name.startswith(ALLOWED)}, did


@pytest.fixture
def brought(tmp_path: Path) -> Path:
    """A file of each kind that people bring."""
    folder = tmp_path / "brought"
    folder.mkdir()
    energy = truth(date(2026, 6, 1), 7, "Australia/Brisbane", 15)
    stamps = [at.tz_convert("Australia/Brisbane").tz_localize(None).to_pydatetime() for at in energy.index]
    rows = [[at, int(value)] for at, value in zip(stamps, energy, strict=True)]
    table = pd.DataFrame(rows, columns=["Time", "PV energy [Wh]"])
    table.to_csv(folder / "a.csv", index=False)
    table.to_csv(folder / "a.zip", index=False, compression={"method": "zip", "archive_name": "a.csv"})
    table.to_excel(folder / "a.xlsx", index=False)
    head: list[list[object]] = [["Time", "PV energy [Wh]"]]
    (folder / "a.xls").write_bytes(test_sheet.biff2(head + [[f"{at:%d.%m.%Y %H:%M}", value] for at, value in rows]))
    (folder / "nem12.csv").write_bytes(test_nem12.PUBLISHED.encode())
    point = test_espi.usage_point(1, "Solar", energy, test_espi.reading_type(19))
    (folder / "a.xml").write_bytes(test_espi.feed(point))
    pillow_heif.register_heif_opener()
    for kind, suffix in (("JPEG", "jpg"), ("PNG", "png"), ("WEBP", "webp"), ("HEIF", "heic")):
        packed = io.BytesIO()
        Image.new("RGB", (320, 240), (30, 60, 120)).save(packed, kind)
        (folder / f"roof.{suffix}").write_bytes(packed.getvalue())
    return folder


def test_no_shared_library_is_loaded_but_from_wheels_and_with_python(brought: Path) -> None:
    foreign, did = _foreign(ALL_THAT_IS_DONE, str(brought))
    assert len(did) == len(list(brought.iterdir())) + 1
    assert foreign == set()


def test_a_library_of_the_machine_s_own_would_be_found(tmp_path: Path) -> None:
    planted = tmp_path / "libpangoft2-1.0.so.0"
    shutil.copy(next(Path(sys.prefix).rglob("_pydantic_core*.so")), planted)
    foreign, _ = _foreign(f"import django, numpy, ctypes; ctypes.CDLL({str(planted)!r})")
    assert foreign == {planted}


# sh, git and sleep are asked for or in coreutils; mount and umount are "Priority: required" (Debian policy, 2.5).
PROGRAMS = {"git", "sh", "sleep", "mount", "umount"}
STARTS = {"run", "Popen", "call", "check_call", "check_output", "Program"}


def _called(node: ast.AST) -> list[str]:
    """The programs that a statement names first in a command; a Python or one out of a wheel is no plain word."""
    lists: list[ast.expr] = []
    if isinstance(node, ast.Call):
        name = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
        lists = list(node.args) if name in STARTS else []
    elif isinstance(node, ast.Assign) and getattr(node.targets[0], "id", "") in ("command", "argv"):
        lists = [node.value]
    firsts = [one.elts[0] for one in lists if isinstance(one, ast.List) and one.elts]
    return [first.value for first in firsts if isinstance(first, ast.Constant) and isinstance(first.value, str)]


def test_no_program_is_called_that_a_minimal_image_lacks() -> None:
    found = {}
    seen = set()
    for path in files(*PRODUCT, "tests"):
        for node in ast.walk(tree(path)):
            for program in _called(node):
                seen.add(program)
                if program not in PROGRAMS:
                    found[f"{path}::{program}"] = "called"
    assert {"git", "mount"} <= seen
    hold("Call only what Debian's minimal images have.", found, {}, "tests/house/test_bare_machine.py")


def test_a_program_that_minimal_images_lack_would_be_found() -> None:
    source = 'subprocess.run(["ps", "-o", "stat="])\ncommand = ["lsof"]\nPopen([sys.executable])'
    assert [program for node in ast.walk(ast.parse(source)) for program in _called(node)] == ["lsof", "ps"]
