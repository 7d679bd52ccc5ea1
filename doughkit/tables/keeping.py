"""Files are replaced with care: one writer at a time, whole, the version before kept.

A file that a spreadsheet holds open, or that changed since this program read it, is left alone.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import tempfile
import time
from collections.abc import Iterator, Mapping
from pathlib import Path

from doughkit.environment import try_lock
from doughkit.tables.problems import StudyProblems, problem_error

PREVIOUS = "previous"
"""Folder in the study's folder that holds each file as it was before it was last saved."""

PATIENCE_S = 20.0
"""How long a save waits for another one."""

_AS_READ: dict[str, str] = {}
"""Fingerprints of files as this program last read or wrote them, by their whole path."""

_NO_ROOM = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)


def remember(files: Mapping[Path, str]) -> None:
    """Note how files were when they were handed out."""
    _AS_READ.update({os.path.realpath(path): sha for path, sha in files.items()})


@contextlib.contextmanager
def only_writer(path: str | Path) -> Iterator[None]:
    """Let one writer at a time into a study's folder; the lock ends with its holder."""
    folder = Path(path).expanduser()
    folder = folder.parent if folder.is_file() else folder
    try:
        handle = _handle(folder)
    except FileNotFoundError:
        yield  # what reads the folder next says that it is not there
        return
    except OSError as error:
        raise unwritable(folder, error) from error
    try:
        end = time.monotonic() + PATIENCE_S
        while not try_lock(handle):
            if time.monotonic() > end:
                raise problem_error(
                    folder.name,
                    found="another program that is saving into this study",
                    expected="one writer at a time",
                    mend="wait for it, or end it, and save again; nothing was written",
                )
            time.sleep(0.02)
        yield
    finally:
        os.close(handle)


def _handle(folder: Path) -> int:
    if os.name != "nt":
        return os.open(folder, os.O_RDONLY)
    # a folder can't be locked there
    (folder / PREVIOUS).mkdir(exist_ok=True)
    return os.open(folder / PREVIOUS / ".lock", os.O_RDWR | os.O_CREAT)


def refuse_if_held(path: Path) -> None:
    """Refuse to write a file that a spreadsheet has open."""
    for name in (f"~${path.name}", f".~lock.{path.name}#"):
        if (path.parent / name).exists():
            raise problem_error(
                path.name,
                found="a file that is open in a spreadsheet",
                expected="the file closed",
                mend="save and close it there, open the study again, then save; if no spreadsheet "
                f"has it open, delete the file {name}; nothing was written",
            )


def replace_kept(path: Path, content: bytes) -> None:
    """Replace a file whole and keep what stood there; refuse if it changed since it was read."""
    before = _content_of(path)
    now = hashlib.sha256(before).hexdigest() if before is not None else None
    known = _AS_READ.get(os.path.realpath(path))
    if known and now and known != now:
        raise problem_error(
            path.name,
            found="a file that was changed since it was read here",
            expected="the file as it was read",
            mend="open the study again, so that the change is not lost, then save; nothing was "
            "written",
        )
    if before == content:
        return
    if before is not None:
        keep(path, before)
    write_whole(path, content)
    remember({path: hashlib.sha256(content).hexdigest()})


def _content_of(path: Path) -> bytes | None:
    try:
        return path.read_bytes()
    except FileNotFoundError:
        return None
    except OSError as error:
        raise unwritable(path, error) from error


def keep(path: Path, content: bytes) -> Path:
    """Lay down a file's content in the folder for versions before."""
    folder = path.parent / PREVIOUS
    try:
        folder.mkdir(exist_ok=True)
    except OSError as error:
        raise unwritable(folder, error) from error
    write_whole(folder / path.name, content)
    return folder / path.name


def write_whole(path: Path, content: bytes) -> None:
    """Replace a file whole: whoever reads it meanwhile sees the old content or the new one."""
    target = Path(os.path.realpath(path))
    try:
        _clear_unfinished(target)
        handle, name = tempfile.mkstemp(
            dir=target.parent, prefix=f".{target.name}.", suffix=".part"
        )
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(content)
                file.flush()
                os.fsync(file.fileno())
            os.chmod(name, _mode_for(target))
            os.replace(name, target)
        except BaseException:
            with contextlib.suppress(OSError):
                os.unlink(name)
            raise
    except OSError as error:
        raise unwritable(path, error) from error


def _clear_unfinished(target: Path) -> None:
    """Take away what a save that was killed long ago left behind."""
    for part in target.parent.glob(f".{target.name}.*.part"):
        with contextlib.suppress(OSError):
            if time.time() - part.stat().st_mtime > 3600:
                part.unlink()


def unwritable(path: Path, error: OSError) -> StudyProblems:
    """What stops a file from being written, as one problem."""
    mend = "close it in the spreadsheet, see who may write in the folder, and save again"
    if error.errno in _NO_ROOM:
        mend = "make room on the disk, and save again"
    return problem_error(
        path.name,
        found=f"a file that cannot be written ({error.strerror})",
        expected="a folder with room, and the file closed in other programs",
        mend=f"{mend}; the old file is as it was",
    )


def _mode_for(target: Path) -> int:
    """The rights of the file it replaces, else those that new files get."""
    if target.exists():
        return target.stat().st_mode & 0o777
    umask = os.umask(0)
    os.umask(umask)
    return 0o666 & ~umask
