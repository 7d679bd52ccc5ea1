"""The environment that doughkit makes for itself in a clone: where it is, whether it is whole, how
it is made, and how a command is run inside it.

Standard library only: this file runs before anything is installed.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import shutil
import subprocess
import sys
import sysconfig
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from doughkit.watch import AGAIN, Closed, Watch, packages_so_far

SIZE = "about 0.8 GB"
ROOM_NEEDED_GB = 1.5
"""Room for the environment and for what is unpacked beside it meanwhile."""

NEEDED = (
    "pandas",
    "numpy",
    "scipy",
    "statsmodels",
    "seaborn",
    "matplotlib",
    "jupyterlab",
    "nbclient",
    "nbconvert",
    "nbformat",
    "ipykernel",
    "joblib",
    "openpyxl",
    "python_calamine",
)
NEEDED_BY_TEST = ("pytest", "hypothesis")
"""What must be importable: the names under which pyproject.toml asks for it, _ for -."""

INSTALL = (
    "install",
    "--require-hashes",
    "--prefer-binary",
    "--no-input",
    "--no-warn-script-location",
    "--disable-pip-version-check",
    "--progress-bar=off",
)


@dataclass(frozen=True)
class Own:
    """The environment of the clone at `root`."""

    root: Path

    @property
    def place(self) -> Path:
        return self.root / ".doughkit"

    @property
    def folder(self) -> Path:
        return self.place / "env"

    @property
    def lock(self) -> Path:
        return self.root / "requirements.lock"

    @property
    def log(self) -> Path:
        return self.place / "set-up.log"

    @property
    def stamp(self) -> Path:
        """Written last: where it stands and fits, the environment is whole."""
        return self.folder / "doughkit-stamp.txt"

    @property
    def python(self) -> Path:
        parts = ("Scripts", "python.exe") if os.name == "nt" else ("bin", "python")
        return self.folder.joinpath(*parts)

    @property
    def packages(self) -> Path:
        base = {"base": str(self.folder), "platbase": str(self.folder)}
        return Path(sysconfig.get_path("purelib", "venv", base))

    def fitting_stamp(self) -> str:
        """What the stamp must say: this Python, this kind of machine, this lock."""
        sha = hashlib.sha256(self.lock.read_bytes()).hexdigest()
        return f"{sys.implementation.cache_tag} {sysconfig.get_platform()} {sha}\n"

    def is_ready(self) -> bool:
        with contextlib.suppress(OSError):
            return self.python.exists() and self.stamp.read_text("utf8") == self.fitting_stamp()
        return False

    def runs_this(self) -> bool:
        return same_folder(sys.prefix, self.folder)

    def surroundings(self) -> dict[str, str]:
        """Variables for a command inside: no foreign packages, all settings kept in `.doughkit`."""
        foreign = ("PYTHONPATH", "PYTHONHOME", "JUPYTER_PATH", "VIRTUAL_ENV")
        kept = {name: value for name, value in os.environ.items() if name not in foreign}
        return kept | {
            "MPLCONFIGDIR": str(self.place / "matplotlib"),
            "IPYTHONDIR": str(self.place / "ipython"),
            "JUPYTER_CONFIG_DIR": str(self.place / "jupyter" / "config"),
            "JUPYTER_DATA_DIR": str(self.place / "jupyter" / "data"),
            "JUPYTER_PREFER_ENV_PATH": "1",
        }


def same_folder(one: str | os.PathLike, other: str | os.PathLike) -> bool:
    return os.path.realpath(one) == os.path.realpath(other)


def become(python: str | os.PathLike, words: list[str], surroundings: dict[str, str]) -> int:
    """Go on as `python -m doughkit words`; where that can't replace this process, await it."""
    command = [os.fspath(python), "-m", "doughkit", *words]
    sys.stdout.flush()
    sys.stderr.flush()
    if os.name == "nt":
        return subprocess.call(command, env=surroundings)
    os.execve(command[0], command, surroundings)


def set_up(own: Own) -> None:
    """Make the environment, or make it anew; until the stamp stands, nothing counts."""
    try:
        claim(own)
        with only_one(own.place / "set-up.lock") as held:
            if own.is_ready():  # another call made it while this one waited
                return
            free = shutil.disk_usage(own.place).free / 1e9
            if free < ROOM_NEEDED_GB:
                raise Closed(
                    f"too little room: {ROOM_NEEDED_GB:g} GB must be free in {own.root}, and "
                    f"{free:.1f} GB are."
                )
            announce(own)
            build(own, held)
    except OSError as error:
        raise Closed(f"set-up failed: {error}. {AGAIN}") from error


def claim(own: Own) -> None:
    """Take `.doughkit` in the clone, unless somebody else's files lie there."""
    mark = own.place / "README.txt"
    try:
        own.place.mkdir(exist_ok=True)
        # the mark is written before all else, so a folder in use without it is somebody else's
        if any(own.place.iterdir()) and not mark.exists():
            raise Closed(f"{own.place} holds files that doughkit did not make: move them.")
        if not mark.exists():
            mark.write_text("Made by doughkit for itself. To undo, delete this folder.\n", "utf8")
    except OSError as error:
        raise Closed(
            f"can't write in {own.root} ({error.strerror}): clone into a folder of your own."
        ) from error


@contextlib.contextmanager
def only_one(path: Path) -> Iterator[int]:
    """Let one set-up through at a time.

    The lock is the operating system's and is freed when its holder ends, however it ends; the
    file alone means nothing, so none can be left behind to bar the way.
    """
    with open(path, "ab") as file:
        if not try_lock(file.fileno()):
            print("Another call is setting up this clone; waiting for it.", flush=True)
            while not try_lock(file.fileno()):
                time.sleep(0.5)
        yield file.fileno()


def try_lock(handle: int) -> bool:
    try:
        if os.name == "nt":
            import msvcrt

            os.lseek(handle, 0, os.SEEK_SET)
            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        # any other error comes from a file system without locks: there one call at a time must do
        return error.errno not in (errno.EAGAIN, errno.EACCES, errno.EDEADLK)
    return True


def announce(own: Own) -> None:
    if own.folder.exists():
        print(f"The environment in {own.place} is unfinished or no longer fits; making it anew.")
    else:
        print(
            f"First use: doughkit makes an environment of its own, {SIZE}, in\n  {own.place}\n"
            "from the package registry; this takes a minute or a few. Nothing outside that folder\n"
            "changes (but for pip's usual download cache). To undo, delete the folder."
        )


def build(own: Own, held: int) -> None:
    """Environment, packages, a trial, and the stamp last."""
    began = time.monotonic()
    own.stamp.unlink(missing_ok=True)
    if own.folder.exists():
        shutil.rmtree(own.folder)
    own.log.write_bytes(b"")
    watch = Watch(own.log, own.surroundings(), held)
    pip = make_venv(own, watch)
    watch.run(
        "fetching and installing",
        [*pip, *INSTALL, "-r", str(own.lock)],
        how_far=lambda: packages_so_far(own.log, own.packages),
    )
    furnish(own)
    names = ", ".join(NEEDED + NEEDED_BY_TEST)
    # this also lets matplotlib look for fonts now, so that no notebook is interrupted by it
    trial = f"import {names}, matplotlib.font_manager, doughkit"
    watch.run("trying it out", [str(own.python), "-c", trial])
    unstamped = own.stamp.with_suffix(".new")
    unstamped.write_text(own.fitting_stamp(), "utf8")
    os.replace(unstamped, own.stamp)
    print(f"Set up in {time.monotonic() - began:.0f} s.\n", flush=True)


def make_venv(own: Own, watch: Watch) -> list[str]:
    """Make the bare environment; the answer is the command that is its pip."""
    venv = [sys.executable, "-I", "-m", "venv"]
    if watch.succeeds("making the environment", [*venv, str(own.folder)]):
        return [str(own.python), "-m", "pip"]
    # Debian's Python without python3-venv can't bring pip along, but may have one of its own
    shutil.rmtree(own.folder, ignore_errors=True)
    if watch.succeeds(
        "making the environment without pip", [*venv, "--without-pip", str(own.folder)]
    ):
        pip = [sys.executable, "-m", "pip", "--python", str(own.python)]
        if watch.succeeds("looking for another pip", [*pip, "--version"]):
            return pip
    shutil.rmtree(own.folder, ignore_errors=True)
    raise Closed(
        "this Python can't make an environment: on Debian or Ubuntu say 'sudo apt install "
        f"python3-venv', elsewhere install Python from its makers. {AGAIN}"
    )


def furnish(own: Own) -> None:
    """Let the checkout be imported from anywhere."""
    # a relative path, so that a moved clone goes on working
    away = os.path.relpath(own.root, own.packages)
    (own.packages / "doughkit-checkout.pth").write_text(f"{away}\n", "utf8")
