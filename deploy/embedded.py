"""The whole portal on one machine: database file, queue, worker, beat and web server under one process manager."""

import argparse
import errno
import fcntl
import os
import shutil
import socket
import sys
import time
import urllib.error
import urllib.request
from pathlib import Path
from urllib.parse import quote

from deploy.processes import Program, Stopped, Supervisor, Trouble, start_queue

ROOT = Path(__file__).resolve().parent.parent
NEEDED_BYTES = 300_000_000  # the demo, its database and its compressed assets take about a third of this
WORKERS = {"mail": 1, "imports": 1, "nights": 2}
"""Each queue's own worker processes: a long job of one queue keeps none of another waiting."""
WORKER_OPTIONS = ("--loglevel", "INFO", "--without-gossip", "--without-mingle")


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="./deploy/run", description="Start the portal on this machine.")
    parser.add_argument("--port", type=int, default=8000, help="where the web server listens (8000)")
    parser.add_argument("--no-serve", action="store_true", help="stop after the nightly job and its table")
    parser.add_argument("--no-demo", action="store_true", help="begin empty, for a firm of your own")
    asked = parser.parse_args(arguments)
    var = Path(os.environ.get("PORTAL_VAR", ROOT / "var"))
    os.umask(0o077)  # customers' data is for nobody else on this machine
    try:
        lock = take(var)
        listener = None if asked.no_serve else listen(asked.port)
        with Supervisor(var / "log", held=(lock,)) as supervisor:
            supervisor.stop_on_signals()
            run(supervisor, var, asked.port, listener, demo=not asked.no_demo)
    except Stopped:
        print("\nStopped. The data stays in place; the next start takes seconds.")
        return 0
    except Trouble as trouble:
        print(trouble, file=sys.stderr)
        return 1
    except OSError as error:
        where = error.filename or var
        print(f"Cannot write to {where}: {error.strerror}. Give that folder room and rights.", file=sys.stderr)
        return 1
    return 0


def take(var: Path) -> int:
    """Make the data folder, see that it can be used, and hold its lock until the last program has ended."""
    var.mkdir(parents=True, exist_ok=True)
    (var / "assets").mkdir(exist_ok=True)
    lock = os.open(var / "run.lock", os.O_RDWR | os.O_CREAT, 0o600)
    deadline = time.monotonic() + 10  # programs of a killed start are still being stopped
    while True:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
            break
        except BlockingIOError:
            owner = os.pread(lock, 20, 0).decode().strip()
            if runs(owner) or time.monotonic() > deadline:
                raise Trouble(
                    f"Rinsemark already runs from {var} (process {owner}): stop that one first, with Ctrl-C."
                ) from None
            time.sleep(0.1)
    os.ftruncate(lock, 0)
    os.pwrite(lock, f"{os.getpid()}\n".encode(), 0)
    free = shutil.disk_usage(var).free
    if free < NEEDED_BYTES:
        raise Trouble(
            f"Too little room on the disk of {var}: "
            f"{free / 1e6:.0f} MB are free, {NEEDED_BYTES / 1e6:.0f} MB are needed."
        )
    return lock


def runs(process: str) -> bool:
    try:
        os.kill(int(process), 0)
    except (ValueError, ProcessLookupError):
        return False
    except PermissionError:  # somebody else's
        return True
    return True


def listen(port: int) -> socket.socket:
    """Claim the port before the long work starts; the web server takes it over."""
    listener = socket.socket()
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind(("127.0.0.1", port))
        listener.listen(64)  # or a second start could bind it too
    except (OSError, OverflowError) as error:
        if isinstance(error, OSError) and error.errno == errno.EADDRINUSE:
            why = f"Port {port} is in use by another program"
        elif isinstance(error, OSError) and error.errno == errno.EACCES:
            why = f"Port {port} needs more rights than this user has"
        else:
            why = f"Port {port} is not a port"
        raise Trouble(f"{why}: choose another, such as ./deploy/run --port 8001.") from None
    return listener


def run(supervisor: Supervisor, var: Path, port: int, listener: socket.socket | None, *, demo: bool) -> None:
    address = f"http://localhost:{port}"
    env = {"PORTAL_BASE_URL": address, "DJANGO_SETTINGS_MODULE": "portal.settings"} | dict(os.environ)
    env.setdefault("PORTAL_DATABASE_URL", f"sqlite:///{quote(str(var.resolve() / 'portal.sqlite3'))}")
    env |= {"PORTAL_VAR": str(var), "PYTHONUNBUFFERED": "1", "PORTAL_ERRORS_TO": str(var / "log" / "start.log")}
    python = sys.executable
    celery = [python, "-m", "celery", "--app", "workers.app"]
    ready = var / "ready"
    ready.unlink(missing_ok=True)
    if "PORTAL_REDIS_URL" not in env:
        _, env["PORTAL_REDIS_URL"] = start_queue(supervisor, var / "queue")

    def look_after() -> None:
        for sentence in supervisor.mend():
            print(sentence, flush=True)

    def start_servers() -> None:
        """Once the tables are there."""
        look_after()
        if not ready.exists():
            return
        ready.unlink()
        for name, processes in WORKERS.items():
            asked = ["--queues", name, "--hostname", f"{name}@%h", "--concurrency", str(processes)]
            supervisor.start(Program(f"worker-{name}", [*celery, "worker", *asked, *WORKER_OPTIONS], env))
        if listener is not None:
            bind = f"fd://{listener.fileno()}"
            gunicorn = [python, "-m", "gunicorn", "--config", "deploy/gunicorn_conf.py", "--bind", bind]
            supervisor.start(Program("web", gunicorn, env, pass_fds=(listener.fileno(),)))

    before = ["migrate --verbosity 0", "prepare_assets", *(["demo"] if demo else [])]
    after = ["nightly --wait", "standing", *(["demo --logins"] if demo else [])]
    commands = [python, "-m", "deploy.commands", str(ready), *before, "--", *after]
    if supervisor.run(commands, env=env, meanwhile=start_servers) != 0:
        raise Trouble("Rinsemark did not start, for the reason above.")
    if listener is None:
        return
    start_servers()  # if all was over before they were seen to be ready
    supervisor.start(Program("beat", [*celery, "beat", "--schedule", var / "beat"], env))
    web = next(child for child in supervisor.children if child.program.name == "web")
    supervisor.wait_until(lambda: answers(f"http://127.0.0.1:{port}/"), web, 120)
    print(f"\nRinsemark is at {address}. Ctrl-C stops it and everything it started.", flush=True)
    while True:
        supervisor.wait(0.5)
        look_after()


def answers(url: str) -> bool:
    try:
        urllib.request.urlopen(url, timeout=5).close()
    except urllib.error.HTTPError:
        return True
    except OSError:
        return False
    return True


if __name__ == "__main__":
    sys.exit(main())
