"""Whole outputs, byte for byte: what a reader of any format gets changes only where somebody means it to."""

from __future__ import annotations

import pytest

from audit.pipeline import Audited
from tests.golden_files import FOLDER, MESSAGES, SHAPES, golden_files, messages

MADE = golden_files()


def test_every_format_has_a_golden_file() -> None:
    """The folder holds a file for each output, and none that nothing makes any more."""
    assert sorted([*MADE, MESSAGES, SHAPES]) == sorted(path.name for path in FOLDER.iterdir())


@pytest.mark.parametrize("name", sorted(MADE))
def test_outputs_are_as_they_were(name: str) -> None:
    """`make golden` writes them anew after a change that is meant; the difference shows in review."""
    assert MADE[name] == (FOLDER / name).read_bytes()


def test_every_rule_says_what_it_said(sample_audit: Audited) -> None:
    """The sentences of all rules on the sample records, which somebody has read aloud; each rule has one."""
    made = messages(sample_audit)
    assert made == (FOLDER / MESSAGES).read_bytes()
    # The one that stands in a list of words is meant.
    assert made.count(b"None") == made.count(b"none, None, no")
    assert b"{" not in made
