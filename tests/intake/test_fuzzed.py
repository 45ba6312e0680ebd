"""A few hundred mutated exports, mappings and rule files; `make fuzz` tries many more."""

from __future__ import annotations

import pytest

from tests import fuzzing


def test_mutated_inputs_are_read_or_refused(capsys: pytest.CaptureFixture[str]) -> None:
    """Whatever is changed in a sound file, reading it ends in rows or in one sentence."""
    assert fuzzing.main(300, first=1_000_000) == 0
    counted = capsys.readouterr().out
    assert all(f" {kind} refused" in counted for kind in fuzzing.KINDS)
