"""Finding out what happened around a finding, and what is worth drawing of it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from itertools import pairwise

import numpy as np
import pandas as pd

from audit.evidence.doubt import CERTAIN
from audit.evidence.seasons import season_around
from audit.evidence.sessions import sessions
from audit.evidence.treatments import treatments
from audit.forms import form_of
from audit.forms.drawing import AroundRecord, AroundSession, Case, Drawing, TwoThings, UseOfBoot
from audit.language.rule import Rule
from audit.scenes.surroundings import Surroundings, Window
from audit.scenes.values import Lane, Scene, Story, Stretch, Usage
from audit.timeline.instants import DAY, HOUR, MINUTE, Ints
from audit.timeline.timeline import Timeline

MOST_BOOTS = 5
"""On how many positions of one record the boots are drawn."""
AROUND_A_RECORD = 30 * DAY
AROUND_A_SEASON = 10 * DAY


def drawings_of(rules: Iterable[Rule]) -> dict[str, Drawing]:
    """What is drawn of a finding of each rule, by its id; rules that are not a matter of time are left out."""
    return {rule.id: drawing for rule in rules if (drawing := form_of(rule).drawing(rule))}


def stories(
    wanted: Sequence[str],
    drawings: Mapping[str, Drawing],
    findings: pd.DataFrame,
    cases: pd.DataFrame,
    timeline: Timeline,
) -> tuple[Story, ...]:
    """Tell the stories of the findings with these ids, in their order; `cases` has a row for each of `findings`."""
    mine = findings["finding_id"].isin(wanted)
    chosen = findings[mine]
    # What is drawn is looked up for the aircraft of these findings only.
    aircraft = timeline.aircraft_names.get_indexer(pd.Index(chosen["aircraft"].unique()))
    around = Surroundings.of(timeline, aircraft)
    told: dict[str, Story] = {}
    names = zip(chosen["finding_id"], chosen["rule"], chosen["position"], strict=True)
    for (name, rule, position), row in zip(names, cases[mine].to_dict("records"), strict=True):
        case = {str(column): value for column, value in row.items()} | {"position": position}
        if story := _story(name, drawings[rule], case, around):
            told[name] = story
    return tuple(told[name] for name in wanted if name in told)


def _story(name: str, drawing: Drawing, case: Case, around: Surroundings) -> Story | None:
    match drawing:
        case AroundSession():
            return _around_session(name, drawing, case, around)
        case AroundRecord():
            return _around_record(name, case, around)
        case TwoThings():
            return _two_things(name, drawing, case, around)
        case UseOfBoot():
            return _usage(name, drawing, case, around)


def _around_session(name: str, drawing: AroundSession, case: Case, around: Surroundings) -> Scene | None:
    """A session's records, the flights and the boot from the first to the last that matters."""
    task, place, subject, at, anchor = (int(case[key]) for key in ("task", "place", "subject", "at", "anchor"))
    if task < 0 or place < 0:
        return None  # a season without a single record has no scene
    subject = subject if subject >= 0 else task
    wait, short = drawing.stretches(case)
    marks = [at, *(int(around.timeline.times["started_at"][row]) for row in (task, subject))]
    marks += [anchor] if anchor >= 0 else []
    marks += [end for stretch in (wait, short) if stretch for end in (stretch.start, stretch.end)]
    window = _padded(min(marks), max(marks))
    other = int(case["other"] if case["other"] >= 0 else task)
    label = "takeoff" if int(case["flight"]) >= 0 else around.product(other)
    lanes = (
        around.work(place, window, subject),
        *around.flights(place, window),
        *around.boots(place, window),
    )
    return Scene(name, *window, lanes, wait, (at, label) if drawing.marked else None, short)


def _around_record(name: str, case: Case, around: Surroundings) -> Scene:
    """One record, and the boots at its positions before, then and after."""
    timeline, task = around.timeline, int(case["task"])
    began = int(timeline.times["started_at"][task])
    window = began - AROUND_A_RECORD, began + AROUND_A_RECORD
    named = pd.Index([one.strip() for one in str(case["position"]).split(";")])
    positions = [one for one in timeline.position_names.get_indexer(named).tolist() if one >= 0]
    places = [int(timeline.place(timeline.aircraft[[task]], position)[0]) for position in positions[:MOST_BOOTS]]
    boots = [lane for place in places for lane in around.boots(place, window)]
    work = Lane("Work", (around.record(task, "treatment"),))
    return Scene(name, *window, (work, *boots), None, (began, around.product(task)), None)


def _two_things(name: str, drawing: TwoThings, case: Case, around: Surroundings) -> Scene:
    """Two things that can't both be true, and the time they share."""
    rows = int(case["subject"]), int(case["other_subject"])
    lanes = tuple(around.thing(kind, row) for kind, row in zip(drawing.kinds, rows, strict=True))
    spans = [lane.spans[0] for lane in lanes]
    both = Stretch(max(span.start for span in spans), min(span.end for span in spans), "both at once")
    # A stay of weeks and a task of minutes: what lies far from both is cut off.
    near = max(both.end - both.start, HOUR) * 4
    window = _padded(
        max(min(span.start for span in spans), both.start - near),
        min(max(span.end for span in spans), both.end + near),
    )
    return Scene(name, *window, lanes, None, None, both)


def _usage(name: str, drawing: UseOfBoot, case: Case, around: Surroundings) -> Usage | None:
    """What passed on a boot between its treatments, over the season or the time recorded."""
    timeline, boot, unit = around.timeline, int(case["component"]), str(case["unit"])
    if boot < 0 or unit not in ("flight hours", "cycles", "days"):
        return None
    history = timeline.components
    place = history.place[[boot]]
    aircraft = timeline.aircraft_of(place)
    counted = _season(drawing, timeline, aircraft, int(case["anchor"]))
    since, until = timeline.since, timeline.as_of
    if counted:
        since, until = max(since, counted[0][0]), min(until, counted[0][1])
    installed, removed = int(history.installed[boot]), int(history.removed[boot])
    begin, finish = max(since, installed), min(until, removed)
    treated = _treated(drawing, around, int(aircraft[0]), boot, (begin, finish))
    points = _saw_tooth(timeline, aircraft, unit, (begin, finish), treated)
    swaps = [(installed, "installed")] if installed > since else []
    swaps += [(removed, "removed")] if removed < until else []
    position = timeline.position_names[int(timeline.position_of(place)[0])]
    return Usage(
        name,
        f"{position}, boot {timeline.tables['components']['component_serial'].iloc[boot]}",
        max(since - AROUND_A_SEASON, timeline.since),
        min(until + AROUND_A_SEASON, timeline.as_of),
        points,
        treated,
        tuple(swaps),
        counted,
        float(case["limit"]),
        unit,
        int(case["at"]),
        max((amount for _, amount in points), default=0.0),
    )


def _season(drawing: UseOfBoot, timeline: Timeline, aircraft: Ints, at: int) -> tuple[Window, ...]:
    """The season around an instant; none where use counts all the time."""
    if drawing.season is None:
        return ()
    opens, closes = season_around(drawing.season, timeline, aircraft, np.array([at]))
    return ((int(opens[0]), int(closes[0])),)


def _treated(drawing: UseOfBoot, around: Surroundings, aircraft: int, boot: int, window: Window) -> tuple[int, ...]:
    """When the boot's treatments ended, in order."""
    rows = around.rows[around.timeline.aircraft[around.rows] == aircraft]
    done = sessions(around.timeline, treatments(around.timeline, drawing.treatments, rows)).sessions
    mine = (done.component == boot) & (done.doubt == CERTAIN) & (done.end >= window[0]) & (done.end < window[1])
    return tuple(sorted(done.end[mine].tolist()))


def _saw_tooth(
    timeline: Timeline, aircraft: Ints, unit: str, window: Window, treated: tuple[int, ...]
) -> tuple[tuple[int, float], ...]:
    """The amount since the last treatment at every takeoff, landing and treatment."""
    flights = timeline.flights
    total, scale = (flights.flown, HOUR) if unit == "flight hours" else (flights.cycles, 1)
    points: list[tuple[int, float]] = []
    for since, until in pairwise((window[0], *treated, window[1])):
        points.append((since, 0.0))
        if unit == "days":
            points.append((until, float(until // DAY - since // DAY)))
            continue
        first, last = (int(flights.first_from(aircraft, np.array([when]))[0]) for when in (since, until))
        amounts = [round(float(amount), 3) for amount in (total[first : last + 1] - total[first]) / scale]
        for place, (before, after) in zip(range(first, last), pairwise(amounts), strict=True):
            points.append((int(flights.takeoff[place]), before))
            points.append((int(min(flights.landing[place], until)), after))
        points.append((until, amounts[-1]))
    return tuple(points)


def _padded(start: int, end: int) -> Window:
    pad = max((end - start) // 12, 10 * MINUTE)
    return start - pad, end + pad
