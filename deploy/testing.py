"""Runs the tests: all on SQLite, those that use the database again on PostgreSQL, pages in Chromium, and a summary."""

import os
import shutil
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path

from deploy import coverage
from deploy.processes import Child, Program, Stopped, Supervisor, Trouble, postgres_programs, start_postgres

ROOT = Path(__file__).resolve().parent.parent
NO_TESTS = 5  # pytest's exit code when a selection is empty
CHROMIUM = next(filter(None, map(shutil.which, ("chromium-headless-shell", "chromium", "chromium-browser"))), None)
"""The first is Chromium without a window's frame around the page: the same tests took it less than half the time."""
TABLES = "TEST_TABLES"
"""The environment's name for the tables that each process of the tests copies: a file, or a database of PostgreSQL."""


@dataclass(frozen=True)
class Run:
    """One run of pytest: what it is called, and what it selects."""

    name: str
    marked: str
    processes: int = 2
    on_postgres: bool = False
    counts_lines: bool = False
    in_chromium: bool = False
    where: tuple[str, ...] = ()
    """Where its tests are, if not anywhere: what is not read need not be left out."""


RUNS = [
    Run(
        "all but browser tests, on SQLite",
        "not browser and not benchmark and not reference",
        processes=3,  # one more than the cores of a small machine: of those that start servers one mostly waits
        counts_lines=True,
    ),
    Run(
        "database and worker tests again, on PostgreSQL",
        "database and not any_database and not browser and not benchmark and not reference",
        processes=3,  # as above
        on_postgres=True,
    ),
    Run("pages in headless Chromium", "browser and not benchmark", in_chromium=True, where=("tests/browser",)),
]
REFERENCE = Run(
    "against the reference library",
    "reference and not benchmark",
    processes=0,
    where=("tests/pv/test_reference.py",),
)


def main(arguments: list[str]) -> int:
    asked = "--reference" in arguments
    arguments = [argument for argument in arguments if argument != "--reference"]
    # A selection of tests says nothing of how many lines all run; slipcover has no wheel for Python 3.11 on ARM.
    whole = not arguments and find_spec("slipcover") is not None
    scratch = Path(tempfile.mkdtemp(prefix="rinsemark-postgres-"))
    done: list[tuple[Run, int, float]] = []
    try:
        with Supervisor(scratch / "log") as supervisor:
            supervisor.stop_on_signals()
            _, postgres = start_postgres(supervisor, scratch / "data")
            tables = make_tables(supervisor, scratch, postgres)
            beside = start_reference(supervisor, arguments) if asked else None
            for run in RUNS:
                print(f"\n===== {run.name} =====", flush=True)
                begun = time.monotonic()
                env = {TABLES: tables[run.on_postgres]} | ({"PORTAL_DATABASE_URL": postgres} if run.on_postgres else {})
                code = pytest(supervisor, run, arguments, env, scratch if whole and run.counts_lines else None)
                done.append((run, code, time.monotonic() - begun))
            if beside:
                done.append((REFERENCE, *told(supervisor, beside)))
        ran = coverage.shares(scratch) if whole else None
    except Stopped:
        print("\nStopped before the end.", file=sys.stderr)
        return 130
    except Trouble as trouble:
        print(trouble, file=sys.stderr)
        return 1
    finally:
        shutil.rmtree(scratch, ignore_errors=True)
    return summary(done, ran)


def make_tables(supervisor: Supervisor, scratch: Path, postgres: str) -> dict[bool, str]:
    """Run all migrations once on either kind of database, PostgreSQL under True, at the same time.

    They take a core some eight seconds, and seven processes of the tests would each run them. Tests that are about
    migrations, and those that set a portal up by the commands people give, run them still.
    """
    import psycopg  # is for tests alone, and this is read where the product runs too

    with psycopg.connect(postgres, autocommit=True) as server:
        server.execute("CREATE DATABASE tables")
    of_server, file = postgres.rpartition("/")[0], scratch / "tables.sqlite3"
    making = []
    for name, url in (("sqlite", f"sqlite:///{file}"), ("postgres", f"{of_server}/tables")):
        env = environment() | {"PORTAL_DATABASE_URL": url, "PORTAL_VAR": str(scratch / f"var-{name}")}
        argv = [sys.executable, "manage.py", "migrate", "--verbosity", "0"]
        making.append(supervisor.start(Program(f"tables-{name}", argv, env)))
    for child in making:
        while child.process.poll() is None:
            supervisor.wait(0.05)
        if child.process.returncode:
            raise Trouble(f"The migrations did not run: {child.log.read_text()[-2000:]}")
    # A portal with a server of its own reads them from a script.
    dump: list[str | Path] = [
        postgres_programs()[0] / "pg_dump",
        "--file",
        file.with_suffix(".sql"),
        f"{of_server}/tables",
    ]
    subprocess.run(dump, check=True)
    return {False: str(file), True: "tables"}


def environment() -> dict[str, str]:
    """What a process of the tests begins with."""
    env = {name: value for name, value in os.environ.items() if not name.startswith("PORTAL_")}
    env.pop("PYTHONDONTWRITEBYTECODE", None)  # or each of some hundred processes would compile the portal for itself
    for threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
        env.setdefault(threads, "1")  # the processes take all cores already
    return env


def start_reference(supervisor: Supervisor, arguments: list[str]) -> Child:
    """One test in one process, which would leave a core idle: it runs beside the others, and is told at the end."""
    argv = [sys.executable, "-m", "pytest", "-m", REFERENCE.marked, *(arguments or REFERENCE.where)]
    return supervisor.start(Program("reference", argv, environment()))


def told(supervisor: Supervisor, beside: Child) -> tuple[int, float]:
    """Wait for it; print what it said, and return its exit code and how long that was waited for."""
    begun = time.monotonic()
    while beside.process.poll() is None:
        supervisor.wait(0.05)
    print(f"\n===== {REFERENCE.name} =====\n{beside.log.read_text()}", flush=True)
    return beside.process.returncode, time.monotonic() - begun


def pytest(supervisor: Supervisor, run: Run, arguments: list[str], more: dict[str, str], lines: Path | None) -> int:
    """Run pytest once; ``lines`` is the folder that is to hold which lines ran, if they are counted."""
    argv = [sys.executable, "-m", "pytest", "-m", run.marked]
    if run.processes:
        argv += ["-n", str(run.processes), "--dist", "worksteal"]
    env = environment() | more
    if lines:
        argv += ["-p", "deploy.lines_run"]
        env[coverage.FOLDER] = str(lines)
    return supervisor.run([*argv, *(arguments or run.where)], env=env)


def summary(done: list[tuple[Run, int, float]], ran: dict[str, float] | None) -> int:
    """Print what ran, and return 0 only if something ran, nothing failed, and the floors of coverage are kept."""
    print("\n===== what ran =====")
    for run, code, seconds in done:
        passed = "passed" if CHROMIUM or not run.in_chromium else "DID NOT RUN, there is no Chromium"
        said = {0: passed, NO_TESTS: "selected no test"}.get(code, f"FAILED (pytest's exit code {code})")
        print(f"{run.name}: {said}, {seconds:.0f} s")
    lines, kept = (
        coverage.verdict(ran)
        if ran
        else (["LINES WERE NOT COUNTED: only some tests ran, or slipcover has no wheel here."], True)
    )
    print(*lines, sep="\n")
    if not CHROMIUM:
        print("!!!!! NO BROWSER TEST RAN: no Chromium here (on Debian: apt-get install chromium-headless-shell). !!!!!")
    if not shutil.which("systemd-analyze"):
        print(
            "!!!!! HOW EXPOSED THE SERVICES ARE WAS NOT MEASURED: no systemd-analyze here (on Debian: systemd). !!!!!"
        )
    codes = {code for _, code, _ in done}
    return 0 if codes <= {0, NO_TESTS} and 0 in codes and kept else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
