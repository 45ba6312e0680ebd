"""Whole outputs, byte for byte: what a reader of any format gets changes only where somebody means it to."""

from __future__ import annotations

import pytest

from tests.golden_files import FOLDER, golden_files

MADE = golden_files()


def test_every_format_has_a_golden_file() -> None:
    """The folder holds a file for each output, and none that nothing makes any more."""
    assert sorted(MADE) == sorted(path.name for path in FOLDER.iterdir())


@pytest.mark.parametrize("name", sorted(MADE))
def test_outputs_are_as_they_were(name: str) -> None:
    """`make golden` writes them anew after a change that is meant; the difference shows in review."""
    assert MADE[name] == (FOLDER / name).read_bytes()
