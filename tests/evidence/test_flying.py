"""Takeoffs of boots, and what was flown with them, against plain loops over flights and stays, in small fleets drawn by
chance."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise, product

import numpy as np
import pytest

from audit.evidence.boots import Odometer, flown_on_swap_days
from audit.evidence.doubt import View, coverage_doubt, reasons_of
from audit.evidence.flying import carriers, first_takeoff, first_uncovered, removal, still_running
from audit.evidence.sessions import in_sessions
from audit.evidence.treatments import NO_BOOT, NONE, boots_there
from audit.language.condition import Conditions
from audit.timeline.coverage import ANY_AIRCRAFT, Missing, uncovered
from audit.timeline.instants import FOREVER, Ints
from audit.timeline.timeline import Timeline
from tests.evidence.fleets import GRID, fleet

GLOSS = Conditions.model_validate({"product_class": {"is": "gloss-coating"}})
SEEDS = range(4)


@dataclass(frozen=True)
class Boots:
    """Boots at places; of some no boot is known."""

    boot: Ints
    place: Ints

    @property
    def number(self) -> Ints:
        """The number of each."""
        return np.arange(len(self.boot))


def subjects(timeline: Timeline) -> tuple[Boots, Ints]:
    """Each boot, and none, at some places, asked about from some instants on."""
    places = [aircraft * (timeline.unknown_position + 1) + position for aircraft in range(2) for position in (0, 1)]
    some = list(product(range(-2, timeline.components.boots), places, GRID[::3]))
    boot, place, after = (np.array(column, np.int64) for column in zip(*some, strict=True))
    return Boots(boot, place), after


VIEWS = {
    "plain": lambda _: View("plain"),
    "lenient": lambda _: View("lenient"),
    "harsh": lambda _: View("harsh"),
    "harsh but of what is still running": lambda timeline: View(
        "harsh",
        frozenset(
            [
                reasons_of(timeline).number(*NO_BOOT),
                *(coverage_doubt(reasons_of(timeline), why) for why in Missing if why != Missing.AFTER),
            ]
        ),
    ),
    "harsh of boots only": lambda timeline: View("harsh", frozenset([reasons_of(timeline).number(*NO_BOOT)])),
}


def carried(timeline: Timeline, view: View, boot: int, place: int, after: int) -> Iterator[tuple[int, int, int, int]]:
    """The aircraft that carry a boot from an instant on: which, from, to, and from when on it is recorded elsewhere."""
    width, history = timeline.unknown_position + 1, timeline.components
    if boot < 0:
        yield place // width, after, FOREVER, FOREVER
        return
    doubted = bool(view.against(np.array([reasons_of(timeline).number(*NO_BOOT)]))[0])
    since, until = history.perhaps if doubted else history.surely
    for stay in np.flatnonzero(history.boot == boot).tolist():
        opens = max(after, int(since[stay]))
        yield int(history.place[stay]) // width, opens, int(until[stay]), int(history.twice_from[stay])


def stretches(timeline: Timeline, view: View, aircraft: int, opens: int) -> list[int]:
    """From when on an aircraft may have flown unrecorded, at an instant or later, as far as that counts."""
    reasons, found = reasons_of(timeline), uncovered(timeline)
    return [
        max(opens, start)
        for craft, start, end, why in zip(found.aircraft, found.start, found.end, found.why, strict=True)
        if craft in (aircraft, ANY_AIRCRAFT)
        and end > opens
        and view.against(np.array([coverage_doubt(reasons, Missing(why))]))[0]
    ]


@pytest.mark.parametrize("name", VIEWS)
@pytest.mark.parametrize("seed", SEEDS)
def test_the_first_takeoff_of_each_boot(seed: int, name: str) -> None:
    """The first recorded flight with it, or the first time at which the log does not cover its aircraft."""
    timeline, view = fleet(seed), VIEWS[name](fleet(seed))
    boots, after = subjects(timeline)
    at, row = first_takeoff(timeline, view, boots, after)
    open_from = first_uncovered(timeline, view, boots, after)
    flights = timeline.flights
    for subject, (boot, place, since) in enumerate(zip(boots.boot, boots.place, after, strict=True)):
        flown: dict[int, set[int]] = {}
        unseen = {FOREVER}
        for aircraft, opens, closes, elsewhere in carried(timeline, view, int(boot), int(place), int(since)):
            if view.against(np.array([reasons_of(timeline).number(*NO_BOOT)]))[0]:
                elsewhere = FOREVER
            for which in np.flatnonzero((flights.aircraft == aircraft) & (flights.takeoff >= opens)).tolist():
                if flights.takeoff[which] < min(closes, elsewhere):
                    flown.setdefault(int(flights.takeoff[which]), set()).add(int(flights.row[which]))
            unseen |= {start for start in stretches(timeline, view, aircraft, opens) if start < closes}
        first = min({*flown, *unseen})
        assert (at[subject], open_from[subject]) == (first, min(unseen))
        assert row[subject] in flown.get(first, {NONE})


@pytest.mark.parametrize("seed", SEEDS)
def test_what_was_flown_with_each_boot(seed: int) -> None:
    """The odometer of a boot runs with the flights of the aircraft that it is on, and stands still meanwhile."""
    timeline = fleet(seed)
    flights, history = timeline.flights, timeline.components
    for total in (flights.flown, flights.cycles):
        meter = Odometer.of(timeline, total)
        for boot in set(history.boot.tolist()):
            stays = sorted(np.flatnonzero(history.boot == boot), key=lambda stay: history.installed[stay])
            if any(history.installed[later] < history.removed[stay] for stay, later in pairwise(stays)):
                continue
            with_it = [
                (int(flights.takeoff[place]), place, int(total[place + 1] - total[place]))
                for stay in stays
                for place in np.flatnonzero(flights.aircraft == timeline.aircraft_of(history.place[[stay]])[0])
                if history.installed[stay] <= flights.takeoff[place] < history.removed[stay]
            ]
            instants = np.array(GRID, np.int64)
            read = meter.at(np.full(len(GRID), boot), instants)
            expected = [sum(length for at, _, length in with_it if at < instant) for instant in GRID]
            assert (read - read[0]).tolist() == [flown - expected[0] for flown in expected]
            passed = 0
            for _, place, length in sorted(with_it):
                readings = read[0] - expected[0] + np.array([passed, passed + length - 1])
                assert meter.passed(readings).tolist() == [place, place]
                passed += length


@pytest.mark.parametrize("seed", range(8))
def test_flights_on_a_day_of_a_swap(seed: int) -> None:
    """What was flown from the first to the last time that the day may mean is with the boot, or isn't."""
    timeline = fleet(seed)
    flights, history = timeline.flights, timeline.components
    some = list(product(range(history.boots), GRID[::3], GRID[1::4]))
    boot, start, end = (np.array(column, np.int64) for column in zip(*some, strict=True))
    less, more = flown_on_swap_days(timeline, flights.flown, boot, start, end)

    def flown(stay: int, opens: int, closes: int) -> int:
        aircraft = timeline.aircraft_of(history.place[[stay]])[0]
        during = (flights.aircraft == aircraft) & (flights.takeoff >= opens) & (flights.takeoff < closes)
        return int(np.diff(flights.flown)[during].sum())

    for number, (mine, opens, closes) in enumerate(some):
        fewer = further = 0
        for stay in np.flatnonzero(history.boot == mine).tolist():
            put_on = [int(one[stay]) for one in (history.perhaps[0], history.installed, history.surely[0])]
            taken_off = [int(one[stay]) for one in (history.surely[1], history.removed, history.perhaps[1])]
            if put_on[0] < put_on[2] and opens <= put_on[2] and closes >= put_on[0]:
                further += flown(stay, *put_on[:2])
                fewer += flown(stay, *put_on[1:])
            if taken_off[0] < taken_off[2] and opens <= taken_off[2] and closes >= taken_off[0]:
                fewer += flown(stay, *taken_off[:2])
                further += flown(stay, *taken_off[1:])
        assert (less[number], more[number]) == (fewer, further)


@pytest.mark.parametrize("seed", SEEDS)
def test_every_aircraft_that_carries_a_boot(seed: int) -> None:
    """The one on which it was treated, and each that it was ever on; of a boot that isn't known, each that any was ever
    on that may have been there."""
    timeline = fleet(seed)
    held, history = in_sessions(timeline, GLOSS).evidence, timeline.components
    index, aircraft = carriers(timeline, held)
    for number in range(len(held)):
        here = int(timeline.aircraft_of(held.place[[number]])[0])
        boots = [int(held.boot[number])]
        if boots[0] < 0:
            boots = boots_there(timeline, held.place[[number]], held.task[[number]])[1].tolist()
        stays = history.place[np.isin(history.boot, boots)]
        everywhere = set(timeline.aircraft_of(stays).tolist())
        assert set(aircraft[index == number].tolist()) == {here, *everywhere}


@pytest.mark.parametrize("name", VIEWS)
@pytest.mark.parametrize("seed", SEEDS)
def test_a_boot_that_is_not_known_may_come_off_at_the_next_change(seed: int, name: str) -> None:
    """At its place, or anywhere on its aircraft where its position isn't known, after its work began; that speaks in
    its favour. One that is known takes its hold along."""
    timeline, view = fleet(seed), VIEWS[name](fleet(seed))
    held, history = in_sessions(timeline, GLOSS).evidence, timeline.components
    counts = bool(view.favour(np.array([reasons_of(timeline).number(*NO_BOOT)]))[0])
    off = removal(timeline, view, held)
    began = timeline.times["started_at"][held.last]
    for number in range(len(held)):
        place, every = held.place[[number]], np.arange(timeline.places)
        if timeline.nowhere(place)[0]:
            place = every[timeline.aircraft_of(every) == timeline.aircraft_of(place)]
        changes = history.next_change(place, np.repeat(began[number], len(place)))
        assert off[number] == (changes.min() if held.boot[number] < 0 and counts else FOREVER)
    after = bool(view.against(np.array([coverage_doubt(reasons_of(timeline), Missing.AFTER)]))[0])
    assert still_running(timeline, view) == (timeline.as_of + 1 if after else FOREVER)
