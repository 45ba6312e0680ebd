"""The report folder: a set of files put in place together, or not at all."""

from __future__ import annotations

import hashlib
import os
import shutil
import signal
import sys
import tempfile
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from types import FrameType

from audit.errors import AuditError

STAGING = ".deicer-audit-staging-"
KEPT = "-kept-"
"""Part of the name under which a file is kept that was in the place of another, and may be somebody's work."""


def kept_as(name: str, content: bytes) -> str:
    """The name under which such a file is kept: its own, with a digest of what it holds."""
    path = Path(name)
    return f"{path.stem}{KEPT}{hashlib.sha256(content).hexdigest()[:8]}{path.suffix}"


def check_folder(out: Path) -> None:
    """Raise AuditError if `out` could not take files, without creating anything."""
    try:
        there = next(path for path in (out, *out.absolute().parents) if path.exists())
        if not there.is_dir():
            raise AuditError(f"{out} can't be written to: {there} is a file.")
        if not os.access(there, os.W_OK | os.X_OK):
            raise AuditError(f"{out} can't be written to: no right to write in {there}.")
    except OSError as error:
        raise _unwritable(out, error) from error


def replace_files(
    contents: Mapping[str, bytes],
    out: Path,
    gone: Collection[str] = (),
    placing: Callable[[], None] = lambda: None,
) -> list[Path]:
    """Write the files into `out`, in the order given, and take away those that are `gone`; AuditError if that fails.

    Everything is written and flushed to disk beside its place first, so until then a failure, even
    a killed process, leaves what was there. The renames that follow are held against Ctrl-C and
    termination, and undone if one fails. `placing` is called when only they are left to be done: what it raises leaves
    what was there, too. Other files in the folder are left alone; what a killed
    run left behind is cleared.
    """
    check_folder(out)
    try:
        out.mkdir(parents=True, exist_ok=True)
        with _one_run_at_a_time(out):
            for leftover in out.glob(f"{STAGING}*"):
                shutil.rmtree(leftover, ignore_errors=True)
            staging = Path(tempfile.mkdtemp(prefix=STAGING, dir=out))
            try:
                for name, content in contents.items():
                    _write(staging / name, content)
                _put_in_place(tuple(contents), gone, staging, out, placing)
            finally:
                shutil.rmtree(staging, ignore_errors=True)
    except OSError as error:
        raise _unwritable(out, error) from error
    return [out / name for name in contents]


def _unwritable(out: Path, error: OSError) -> AuditError:
    about = f" ({Path(error.filename).name})" if error.filename else ""
    return AuditError(f"{out} can't be written to: {error.strerror or error}{about}.")


@contextmanager
def _one_run_at_a_time(out: Path) -> Iterator[None]:
    """Make a second run on the same folder wait, so that two sets never mix.

    Windows has no such lock on folders, and some network drives know none at all: there the hashes
    in summary.json tell a mixed set.
    """
    if sys.platform == "win32":
        yield
        return
    import fcntl

    folder = os.open(out, os.O_RDONLY)
    try:
        with suppress(OSError):  # some network drives know no locks; the hashes in summary.json remain
            fcntl.flock(folder, fcntl.LOCK_EX)
        yield
    finally:
        os.close(folder)


def _write(path: Path, content: bytes) -> None:
    with path.open("wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())


def _put_in_place(
    names: Sequence[str], gone: Collection[str], staging: Path, out: Path, placing: Callable[[], None]
) -> None:
    earlier = staging / "earlier"
    earlier.mkdir()
    for name in (*names, *gone):
        if (out / name).exists():
            shutil.copy2(out / name, earlier / name)
    placing()
    with _signals_deferred():
        placed = []
        try:
            for name in names:
                (staging / name).replace(out / name)
                placed.append(name)
            for name in gone:
                (out / name).unlink(missing_ok=True)
                placed.append(name)
        except OSError:
            # Windows refuses to replace a file that a spreadsheet holds open: give back the
            # whole earlier set.
            for name in placed:
                if (earlier / name).exists():
                    (earlier / name).replace(out / name)
                else:
                    (out / name).unlink(missing_ok=True)
            raise
        _flush_folder(out)


def _flush_folder(folder: Path) -> None:
    if os.name != "posix":
        return  # elsewhere a folder can't be opened, and the system orders its entries itself
    opened = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(opened)
    finally:
        os.close(opened)


@contextmanager
def _signals_deferred() -> Iterator[None]:
    """Keep Ctrl-C and termination waiting, then let them take their usual course.

    Outside the main thread nothing can be held, and Ctrl-C doesn't arrive there.
    """
    received: list[int] = []

    def remember(number: int, _frame: FrameType | None) -> None:
        received.append(number)

    usual = {}
    for awaited in (signal.SIGINT, signal.SIGTERM):
        with suppress(ValueError):
            usual[awaited] = signal.signal(awaited, remember)
    try:
        yield
    finally:
        for awaited, handler in usual.items():
            signal.signal(awaited, handler if handler is not None else signal.SIG_DFL)
    for number in received:
        signal.raise_signal(number)
