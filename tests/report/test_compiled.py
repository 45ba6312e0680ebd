"""Compiled templates are kept, used again, made anew where a template changed, and done without where they can't be."""

from __future__ import annotations

import errno
import sys
from pathlib import Path

import pytest
from jinja2 import Environment, FileSystemLoader

from audit.report.compiled import Compiled


@pytest.fixture
def templates(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(sys, "dont_write_bytecode", False)
    (tmp_path / "page.j2").write_text("one", encoding="utf-8")
    return tmp_path


def page(templates: Path) -> str:
    environment = Environment(loader=FileSystemLoader(templates), bytecode_cache=Compiled(templates))
    return environment.get_template("page.j2").render()


def test_a_template_is_compiled_once(templates: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert page(templates) == "one"
    with monkeypatch.context() as patched:
        patched.setattr(Environment, "_compile", lambda *_: pytest.fail("compiled again"))
        assert page(templates) == "one"
    (templates / "page.j2").write_text("two", encoding="utf-8")
    assert page(templates) == "two"


def test_nothing_is_kept_where_python_keeps_nothing(templates: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "dont_write_bytecode", True)
    assert page(templates) == "one"
    assert [one.name for one in templates.iterdir()] == ["page.j2"]


def test_a_page_is_made_where_nothing_can_be_written(templates: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def read_only(*_: object, **__: object) -> None:
        raise OSError(errno.EROFS, "Read-only file system")

    monkeypatch.setattr(Path, "mkdir", read_only)
    assert page(templates) == "one"
    assert [one.name for one in templates.iterdir()] == ["page.j2"]
