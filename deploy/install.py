"""Makes .venv with the locked packages, once for each change of a lock. Runs before anything is installed."""

import hashlib
import os
import shutil
import subprocess
import sys
import venv
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
VENV = ROOT / ".venv"
PYTHON = VENV / "bin" / "python"
NEEDED_BYTES = 1_700_000_000  # a full .venv is 1.3 GB; pip unpacks beside it
ROOM = f"the packages need {NEEDED_BYTES / 1e9:.1f} GB free"


def main(locks: list[str]) -> int:
    try:
        make_venv()
        for lock in locks:
            install(ROOT / "deploy" / lock)
    except OSError as error:
        where = error.filename or VENV
        return complain(f"Cannot write to {where}: {error.strerror}. Give this folder room and rights.")
    except CannotInstall as error:
        return complain(str(error))
    return 0


class CannotInstall(Exception):
    """Says in one sentence why the packages cannot be installed."""


def make_venv() -> None:
    if works(PYTHON):
        return
    if VENV.exists():
        shutil.rmtree(VENV)
    if shutil.disk_usage(ROOT).free < NEEDED_BYTES:
        raise CannotInstall(f"Too little room on the disk of {ROOT}: {ROOM}.")
    print("Making .venv for the locked packages.", flush=True)
    try:
        venv.create(VENV, with_pip=True, symlinks=True)
    except subprocess.CalledProcessError as error:
        shutil.rmtree(VENV, ignore_errors=True)
        raise CannotInstall(
            "This Python cannot make a virtual environment: install its venv module "
            "(on Debian and Ubuntu the package python3-venv) and run this again."
        ) from error


def works(python: Path) -> bool:
    """Whether the .venv is there and its Python, which may have been replaced since, still runs and is new enough."""
    if not python.exists():
        return False
    check = [str(python), "-c", "import sys, pip; sys.exit(sys.version_info < (3, 11))"]
    return subprocess.run(check, capture_output=True).returncode == 0


def install(lock: Path) -> None:
    wanted = hashlib.sha256(lock.read_bytes()).hexdigest()
    stamp = VENV / f"{lock.stem}.installed"
    if stamp.exists() and stamp.read_text() == wanted:
        return
    names = [line.split("==")[0] for line in lock.read_text().splitlines() if "==" in line]
    log = VENV / f"{lock.stem}.log"
    command = [str(PYTHON), "-m", "pip", "install", "--require-hashes", "--no-input", "--disable-pip-version-check"]
    command += ["--progress-bar", "off", "--only-binary", ":all:", "--no-compile"]
    command += [*(["--no-deps"] if lock.stem.endswith("no-deps") else []), "-r", str(lock)]
    with log.open("w") as said:
        pip = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
        assert pip.stdout is not None
        seen = 0
        for line in pip.stdout:
            said.write(line)
            if line.startswith(("Collecting ", "Requirement already satisfied")):
                seen += 1
                tell(f"Installing {lock.name}: {min(seen, len(names))} of {len(names)} packages")
            elif line.startswith("Installing collected"):
                tell(f"Installing {lock.name}: unpacking, a minute or so")
    tell("")
    if pip.wait() != 0:
        raise CannotInstall(why_pip_failed(log))
    compile_all()
    stamp.write_text(wanted)


def compile_all() -> None:
    """What pip would do one file after the other, on all cores. What no Python can read is left as it is."""
    command = [str(PYTHON), "-m", "compileall", "-q", "-j", "0", str(VENV / "lib")]
    subprocess.run(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)


def why_pip_failed(log: Path) -> str:
    text = log.read_text()
    if "No space left on device" in text:
        return f"The disk is full, so the packages could not be installed: {ROOM}."
    if "after connection broken by" in text:
        return "The package index does not answer: check the network and run this again; what was fetched is kept."
    if "DO NOT MATCH THE HASHES" in text:
        return f"A fetched package differs from the locked one, so it was not installed: see {log}."
    errors = [line for line in text.splitlines() if line.startswith("ERROR:")]
    return f"The packages could not be installed ({errors[-1][7:] if errors else 'pip stopped'}): see {log}."


def tell(text: str) -> None:
    if sys.stdout.isatty():
        columns = shutil.get_terminal_size().columns - 1
        print("\r" + text[:columns].ljust(columns) + ("" if text else "\r"), end="", flush=True)
    elif text.endswith("or so"):
        print(text, flush=True)


def complain(sentence: str) -> int:
    print(sentence, file=sys.stderr)
    return 1


if __name__ == "__main__":
    os.umask(0o022)
    try:
        sys.exit(main(sys.argv[1:]))
    except KeyboardInterrupt:
        sys.exit(complain("\nStopped; what was installed is kept."))
