"""What rules of many shapes say and find, and what a drill plants for them, edit by edit."""

from __future__ import annotations

import pytest

from tests.golden_files import FOLDER, SHAPES
from tests.shapes import ASKED, chapter

_, *CHAPTERS = (FOLDER / SHAPES).read_text(encoding="utf-8").split("\n## ")
KEPT = dict(text.split("\n\n", 1) for text in CHAPTERS)


def test_every_shape_has_its_chapter() -> None:
    """And none is told of that nobody asks for any more."""
    assert list(KEPT) == list(ASKED)


@pytest.mark.parametrize("name", ASKED)
def test_what_is_said_and_planted_is_what_was(name: str) -> None:
    """`make golden` writes it anew after a change that is meant; the difference shows in review."""
    assert chapter(ASKED[name]).strip() == KEPT[name].strip()
