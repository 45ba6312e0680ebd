"""Ctrl-C: one sentence and exit code 130, at whatever moment it comes. It is listened for before anything is loaded."""

from __future__ import annotations

import os
import sys

try:
    import signal
    from contextlib import suppress

    from audit.exit_codes import ExitCode
except KeyboardInterrupt:
    os.write(2, b"deicer-audit: interrupted.\n")
    os._exit(130)  # as ExitCode has it, which may not be loaded yet

TYPE_CHECKING = False  # `typing` takes longer to load than everything here
if TYPE_CHECKING:
    from collections.abc import Callable
    from types import FrameType
    from typing import NoReturn

SENTENCE = "deicer-audit: interrupted.\n"


class _Interrupts:
    """Whether Ctrl-C was pressed, and what it does."""

    came = False
    told = False
    clears_up = False
    """Whether a command runs that has something to put away: a process, a folder that is half written."""


_state = _Interrupts()


def listen() -> None:
    """From now on Ctrl-C ends the process. Where whoever started it ignores Ctrl-C (nohup), it stays ignored."""
    if signal.getsignal(signal.SIGINT) is signal.default_int_handler:
        signal.signal(signal.SIGINT, _pressed)
        sys.unraisablehook = _unraisable


def guarded(command: Callable[[], int]) -> int:
    """Run a command; Ctrl-C raises KeyboardInterrupt in it, so that it can clear up; a second one ends it at once.

    Returns its exit code. Does not return where it was interrupted, whatever has become of the exception meanwhile.
    """
    try:
        _state.clears_up = True
        code = command()
        _state.clears_up = False
    except KeyboardInterrupt:
        leave()
    # A library may have caught it, or said something else instead: an interrupted audit has no other outcome.
    if _state.came:
        leave()
    return code


def came() -> bool:
    """Whether Ctrl-C was pressed."""
    return _state.came


def leave() -> NoReturn:
    """Say that the audit was interrupted, and end the process: threads are not waited for, nothing else is said."""
    if not _state.told:
        _state.told = True
        with suppress(OSError):  # whoever read along has left
            os.write(2, SENTENCE.encode())
    os._exit(ExitCode.INTERRUPTED)


def _pressed(_number: int, _frame: FrameType | None) -> None:
    _state.came = True
    if not _state.clears_up:
        leave()
    _state.clears_up = False
    raise KeyboardInterrupt


def _unraisable(lost: sys.UnraisableHookArgs) -> None:
    """Python prints and drops what is raised where nothing can catch it, as when an object is taken apart."""
    if issubclass(lost.exc_type, KeyboardInterrupt):
        leave()
    sys.__unraisablehook__(lost)
