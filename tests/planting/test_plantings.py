"""What a drill plants, edit by edit, for rules of many shapes."""

from __future__ import annotations

import pytest

from tests.golden_files import FOLDER, PLANTINGS
from tests.planting.plantings import ASKED, chapter

_, *CHAPTERS = (FOLDER / PLANTINGS).read_text(encoding="utf-8").split("\n## ")
KEPT = dict(text.split("\n\n", 1) for text in CHAPTERS)


def test_every_shape_has_its_chapter() -> None:
    """And none is told of that nobody asks for any more."""
    assert list(KEPT) == list(ASKED)


@pytest.mark.parametrize("name", ASKED)
def test_what_is_planted_is_what_was_planted(name: str) -> None:
    """`make golden` writes it anew after a change that is meant; the difference shows in review."""
    assert chapter(ASKED[name]).strip() == KEPT[name].strip()
