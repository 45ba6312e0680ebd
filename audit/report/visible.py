"""Text from records, made safe to look at: nothing in it moves or hides what stands around it."""

from __future__ import annotations

import re

_BREAKS = re.compile(r"[\t\n\r]+")
_NOT_IN_XML = re.compile("[\ud800-\udfff\ufffe\uffff]")
_HIDDEN = re.compile(
    "[\x00-\x1f\x7f-\x9f\u00ad\u061c\u180e\u200b-\u200f\u2028-\u202e\u2060-\u206f"
    "\ufeff\ufff9-\ufffb\U000e0000-\U000e007f]"
)


def visible(text: str) -> str:
    """Write control, direction-changing and zero-width characters as `[U+202E]`.

    Line breaks and tabs become a space. A terminal obeys control characters, and a browser
    direction marks, even inside escaped text: both can make a record read as what it is not.
    """
    # Nearly every text is printable, and then none of them is in it.
    return text if text.isprintable() else _HIDDEN.sub(_named, _BREAKS.sub(" ", text))


def fit_for_xml(text: str) -> str:
    """As `visible`, and without what XML can't hold: half characters, as file names may bring, and non-characters."""
    return _NOT_IN_XML.sub(_named, visible(text))


def _named(character: re.Match[str]) -> str:
    return f"[U+{ord(character[0]):04X}]"


def all_visible(text: str) -> bool:
    """Whether `visible` would leave the text as it is: asked of many texts at once, joined."""
    return _HIDDEN.search(text) is None
