"""The rules of the benchmark once more, slow and obvious: plain loops over the rows of a small load."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

import pyarrow.parquet

Row = dict[str, Any]
Boot = Row | None
Treated = tuple[Row, str, Boot]
"""A record, a position that it names, and the boot there when it began."""
HOLD = timedelta(hours=24)
LONGEST_PAUSE = timedelta(hours=24)
FIFTY_HOURS = timedelta(hours=50)
NEVER = datetime.max.replace(tzinfo=UTC)


class Twin:
    """A load as rows, and what each rule finds in it."""

    def __init__(self, folder: Path) -> None:
        def rows(table: str) -> list[Row]:
            return pyarrow.parquet.read_table(folder / f"{table}.parquet").to_pylist()

        self.flights: dict[str, list[Row]] = defaultdict(list)
        for flight in sorted(rows("flights"), key=lambda row: row["takeoff_at"]):
            self.flights[flight["aircraft"]].append(flight)
        self.boots: dict[str, list[Row]] = defaultdict(list)
        for boot in rows("components"):
            self.boots[boot["aircraft"]].append(boot | {"removed_at": boot["removed_at"] or NEVER})
        classes = {row["product"]: row["product_class"] for row in rows("products")}
        everything = rows("tasks")
        self.tasks = [
            row | {"product_class": classes.get(row["product"])}
            for row in everything
            if (row["status"] or "closed") == "closed"
        ]
        flights = [flight for own in self.flights.values() for flight in own]
        boots = [boot for own in self.boots.values() for boot in own]
        moments = [row[name] for row in everything for name in ("finished_at", "signed_at")]
        moments += [flight["landing_at"] for flight in flights]
        moments += [boot[name] for boot in boots for name in ("installed_at", "removed_at")]
        self.as_of = max(moment for moment in moments if moment is not None and moment != NEVER)
        self.since = min([row["started_at"] for row in everything] + [flight["takeoff_at"] for flight in flights])

    def boot_at(self, aircraft: str, position: str, moment: datetime) -> Boot:
        """The boot at a position at a moment."""
        for boot in self.boots[aircraft]:
            if boot["position"] == position and boot["installed_at"] <= moment < boot["removed_at"]:
                return boot
        return None

    def placed(self, product_class: str) -> Iterator[tuple[Row, str, Boot]]:
        """Each application of a product class, at each position that it names."""
        acts = ("apply", "repair") if product_class == "rubber-preservative" else ("apply",)
        for task in self.tasks:
            if task["action"] in acts and task["product_class"] == product_class:
                yield from ((task, place, boot) for place, boot in self.places(task))

    def places(self, task: Row) -> list[tuple[str, Boot]]:
        """The positions that a record names, each with its boot."""
        started = task["started_at"]
        if task["position"] == "all":
            named = sorted({boot["position"] for boot in self.boots[task["aircraft"]]})
            found = [(place, self.boot_at(task["aircraft"], place, started)) for place in named]
            return [(place, boot) for place, boot in found if boot]
        named = sorted({part.strip() for part in task["position"].split(";")})
        return [(place, self.boot_at(task["aircraft"], place, started)) for place in named]

    def preservative_on_wrong_material(self) -> set[tuple[str, ...]]:
        """Record, and the positions at fault."""
        broken = defaultdict(list)
        for task, place, boot in self.placed("rubber-preservative"):
            if boot and (boot["material"] != "chloroprene" or boot["finish"] == "silver"):
                broken[task["task_id"]].append(place)
        return {(task, "; ".join(places)) for task, places in broken.items()}

    def at_one_go(self, treated: list[Treated]) -> list[list[Treated]]:
        """Records by work order and boot, without a takeoff of the aircraft or a long pause in between."""
        groups: dict[tuple[str, ...], list[Treated]] = defaultdict(list)
        for task, place, boot in treated:
            what = (boot["component_serial"],) if boot else (task["aircraft"], place)
            groups[task["work_order"], *what].append((task, place, boot))
        found = []
        for group in groups.values():
            group.sort(key=lambda one: one[0]["started_at"])
            parts, until = [[group[0]]], group[0][0]["finished_at"]
            for one in group[1:]:
                start = one[0]["started_at"]
                flew = any(until <= flight["takeoff_at"] < start for flight in self.flights[one[0]["aircraft"]])
                if flew or start - until > LONGEST_PAUSE:
                    parts.append([])
                parts[-1].append(one)
                until = max(until, one[0]["finished_at"])
            found += parts
        return found

    def may_go_on(self, aircraft: str, ended: datetime) -> bool:
        """Whether a job may still be going on at the as-of time: not a day has passed since, and no flight."""
        flown = any(ended <= flight["takeoff_at"] <= self.as_of for flight in self.flights[aircraft])
        return self.as_of - ended < LONGEST_PAUSE and not flown

    def stays(self, serial: str) -> list[Row]:
        """Where a boot was, in order of time."""
        every = [boot for boots in self.boots.values() for boot in boots if boot["component_serial"] == serial]
        return sorted(every, key=lambda boot: boot["installed_at"])

    def holds(self) -> Iterator[tuple[tuple[str, str, str], datetime, list[tuple[str, str, datetime, datetime]]]]:
        """Work order, aircraft and position of each session of preservative; when it ended; and where its boot is while
        it cures: aircraft, position, from when to when."""
        for coats in self.at_one_go(list(self.placed("rubber-preservative"))):
            task, place, boot = max(coats, key=lambda coat: coat[0]["finished_at"])
            end = task["finished_at"]
            where = [(task["aircraft"], place, end, end + HOLD)]
            if boot:
                where = [
                    (
                        stay["aircraft"],
                        stay["position"],
                        max(end, stay["installed_at"]),
                        min(end + HOLD, stay["removed_at"]),
                    )
                    for stay in self.stays(boot["component_serial"])
                ]
            yield (task["work_order"], task["aircraft"], place), end, where

    def flight_before_cure(self) -> list[tuple[str, ...]]:
        """Work order, aircraft, position, and the first flight too early."""
        found = []
        for key, _, where in self.holds():
            early = [
                flight
                for aircraft, _, start, until in where
                for flight in self.flights[aircraft]
                if start <= flight["takeoff_at"] < until
            ]
            if early:
                found.append((*key, min(early, key=lambda flight: flight["takeoff_at"])["flight_id"]))
        return found

    def product_before_cure(self) -> list[tuple[str, ...]]:
        """Work order, aircraft and position of a session that did not cure."""
        others = defaultdict(list)
        for task in self.tasks:
            worked = task["action"] in ("apply", "clean", "prepare", "repair") and task["product_class"] is not None
            if worked and task["product_class"] != "rubber-preservative":
                others[task["aircraft"]].append(task)
        return [
            key
            for key, end, where in self.holds()
            if not self.may_go_on(key[1], end)
            and any(
                start <= task["started_at"] < until and place in dict(self.places(task))
                for aircraft, place, start, until in where
                for task in others[aircraft]
            )
        ]

    def ice_adhesion_treatment_not_last(self) -> list[tuple[str, ...]]:
        """Work order, aircraft, position, and the last product over the treatment."""
        treated = list(self.placed("ice-adhesion-treatment"))
        orders = {task["work_order"] for task, _, _ in treated}
        others = [
            (task, place, boot)
            for task in self.tasks
            if task["product_class"] not in (None, "ice-adhesion-treatment")
            and task["action"] in ("apply", "clean", "prepare", "repair")
            and task["work_order"] in orders
            for place, boot in self.places(task)
        ]
        found = []
        for job in self.at_one_go(treated + others):
            bound = [one for one in job if one[0]["product_class"] == "ice-adhesion-treatment"]
            if not bound:
                continue
            last = max(task["started_at"] for task, _, _ in bound)
            rivals = [task for task, _, _ in job if task["started_at"] > last]
            first, place, _ = min(bound, key=lambda one: one[0]["started_at"])
            if rivals and not self.may_go_on(first["aircraft"], max(task["finished_at"] for task, _, _ in job)):
                rival = max(rivals, key=lambda task: task["started_at"])
                found.append((first["work_order"], first["aircraft"], place, rival["task_id"]))
        return found

    def ppe_sign_off_missing(self) -> set[tuple[str, ...]]:
        """Record."""
        found = set()
        for task in self.tasks:
            worn = {item.strip() for item in (task["ppe_worn"] or "").split(";")}
            protected = {"eye-protection", "chemical-gloves"} <= worn and task["ppe_signed_by"] is not None
            if task["product"] is not None and not protected:
                found.add((task["task_id"],))
        return found

    def ice_adhesion_treatment_overdue(self) -> list[tuple[str, ...]]:
        """Aircraft, position, boot, and the work order that began a segment too long."""
        done: dict[str, list[tuple[datetime, str]]] = defaultdict(list)
        for session in self.at_one_go(list(self.placed("ice-adhesion-treatment"))):
            task, _, boot = max(session, key=lambda one: one[0]["finished_at"])
            if boot:
                done[boot["component_serial"]].append((task["finished_at"], task["work_order"]))
        found = []
        for serial in {boot["component_serial"] for boots in self.boots.values() for boot in boots}:
            for start, end, last in self.stretches(serial):
                inside = sorted((at, order) for at, order in done[serial] if start <= at < end)
                cuts = [(start, ""), *inside, (end, "")]
                for (begin, order), (finish, _) in pairwise(cuts):
                    if self.flown(serial, begin, finish) > FIFTY_HOURS:
                        found.append((last["aircraft"], last["position"], serial, order))
        return found

    def stretches(self, serial: str) -> Iterator[tuple[datetime, datetime, Row]]:
        """A boot's time in each icing season, as far as the records go, and its last stay in it."""
        for year in range(self.since.year - 1, self.as_of.year + 1):
            opens, closes = datetime(year, 10, 1, tzinfo=UTC), datetime(year + 1, 5, 1, tzinfo=UTC)
            stays = [
                stay
                for stay in self.stays(serial)
                if max(stay["installed_at"], opens) < min(stay["removed_at"], closes)
                and max(stay["installed_at"], opens) <= self.as_of
            ]
            if stays:
                start = max(stays[0]["installed_at"], opens, self.since)
                over = min(closes, self.as_of + timedelta(microseconds=1))
                end = min(max(stay["removed_at"] for stay in stays), over)
                if start < end:
                    yield start, end, stays[-1]

    def flown(self, serial: str, start: datetime, end: datetime) -> timedelta:
        """Hours of the flights that took off with a boot in [start, end)."""
        total = timedelta()
        for stay in self.stays(serial):
            opens, closes = max(start, stay["installed_at"]), min(end, stay["removed_at"])
            for flight in self.flights[stay["aircraft"]]:
                if opens <= flight["takeoff_at"] < closes:
                    hours = flight["flight_hours"]
                    total += flight["landing_at"] - flight["takeoff_at"] if hours is None else timedelta(hours=hours)
        return total
