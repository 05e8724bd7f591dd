"""The rules of the house, as tests: style, types, who may import whom, and no table without its migration."""

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
TOP_LEVEL = {"README.md", "DEVELOPERS.md", "pyproject.toml", "manage.py", "portal", "workers", "tests", "fixtures"}
TOP_LEVEL |= {"deploy"}


def check(*command: str) -> None:
    done = subprocess.run([sys.executable, *command], cwd=ROOT, capture_output=True, text=True)
    assert done.returncode == 0, f"{done.stdout}\n{done.stderr}"


def test_ruff_finds_nothing() -> None:
    check("-m", "ruff", "check", ".")


def test_mypy_in_strict_mode_finds_nothing() -> None:
    check("-m", "mypy")


def test_nobody_enters_a_room_that_is_closed_to_them() -> None:
    check("-c", "import sys; from importlinter.cli import lint_imports_command; sys.exit(lint_imports_command())")


def test_every_table_has_its_migration() -> None:
    check("manage.py", "makemigrations", "--check", "--dry-run")


def test_the_top_level_holds_what_the_house_rules_name_and_nothing_else() -> None:
    files = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True).stdout
    found = {line.split("/")[0] for line in files.splitlines()}
    assert {name for name in found if not name.startswith(".")} <= TOP_LEVEL
