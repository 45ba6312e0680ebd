"""Small fleets drawn by chance, on a clock of few hours: work, flights and boots that meet, touch and contradict each
other, with cells that are blank or can't be read."""

from __future__ import annotations

import random
from collections.abc import Iterator
from functools import cache

import numpy as np
import pandas as pd

from audit.evidence.doubt import CERTAIN, reasons_of
from audit.evidence.treatments import NO_BOOT, NO_POSITION, Evidence, Subjects, Treatments
from audit.intake.export import Export
from audit.intake.reading import read_rows
from audit.timeline.components import NONE_KNOWN
from audit.timeline.instants import HOUR, NEVER, instant
from audit.timeline.timeline import Timeline, build_timeline

START = pd.Timestamp("2026-01-05T00:00Z")
STEP, STEPS = 6, 24
"""How many hours a step of the clock is, and how many there are until the as-of time."""
AS_OF = START + pd.Timedelta(hours=STEP * STEPS)
GRID = [instant(START) + step * STEP * HOUR for step in range(-1, STEPS + 2)]

Row = dict[str, str]


def at(step: float) -> str:
    return f"{START + pd.Timedelta(hours=step * STEP):%Y-%m-%dT%H:%MZ}"


def fleet(seed: int, written_otherwise: bool = False) -> Timeline:
    """A fleet of two aircraft, and perhaps a third that is only in the history of the boots; some records may name the
    first one as `A-1`."""
    return build_timeline(_export(seed, written_otherwise), AS_OF)


@cache
def _export(seed: int, written_otherwise: bool) -> Export:
    chance = random.Random(seed)
    tasks = [_task(chance, number) for number in range(30)]
    if written_otherwise:
        tasks = [
            task | {"aircraft": "A-1"} if task["aircraft"] == "A1" and n % 3 == 0 else task
            for n, task in enumerate(tasks)
        ]
    flights = [_flight(chance, number) for number in range(16)]
    boots = list(_history(chance))
    products = [{"product": name, "product_class": name, "approval": "yes"} for name in ("gloss-coating", "cleaner")]
    stations = [{"station": "S1", "timezone": "UTC"}]
    tables = {"tasks": tasks, "flights": flights, "components": boots, "products": products, "stations": stations}
    return read_rows(tables, AS_OF)


def _task(chance: random.Random, number: int) -> Row:
    began = chance.randrange(STEPS + 1)
    started, finished = at(began), at(began + chance.choice([0, 0.5, 1, 1, 3, 5]))
    return {
        "task_id": f"T{number}",
        "work_order": chance.choice(["W1", "W2", ""] if number % 6 == 0 else ["W1", "W2"]),
        "aircraft": chance.choice(["A1", "A1", "A1", "A2", "A2", ""] if number % 5 == 0 else ["A1", "A2"]),
        "action": "apply",
        "station": "S1",
        "started_at": chance.choice([started, started, started, "?"]) if number % 4 == 0 else started,
        "finished_at": chance.choice([finished, finished, "?"]) if number % 4 == 1 else finished,
        "status": chance.choice(["closed", "closed", "closed", "closed", "open", "void"]),
        "position": chance.choice(["left", "left", "left", "right", "right", "left; right", "all", "", "tail"]),
        "product": chance.choice(["gloss-coating", "gloss-coating", "cleaner", "unheard-of", ""]),
    }


def _flight(chance: random.Random, number: int) -> Row:
    took_off = chance.randrange(STEPS + 1)
    landed = at(took_off + chance.choice([0.2, 0.5, 1]))
    return {
        "flight_id": f"F{number}",
        "aircraft": chance.choice(["A1", "A2"]),
        "takeoff_at": at(took_off),
        "landing_at": chance.choice([landed] * 7 + ["?"]),
        "flight_hours": "",
    }


def _history(chance: random.Random) -> Iterator[Row]:
    """Four boots that change their places twice, with pauses, and one more that is recorded beside one of them."""
    places = [(aircraft, position) for aircraft in ("A1", "A2") for position in ("left", "right")]
    # Before the export tells of anything else.
    yield _stay("B1", chance.choice(places), at(-12), at(-8))
    begins = [-4, chance.choice([4, 7]), chance.choice([12, 15])]
    for began, ends in zip(begins, [*begins[1:], STEPS], strict=True):
        chance.shuffle(places)
        for number, place in enumerate(places):
            installed, removed = at(began), at(ends - chance.choice([0, 0, 0, 1]))
            if ends == STEPS or chance.random() < 0.1:
                removed = chance.choice(["", "", "?"])
            yield _stay(f"B{number}", place, chance.choice([installed] * 9 + [installed[:10]]), removed)
    began = chance.randrange(STEPS - 6)
    yield _stay(chance.choice(["B0", "B4"]), chance.choice([*places, ("A9", "left")]), at(began), at(began + 5))


def _stay(serial: str, place: tuple[str, str], installed: str, removed: str) -> Row:
    aircraft, position = place
    finish = {"B2": "silver", "B3": ""}.get(serial, "black")
    boot = {"component_serial": serial, "material": "chloroprene", "finish": finish}
    return {**boot, "aircraft": aircraft, "position": position, "installed_at": installed, "removed_at": removed}


def why_perhaps(
    timeline: Timeline, work: Treatments, row: int, of: Subjects, subject: int, task: int = -1
) -> list[int]:
    """All reasons why a record may be of a subject's boot: CERTAIN where it is of that boot and in scope.

    `task` is the record that the subject is named by, where its boot may be one that was treated elsewhere.
    """
    reasons = reasons_of(timeline)
    no_boot, no_position = reasons.number(*NO_BOOT), reasons.number(*NO_POSITION)
    place, boot, doubt = (int(column[row]) for column in (work.place, work.boot, work.doubt))
    here, mine = int(of.place[subject]), int(of.boot[subject])
    nowhere, lost = (bool(timeline.nowhere(np.array([one]))[0]) for one in (place, here))
    width = timeline.unknown_position + 1
    one_aircraft = place // width == here // width
    found: list[int] = []

    def perhaps(why: int) -> None:
        found.append(doubt if doubt != CERTAIN else why)

    if not nowhere and boot >= NONE_KNOWN and boot == mine and (boot >= 0 or place == here):
        perhaps(CERTAIN)
    if not nowhere and not lost and place == here and (boot < 0 or mine < 0):
        perhaps(no_boot)
    if one_aircraft and (nowhere or lost):
        perhaps(no_position)

    def was_there(one: int, at: int, record: int) -> bool:
        history = timeline.components
        began, ended = (int(times[0]) for times in timeline.span(np.array([record])))
        since = ended if began == NEVER else began
        return any(
            (int(history.place[stay]) // width == at // width if nowhere else int(history.place[stay]) == at)
            and history.installed[stay] <= since
            and began < history.removed[stay]
            for stay in np.flatnonzero(history.boot == one).tolist()
        )

    if boot < 0 <= mine and was_there(mine, place, int(work.task[row])):
        perhaps(no_position if nowhere else no_boot)
    if mine < 0 <= boot and task >= 0 and not lost and was_there(boot, here, task):
        perhaps(no_boot)
    return found


def doubts(timeline: Timeline, evidence: Evidence) -> list[frozenset[int]]:
    """What may count, in several views: only what is certain, everything, and each kind of doubt alone."""
    reasons = reasons_of(timeline)
    kinds = {reasons.number(*NO_BOOT), reasons.number(*NO_POSITION), *map(int, evidence.doubt)} - {CERTAIN}
    return [frozenset({CERTAIN}), frozenset({CERTAIN, *kinds}), *(frozenset({CERTAIN, kind}) for kind in sorted(kinds))]
