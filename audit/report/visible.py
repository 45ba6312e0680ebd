"""Text from records, made safe to look at: nothing in it moves or hides what stands around it."""

from __future__ import annotations

import re

_BREAKS = re.compile(r"[\t\n\r]+")
_HIDDEN = re.compile(
    "[\x00-\x1f\x7f-\x9f\u00ad\u061c\u180e\u200b-\u200f\u2028-\u202e\u2060-\u206f"
    "\ufeff\ufff9-\ufffb\U000e0000-\U000e007f]"
)


def visible(text: str) -> str:
    """Write control, direction-changing and zero-width characters as `[U+202E]`.

    Line breaks and tabs become a space. A terminal obeys control characters, and a browser
    direction marks, even inside escaped text: both can make a record read as what it is not.
    """
    return _HIDDEN.sub(lambda hidden: f"[U+{ord(hidden[0]):04X}]", _BREAKS.sub(" ", text))
