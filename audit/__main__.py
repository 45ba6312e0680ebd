"""The command `deicer-audit`, which `python -m audit` is too."""

from __future__ import annotations

from audit import interrupts


def main() -> None:
    """Listen for Ctrl-C, then load and run the command line."""
    interrupts.listen()
    from audit.cli import main as command_line

    command_line()


if __name__ == "__main__":
    main()
