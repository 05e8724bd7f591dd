"""Runs several management commands in one process, since each process pays two seconds of imports.

``python -m deploy.commands FILE migrate -- "nightly --wait"``: each argument is one command line, and at ``--`` the
file is made, which tells the supervisor to start what works on the database. Whatever fails is said in one sentence;
the whole traceback goes to the file named by PORTAL_ERRORS_TO.
"""

import os
import shlex
import sys
import traceback
from datetime import UTC, datetime
from pathlib import Path

import django
from django.core.management import CommandError, call_command


def main(ready: Path, lines: list[str]) -> int:
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "portal.settings")
    django.setup()
    for line in lines:
        if line == "--":
            ready.touch()
            continue
        name, *arguments = shlex.split(line)
        try:
            call_command(name, *arguments)
        except CommandError as error:
            print(error, file=sys.stderr)
            return 1
        except Exception as error:  # noqa: BLE001 — said in a sentence, kept whole in the log, and the start stops
            log = Path(os.environ["PORTAL_ERRORS_TO"])
            with log.open("a") as kept:
                kept.write(f"{datetime.now(UTC):%Y-%m-%d %H:%M:%S}Z {line}\n{traceback.format_exc()}\n")
            print(f"The step '{name}' failed: {type(error).__name__}: {error}. All of it is in {log}.", file=sys.stderr)
            return 1
    return 0


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1]), sys.argv[2:]))
