"""What nobody can see in a text must be shown."""

from __future__ import annotations

import pytest

from audit.report.visible import all_visible, visible


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("plain, accénted, 漢字, عربي", "plain, accénted, 漢字, عربي"),
        ("\u202egnp.exe", "[U+202E]gnp.exe"),
        ("a\u2066b\u2069", "a[U+2066]b[U+2069]"),
        ("zero\u200bwidth\ufeff", "zero[U+200B]width[U+FEFF]"),
        ("\x1b[31mred\x00", "[U+001B][31mred[U+0000]"),
        ("two\r\nlines\tand a tab", "two lines and a tab"),
    ],
)
def test_hidden_characters_are_spelled_out(text: str, shown: str) -> None:
    """Control, direction and zero-width characters become their code; readable text stays."""
    assert visible(text) == shown
    assert all_visible(f"before{text}after") == (text == shown)
