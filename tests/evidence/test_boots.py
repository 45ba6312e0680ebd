"""Boots' time and the treatments of it, against plain loops over all stays and sessions, in small fleets drawn by
chance."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import numpy as np
import pytest

from audit.evidence.boots import boot_time, removal_unknown, treated_within
from audit.evidence.doubt import CERTAIN, reasons_of
from audit.evidence.seasons import seasons_of
from audit.evidence.sessions import in_sessions
from audit.evidence.treatments import NO_BOOT, NO_POSITION
from audit.language.condition import Conditions
from audit.language.events import Season
from audit.timeline.instants import DAY, FOREVER, NEVER
from audit.timeline.possible_stays import PossibleStays
from audit.timeline.timeline import Timeline
from tests.evidence.fleets import fleet

ALL_BOOTS = Conditions.model_validate({})
APPLIED = Conditions.model_validate({"action": {"is": "apply"}})
SEASONS = {
    "always": None,
    "three days": Season.model_validate({"from": "01-07", "to": "01-09"}),
    "over the new year": Season.model_validate({"from": "12-01", "to": "01-08"}),
}


def windows(timeline: Timeline, season: Season | None) -> list[tuple[int, int]]:
    """The seasons, which are the same for all aircraft."""
    if season is None:
        return [(NEVER, FOREVER)]
    _, _, opens, closes = seasons_of(season, timeline, np.array([0]))
    return list(zip(opens.tolist(), closes.tolist(), strict=True))


def perhaps_elsewhere(seed: int) -> Timeline:
    """A fleet of which some boots may have been at other places for a while, by rows that were set aside."""
    timeline, draw = fleet(seed), np.random.default_rng(seed)
    history = timeline.components
    place, start = draw.choice(history.place, 6), draw.choice(history.installed, 6)
    stays = np.stack((place, draw.integers(0, history.boots, 6), start, start + draw.integers(1, 4, 6) * DAY))
    return replace(timeline, components=replace(history, possible=PossibleStays(*np.unique(stays, axis=1))))


@pytest.mark.parametrize("name", SEASONS)
@pytest.mark.parametrize("seed", range(5))
def test_the_time_of_each_boot(seed: int, name: str) -> None:
    """From its first installation to its last removal in each season of which anything is known; perhaps longer."""
    timeline = perhaps_elsewhere(seed)
    history, reasons = timeline.components, reasons_of(timeline)
    found = boot_time(timeline, ALL_BOOTS, SEASONS[name])
    rows = {}
    for boot, (opens, closes) in product(range(history.boots), windows(timeline, SEASONS[name])):
        stays = np.flatnonzero(history.boot == boot)
        spans = sorted(
            (max(int(history.installed[stay]), opens), min(int(history.removed[stay]), closes), int(stay))
            for stay in stays.tolist()
        )
        spans = [(start, end, stay) for start, end, stay in spans if start < end]
        seen = [one for one in spans if one[1] > timeline.since and max(one[0], timeline.since) <= timeline.as_of]
        if not seen:
            continue
        end, last = max(end for _, end, _ in seen), seen[-1][2]
        twice = any(history.twice[stay] for _, _, stay in seen)
        known_end, possible = min(end, timeline.as_of + 1), history.possible
        longest = [(spans[0][0], known_end)]
        for stay in np.flatnonzero(possible.boot == boot).tolist():
            begins, ends = max(int(possible.start[stay]), opens), min(int(possible.end[stay]), closes)
            longest += [(begins, min(ends, timeline.as_of + 1))] * (begins < min(ends, timeline.as_of + 1))
        rows[boot, opens] = {
            "boot": boot,
            "component": last,
            "place": int(history.place[last]),
            "named_at": int(history.place[min((stay for *_, stay in spans), key=lambda stay: history.installed[stay])]),
            "start": spans[0][0],
            "end": end,
            "known_start": max(seen[0][0], timeline.since),
            "known_end": known_end,
            "perhaps_start": min(begins for begins, _ in longest),
            "perhaps_end": max(ends for _, ends in longest),
            "doubt": reasons.number(*NO_BOOT) if twice else CERTAIN,
            "ended": removal_unknown(timeline) if any(history.open_ended[stays]) else CERTAIN,
        }
    expected = [row for _, row in sorted(rows.items())]
    assert [{name: int(column[row]) for name, column in vars(found).items()} for row in range(len(found))] == expected


@pytest.mark.parametrize("name", SEASONS)
@pytest.mark.parametrize("seed", range(5))
def test_the_treatments_of_each_boot_s_time(seed: int, name: str) -> None:
    """Those of the boot that ended in it, and those that may have been: of another at its place, or anywhere on its
    aircraft, or at a time that is not known. Each is one treatment, however often the boot was moved."""
    timeline = perhaps_elsewhere(seed)
    history, reasons = timeline.components, reasons_of(timeline)
    time, done = boot_time(timeline, ALL_BOOTS, SEASONS[name]), in_sessions(timeline, APPLIED).evidence
    found = treated_within(timeline, done, time)
    expected = {}
    nowhere = timeline.nowhere(done.place)
    for row, session in product(range(len(time)), range(len(done))):
        start, end = int(done.start[session]), int(done.end[session])
        since, until = int(time.known_start[row]), int(time.known_end[row])

        def ended_within(opens: int, closes: int, start: int = start, end: int = end) -> bool:
            return start < closes if end == FOREVER else opens <= end < closes

        if done.boot[session] == time.boot[row] and ended_within(since, until):
            expected[row, session] = int(done.doubt[session])
        stays = [
            (int(history.place[stay]), max(since, int(history.installed[stay])), min(until, int(history.removed[stay])))
            for stay in np.flatnonzero(history.boot == time.boot[row]).tolist()
        ]
        longest, possible = (int(time.perhaps_start[row]), int(time.perhaps_end[row])), history.possible
        stays += [
            (
                int(possible.place[one]),
                max(longest[0], int(possible.start[one])),
                min(longest[1], int(possible.end[one])),
            )
            for one in np.flatnonzero(possible.boot == time.boot[row]).tolist()
        ]
        for place, opens, closes in stays:
            aircraft = timeline.aircraft_of(np.array([place, done.place[session]]))
            lost = bool(nowhere[session]) and aircraft[0] == aircraft[1]
            at_its_place = done.place[session] == place and done.boot[session] < 0
            if opens < closes and ended_within(opens, closes) and (lost or at_its_place):
                why = reasons.number(*(NO_POSITION if lost else NO_BOOT))
                expected.setdefault((row, session), int(done.doubt[session]) or why)
    pairs = list(zip(found.time.tolist(), found.session.tolist(), strict=True))
    assert dict(zip(pairs, found.doubt.tolist(), strict=True)) == expected
    assert len(pairs) == len(expected)
    certain = found.doubt == CERTAIN
    assert found.count(certain, len(time)).tolist() == [
        sum(why == CERTAIN for (row, _), why in expected.items() if row == number) for number in range(len(time))
    ]
