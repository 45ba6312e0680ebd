"""What can't be parted: aircraft that a boot moved between, and names that may be one."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping

import numpy as np
import pandas as pd

from audit.intake.export import Export
from audit.timeline.codes import MISSING, codes_in, names_of, nearly_equal
from audit.timeline.instants import Ints
from audit.timeline.timeline import Timeline

Alike = Mapping[str, Iterable[str]]
"""Names that are nearly equal, each with the others."""


def aircraft_buckets(export: Export, timeline: Timeline, buckets: int) -> Ints:
    """The bucket of each aircraft, by its code: that of all that share a boot with it, now or ever, surely or perhaps.

    A boot takes its hours, its coats and what they wait for along to another aircraft.
    """
    names = timeline.aircraft_names
    frames = [
        frame
        for table in ("components", "tasks")
        for frame in (export.tables.get(table), export.set_aside.get(table))
        if frame is not None and "component_serial" in frame
    ]
    serials = names_of(frame["component_serial"].astype("category") for frame in frames)
    # Aircraft and boots are the nodes, numbered one behind the other; whatever may tie two of them is a link.
    links: list[Ints] = [np.empty((2, 0), np.int64)]
    for frame in frames:
        aircraft = codes_in(names, frame["aircraft"])
        serial = codes_in(serials, frame["component_serial"].astype("category"))
        known = (aircraft != MISSING) & (serial != MISSING)
        pairs = np.unique(aircraft[known].astype(np.int64) * len(serials) + serial[known])
        links.append(np.stack([pairs // len(serials), len(names) + pairs % len(serials)]))
    if len(possible := timeline.components.possible):
        categories = timeline.tables["components"]["component_serial"].cat.categories
        serial = serials.get_indexer(categories.astype("str"))[possible.boot]
        links.append(np.stack([timeline.aircraft_of(possible.place), len(names) + serial]))
    links.append(nearly_equal(names, timeline.alike.get("aircraft", {})).T)
    links.append(len(names) + nearly_equal(serials, timeline.alike.get("component_serial", {})).T)
    return _buckets(names, _groups(len(names) + len(serials), links)[: len(names)], buckets)


def people_buckets(people: pd.Index, alike: Alike, buckets: int) -> Ints:
    """The bucket of each of these people: that of all whose names are nearly equal."""
    return _buckets(people, _groups(len(people), [nearly_equal(people, alike).T]), buckets)


def _groups(count: int, links: list[Ints]) -> Ints:
    """The group of each of `count` things, of which linked ones are in one."""
    # Imported where an export is divided: most are not, and wait less for their audit.
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    one, other = np.concatenate(links, axis=1)
    linked = coo_array((np.ones(len(one), np.int8), (one, other)), shape=(count, count))
    group: Ints = connected_components(linked, directed=False)[1]
    return group


def _buckets(names: pd.Index, groups: Ints, buckets: int) -> Ints:
    """The bucket of each name, by a hash of the first name of its group: the same on every machine, every night."""
    first: dict[int, str] = {}
    for name, group in zip(names, groups.tolist(), strict=True):
        first[group] = min(first.get(group, name), name)
    bucket = {group: _hashed(name) % buckets for group, name in first.items()}
    return np.array([bucket[group] for group in groups.tolist()], np.int64)


def _hashed(name: str) -> int:
    return int.from_bytes(hashlib.sha256(name.encode()).digest()[:8], "big")
