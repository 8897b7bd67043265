#!/usr/bin/env python3
"""Two words a newcomer needs: `python3 dev.py demo` runs the main job, `python3 dev.py test` runs every check.

Standard library only. The environment lives in .venv and is made again when its two recipes changed.
"""

from __future__ import annotations

import hashlib
import shutil
import subprocess
import sys
import venv
from pathlib import Path

ROOT = Path(__file__).resolve().parent
VENV = ROOT / ".venv"
BIN = VENV / ("Scripts" if sys.platform == "win32" else "bin")
LOCK = ROOT / "requirements.lock"
STAMP = VENV / "made-from.sha256"

CHECKS: dict[str, list[str]] = {
    "format": ["ruff", "format", "--check", "."],
    "lint": ["ruff", "check", "."],
    "rooms": ["lint-imports"],
    "types": ["mypy"],
    "tests": ["pytest", "-n", "2", "--dist", "loadgroup", "--cov", "--cov-report=term:skip-covered"],
}


def main(words: list[str]) -> int:
    """Run one word; without a known word say what there is."""
    match words:
        case ["demo", *rest]:
            make_environment()
            return run(["carewatch", "demo", *rest])
        case ["test", *rest]:
            make_environment()
            return test(rest)
        case ["run", command, *rest]:
            make_environment()
            return run([command, *rest])
        case ["lock"]:
            return lock()
        case _:
            print("python3 dev.py demo | test [pytest arguments] | run COMMAND ... | lock")
            return 2


def make_environment() -> None:
    """Make .venv from the hash-locked requirements, unless it already stands for the same files."""
    if sys.version_info < (3, 11):
        sys.exit(f"carewatch needs Python 3.11 or newer; this is {sys.version.split()[0]}")
    wanted = hashlib.sha256(LOCK.read_bytes() + (ROOT / "pyproject.toml").read_bytes()).hexdigest()
    if STAMP.exists() and STAMP.read_text() == wanted:
        return
    print("making .venv from requirements.lock (once, about a minute) ...", flush=True)
    if VENV.exists():
        shutil.rmtree(VENV)
    venv.create(VENV, with_pip=True)
    pip = [str(BIN / "python"), "-m", "pip", "install", "--quiet", "--disable-pip-version-check"]
    subprocess.run([*pip, "--require-hashes", "-r", str(LOCK)], check=True, cwd=ROOT)
    subprocess.run([*pip, "--no-deps", "--no-build-isolation", "-e", str(ROOT)], check=True, cwd=ROOT)
    # The compiled engine is built once here, so that the first demo does not wait for it.
    run(["python", "-c", "from carewatch.freeze.engines import fastest; fastest()"])
    STAMP.write_text(wanted)


def test(pytest_arguments: list[str]) -> int:
    """Run every check; with arguments only pytest with them."""
    if pytest_arguments:
        return run(["pytest", *pytest_arguments])
    failed = []
    for name, command in CHECKS.items():
        print(f"--- {name}: {' '.join(command)}", flush=True)
        if run(command):
            failed.append(name)
    print("all checks passed" if not failed else f"FAILED: {', '.join(failed)}", flush=True)
    return 1 if failed else 0


def run(command: list[str]) -> int:
    """Run a command of the environment and give its exit code."""
    program = shutil.which(command[0], path=str(BIN))
    if program is None:
        print(f"There is no command {command[0]} in .venv; `ls .venv/{BIN.name}` lists what there is.")
        return 2
    return subprocess.run([program, *command[1:]], cwd=ROOT, check=False).returncode


def lock() -> int:
    """Write requirements.lock again (needs uv on the path); no registry address ends up in it."""
    return subprocess.run(
        ["uv", "pip", "compile", "--universal", "--python-version", "3.11", "--generate-hashes", "--no-header",
         "--no-annotate", "--extra", "test", "--extra", "zones", "--extra", "fast", "-o", str(LOCK), "pyproject.toml"],
        cwd=ROOT, check=False,
    ).returncode  # fmt: skip


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
