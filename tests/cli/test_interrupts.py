"""Ctrl-C at any moment: one sentence, exit code 130, no traceback."""

from __future__ import annotations

import os
import subprocess
import sys
import textwrap
from collections.abc import Callable
from importlib.metadata import entry_points
from pathlib import Path

import pytest

from audit.interrupts import SENTENCE

pytestmark = pytest.mark.skipif(os.name != "posix", reason="signals are sent the POSIX way")

PRESS = "os.kill(os.getpid(), signal.SIGINT)"


def start(before: str, *arguments: str, folder: Path) -> subprocess.CompletedProcess[str]:
    """Start the command as its script does, in a process in which `before` has been run and Ctrl-C works."""
    [script] = entry_points(group="console_scripts", name="deicer-audit")
    program = f"""
import os, signal, sys
signal.signal(signal.SIGINT, signal.default_int_handler)  # as at a terminal, whatever started the tests
{textwrap.dedent(before)}
sys.argv[0] = "deicer-audit"
from {script.module} import {script.attr}
{script.attr}()
"""
    command = [sys.executable, "-c", program, *arguments]
    return subprocess.run(command, cwd=folder, capture_output=True, text=True, timeout=100, check=False)


def on_import(name: str, what: str = PRESS) -> str:
    """A program that does something when the named module is about to be loaded."""
    return f"""
        class OnImport:
            def find_spec(self, name, path=None, target=None):
                if name == {name!r}:
                    sys.meta_path.remove(self)
                    {what}
        sys.meta_path.insert(0, OnImport())
    """


Check = Callable[[str], subprocess.CompletedProcess[str]]


@pytest.fixture
def check(clean_export: Path, tmp_path: Path) -> Check:
    """Starts a check in the test's folder."""
    return lambda before: start(before, "check", str(clean_export), "--skip-health", folder=tmp_path)


@pytest.mark.parametrize(
    "moment",
    [
        "audit.exit_codes",
        "audit.cli",
        "typer",
        "audit.cli.quarantine",
        "pandas",
        "numpy",
        "pyarrow.csv",
        "audit.pipeline",
        "audit.forms.hold",
        "audit.report.files",
        "jinja2",
    ],
)
def test_while_something_is_loaded(moment: str, check: Check, tmp_path: Path) -> None:
    """From the first module of the command on: nothing is said but that it was interrupted, nothing is written."""
    done = check(on_import(moment))
    assert (done.returncode, done.stderr, done.stdout) == (130, SENTENCE, "")
    assert list(tmp_path.iterdir()) == []


def test_while_rules_are_judged(check: Check) -> None:
    """The rules that wait for their turn are not judged any more."""
    judged = """
        import audit.spread.judging as room
        usual, calls = room.judge_by_week, []
        def judge(rule, timeline):
            calls.append(rule)
            if len(calls) == 3:
                os.kill(os.getpid(), signal.SIGINT)
            if len(calls) > 10:
                os._exit(99)
            import time
            time.sleep(0.05)
            return usual(rule, timeline)
        room.judge_by_week = judge
    """
    done = check(judged)
    assert (done.returncode, done.stderr) == (130, SENTENCE)


@pytest.mark.parametrize(
    "lost",
    [
        # Raised where nothing can catch it: Python would print it and go on.
        f"""
        class Object:
            def __del__(self):
                {PRESS}
                for _ in range(10_000): pass
        Object()
        """,
        # Caught by a library, which says something else, or nothing.
        f"""
        try:
            {PRESS}
            for _ in range(10_000): pass
        except KeyboardInterrupt:
            raise ValueError("no such file") from None
        """,
        f"""
        try:
            {PRESS}
            for _ in range(10_000): pass
        except BaseException:
            pass
        """,
    ],
    ids=["dropped", "turned into another error", "swallowed"],
)
def test_what_a_library_makes_of_it_does_not_count(lost: str, check: Check) -> None:
    """However the exception is lost, the audit was interrupted, and that is the last it says."""
    source = textwrap.dedent(lost)
    done = check(on_import("audit.pipeline", f"exec({source!r}, globals())"))
    assert (done.returncode, done.stderr.splitlines(keepends=True)[-1]) == (130, SENTENCE)
    assert "Traceback" not in done.stderr
    assert "no such file" not in done.stderr


def test_after_the_last_word(tmp_path: Path) -> None:
    """While Python takes itself apart there is no traceback either."""
    done = start(f"import atexit; atexit.register(lambda: {PRESS})", "--version", folder=tmp_path)
    assert (done.returncode, done.stderr) == (130, SENTENCE)


def test_pressed_again_while_it_clears_up(check: Check) -> None:
    """The second time nothing is waited for, and it is said once."""
    stubborn = textwrap.dedent(f"""
        class Stubborn:
            def __enter__(self): return self
            def __exit__(self, *error):
                {PRESS}
                os._exit(99)
        import audit.cli.check as room
        room._health_judge = lambda skipped: Stubborn()
    """)
    done = check(stubborn + textwrap.dedent(on_import("audit.pipeline")))
    assert (done.returncode, done.stderr) == (130, SENTENCE)


def test_where_it_is_ignored_it_stays_ignored(tmp_path: Path) -> None:
    """As under nohup: the command ends as if nobody had pressed anything."""
    before = "signal.signal(signal.SIGINT, signal.SIG_IGN)\n" + textwrap.dedent(on_import("typer"))
    done = start(before, "--version", folder=tmp_path)
    assert (done.returncode, done.stderr) == (0, "")
