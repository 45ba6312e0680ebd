"""The command `deicer-audit`, which `python -m audit` is too."""

from __future__ import annotations

import os

from audit import interrupts

TYPE_CHECKING = False  # `typing` takes longer to load than what is needed here
if TYPE_CHECKING:
    from typing import NoReturn


def main() -> NoReturn:
    """Listen for Ctrl-C, then load and run the command line, and end the process with its exit code."""
    interrupts.listen()
    from audit.cli import main as command_line

    code = command_line()
    import atexit

    atexit._run_exitfuncs()
    # Python's own way out takes objects apart while a thread of Arrow may still hold bytes that it read: now and then
    # the process would end with SIGABRT instead of the exit code.
    os._exit(code)


if __name__ == "__main__":
    main()
