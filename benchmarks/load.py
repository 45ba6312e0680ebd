"""Make a reference load: an invented fleet's flights and maintenance records of any size, as a nightly export writes
them.

Sizes with names: `reference` (2,000 aircraft, 1,000 days: 6 million flights, 4.6 million task records), `nightly` (60
aircraft, a year), `medium` (an eighth of the reference), `double` and `fourfold`, with so many times its aircraft, and
`tenfold`, with ten times those of the reference.
Most work is in order; a small share is faulty in each of the ways that the rules look for, and a small share can't be
judged: the flight log lacks an aircraft, or a month of it, or a record was never closed. The same size and seed give
the same rows. Every draw depends only on the seed and on what it is about, so the order in which rows are made, and the
size of the blocks they are made in, change nothing.
"""

from __future__ import annotations

import argparse
import zlib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv
import pyarrow.parquet

Ints = npt.NDArray[np.integer[Any]]
Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]
Rows = Mapping[str, Ints]
"""Rows under way: one array of small whole numbers a column; times are minutes since FIRST_DAY, -1 is missing."""

FIRST_DAY = np.datetime64("2023-01-01", "m")
ONE_DAY = np.timedelta64(1, "D")
HOUR = 60
DAY = 24 * HOUR
SIZES = {
    "reference": (2000, 1000),
    "nightly": (60, 365),
    "medium": (500, 500),
    "double": (1000, 500),
    "fourfold": (2000, 500),
    "tenfold": (20000, 1000),
}
ROWS_AT_ONCE = 1_000_000
AIRCRAFT_AT_ONCE = 500

# Names of invented stations, their zone, and about how many hours their day begins before that of UTC.
STATIONS = {
    "ALDER": ("Europe/Berlin", 1),
    "BRIAR": ("Europe/Helsinki", 2),
    "CEDAR": ("America/New_York", -5),
    "DROVE": ("America/Chicago", -6),
    "EMBER": ("America/Anchorage", -9),
    "FERRY": ("America/Halifax", -4),
    "GLADE": ("Asia/Tokyo", 9),
    "HEATH": ("Africa/Algiers", 1),
    "INLET": ("Atlantic/Reykjavik", 0),
    "JETTY": ("Asia/Kamchatka", 12),
    "KNOLL": ("America/Toronto", -5),
    "LEDGE": ("Europe/Oslo", 1),
}
STATION_NAMES = list(STATIONS)
OFFSETS = np.array([hours * HOUR for _, hours in STATIONS.values()], np.int32)

# An aircraft has the first four, six, seven or all eight.
POSITIONS = ["left wing outer", "right wing outer", "left stabiliser", "right stabiliser"]
POSITIONS += ["left wing inner", "right wing inner", "fin", "centre section"]
LAYOUTS = np.array([4, 6, 7, 8])
MOST = len(POSITIONS)
# What a record may say: one position, all of them, or a pair.
ALL, WING_PAIR, STABILISER_PAIR = MOST, MOST + 1, MOST + 2
PLACES = [*POSITIONS, "all", "; ".join(POSITIONS[:2]), "; ".join(POSITIONS[2:4])]

PRODUCTS = {
    "RP-1 rubber preservative": ("rubber-preservative", "H225; H315; H336"),
    "RP-2 rubber preservative": ("rubber-preservative", "H225; H319"),
    "SP-1 surface prep": ("surface-prep", "H225; H319; H336"),
    "GC-1 gloss coating": ("gloss-coating", "H226; H317"),
    "PT-1 surface protectant": ("surface-protectant", "H319"),
    "IA-1 ice-adhesion treatment": ("ice-adhesion-treatment", "H226; H319"),
    "CL-1 cleaner": ("cleaner", "H319"),
    "MT-1 masking tape": ("other", ""),
}
PRODUCT_NAMES = list(PRODUCTS)
PRESERVATIVE, SECOND_PRESERVATIVE, PREP, GLOSS, PROTECTANT, ICE, CLEANER = range(7)
ACTIONS = ["clean", "prepare", "apply", "inspect", "remove", "install"]
CLEAN, PREPARE, APPLY, INSPECT, REMOVE, INSTALL = range(6)
DESCRIPTIONS = ["boots cleaned", "residues stripped", "product applied", "boots looked over"]
DESCRIPTIONS += ["boot taken off", "boot put on"]
STEPS = [
    "shaken",
    "stripped; rinsed; dried",
    "material-identified; surroundings-masked; shaken; one-light-coat",
    "material-identified",
]
REMARKS = ["scuff at the root", "patch found sound", "weather delayed the start"]
WORN = ["eye-protection; chemical-gloves", "chemical-gloves; eye-protection; apron", "eye-protection"]
MATERIALS = ["polyurethane", "chloroprene"]
FINISHES = ["silver", "black"]
STATUSES = ["closed", "open", "void"]
WORK_ORDERS = ["L", "V", "S"]
LINE, VISIT, SWAP = range(3)
MANUAL_EVERY = 200
LOT_EVERY = 30
LOT_LASTS = 14
"""Lots of a product: a new one every 30 days, used up by then and expired 14 months on."""

VISIT_EVERY = 90
TREATMENT_EVERY = 8
UNLOGGED_DAYS = 30
"""How long the flights of some aircraft are missing in the log."""


@dataclass(frozen=True)
class Dice:
    """Repeatable draws: the same seed, subject and keys give the same draw."""

    seed: int

    def roll(self, subject: str, *keys: Ints) -> Floats:
        """Return a number in [0, 1) for each key."""
        return (self._mixed(subject, keys) >> np.uint64(11)).astype(np.float64) * 2.0**-53

    def pick(self, subject: str, choices: int, *keys: Ints) -> Ints:
        """Return a whole number below `choices` for each key."""
        return (self.roll(subject, *keys) * choices).astype(np.int32)

    def _mixed(self, subject: str, keys: tuple[Ints, ...]) -> npt.NDArray[np.uint64]:
        mixed = np.full(len(keys[0]), (self.seed << 32) + zlib.crc32(subject.encode()), np.uint64)
        # The finaliser of the splitmix64 generator, once a key.
        for key in keys:
            mixed += key.astype(np.uint64)
            for shift, factor in ((30, 0xBF58476D1CE4E5B9), (27, 0x94D049BB133111EB), (31, 0x9E3779B97F4A7C15)):
                mixed ^= mixed >> np.uint64(shift)
                mixed *= np.uint64(factor)
        mixed ^= mixed >> np.uint64(29)
        return mixed


@dataclass(frozen=True)
class Fleet:
    """The aircraft and their boots.

    `home` and `boots_on` (how many positions) go by aircraft; `serial` by aircraft and position holds the first boot,
    `next_serial` the one that replaces it at `swapped_at` (minutes; `never` where none does).
    """

    dice: Dice
    aircraft: int
    days: int
    home: Ints
    boots_on: Ints
    serial: Ints
    next_serial: Ints
    swapped_at: Ints

    @property
    def never(self) -> int:
        """A time after everything."""
        return int(np.iinfo(np.int32).max)

    def serial_at(self, plane: Ints, position: Ints, minute: Ints) -> Ints:
        """Serial of the boot installed at a minute UTC."""
        swapped = minute >= self.swapped_at[plane, position]
        return np.where(swapped, self.next_serial[plane, position], self.serial[plane, position])

    def chloroprene(self, serial: Ints) -> Bools:
        """Which boots are chloroprene (the others polyurethane)."""
        return self.dice.roll("material", serial) < 0.75

    def black(self, serial: Ints) -> Bools:
        """Which boots are black (the others silver)."""
        return self.dice.roll("finish", serial) < 0.85

    def utc(self, plane: Ints, day: Ints, minute: Ints | int) -> Ints:
        """Minutes UTC of a minute of the day at the aircraft's home."""
        return (day * DAY + minute - OFFSETS[self.home[plane]]).astype(np.int32)


def _fleet(aircraft: int, days: int, seed: int) -> Fleet:
    dice = Dice(seed)
    plane = np.repeat(np.arange(aircraft), MOST)
    position = np.tile(np.arange(MOST), aircraft)
    home = dice.pick("home", len(STATIONS), np.arange(aircraft))
    boots_on = LAYOUTS[dice.pick("layout", len(LAYOUTS), np.arange(aircraft))]
    serial = plane * MOST + position
    next_serial = serial + aircraft * MOST
    # One boot in five is replaced within the time, at half past three of a night.
    swapped = (dice.roll("swapped", serial) < 0.2) & (position < boots_on[plane])
    night = 1 + dice.pick("swap day", max(days - 1, 1), serial)
    never = np.iinfo(np.int32).max
    swapped_at = np.where(swapped, night * DAY + 3 * HOUR + 30 - OFFSETS[home[plane]], never).astype(np.int32)
    # Every fourth replacement is an overhauled boot: one that came off another aircraft at least ten days before.
    for place in range(MOST):
        swaps = np.flatnonzero(swapped & (position == place))
        swaps = swaps[np.argsort(swapped_at[swaps], kind="stable")]
        gap = len(swaps) // 8 + 1
        later, earlier = swaps[gap:][::4], swaps[:-gap][::4]
        ready = swapped_at[later] >= swapped_at[earlier] + 10 * DAY
        next_serial[later[ready]] = serial[earlier[ready]]
    shape = (aircraft, MOST)
    return Fleet(
        dice, aircraft, days, home, boots_on, serial.reshape(shape), next_serial.reshape(shape),
        swapped_at.reshape(shape),
    )  # fmt: skip


def _visit_day(fleet: Fleet, plane: Ints, day: Ints) -> Ints:
    """Days since the aircraft's last visit to the shop began."""
    return (day - fleet.dice.pick("visit", VISIT_EVERY, plane)) % VISIT_EVERY


def _flights(fleet: Fleet, planes: Ints) -> Rows:
    """Flights of some aircraft: out and home, once or twice a day; none on the two days of a visit."""
    dice = fleet.dice
    plane, day = (axis.ravel() for axis in np.meshgrid(planes, np.arange(fleet.days), indexing="ij"))
    visit_day = _visit_day(fleet, plane, day)
    # Now and then the aircraft leaves on the second morning: too early.
    hasty = (visit_day == 1) & (dice.roll("hasty", plane, day) < 0.01)
    legs = np.where(dice.roll("legs", plane, day) < 0.534, 4, 2)
    legs = np.where(visit_day > 1, legs, np.where(hasty, 2, 0))
    row, leg = _spread(np.where(_logged(fleet, plane, day), legs, 0))
    plane, day = plane[row], day[row]
    takeoff = fleet.utc(plane, day, 5 * HOUR + leg * 270 + dice.pick("takeoff", 100, plane, day, leg))
    home = fleet.home[plane]
    away = (home + 1 + dice.pick("away", len(STATIONS) - 1, plane, day, leg // 2)) % len(STATIONS)
    outbound = leg % 2 == 0
    return {
        "plane": plane.astype(np.int32),
        "start": takeoff,
        "minutes": (45 + dice.pick("minutes", 90, plane, day, leg)).astype(np.int16),
        "origin": np.where(outbound, home, away).astype(np.int8),
        "destination": np.where(outbound, away, home).astype(np.int8),
    }


def _logged(fleet: Fleet, plane: Ints, day: Ints) -> Bools:
    """Whether the flights of a day are in the log: one aircraft in 200 isn't, one in 40 lacks a month."""
    lost = fleet.dice.pick("lost", max(fleet.days - UNLOGGED_DAYS, 1), plane)
    month = (plane % 40 == 5) & (day >= lost) & (day < lost + UNLOGGED_DAYS)
    logged: Bools = (plane % 200 != 21) & ~month
    return logged


def _flight_table(fleet: Fleet, rows: Rows, number: Ints) -> pa.Table:
    takeoff, minutes = rows["start"], rows["minutes"]
    # Now and then the hours are left blank; the times tell them.
    blank = fleet.dice.roll("blank hours", number) < 0.01
    return pa.table(
        {
            "flight_id": _numbered("F", number),
            "aircraft": _text(rows["plane"], _aircraft_names(fleet.aircraft)),
            "takeoff_at": _times(takeoff),
            "landing_at": _times(takeoff + minutes),
            "origin": _text(rows["origin"], STATION_NAMES),
            "destination": _text(rows["destination"], STATION_NAMES),
            "flight_hours": pa.array(np.round(minutes / HOUR, 2), mask=blank),
            "cycles": pa.array(np.ones(len(number), np.int32)),
        }
    )


class _Records:
    """Task records under way, added in groups of one kind."""

    def __init__(self, fleet: Fleet) -> None:
        self.fleet = fleet
        self.groups: list[Rows] = []

    def add(
        self, action: int, product: int, plane: Ints, day: Ints, minute: Ints | int, minutes: int, **more: Ints | int
    ) -> None:
        """Add records that start at a minute of the day at the aircraft's home.

        `position` is an index of PLACES (default: all), `serial` the boot, `coat` its number, `coats` how many,
        `series` and `order_day` name the work order (default: the line's, of that day), `open` tells which were never
        closed.
        """
        usual = {"position": ALL, "serial": -1, "coat": 0, "coats": 0, "series": LINE, "order_day": day, "open": 0}
        columns = {
            "action": action,
            "product": product,
            "plane": plane,
            "start": self.fleet.utc(plane, day, minute),
            "minutes": minutes,
            **{name: more.get(name, value) for name, value in usual.items()},
        }
        small = ("action", "product", "minutes", "position", "coat", "coats", "series", "open")
        self.groups.append(
            {
                name: np.broadcast_to(np.asarray(column, np.int8 if name in small else np.int32), plane.shape)
                for name, column in columns.items()
            }
        )


def _tasks(fleet: Fleet, planes: Ints) -> Rows:
    """Task records of some aircraft."""
    dice = fleet.dice
    records = _Records(fleet)
    plane, day = (axis.ravel() for axis in np.meshgrid(planes, np.arange(fleet.days), indexing="ij"))
    visit_day = _visit_day(fleet, plane, day)
    records.add(INSPECT, -1, plane, day, dice.pick("inspect", 15, plane, day), 20)
    # Before the ice-adhesion treatment, which comes at two o'clock; not on the preservative while it cures. In the
    # season boots are washed with plain water, and looked over instead of protected: anything else would lie over the
    # treatment.
    winter = _in_season(fleet)[day]
    for subject, share, action, instead, product, minute in (
        ("cleaned", 0.76, CLEAN, CLEAN, CLEANER, 40),
        ("protected", 0.2, APPLY, INSPECT, PROTECTANT, 75),
    ):
        for part, done, used in ((~winter, action, product), (winter, instead, -1)):
            where = np.flatnonzero((dice.roll(subject, plane, day) < share) & (visit_day != 1) & part)
            late = dice.pick(f"{subject} late", 15, plane[where], day[where])
            position = _some_positions(fleet, subject, plane[where], day[where])
            records.add(done, used, plane[where], day[where], minute + late, 15, position=position)
    # The last of these are under way as the export is made, in the night after its last day.
    every, night = (axis.ravel() for axis in np.meshgrid(planes, np.arange(fleet.days + 1), indexing="ij"))
    _ice_treatments(records, every, night, _visit_day(fleet, every, night))
    _visits(records, plane[visit_day == 0], day[visit_day == 0])
    _swaps(records, planes)
    return {name: np.concatenate([group[name] for group in records.groups]) for name in records.groups[0]}


def _in_season(fleet: Fleet) -> Bools:
    """Which days lie in the icing season, and whether the night after the last does."""
    month = (FIRST_DAY.astype("M8[D]") + np.arange(fleet.days + 1) * ONE_DAY).astype("M8[M]").astype(np.int64) % 12 + 1
    found: Bools = (month >= 10) | (month <= 4)
    return found


def _some_positions(fleet: Fleet, subject: str, plane: Ints, day: Ints) -> Ints:
    """Where some work was done: mostly at one position, else at a pair, else at all of them."""
    roll = fleet.dice.roll(f"{subject} where", plane, day)
    one = (fleet.dice.roll(f"{subject} position", plane, day) * fleet.boots_on[plane]).astype(np.int8)
    pair = np.where(roll < 0.7, WING_PAIR, STABILISER_PAIR)
    return np.where(roll < 0.6, one, np.where(roll < 0.8, pair, ALL))


def _ice_treatments(records: _Records, plane: Ints, day: Ints, visit_day: Ints) -> None:
    fleet, dice = records.fleet, records.fleet.dice
    in_season = _in_season(fleet)
    turn = (day + plane) % TREATMENT_EVERY
    # A day later where the preservative of a visit still cures.
    due = in_season[day] & (((turn == 0) & (visit_day != 1)) | ((turn == 1) & (visit_day == 2)))
    due &= dice.roll("forgotten", plane, day) > 0.004
    due &= plane % 50 != 17  # some fly in the warm all year, and do without
    # Three in four aircraft write one record for all boots, the others one a boot.
    whole = np.flatnonzero(due & (plane % 4 != 0))
    records.add(APPLY, ICE, plane[whole], day[whole], 2 * HOUR, 30)
    single = np.flatnonzero(due & (plane % 4 == 0))
    row, position = _spread(fleet.boots_on[plane[single]])
    row = single[row]
    records.add(APPLY, ICE, plane[row], day[row], 2 * HOUR + 4 * position, 4, position=position)
    late = np.flatnonzero(due & (dice.roll("over the treatment", plane, day) < 0.008))
    where = _some_positions(fleet, "over the treatment", plane[late], day[late])
    unclosed = dice.roll("never closed", plane[late], day[late]) < 0.1
    records.add(
        CLEAN, CLEANER, plane[late], day[late], 2 * HOUR + 45, 15, position=where, open=unclosed.astype(np.int8)
    )
    # After a visit, before the first flight: what was put on there lies over the last treatment.
    anew = np.flatnonzero(in_season[day] & (visit_day == 2) & (plane % 50 != 17))
    records.add(APPLY, ICE, plane[anew], day[anew], 4 * HOUR, 20)


def _visits(records: _Records, plane: Ints, day: Ints) -> None:
    """Visits: each boot that takes it is stripped and preserved in three coats, a few that don't take it too."""
    fleet, dice = records.fleet, records.fleet.dice
    row, position = _spread(fleet.boots_on[plane])
    plane, day = plane[row], day[row]
    serial = fleet.serial_at(plane, position, fleet.utc(plane, day, 8 * HOUR))
    takes_it = fleet.chloroprene(serial) & fleet.black(serial)
    chosen = takes_it | (dice.roll("wrong boot", plane, day, position) < 0.01)
    plane, day, position, serial = plane[chosen], day[chosen], position[chosen], serial[chosen]
    visit: Mapping[str, Ints | int] = {"series": VISIT, "order_day": day}
    stagger = 8 * HOUR + 2 * position
    records.add(PREPARE, PREP, plane, day, stagger, 20, position=position, serial=serial, **visit)
    product = dice.pick("preservative", 2, plane, day)
    # One aircraft in ten has both outer wings in one record.
    first = np.flatnonzero((plane[:-1] % 10 == 3) & (position[:-1] == 0) & (position[1:] == 1))
    listed, named, kept = position.copy(), serial.copy(), np.ones(len(plane), bool)
    listed[first], named[first], kept[first + 1] = WING_PAIR, -1, False
    for coat in range(3):
        for which in (PRESERVATIVE, SECOND_PRESERVATIVE):
            own = kept & (product == which)
            records.add(
                APPLY, which, plane[own], day[own], stagger[own] + 30 + 17 * coat, 10, position=listed[own],
                serial=named[own], coat=coat + 1, series=VISIT, order_day=day[own],
            )  # fmt: skip
    glossed = dice.roll("glossed", plane, day, position) < 0.3
    early = dice.roll("glossed early", plane, day, position) < 0.02
    began = (stagger + np.where(early, 10 * HOUR, 26 * HOUR))[glossed]
    for coat in range(2):
        records.add(
            APPLY, GLOSS, plane[glossed], day[glossed], began + 15 * coat, 5, position=position[glossed],
            serial=serial[glossed], coat=coat + 1, series=VISIT, order_day=day[glossed],
        )  # fmt: skip


def _swaps(records: _Records, planes: Ints) -> None:
    """Boots taken off and put on: the installed interval changes as the one work ends and the other begins."""
    fleet = records.fleet
    row, position = np.nonzero(fleet.swapped_at[planes] < fleet.never)
    plane = planes[row]
    day = (fleet.swapped_at[plane, position] + OFFSETS[fleet.home[plane]]) // DAY
    swap: Mapping[str, Ints | int] = {"position": position, "series": SWAP}
    records.add(REMOVE, -1, plane, day, 3 * HOUR + 5, 25, serial=fleet.serial[plane, position], **swap)
    records.add(INSTALL, -1, plane, day, 3 * HOUR + 30, 60, serial=fleet.next_serial[plane, position], **swap)


def _task_table(fleet: Fleet, rows: Rows, number: Ints) -> pa.Table:
    dice = fleet.dice
    plane, start, product, action = rows["plane"], rows["start"], rows["product"], rows["action"]
    finish = start + rows["minutes"]
    used = product >= 0
    home = fleet.home[plane]
    order = plane * fleet.days + rows["order_day"]
    names = _people_names(fleet)
    # Each aircraft has its own people: somebody at another one at the same time is a fault, as rare as the others.
    astray = dice.roll("astray", order) < 0.0005
    performer = np.where(astray, (plane + 1) % fleet.aircraft, plane)
    certifier = plane + fleet.aircraft
    slip = dice.roll("slip", number)  # what went wrong in writing this record, if anything
    worn = np.where(dice.roll("apron", number) < 0.3, 1, 0)
    worn = np.where(slip < 0.0012, 2, np.where(slip < 0.002, -1, worn))
    signed = used & ~((slip >= 0.0015) & (slip < 0.003))
    lot = np.clip(start // (LOT_EVERY * DAY), 0, None) + LOT_LASTS
    lot = np.where((slip >= 0.003) & (slip < 0.006), lot - LOT_LASTS, lot)
    revision = np.clip(start // (MANUAL_EVERY * DAY), 0, None)
    revision = np.where((slip >= 0.006) & (slip < 0.009), np.maximum(revision - 1, 0), revision)
    status = np.where(slip > 0.998, 2, np.where((slip > 0.996) | (rows["open"] > 0), 1, 0))
    steps = np.where((slip >= 0.009) & (slip < 0.011), len(STEPS) - 1, action)
    serial = rows["serial"]
    material = np.where((action == APPLY) & (serial >= 0), fleet.chloroprene(serial).astype(np.int8), -1)
    weather = {name: dice.roll(name, plane, start // HOUR) for name in ("warmth", "damp")}
    remark = np.where(dice.roll("remark", number) < 0.02, number % len(REMARKS), -1)
    return pa.table(
        {
            "task_id": _numbered("T", number),
            "work_order": _numbered(_text(rows["series"], WORK_ORDERS), order),
            "aircraft": _text(plane, _aircraft_names(fleet.aircraft)),
            "action": _text(action, ACTIONS),
            "station": _text(home, STATION_NAMES),
            "started_at": _times(start),
            "finished_at": _times(finish),
            "status": _text(status, STATUSES),
            "position": _text(rows["position"], PLACES),
            "component_serial": _numbered("B", serial),
            "product": _text(product, PRODUCT_NAMES),
            "lot": _text(np.where(used, product.astype(np.int32) * _lots_each(fleet) + lot, -1), _lot_names(fleet)),
            "coat": _counts(rows["coat"]),
            "coats": _counts(rows["coats"]),
            "performed_by": _text(performer, names),
            "certified_by": _text(certifier, names),
            "certificate_number": _text(certifier, [f"C{name[1:]}" for name in names]),
            "certificate_kind": _text(np.zeros(len(number), np.int8), ["airframe"]),
            "signed_at": _times(finish + 5 + dice.pick("signed", 55, number)),
            "description": _text(action, DESCRIPTIONS),
            "manual": _text(np.zeros(len(number), np.int8), ["CARE-30"]),
            "manual_revision": _text(revision, _revision_names(fleet)),
            "ppe_worn": _text(np.where(used, worn, -1), WORN),
            "ppe_signed_by": _text(np.where(signed, performer, -1), names),
            "steps_signed": _text(np.where(used, steps, -1), STEPS),
            "material_recorded": _text(material, MATERIALS),
            "ambient_c": pa.array(np.round(12 + 14 * weather["warmth"], 1), mask=~used),
            "humidity_pct": pa.array(np.round(30 + 40 * weather["damp"]), mask=~used),
            "remarks": _text(remark, REMARKS),
        }
    )


def _components(fleet: Fleet) -> pa.Table:
    plane, position = np.nonzero(np.arange(MOST) < fleet.boots_on[:, None])
    swapped_at = fleet.swapped_at[plane, position]
    swapped = swapped_at < fleet.never
    first, second = fleet.serial[plane, position], fleet.next_serial[plane, position][swapped]
    serial = np.concatenate((first, second))
    age = fleet.dice.pick("age", 3000, first)
    gone = np.concatenate((np.where(swapped, swapped_at, 0), np.zeros(len(second), np.int32)))
    in_place = np.concatenate((~swapped, np.ones(len(second), bool)))
    return pa.table(
        {
            "component_serial": _numbered("B", serial),
            "aircraft": _text(np.concatenate((plane, plane[swapped])), _aircraft_names(fleet.aircraft)),
            "position": _text(np.concatenate((position, position[swapped])), POSITIONS),
            "material": _text(fleet.chloroprene(serial).astype(np.int8), MATERIALS),
            "finish": _text(fleet.black(serial).astype(np.int8), FINISHES),
            "installed_at": _times(np.concatenate((-(30 + age) * DAY, swapped_at[swapped]))),
            "removed_at": _times(gone, missing=in_place),
            "part_number": _text(serial % 9, [f"PN-{number}" for number in range(9)]),
        }
    )


def _lists(fleet: Fleet) -> dict[str, pa.Table]:
    """The reference lists: products, stations, lots, people, manuals."""
    lots = np.tile(np.arange(_lots_each(fleet)), len(PRODUCTS))
    opened = FIRST_DAY.astype("M8[D]") + (lots - LOT_LASTS) * LOT_EVERY * ONE_DAY
    names = _people_names(fleet)
    since = np.repeat(FIRST_DAY.astype("M8[D]") - 400 * ONE_DAY, len(names))
    lapsed = fleet.dice.roll("lapsed", np.arange(len(names))) < 0.002
    effective = FIRST_DAY.astype("M8[D]") + np.arange(len(_revision_names(fleet))) * MANUAL_EVERY * ONE_DAY
    return {
        "products": pa.table(
            {
                "product": PRODUCT_NAMES,
                "product_class": [kind for kind, _ in PRODUCTS.values()],
                "approval": pa.array([None if kind == "other" else f"CARE/{kind}" for kind, _ in PRODUCTS.values()]),
                "hazard_codes": pa.array([hazards or None for _, hazards in PRODUCTS.values()]),
            }
        ),
        "stations": pa.table(
            {
                "station": STATION_NAMES,
                "timezone": [zone for zone, _ in STATIONS.values()],
                "icao": [f"X{name[:3]}" for name in STATION_NAMES],
            }
        ),
        "lots": pa.table(
            {
                "lot": _lot_names(fleet),
                "product": [name for name in PRODUCT_NAMES for _ in range(_lots_each(fleet))],
                "expires_on": pa.array(opened + (LOT_LASTS * LOT_EVERY - 15) * ONE_DAY),
                "opened_on": pa.array(opened),
            }
        ),
        "people": pa.table(
            {
                "person": names,
                "authorisation": ["boot-care"] * len(names),
                "valid_from": pa.array(since),
                "valid_to": pa.array(since + (400 + fleet.days // 2) * ONE_DAY, mask=~lapsed),
                "certificate_number": [f"C{name[1:]}" for name in names],
                "certificate_kind": ["airframe"] * len(names),
            }
        ),
        "manuals": pa.table(
            {
                "manual": ["CARE-30"] * len(effective),
                "revision": _revision_names(fleet),
                "effective_from": pa.array(np.append(effective[:1] - 400 * ONE_DAY, effective[1:])),
                "superseded_on": pa.array(effective + MANUAL_EVERY * ONE_DAY, mask=effective == effective[-1]),
            }
        ),
    }


def _spread(counts: Ints) -> tuple[Ints, Ints]:
    """Return `counts[i]` rows for each i: which i, and the how manieth of it."""
    row = np.repeat(np.arange(len(counts)), counts)
    return row, np.arange(len(row)) - np.repeat(np.cumsum(counts) - counts, counts)


def _aircraft_names(count: int) -> list[str]:
    return [f"QZ-{number:05d}" for number in range(count)]


def _people_names(fleet: Fleet) -> list[str]:
    """Those who work on each aircraft, then those who sign for it."""
    return [f"P{number:05d}" for number in range(2 * fleet.aircraft)]


def _lots_each(fleet: Fleet) -> int:
    return fleet.days // LOT_EVERY + 2 + LOT_LASTS


def _lot_names(fleet: Fleet) -> list[str]:
    return [f"{name[:4]}/{number:03d}" for name in PRODUCT_NAMES for number in range(_lots_each(fleet))]


def _revision_names(fleet: Fleet) -> list[str]:
    return [str(6 + number) for number in range(fleet.days // MANUAL_EVERY + 2)]


def _numbered(letters: str | pa.Array, numbers: Ints) -> pa.Array:
    digits = pc.utf8_lpad(pc.cast(pa.array(numbers, mask=numbers < 0), pa.string()), 8, "0")
    return pc.binary_join_element_wise(letters, digits, "")


def _text(codes: Ints, names: list[str]) -> pa.Array:
    indices = pa.array(codes.astype(np.int32), mask=codes < 0)
    return pa.DictionaryArray.from_arrays(indices, pa.array(names)).cast(pa.string())


def _counts(numbers: Ints) -> pa.Array:
    return pa.array(numbers.astype(np.int32), mask=numbers == 0)


def _times(minutes: Ints, missing: Bools | None = None) -> pa.Array:
    micros = (FIRST_DAY + minutes * np.timedelta64(1, "m")).astype("M8[us]").view(np.int64)
    return pa.array(micros, type=pa.timestamp("us", tz="UTC"), mask=missing)


def write_load(
    folder: Path,
    form: str,
    aircraft: int,
    days: int,
    *,
    seed: int = 20260101,
    shuffle: bool = False,
    naive_stations: int = 0,
) -> None:
    """Write the canonical tables of a load into a folder, as `parquet` or `csv`.

    Flights and tasks stand in the order of their time, as a nightly export writes them, or, with `shuffle`, in none.
    Times are UTC: instants in Parquet, ISO 8601 with Z in CSV. The task records of the first `naive_stations` stations
    bear the wall clock of their station without a zone instead (as text in Parquet too).
    """
    folder.mkdir(parents=True, exist_ok=True)
    fleet = _fleet(aircraft, days, seed)
    for name, table in (_lists(fleet) | {"components": _components(fleet)}).items():
        _write(folder / f"{name}.{form}", form, iter([table]))
    local = STATION_NAMES[:naive_stations]
    for name, made, finished in (("flights", _flights, _flight_table), ("tasks", _tasks, _task_table)):
        rows, number = _in_order(fleet, made, shuffle)
        tables = _in_parts(fleet, rows, number, finished)
        if local and name == "tasks":
            tables = (_with_wall_clock(table, local) for table in tables)
        _write(folder / f"{name}.{form}", form, tables)


def _in_order(fleet: Fleet, made: Callable[[Fleet, Ints], Rows], shuffle: bool) -> tuple[dict[str, Ints], Ints]:
    """Return the rows in the order of the file, and their numbers in the order of time."""
    edges = [*range(0, fleet.aircraft, AIRCRAFT_AT_ONCE), fleet.aircraft]
    blocks = [made(fleet, np.arange(first, last)) for first, last in pairwise(edges)]
    columns = {name: np.concatenate([block[name] for block in blocks]) for name in blocks[0]}
    del blocks
    # By aircraft within a minute, so that the blocks leave no trace.
    order = np.argsort(columns["start"].astype(np.int64) * fleet.aircraft + columns["plane"], kind="stable")
    number = np.arange(len(order))
    if shuffle:
        number = np.argsort(fleet.dice.roll("shuffle", number))
        order = order[number]
    # One column at a time, so that no second copy of them all is held.
    for name in columns:
        columns[name] = columns[name][order]
    return columns, number


def _in_parts(
    fleet: Fleet, rows: Rows, number: Ints, finished: Callable[[Fleet, Rows, Ints], pa.Table]
) -> Iterator[pa.Table]:
    for first in range(0, len(number), ROWS_AT_ONCE):
        part = slice(first, first + ROWS_AT_ONCE)
        yield finished(fleet, {name: column[part] for name, column in rows.items()}, number[part])


def _write(path: Path, form: str, tables: Iterator[pa.Table]) -> None:
    if form == "csv":
        tables = map(_as_text, tables)
    first = next(tables)
    options = pa.csv.WriteOptions(quoting_style="none")
    with (
        pa.parquet.ParquetWriter(path, first.schema)
        if form == "parquet"
        else pa.csv.CSVWriter(path, first.schema, write_options=options)
    ) as writer:
        writer.write_table(first)
        for table in tables:
            writer.write_table(table)


def _as_text(table: pa.Table) -> pa.Table:
    return _each_time(table, lambda times: _iso(times, "Z"))


def _with_wall_clock(table: pa.Table, stations: list[str]) -> pa.Table:
    """Write the times of the stations' rows as their wall clock, without a zone."""

    def written(times: pa.ChunkedArray) -> pa.ChunkedArray:
        text = _iso(times, "Z")
        for station in stations:
            zone, _ = STATIONS[station]
            wall = pc.local_timestamp(times.cast(pa.timestamp("us", tz=zone)))
            text = pc.if_else(pc.equal(table["station"], station), _iso(wall, ""), text)
        return text

    return _each_time(table, written)


def _each_time(table: pa.Table, written: Callable[[pa.ChunkedArray], pa.ChunkedArray]) -> pa.Table:
    for index, field in enumerate(table.schema):
        if pa.types.is_timestamp(field.type):
            table = table.set_column(index, field.name, written(table[field.name]))
    return table


def _iso(times: pa.ChunkedArray, zone: str) -> pa.ChunkedArray:
    # Far fewer different times than rows: each is written once.
    encoded = times.combine_chunks().dictionary_encode()
    texts = np.datetime_as_string(encoded.dictionary.cast(pa.timestamp("s")).to_numpy(zero_copy_only=False))
    return pa.chunked_array([pa.array([f"{text}{zone}" for text in texts], pa.string()).take(encoded.indices)])


def main() -> None:
    """Make a load from the command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--size", choices=SIZES, default="reference")
    parser.add_argument("--aircraft", type=int, help="instead of the size's")
    parser.add_argument("--days", type=int, help="instead of the size's")
    parser.add_argument("--form", choices=("parquet", "csv"), default="parquet")
    parser.add_argument("--seed", type=int, default=20260101)
    parser.add_argument("--shuffle", action="store_true", help="write rows in no order")
    parser.add_argument("--naive-stations", type=int, default=0, help="stations that write their wall clock")
    options = parser.parse_args()
    aircraft, days = SIZES[options.size]
    write_load(
        options.folder,
        options.form,
        aircraft if options.aircraft is None else options.aircraft,
        days if options.days is None else options.days,
        seed=options.seed,
        shuffle=options.shuffle,
        naive_stations=options.naive_stations,
    )


if __name__ == "__main__":
    main()
