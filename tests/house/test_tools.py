"""Format, lint, types, who may import whom, scripts, migrations: whatever a tool can say of the source."""

import os
import subprocess
import sys
from pathlib import Path

import deno
import pytest

from tests.house import ROOT, files

TOP_LEVEL = {"README.md", "DEVELOPERS.md", "pyproject.toml", "manage.py", "portal", "workers", "tests", "fixtures"}
TOP_LEVEL |= {"deploy"}


def check(*command: str, **env: str) -> None:
    done = subprocess.run(command, cwd=ROOT, env=os.environ | env, capture_output=True, text=True)
    if done.returncode:
        pytest.fail(f"{done.stdout}\n{done.stderr}", pytrace=False)


def python(*arguments: str) -> None:
    check(sys.executable, *arguments)


def scripts(command: str, folder: Path) -> None:
    """Run deno, which came with its wheel; it fetches nothing, and leaves nothing but in ``folder``."""
    command_line = [deno.find_deno_bin(), command, "--quiet", "--config", "deploy/deno.json"]
    check(
        *command_line, *files("portal", suffixes=(".js",)), DENO_DIR=str(folder), DENO_NO_UPDATE_CHECK="1", NO_COLOR="1"
    )


def test_ruff_would_format_nothing_otherwise() -> None:
    python("-m", "ruff", "format", "--diff", "--quiet", ".")


def test_ruff_finds_nothing() -> None:
    python("-m", "ruff", "check", "--quiet", ".")


@pytest.mark.long(40)
def test_mypy_in_strict_mode_finds_nothing() -> None:
    python("-m", "mypy", "--num-workers", "2")


def test_nobody_enters_a_room_that_is_closed_to_them() -> None:
    python("-c", "import sys; from importlinter.cli import lint_imports_command; sys.exit(lint_imports_command())")


def test_every_table_has_its_migration() -> None:
    python("manage.py", "makemigrations", "--check", "--dry-run")


def test_the_types_of_the_scripts_fit(tmp_path: Path) -> None:
    scripts("check", tmp_path)


def test_the_linter_finds_nothing_in_the_scripts(tmp_path: Path) -> None:
    scripts("lint", tmp_path)


def test_the_top_level_holds_what_the_house_rules_name_and_nothing_else() -> None:
    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True).stdout
    found = {line.split("/")[0] for line in listed.splitlines()}
    assert {name for name in found if not name.startswith(".")} <= TOP_LEVEL
