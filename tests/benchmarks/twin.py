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
HOLD = timedelta(hours=24)
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
        for task in self.tasks:
            if task["action"] == "apply" and task["product_class"] == product_class:
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

    def holds(self) -> Iterator[tuple[str, str, str, datetime, datetime]]:
        """Work order, aircraft and position of each session of preservative, and from when to when it cures."""
        sessions = defaultdict(list)
        for task, place, boot in self.placed("rubber-preservative"):
            sessions[task["work_order"], task["aircraft"], place].append((task, boot))
        for key, coats in sessions.items():
            end = max(task["finished_at"] for task, _ in coats)
            _, boot = min(coats, key=lambda coat: coat[0]["started_at"])
            yield *key, end, min(end + HOLD, boot["removed_at"] if boot else NEVER)

    def flight_before_cure(self) -> set[tuple[str, ...]]:
        """Work order, aircraft, position, and the first flight too early."""
        found = set()
        for work_order, aircraft, place, end, until in self.holds():
            early = [flight for flight in self.flights[aircraft] if end <= flight["takeoff_at"] < until]
            if early:
                found.add((work_order, aircraft, place, early[0]["flight_id"]))
        return found

    def product_before_cure(self) -> set[tuple[str, ...]]:
        """Work order, aircraft and position of a session that did not cure."""
        others = defaultdict(list)
        for task in self.tasks:
            worked = task["action"] in ("apply", "clean", "prepare") and task["product_class"] is not None
            if worked and task["product_class"] != "rubber-preservative":
                others[task["aircraft"]].append(task)
        return {
            (work_order, aircraft, place)
            for work_order, aircraft, place, end, until in self.holds()
            for task in others[aircraft]
            if end <= task["started_at"] < until and place in dict(self.places(task))
        }

    def ice_adhesion_treatment_not_last(self) -> set[tuple[str, ...]]:
        """Work order, aircraft, position, and the last product over the treatment."""

        def key(task: Row, place: str, boot: Boot) -> tuple[str, ...]:
            return task["work_order"], task["aircraft"], place, boot["component_serial"] if boot else ""

        last: dict[tuple[str, ...], datetime] = {}
        for task, place, boot in self.placed("ice-adhesion-treatment"):
            subject = key(task, place, boot)
            last[subject] = max(last.get(subject, task["started_at"]), task["started_at"])
        rivals: dict[tuple[str, ...], Row] = {}
        for task in self.tasks:
            if task["product_class"] in (None, "ice-adhesion-treatment"):
                continue
            if task["action"] not in ("apply", "clean", "prepare"):
                continue
            for place, boot in self.places(task):
                subject = key(task, place, boot)
                if subject in last and task["started_at"] > last[subject]:
                    rivals[subject] = max(rivals.get(subject, task), task, key=lambda row: row["started_at"])
        return {(*subject[:3], task["task_id"]) for subject, task in rivals.items()}

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
        sessions: dict[tuple[str, str], dict[str, datetime]] = defaultdict(dict)
        for task, place, _ in self.placed("ice-adhesion-treatment"):
            done = sessions[task["aircraft"], place]
            done[task["work_order"]] = max(done.get(task["work_order"], task["finished_at"]), task["finished_at"])
        found = []
        for aircraft, boots in self.boots.items():
            for boot in boots:
                done = sessions[aircraft, boot["position"]]
                for start, end in self.stretches(boot):
                    inside = sorted((at, order) for order, at in done.items() if start <= at < end)
                    cuts = [(start, ""), *inside, (end, "")]
                    for (begin, order), (finish, _) in pairwise(cuts):
                        if self.flown(aircraft, begin, finish) > FIFTY_HOURS:
                            found.append((aircraft, boot["position"], boot["component_serial"], order))
        return found

    def stretches(self, boot: Row) -> Iterator[tuple[datetime, datetime]]:
        """A boot's time on the aircraft in each icing season, as far as the records go."""
        for year in range(self.since.year - 1, self.as_of.year + 1):
            start = max(boot["installed_at"], datetime(year, 10, 1, tzinfo=UTC), self.since)
            season_end = datetime(year + 1, 5, 1, tzinfo=UTC)
            end = min(boot["removed_at"], season_end, self.as_of + timedelta(microseconds=1))
            if start < end:
                yield start, end

    def flown(self, aircraft: str, start: datetime, end: datetime) -> timedelta:
        """Hours of the flights that took off in [start, end)."""
        total = timedelta()
        for flight in self.flights[aircraft]:
            if start <= flight["takeoff_at"] < end:
                hours = flight["flight_hours"]
                total += flight["landing_at"] - flight["takeoff_at"] if hours is None else timedelta(hours=hours)
        return total
