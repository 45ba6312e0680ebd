"""Words and names in canonical text: what is the same word whoever typed it; and columns of words."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Collection, Mapping
from typing import Final

import numpy as np
import pandas as pd

_HYPHENS: Final = re.compile("[\u2010-\u2015\u2212\ufe58\uff0d]")
_BETWEEN: Final = re.compile(r"[\s_-]+")


def canonical(word: str) -> str:
    """A word without case, extra spaces and Unicode form: ` Eye-Protection` is `eye-protection`."""
    same_form = unicodedata.normalize("NFKC", word).casefold()
    # A capital whose small form is two characters (İ) may come out of NFKC's form.
    return " ".join(unicodedata.normalize("NFKC", _HYPHENS.sub("-", same_form)).split())


PLACEHOLDERS: Final = r"n[/.-] ?a\.?|none|nil|null|\(null\)|\\n"
"""Texts that are written where there is nothing, as a pattern."""
_NOTHING: Final = re.compile(rf"\W*|{PLACEHOLDERS}|tbd")
_LONGEST: Final = 6
"""Characters that such a text has at most."""


def says_nothing(text: str) -> bool:
    """Whether a text only says that there is nothing to say: `-`, `n/a`, `none`, `nil`, `tbd`, `?`; or,
    as databases write it, `NULL`, `(null)`, `\\N`."""
    # Descriptions are many, and nearly all too long to be asked.
    return len(text) <= _LONGEST and _NOTHING.fullmatch(canonical(text)) is not None


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


def words_in(frame: pd.DataFrame) -> list[str]:
    """The columns of words that rows share (categories)."""
    return [str(name) for name, dtype in frame.dtypes.items() if isinstance(dtype, pd.CategoricalDtype)]


def of_used_words(frame: pd.DataFrame, but: Collection[str] = ()) -> pd.DataFrame:
    """Some rows of a frame without the words that only others have; columns of `but` keep all."""
    fewer = {}
    for name in set(words_in(frame)).difference(but):
        codes, words = frame[name].array.codes, frame[name].array.categories
        used = np.zeros(len(words) + 1, dtype=bool)
        used[codes] = True  # a missing value marks the last one, which isn't a word
        if not used[:-1].all():
            number = np.append(np.cumsum(used[:-1]) - 1, -1)
            dtype = pd.CategoricalDtype(words.take(np.flatnonzero(used[:-1])))
            fewer[name] = pd.Categorical.from_codes(number[codes], dtype=dtype)
    return frame.assign(**fewer) if fewer else frame
