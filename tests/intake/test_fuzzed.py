"""A few hundred mutated exports, mappings and rule files; `make fuzz` tries many more."""

from __future__ import annotations

import io
import random
from pathlib import Path
from zipfile import ZipFile

import pytest

from tests import fuzzing


def test_mutated_inputs_are_read_or_refused(capsys: pytest.CaptureFixture[str]) -> None:
    """Whatever is changed in a sound file, reading it ends in rows or in one sentence."""
    assert fuzzing.main(300, first=1_000_000) == 0
    counted = capsys.readouterr().out
    assert all(f" {kind} refused" in counted for kind in fuzzing.KINDS)


@pytest.mark.parametrize("kind", sorted(fuzzing.PACKED))
def test_a_part_is_changed_and_the_check_sums_hold(kind: str, tmp_path: Path) -> None:
    """One part, or its name, is another, and the archive can still be unpacked."""
    [sound] = fuzzing.make_inputs(tmp_path).sound[kind]
    before = parts(sound)
    contents = names = 0
    for seed in range(30):
        again = fuzzing.packed_again(sound, lambda part: part + b"!", random.Random(seed))
        assert again is not None
        after = parts(again)
        assert len(after) == len(before)
        [((name, part), now)] = [(was, now) for was, now in zip(before, after, strict=True) if was != now]
        contents += now == (name, part + b"!")
        names += now == (name + "!", part)
    assert contents + names == 30
    assert contents > names > 0
    assert fuzzing.packed_again(b"no archive", bytes, random.Random(0)) is None


def parts(content: bytes) -> list[tuple[str, bytes]]:
    with ZipFile(io.BytesIO(content)) as archive:
        assert archive.testzip() is None
        return [(member.filename, archive.read(member)) for member in archive.infolist()]
