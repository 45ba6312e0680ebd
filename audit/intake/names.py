"""Names of aircraft, boots, people, stations and the like: one spelled in several ways, and two that are nearly equal.

Everything is found out once for each different name, never row by row.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Collection, Hashable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import permutations
from types import MappingProxyType
from typing import Final

import numpy as np
import pandas as pd

from audit.intake.export import NEAR_NAME_COLUMNS, Rows
from audit.intake.tables import EVERY_POSITION, NAMES, TABLES, Column
from audit.intake.words import canonical

Frames = Mapping[str, pd.DataFrame]


@dataclass(frozen=True)
class Aliases:
    """What a mapping says of names, by kind (a key of NAMES): `same` are other spellings, each with the name that it
    stands for, `distinct` groups of names that are nearly equal, and rightly so."""

    same: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    distinct: Mapping[str, tuple[frozenset[str], ...]] = field(default_factory=dict)


NO_ALIASES: Final = Aliases()


# One spelling


def one_spelling(tables: dict[str, pd.DataFrame], set_aside: dict[str, pd.DataFrame], aliases: Aliases) -> None:
    """Spell names as `aliases` say, and a person's name alike in all rows, in place.

    Spellings of one name differ in case, spaces and Unicode form. That of the people table is taken, or else the most
    frequent; of equally frequent ones the first in code point order.
    """
    for kind, other in aliases.same.items():
        for frames in (tables, set_aside):
            for table, column in _there(kind, frames):
                _rename(frames[table], TABLES[table].columns[column], other)
    # Every spelling of a person: whether the people table has it, and how often it stands anywhere.
    folded: dict[str, dict[str, tuple[bool, int]]] = {}
    for table, column in _there("person", tables):
        cells = tables[table][column].cat
        counts = np.bincount(cells.codes.to_numpy() + 1, minlength=len(cells.categories) + 1)[1:]
        for name, count in zip(cells.categories, counts.tolist(), strict=True):
            spellings = folded.setdefault(canonical(name), {})
            listed, before = spellings.get(name, (False, 0))
            spellings[name] = listed or table == "people", before + count
    best = {name: min(many, key=lambda one: (not many[one][0], -many[one][1], one)) for name, many in folded.items()}
    names = {spelling: best[name] for name, many in folded.items() for spelling in many if spelling != best[name]}
    # In quarantine names are only brought to the spelling of the audited rows: they give none themselves.
    if not names and not set_aside:
        return
    for table, column in _there("person", tables):
        _rename(tables[table], TABLES[table].columns[column], names)
    for table, column in _there("person", set_aside):
        words = set_aside[table][column].cat.categories
        known = {word: best.get(canonical(word), word) for word in words}
        _rename(set_aside[table], TABLES[table].columns[column], known)


def _there(kind: str, frames: Frames) -> Iterator[tuple[str, str]]:
    return ((table, column) for table, column in NAMES[kind] if table in frames and column in frames[table])


def _rename(frame: pd.DataFrame, column: Column, names: Mapping[str, str]) -> None:
    """Give words of a column other names; those that become equal become one. Lists are renamed entry by entry."""
    cells = frame[column.name].cat
    if column.kind == "codes":
        renamed = ["; ".join(names.get(one, one) for one in entries(str(word))) for word in cells.categories]
    else:
        renamed = [names.get(str(word), str(word)) for word in cells.categories]
    if renamed == list(cells.categories):
        return
    words = pd.Index(sorted(set(renamed)), dtype="str")
    codes = np.append(words.get_indexer(pd.Index(renamed, dtype="str")), -1)[cells.codes.to_numpy()]
    frame[column.name] = pd.Categorical.from_codes(codes, dtype=pd.CategoricalDtype(words))


def entries(cell: str) -> list[str]:
    """The entries of a list in one cell."""
    return [entry for part in cell.split(";") if (entry := part.strip())]


_PEOPLE: Final = frozenset(column for table, column in NAMES["person"] if table == "tasks")


def cell_meaning(name: str, text: str) -> Hashable:
    """What the canonical text of a cell of a task record means, as a value that equals all others of one meaning: a
    list in another order is the same, and so is a name or free text with other spaces."""
    column = TABLES["tasks"].columns.get(name)
    if column is None or not text:
        return column.blank if column else text
    if column.kind == "codes":
        return tuple(sorted(set(entries(text))))
    if name in _PEOPLE:
        return tuple(sorted(set(map(canonical, entries(text)))))
    return " ".join(text.split()) if column.kind == "text" else text


# Positions


def positions_named(table: str, frame: pd.DataFrame) -> dict[str, set[str]]:
    """The positions that rows of task records or components name, by aircraft; `all` names none."""
    found: dict[str, set[str]] = {}
    if "position" in frame:
        aircraft, position = (frame[name].cat for name in ("aircraft", "position"))
        # Aircraft and position as one number, so that each pair is looked at once.
        width = len(position.categories)
        known = (aircraft.codes.to_numpy() >= 0) & (position.codes.to_numpy() >= 0)
        pairs = aircraft.codes.to_numpy()[known].astype(np.int64) * width + position.codes.to_numpy()[known]
        names = [_names_in(str(word), table, "position") for word in position.categories]
        crafts = list(map(str, aircraft.categories))
        for pair in np.flatnonzero(np.bincount(pairs)).tolist():
            found.setdefault(crafts[pair // width], set()).update(names[pair % width])
    return found


# Nearly equal


def near_names(
    tables: Frames, aliases: Aliases, aside: Mapping[tuple[str, str], Collection[str]] = MappingProxyType({})
) -> pd.DataFrame:
    """The names that one table lacks and nearly knows: NEAR_NAME_COLUMNS.

    `aside` are names, by table and column, for which rows were set aside: no frame has them any more.
    """
    found: list[tuple[str, ...]] = []
    for kind in NAMES:
        found += _near(kind, tables, aliases.distinct.get(kind, ()), aside)
    return pd.DataFrame(found, columns=list(NEAR_NAME_COLUMNS), dtype="str")


def _near(
    kind: str,
    tables: Frames,
    distinct: Sequence[frozenset[str]],
    aside: Mapping[tuple[str, str], Collection[str]],
) -> Iterator[tuple[str, ...]]:
    named = {
        (table, column): {
            one for word in tables[table][column].cat.categories for one in _names_in(str(word), table, column)
        }.union(aside.get((table, column), ()))
        for table, column in _there(kind, tables)
    }
    known: dict[str, set[str]] = {}
    for (table, _), names in named.items():
        known[table] = known.get(table, set()) | names
    # Where all tables have the same names none lacks one.
    if len(known) < 2 or all(names == next(iter(known.values())) for names in known.values()):
        return
    keys = {name: near_keys(name, any_order=kind == "person") for name in set().union(*known.values())}
    # Both ways: each of two tables may lack what the other has.
    for here, there in permutations(named, 2):
        if here[0] == there[0]:
            continue
        by_key: dict[str, list[str]] = {}
        for name in named[there]:
            for key in keys[name]:
                by_key.setdefault(key, []).append(name)
        for name in sorted(named[here] - known[there[0]]):
            near = {other for key in keys[name] for other in by_key.get(key, ())}
            near = {other for other in near if not any({name, other} <= group for group in distinct)}
            yield from ((kind, *here, name, *there, other) for other in sorted(near))


@dataclass(frozen=True)
class NearPair:
    """Two names that are nearly equal, and the tables in which each stands: at least one of these lacks the other."""

    kind: str
    name: str
    tables: tuple[str, ...]
    other: str
    other_tables: tuple[str, ...]

    def __str__(self) -> str:
        kind = self.kind.replace("_", " ")
        return f"{kind} {self.name} in {', '.join(self.tables)}, {self.other} in {', '.join(self.other_tables)}"


def near_pairs(found: pd.DataFrame) -> tuple[NearPair, ...]:
    """The same names, each pair once: in the order of NAMES, then by name."""
    places: dict[tuple[str, str, str], dict[str, set[str]]] = {}
    for kind, table, _, name, other_table, _, other in found.itertuples(index=False, name=None):
        first, second = sorted((name, other))
        tables = places.setdefault((kind, first, second), {first: set(), second: set()})
        tables[name].add(table)
        tables[other].add(other_table)
    order = sorted(places, key=lambda one: (list(NAMES).index(one[0]), *one[1:]))
    return tuple(
        NearPair(kind, first, tuple(sorted(there[first])), second, tuple(sorted(there[second])))
        for kind, first, second in order
        for there in (places[kind, first, second],)
    )


def _names_in(word: str, table: str, column: str) -> list[str]:
    if TABLES[table].columns[column].kind != "codes":
        return [word]
    return [one for one in entries(word) if one != EVERY_POSITION]


_LOOK_ALIKE: Final = str.maketrans(
    {
        **dict.fromkeys("oоοօ°", "0"),  # Latin, Cyrillic, Greek, Armenian
        **dict.fromkeys("ilі|ıιӏ!", "1"),
        **dict.fromkeys("sѕ", "5"),
        **dict.fromkeys("bвβ", "8"),
        **dict.fromkeys("zζ", "2"),
        **dict.fromkeys("aаα", "a"),
        **dict.fromkeys("cсϲ", "c"),
        **dict.fromkeys("eеε", "e"),
        **dict.fromkeys("hнη", "h"),
        **dict.fromkeys("kкκ", "k"),
        **dict.fromkeys("mмμ", "m"),
        **dict.fromkeys("nν", "n"),
        **dict.fromkeys("pрρ", "p"),
        **dict.fromkeys("tтτ", "t"),
        **dict.fromkeys("xхχ", "x"),
        **dict.fromkeys("yуυ", "y"),
        **dict.fromkeys("jј", "j"),
    }
)
"""Letters that look like another sign, small or as capitals: the Latin one is left of them, or the digit."""

_WORDS: Final = re.compile(r"\w+")
_LEADING_ZEROS: Final = re.compile(r"(?<!\d)0+(?=\d)")
_NO_DECIMALS: Final = re.compile(r"(?<=\d)\.0+$")


def near_keys(name: str, *, any_order: bool = False) -> frozenset[str]:
    """What two names share that are nearly equal: without case, accents, spaces and signs, look-alike signs as one;
    with the leading zeros of numbers, and without; without decimals that are none (12.0, as gaps make of 12); and, in
    `any_order`, its words in the order of the alphabet."""
    bare = "".join(sign for sign in unicodedata.normalize("NFKD", name).casefold() if not unicodedata.combining(sign))
    forms = [bare, _LEADING_ZEROS.sub("", bare), _NO_DECIMALS.sub("", bare)]
    if any_order:
        forms.append("".join(sorted(_WORDS.findall(bare))))
    return frozenset(_alike("".join(filter(str.isalnum, each))) for each in forms)


def _alike(text: str) -> str:
    # A single sign is a code: position B is not position 8.
    return text.translate(_LOOK_ALIKE) if len(text) > 1 else text


# Several in one cell

_BETWEEN_NAMES: Final = re.compile(r"\s*[;&|\n]\s*")
_MAYBE_BETWEEN: Final = re.compile(r"\s*[/+,]\s*|\s+and\s+")


def several_names(tables: Frames) -> dict[tuple[str, str], Rows]:
    """The rows in which one cell names several people: with `;`, `&`, `|` or a line end between them, or, where all are
    listed, with `/`, `+`, `,` or `and`."""
    listed = set(tables["people"]["person"].cat.categories) if "people" in tables else set()
    found: dict[tuple[str, str], Rows] = {}
    signed = {name: frame for name, frame in tables.items() if name != "people"}
    for table, column in _there("person", signed):
        cells = tables[table][column].cat
        several = [_names_several(str(word), listed) for word in cells.categories]
        if any(several):
            found[table, column] = np.flatnonzero(np.array([*several, False])[cells.codes.to_numpy()])
    return found


def people_named(word: str) -> list[str]:
    """The people that one cell may name, however the names are parted."""
    return sorted({part.strip() for part in (*_BETWEEN_NAMES.split(word), *_MAYBE_BETWEEN.split(word))} - {""})


def _names_several(word: str, listed: Collection[str]) -> bool:
    certain = [part for part in _BETWEEN_NAMES.split(word) if part]
    return (word not in listed and len(certain) > 1) or names_several_listed(word, listed)


def names_several_listed(word: str, listed: Collection[str]) -> bool:
    """Whether one cell names several things of a list: one of them beside others, or with `/`, `+`, `,` or `and`
    between them all."""
    if word in listed:
        return False
    certain, perhaps = ([*filter(None, signs.split(word))] for signs in (_BETWEEN_NAMES, _MAYBE_BETWEEN))
    return (len(certain) > 1 and not set(listed).isdisjoint(certain)) or (
        len(perhaps) > 1 and set(perhaps) <= set(listed)
    )
