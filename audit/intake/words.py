"""Words and names in canonical text: what is the same word whoever typed it."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping
from typing import Final

_HYPHENS: Final = re.compile("[\u2010-\u2015\u2212\ufe58\uff0d]")
_BETWEEN: Final = re.compile(r"[\s_-]+")


def canonical(word: str) -> str:
    """A word without case, extra spaces and Unicode form: ` Eye-Protection` is `eye-protection`."""
    same_form = unicodedata.normalize("NFKC", word).casefold()
    # A capital whose small form is two characters (İ) may come out of NFKC's form.
    return " ".join(unicodedata.normalize("NFKC", _HYPHENS.sub("-", same_form)).split())


def canonical_list(cell: str) -> str:
    """The words of a list in one cell, each in canonical text, `; ` between them."""
    return "; ".join(word for entry in cell.split(";") if (word := canonical(entry)))


def meant(word: str, choices: tuple[str, ...], synonyms: Mapping[str, str]) -> str | None:
    """The word of a closed list that is meant; None where there is none. Spaces and `_` will do for hyphens."""
    text = canonical(word)
    text = synonyms.get(text, text)
    if text in choices:
        return text
    hyphened = _BETWEEN.sub("-", text)
    return hyphened if hyphened in choices else None
