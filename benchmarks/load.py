"""Make a reference load: an invented fleet's flights and maintenance records of any size, as a nightly export writes
them.

Two sizes have names: `reference` (2,000 aircraft, 1,000 days: 6 million flights, 4.6 million task records) and
`nightly` (60 aircraft, a year). The same size and seed give the same rows. A small share of the work is faulty in each
of the ways that the rules look for.
"""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv
import pyarrow.parquet

Ints = npt.NDArray[np.integer[Any]]
Texts = tuple[Ints, list[str]]
"""A text column as codes and names; code -1 is missing."""

MINUTE = 60 * 1_000_000
DAY = 24 * 60 * MINUTE
FIRST_DAY = int(np.datetime64("2023-01-01", "us").astype(np.int64))

SIZES = {"reference": (2000, 1000), "nightly": (60, 365), "tenfold": (20000, 1000)}
STATIONS = {
    "ALDER": "Europe/Berlin",
    "BRIAR": "Europe/Helsinki",
    "CEDAR": "America/New_York",
    "DROVE": "America/Chicago",
    "EMBER": "America/Anchorage",
    "FERRY": "America/Halifax",
    "GLADE": "Asia/Tokyo",
    "HEATH": "Africa/Algiers",
    "INLET": "Atlantic/Reykjavik",
    "JETTY": "Pacific/Auckland",
    "KNOLL": "America/Toronto",
    "LEDGE": "Europe/Oslo",
}
POSITIONS = ["fin", "left stabiliser", "left wing inner", "left wing outer"]
POSITIONS += ["right stabiliser", "right wing inner", "right wing outer"]
PRODUCTS = {
    "RP-1 rubber preservative": "rubber-preservative",
    "RP-2 rubber preservative": "rubber-preservative",
    "SP-1 surface prep": "surface-prep",
    "GC-1 gloss coating": "gloss-coating",
    "PT-1 surface protectant": "surface-protectant",
    "IA-1 ice-adhesion treatment": "ice-adhesion-treatment",
    "CL-1 cleaner": "cleaner",
}
PRODUCT_NAMES = list(PRODUCTS)
WORN = ["eye-protection; chemical-gloves", "eye-protection", "chemical-gloves; eye-protection; apron"]
ACTIONS = ["clean", "prepare", "apply", "inspect"]
VISIT_EVERY = 90
TREATMENT_EVERY = 9


@dataclass(frozen=True)
class Boots:
    """The component history: one row a boot, some of which replace another."""

    aircraft: Ints
    position: Ints
    chloroprene: npt.NDArray[np.bool_]
    black: npt.NDArray[np.bool_]
    installed: Ints
    removed: Ints


def make_load(aircraft: int, days: int, seed: int = 20260101) -> Mapping[str, pa.Table]:
    """Return the canonical tables of a fleet of `aircraft` over `days`, text as plain strings, times UTC."""
    random = np.random.default_rng(seed)
    boots = _boots(random, aircraft, days)
    visit_offset = random.integers(0, VISIT_EVERY, aircraft)
    home = random.integers(0, len(STATIONS), aircraft)
    return {
        "tasks": _tasks(random, aircraft, days, boots, visit_offset, home),
        "flights": _flights(random, aircraft, days, visit_offset, home),
        "components": _components(boots),
        "products": pa.table(
            {
                "product": PRODUCT_NAMES,
                "product_class": list(PRODUCTS.values()),
                "approval": [f"CARE-{number:02d}" for number in range(len(PRODUCTS))],
                "hazard_codes": ["H225; H319"] * len(PRODUCTS),
            }
        ),
        "stations": pa.table({"station": list(STATIONS), "timezone": list(STATIONS.values())}),
    }


def _boots(random: np.random.Generator, aircraft: int, days: int) -> Boots:
    count = aircraft * len(POSITIONS)
    owner = np.repeat(np.arange(aircraft), len(POSITIONS))
    position = np.tile(np.arange(len(POSITIONS)), aircraft)
    # One boot in five is replaced within the time, at noon of a day.
    swapped = random.random(count) < 0.2
    swap_at = FIRST_DAY + random.integers(1, days, count) * DAY + 12 * 60 * MINUTE
    first = FIRST_DAY - random.integers(30, 3000, count) * DAY
    never = np.iinfo(np.int64).max
    owner = np.concatenate((owner, owner[swapped]))
    size = len(owner)
    return Boots(
        aircraft=owner,
        position=np.concatenate((position, position[swapped])),
        chloroprene=random.random(size) < 0.75,
        black=random.random(size) < 0.85,
        installed=np.concatenate((first, swap_at[swapped])),
        removed=np.concatenate((np.where(swapped, swap_at, never), np.full(size - count, never))),
    )


def _flights(random: np.random.Generator, aircraft: int, days: int, visit_offset: Ints, home: Ints) -> pa.Table:
    plane, day, leg = (axis.ravel() for axis in np.meshgrid(np.arange(aircraft), np.arange(days), np.arange(4)))
    in_visit = (day - visit_offset[plane]) % VISIT_EVERY
    # Two days on the ground for a visit; now and then the aircraft leaves on the second morning: too early.
    hasty = random.random((aircraft, days))[plane, day] < 0.01
    flown = np.where(leg < 3, in_visit > 1, (random.random(len(plane)) < 0.07) & (in_visit > 1))
    flown |= (in_visit == 1) & hasty & (leg == 0)
    plane, day, leg = plane[flown], day[flown], leg[flown]
    takeoff = FIRST_DAY + day * DAY + (leg * 5 * 60 + 5 * 60 + random.integers(0, 120, len(plane))) * MINUTE
    minutes = random.integers(45, 150, len(plane))
    order = np.argsort(takeoff, kind="stable")
    plane, takeoff, minutes = plane[order], takeoff[order], minutes[order]
    stations = list(STATIONS)
    return pa.table(
        {
            "flight_id": _numbered("F", len(plane)),
            "aircraft": _text(plane, _aircraft_names(aircraft)),
            "takeoff_at": _times(takeoff),
            "landing_at": _times(takeoff + minutes * MINUTE),
            "origin": _text(home[plane], stations),
            "destination": _text(home[plane], stations),
        }
    )


class _Records:
    """Task records under way, written in blocks of equal kind."""

    def __init__(self, random: np.random.Generator) -> None:
        self.random = random
        self.blocks: list[dict[str, Ints]] = []

    def add(self, action: str, product: int, **columns: Ints | int) -> None:
        size = max(len(np.atleast_1d(column)) for column in columns.values())
        block = {"action": ACTIONS.index(action), "product": product, "coat": 0, "position": -1} | columns
        whole = {name: np.asarray(value, np.int64) for name, value in block.items()}
        self.blocks.append({name: np.broadcast_to(value, (size,)) for name, value in whole.items()})

    def column(self, name: str) -> Ints:
        return np.concatenate([block[name] for block in self.blocks])


def _tasks(
    random: np.random.Generator, aircraft: int, days: int, boots: Boots, visit_offset: Ints, home: Ints
) -> pa.Table:
    records = _Records(random)
    plane, day = (axis.ravel() for axis in np.meshgrid(np.arange(aircraft), np.arange(days)))
    in_visit = (day - visit_offset[plane]) % VISIT_EVERY
    midnight = FIRST_DAY + day * DAY
    every = len(POSITIONS)
    order = plane * days + day  # one work order an aircraft and day
    records.add("inspect", -1, aircraft=plane, start=midnight, minutes=20, order=order, position=every)
    for share, product, action in ((0.73, "CL-1 cleaner", "clean"), (0.2, "PT-1 surface protectant", "apply")):
        chosen = (random.random(len(plane)) < share) & (in_visit != 1)
        # Not over a treatment: those come at two o'clock, and nothing follows them.
        records.add(
            action,
            PRODUCT_NAMES.index(product),
            aircraft=plane[chosen],
            start=midnight[chosen] + 40 * MINUTE,
            minutes=15,
            order=order[chosen],
            position=random.integers(0, every + 1, int(chosen.sum())),
        )
    _ice_treatments(records, plane, day, midnight, order, in_visit)
    _visits(records, boots, days, visit_offset, in_visit, plane, midnight)
    return _task_table(records, aircraft, home)


def _ice_treatments(records: _Records, plane: Ints, day: Ints, midnight: Ints, order: Ints, in_visit: Ints) -> None:
    random = records.random
    month = midnight.astype("M8[us]").astype("M8[M]").astype(np.int64) % 12 + 1
    # Not on the second day of a visit: the preservative still cures.
    due = ((month >= 10) | (month <= 4)) & ((day + plane) % TREATMENT_EVERY == 0) & (in_visit != 1)
    due &= random.random(len(day)) < 0.995
    product = PRODUCT_NAMES.index("IA-1 ice-adhesion treatment")
    by_record = due & (plane % 4 != 0)
    where = np.flatnonzero(by_record)
    records.add(
        "apply",
        product,
        aircraft=plane[where],
        start=midnight[where] + 120 * MINUTE,
        minutes=30,
        order=order[where],
        position=len(POSITIONS),
    )
    for position in range(len(POSITIONS)):
        where = np.flatnonzero(due & ~by_record)
        records.add(
            "apply",
            product,
            aircraft=plane[where],
            start=midnight[where] + (120 + 3 * position) * MINUTE,
            minutes=3,
            order=order[where],
            position=position,
        )
    late = np.flatnonzero(due & (random.random(len(due)) < 0.004))
    records.add(
        "clean",
        PRODUCT_NAMES.index("CL-1 cleaner"),
        aircraft=plane[late],
        start=midnight[late] + 170 * MINUTE,
        minutes=15,
        order=order[late],
        position=random.integers(0, len(POSITIONS), len(late)),
    )


def _visits(
    records: _Records, boots: Boots, days: int, visit_offset: Ints, in_visit: Ints, plane: Ints, midnight: Ints
) -> None:
    """Visits: each boot that takes it is stripped and preserved in three coats, a few that don't take it too."""
    random = records.random
    visit = np.flatnonzero(in_visit == 0)
    by_plane = np.argsort(boots.aircraft, kind="stable")
    first = np.searchsorted(boots.aircraft[by_plane], plane[visit])
    length = np.searchsorted(boots.aircraft[by_plane], plane[visit], side="right") - first
    which = np.repeat(np.arange(len(visit)), length)
    boot = by_plane[np.repeat(first, length) + np.arange(len(which)) - np.repeat(np.cumsum(length) - length, length)]
    start = midnight[visit[which]] + 8 * 60 * MINUTE
    there = (boots.installed[boot] <= start) & (start < boots.removed[boot])
    right = boots.chloroprene[boot] & boots.black[boot]
    chosen = there & (right | (random.random(len(boot)) < 0.02))
    boot, start, which = boot[chosen], start[chosen], which[chosen]
    place = {
        "aircraft": boots.aircraft[boot],
        "position": boots.position[boot],
        "order": 10**9 + visit[which],
    }
    stagger = boots.position[boot] * 2 * MINUTE
    product = PRODUCT_NAMES.index
    records.add("prepare", product("SP-1 surface prep"), start=start + stagger, minutes=20, **place)
    kind = (visit[which] % 2).astype(np.int64)
    for coat in range(3):
        records.blocks.append(
            {
                "action": np.full(len(boot), ACTIONS.index("apply")),
                "product": kind,
                "coat": np.full(len(boot), coat + 1),
                "start": start + stagger + (30 + 17 * coat) * MINUTE,
                "minutes": np.full(len(boot), 10),
                **{name: np.asarray(value, np.int64) for name, value in place.items()},
            }
        )
    gloss = random.random(len(boot)) < 0.3
    wait = np.where(random.random(len(boot)) < 0.02, 10 * 60, 26 * 60) * MINUTE
    records.add(
        "apply",
        product("GC-1 gloss coating"),
        start=(start + stagger + wait)[gloss],
        minutes=20,
        **{name: value[gloss] for name, value in place.items()},
    )


def _task_table(records: _Records, aircraft: int, home: Ints) -> pa.Table:
    random = records.random
    start = records.column("start")
    by_time = np.argsort(start, kind="stable")

    def column(name: str) -> Ints:
        return records.column(name)[by_time]

    start = start[by_time]
    plane, product, coat, order = column("aircraft"), column("product"), column("coat"), column("order")
    size = len(start)
    finish = start + column("minutes") * MINUTE
    used = product >= 0
    careless = random.random(size)
    worn = np.where(used, np.where(careless < 0.001, 1, np.where(careless < 0.3, 2, 0)), -1)
    worn[careless > 0.9995] = -1
    people = [f"P{number:04d}" for number in range(max(20, aircraft // 4))]
    performer = random.integers(0, len(people), size)
    certifier = random.integers(0, len(people), size)
    _, work_order = np.unique(order, return_inverse=True)
    orders = _numbered("W", int(work_order.max()) + 1)
    products = PRODUCT_NAMES
    lots = [f"L{name[:4]}-{number}" for name in products for number in range(20)]
    lot = np.where(used, product * 20 + random.integers(0, 20, size), -1)
    return pa.table(
        {
            "task_id": _numbered("T", size),
            "work_order": orders.take(pa.array(work_order)),
            "aircraft": _text(plane, _aircraft_names(aircraft)),
            "action": _text(column("action"), ACTIONS),
            "station": _text(home[plane], list(STATIONS)),
            "started_at": _times(start),
            "finished_at": _times(finish),
            "status": _text(np.where(random.random(size) < 0.002, 1, 0), ["closed", "void"]),
            "position": _text(column("position"), [*POSITIONS, "all"]),
            "product": _text(product, products),
            "lot": _text(lot, lots),
            "coat": pa.array(coat, mask=coat == 0),
            "performed_by": _text(performer, people),
            "certified_by": _text(certifier, people),
            "certificate_number": _text(certifier, [f"C{name[1:]}" for name in people]),
            "signed_at": _times(finish + random.integers(5, 60, size) * MINUTE),
            "manual": _text(np.zeros(size, np.int64), ["CARE-30"]),
            "manual_revision": _text(np.zeros(size, np.int64), ["7"]),
            "ppe_worn": _text(worn, WORN),
            "ppe_signed_by": _text(np.where(used & (careless < 0.9993), performer, -1), people),
        }
    )


def _components(boots: Boots) -> pa.Table:
    gone = boots.removed < np.iinfo(np.int64).max
    return pa.table(
        {
            "component_serial": _numbered("B", len(boots.aircraft)),
            "aircraft": _text(boots.aircraft, _aircraft_names(int(boots.aircraft.max()) + 1)),
            "position": _text(boots.position, POSITIONS),
            "material": _text(boots.chloroprene.astype(np.int64), ["polyurethane", "chloroprene"]),
            "finish": _text(boots.black.astype(np.int64), ["silver", "black"]),
            "installed_at": _times(boots.installed),
            "removed_at": pc.if_else(pa.array(gone), _times(np.where(gone, boots.removed, 0)), None),
        }
    )


def _aircraft_names(count: int) -> list[str]:
    return [f"QZ-{number:05d}" for number in range(count)]


def _numbered(letter: str, count: int) -> pa.Array:
    digits = pc.utf8_lpad(pc.cast(pa.array(np.arange(count)), pa.string()), 8, "0")
    return pc.binary_join_element_wise(letter, digits, "")


def _text(codes: Ints, names: list[str]) -> pa.Array:
    indices = pa.array(codes, type=pa.int32(), mask=codes < 0)
    return pa.DictionaryArray.from_arrays(indices, pa.array(names)).cast(pa.string())


def _times(micros: Ints) -> pa.Array:
    return pa.array(micros, type=pa.timestamp("us", tz="UTC"))


def write_load(tables: Mapping[str, pa.Table], folder: Path, form: str) -> None:
    """Write the tables as `parquet` or `csv` (times as ISO 8601 with Z)."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, table in tables.items():
        if form == "parquet":
            pa.parquet.write_table(table, folder / f"{name}.parquet")
            continue
        for index, field in enumerate(table.schema):
            if pa.types.is_timestamp(field.type):
                text = pc.strftime(pc.cast(table[field.name], pa.timestamp("s", tz="UTC")), "%Y-%m-%dT%H:%M:%SZ")
                table = table.set_column(index, field.name, text)
        pa.csv.write_csv(table, folder / f"{name}.csv")


def main() -> None:
    """Make a load from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("size", choices=SIZES)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--form", choices=("parquet", "csv"), default="parquet")
    options = parser.parse_args()
    write_load(make_load(*SIZES[options.size]), options.folder, options.form)


if __name__ == "__main__":
    main()
