"""Every form on exports that leave something open, against the verdicts on all that they may mean."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from datetime import UTC, datetime
from random import Random
from typing import Any

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from audit.forms.judging import every_subject
from audit.intake.reading import read_rows
from audit.timeline.timeline import Timeline, build_timeline
from tests.forms import possible_worlds as possible
from tests.forms import twin
from tests.forms.possible_worlds import WAYS, Doubt, Tables
from tests.forms.reasons import unknown
from tests.forms.rules import RULES, rule
from tests.forms.test_against_twin import (
    COUNT,
    GUARD,
    ORDER,
    OVERLAP,
    PRESERVE,
    RECORD,
    SEASON_COUNT,
    SPACING,
    hold_rules,
    interval_rules,
    name_of,
    precede_rules,
)

AS_OF = datetime(2025, 6, 6, tzinfo=UTC)

Subject = tuple[Any, ...]
Said = Mapping[Subject, list[twin.Verdict]]


def said_of(data: Mapping[str, Any], timeline: Timeline) -> Said:
    """What the product says of each subject."""
    verdicts: dict[Any, twin.Verdict] = {"complies": True, "finding": False, "unjudged": None}
    found = defaultdict(list)
    cases = every_subject(RULES.validate_python(data), timeline)
    assert unknown(cases["reason"]) == []
    for case in cases.to_dict("records"):
        case["subject"] = case["named_by"] if data["form"] == "precede" else case["subject"]
        found[name_of(data, case, timeline)].append(verdicts[case["outcome"]])
    return by_name(data, found)


def named(data: Mapping[str, Any], verdicts: Mapping[Subject, twin.Verdict]) -> Said:
    """The verdicts of a world by the names that the product gives."""
    found = defaultdict(list)
    for one, verdict in verdicts.items():
        found[one[:4] if data["form"] == "interval" or "sessions" in data else one].append(verdict)
    return by_name(data, found)


def by_name(data: Mapping[str, Any], said: Said) -> Said:
    """What is said of each subject, aircraft of nearly the same name taken as one.

    All stretches between the treatments of a boot are one subject: where one ends and the next begins may be what is in
    doubt.
    """
    found = defaultdict(list)
    for subject, verdicts in said.items():
        name = tuple("A1" if part == "a1" else part for part in subject)
        if data["form"] == "interval" and name[0] is not None:
            name = (name[0], None, None, None)
        found[name] += verdicts
    if data["form"] == "interval":
        return {subject: [twin.all_of(verdicts)] for subject, verdicts in found.items()}
    return found


def is_of(subject: Subject, one: Subject) -> bool:
    """Whether a subject of a world is one that the product names, which may not know its position."""
    return len(subject) == len(one) and subject[:-1] == one[:-1] and one[-1] in (None, subject[-1])


def unsound(
    said: Said, worlds: Sequence[Said], known: Collection[str], in_doubt: Collection[str] = (), *, boots: bool = False
) -> list[str]:
    """Where the product is sure of what isn't so in every world, or silent of what is found in one.

    A subject that only some worlds have, since a record in doubt would begin it or be part of it, may be in doubt under
    the name of another that shares a record or a boot. One that a record in doubt names may be found as part of another
    of its aircraft. Of `boots` in doubt, what can't be told even in a world, since two are recorded in it, contradicts
    nothing; and a session that is two in some world is found by its first record.
    """
    faults = []
    open_worlds = {None} if boots else set()
    found = {subject[1:] for subject, verdicts in said.items() if boots and False in verdicts}
    unsure = {part for subject, verdicts in said.items() if None in verdicts for part in subject if part is not None}
    for subject, verdicts in said.items():
        for number, world in enumerate(worlds):
            there = {verdict for other, some in world.items() if is_of(other, subject) for verdict in some}
            there -= open_worlds
            if set(verdicts) == {False} and not there and not set(in_doubt).isdisjoint(subject):
                there = {False} & {one for other, some in world.items() if subject[1] in other for one in some}
            if set(verdicts) == {False} and there != {False} and (there or not open_worlds):
                faults.append(f"found {subject}, which is {there or 'absent'} in world {number}")
            if set(verdicts) == {True} and there and there != {True}:
                faults.append(f"passed {subject}, which is {there} in world {number}")
    for number, world in enumerate(worlds):
        for subject, some in world.items():
            said_there = any(is_of(subject, other) for other in said) or subject[1:] in found
            if False in some and not said_there and unsure.isdisjoint(subject) and not set(known).isdisjoint(subject):
                faults.append(f"silent of {subject}, found in world {number}")
    return faults


def judged_in_doubt(data: Mapping[str, Any], tables: Tables, doubt: Doubt) -> tuple[Said, list[Said], list[str]]:
    """What the product says of an export that leaves something open, what is so in each of its worlds, and where the
    one contradicts the other."""
    export = read_rows(possible.written(tables, [doubt]))
    timeline = build_timeline(export, pd.Timestamp(AS_OF))
    said = said_of(data, timeline)
    worlds = [named(data, verdicts) for verdicts in possible.judged(data, possible.worlds(tables, [doubt], AS_OF))]
    # Of a record that isn't audited, or perhaps no work done, nothing need be said by itself.
    known = set(timeline.tasks["task_id"].iloc[timeline.rows].astype("str"))
    known |= set(timeline.tables["components"]["component_serial"].astype("str"))
    if doubt.table == "components":
        # Nor of a season of which only a row set aside has a boot.
        known -= {row["component_serial"] for rows in doubt.meant for row in rows}
    in_doubt = {doubt.row["task_id"]} if doubt.table == "tasks" else set()
    faults = unsound(said, worlds, known, in_doubt, boots=doubt.table == "components")
    if data["form"] == "overlap" and not export.counts[doubt.table].quarantined:
        # What complies there contradicts nothing that can be read; what can't be read is told by itself.
        faults = [fault for fault in faults if fault.startswith("found")]
    return said, worlds, faults


def asks_what_is_written(data: Any) -> bool:
    """Whether a rule asks if a value is recorded: a blank cell is an answer to that, not a doubt."""
    if isinstance(data, Mapping):
        return "present" in data or any(map(asks_what_is_written, data.values()))
    return isinstance(data, list | tuple) and any(map(asks_what_is_written, data))


FORMS = (RECORD, hold_rules(), ORDER, precede_rules(), interval_rules(), COUNT, SEASON_COUNT, SPACING, OVERLAP)


@pytest.mark.parametrize("table", WAYS)
def test_what_is_certain_is_so_in_every_world(table: str) -> None:
    """Of a record, flight or boot in doubt no form passes or finds what only some of its meanings would."""
    rules = st.lists(st.one_of(FORMS).filter(lambda data: not asks_what_is_written(data)), min_size=3, max_size=3)

    # `make twins` tries thirty times as many.
    @settings(max_examples=settings().max_examples // 12)
    @given(st.sampled_from(sorted(WAYS[table])), st.integers(0, 2**32), rules)
    def holds(way: str, seed: int, several: list[dict[str, Any]]) -> None:
        random = Random(seed)
        tables = possible.whole_export(random)
        doubt = possible.doubted(random, tables, table, way)
        for data in several:
            assert judged_in_doubt(data, tables, doubt)[2] == []

    holds()


ALOFT = rule("overlap", between=["tasks", "flights"], same=["aircraft"])


def test_missing_flights_are_judged_in_every_world() -> None:
    """Where the log does not cover an aircraft, what depends on its flights is neither passed nor found, and all else
    is judged as ever."""
    forms = (hold_rules(), precede_rules(), interval_rules(), SEASON_COUNT, COUNT, ORDER, SPACING, st.just(ALOFT))

    @settings(max_examples=settings().max_examples // 8)
    @given(st.integers(0, 2**32), st.lists(st.one_of(forms), min_size=3, max_size=3))
    def holds(seed: int, several: list[dict[str, Any]]) -> None:
        random = Random(seed)
        tables = possible.whole_export(random)
        possible.with_legs(random, tables)
        tables = possible.without_flights(random, tables)
        timeline = build_timeline(read_rows(tables), pd.Timestamp(AS_OF))
        worlds = possible.perhaps_flown(tables, AS_OF)
        known = {row["task_id"] for row in tables["tasks"]} | {row["component_serial"] for row in tables["components"]}
        for data in several:
            said = said_of(data, timeline)
            meant = [named(data, verdicts) for verdicts in possible.judged(data, worlds)]
            # Work that contradicts a flight of the log is found, whatever else it may contradict.
            found = {subject[0] for subject, verdicts in said.items() if data is ALOFT and False in verdicts}
            meant = [{one: world[one] for one in world if one in said or one[0] not in found} for world in meant]
            assert unsound(said, meant, known) == []
            # Nor is what no missing flight could change left unjudged.
            for subject, verdicts in said.items():
                if data["form"] != "interval" and verdicts == [None]:
                    assert {tuple(world.get(subject, ())) for world in meant} not in ({(True,)}, {(False,)}), subject

    holds()


def test_missing_records_are_judged_in_every_world() -> None:
    """Where the task records end long before the flights, what work of that time would change is neither passed nor
    found."""
    forms = (hold_rules(), COUNT, COUNT, ORDER, ORDER, st.one_of(precede_rules(), interval_rules(), SEASON_COUNT))

    @settings(max_examples=settings().max_examples // 2)
    @given(st.integers(0, 2**32), st.lists(st.one_of(forms), min_size=4, max_size=4))
    def holds(seed: int, several: list[dict[str, Any]]) -> None:
        random = Random(seed)
        tables = possible.whole_export(random)
        as_of = possible.without_later_records(tables)
        timeline = build_timeline(read_rows(tables), pd.Timestamp(as_of))
        worlds = possible.perhaps_recorded(random, tables, as_of, 12)
        known = {row["task_id"] for row in tables["tasks"]} | {row["component_serial"] for row in tables["components"]}
        for data in several:
            meant = [named(data, verdicts) for verdicts in possible.judged(data, worlds)]
            assert unsound(said_of(data, timeline), meant, known) == []

    holds()


def test_what_is_certain_stays_so_whatever_comes() -> None:
    """What is passed or found at an as-of time is so a week later, whatever was recorded and flown in between.

    Intervals and seasons are not asked: they say what passed until then.
    """
    forms = (RECORD, hold_rules(), COUNT, COUNT, ORDER, ORDER, precede_rules(), SPACING)

    @settings(max_examples=settings().max_examples // 2)
    @given(st.integers(0, 2**32), st.lists(st.one_of(forms), min_size=4, max_size=4))
    def holds(seed: int, several: list[dict[str, Any]]) -> None:
        random = Random(seed)
        tables = possible.whole_export(random)
        as_of = possible.instant(random.choice(tables["tasks"])["finished_at"]) + random.choice(WAITS) * possible.STEP
        tables = possible.until(tables, as_of)
        timeline = build_timeline(read_rows(tables), pd.Timestamp(as_of))
        worlds = possible.perhaps_to_come(random, tables, as_of, 3)
        known = {row["task_id"] for row in tables["tasks"]}
        swapped = any(row["removed_at"] for row in tables["components"])
        for data in several:
            if swapped and data.get("must_be") == "first":
                continue  # a boot that came in the midst of a job is judged under its name, once it is treated too
            meant = [named(data, verdicts) for verdicts in possible.judged(data, worlds)]
            assert unsound(said_of(data, timeline), meant, known) == []

    holds()


WAITS = (0, 1, 4, 47, 48, 49)

COVERED = rule("hold", scope=PRESERVE, over=GUARD, until=GUARD, forbid={"event": "takeoff"})
WASHED = {"event": "treatment", "where": {"product_class": {"is": "cleaner"}}}
LAST = rule("order", scope=PRESERVE, must_be="last", among=GUARD)


ON_A_DAY = rule("count", scope=PRESERVE, season={"from": "06-02", "to": "06-02"})


def held(duration: str, event: Mapping[str, Any]) -> dict[str, Any]:
    """A rule that forbids something after a coat for a time."""
    return rule("hold", scope=PRESERVE, forbid=event, **{"for": duration})


@pytest.mark.parametrize(
    ("data", "others", "takeoff", "alone", "with_later"),
    [
        pytest.param(held("PT24H", {"event": "takeoff"}), [], "03T12:00", False, False, id="flown-too-early"),
        pytest.param(held("PT24H", {"event": "takeoff"}), [], "03T13:00", None, True, id="perhaps-another-coat-before"),
        pytest.param(held("PT1H", {"event": "takeoff"}), ["15:00"], "02T14:00", True, True, id="flown-before-the-end"),
        pytest.param(held("PT24H", WASHED), [], "05T00:00", None, True, id="perhaps-washed-too-early"),
        pytest.param(
            held("PT24H", {"event": "treatment", "where": GUARD}),
            ["15:00"],
            "05T00:00",
            None,
            False,
            id="gone-on-after",
        ),
        pytest.param(COVERED, ["10:00"], "03T08:00", None, False, id="perhaps-treated-anew"),
        pytest.param(
            rule("count", scope=PRESERVE, coats={"at_least": 2}), [], "05T00:00", None, False, id="a-coat-lacks"
        ),
        pytest.param(
            rule("count", scope=PRESERVE, coats={"at_most": 1}), [], "05T00:00", None, True, id="one-too-many"
        ),
        pytest.param({**ON_A_DAY, "sessions": {"at_most": 1}}, [], "02T20:00", None, True, id="perhaps-once-more"),
        pytest.param({**ON_A_DAY, "sessions": {"at_least": 2}}, [], "02T20:00", None, False, id="once-too-few"),
        pytest.param(LAST, [], "05T00:00", None, True, id="perhaps-not-the-last"),
        pytest.param(LAST, ["13:30"], "05T00:00", None, False, id="perhaps-done-again"),
        pytest.param({**LAST, "must_be": "first"}, ["10:00"], "05T00:00", False, False, id="not-the-first-in-any-case"),
    ],
)
def test_what_the_end_of_the_records_leaves_open(
    data: dict[str, Any], others: list[str], takeoff: str, alone: twin.Verdict, with_later: twin.Verdict
) -> None:
    """A coat that is the last thing recorded, weeks before the last flight, may have been gone on with; not if records
    go on for more than a day."""
    tables = possible.whole_export(Random(1))
    day, _, at = takeoff.partition("T")
    inspected = [work(90 + number, "06:00", action="inspect", product="", position="") for number in range(9)]
    for number, row in enumerate(inspected):
        row["started_at"] = row["finished_at"] = f"2025-05-{20 + number}T06:00:00Z"
    later = [flown(10 + number, "00:00", f"{number:02}") for number in range(6, 26)]
    whole = {
        **tables,
        "tasks": [*inspected, work(1, "12:30", coat="1"), *(work(2, other, product="guard") for other in others)],
        "flights": [AGO, flown(3, at, day), *later],
        "components": [row for row in tables["components"] if row["aircraft"] == "A1"],
    }
    for more, expected in (([], alone), ([{"started_at": "2025-06-03T13:01:00Z"}], with_later)):
        cells = {"action": "inspect", "product": "", "position": "", "finished_at": "2025-06-03T14:30:00Z"}
        tasks = [*whole["tasks"], *(work(3, "06:00", **cells, **one) for one in more)]
        timeline = build_timeline(read_rows({**whole, "tasks": tasks}), pd.Timestamp("2025-06-25T12:00:00Z"))
        subject = ("CA1left0", None, "A1", "left") if "season" in data else ("T1", "A1", "left")
        assert said_of(data, timeline)[subject] == [expected]


AT_MOST_ONE = rule("count", scope=PRESERVE, coats={"at_most": 1})


@pytest.mark.parametrize(
    ("data", "others", "takeoffs", "said"),
    [
        pytest.param(
            rule("count", scope=PRESERVE, coats={"at_least": 2}),
            {},
            [],
            {"03T12:59:59": None, "03T13:00:00": False},
            id="too-few-once-a-day-has-passed",
        ),
        pytest.param(
            rule("count", scope=PRESERVE, coats={"at_least": 2}),
            {},
            ["14:00"],
            {"02T13:59:59": None, "02T14:00:00": False},
            id="too-few-once-it-has-flown",
        ),
        pytest.param(AT_MOST_ONE, {}, [], {"02T14:00:00": None, "03T13:00:00": True}, id="perhaps-one-more"),
        pytest.param(AT_MOST_ONE, {"13:30": "preserve"}, [], {"02T14:00:00": False}, id="too-many-at-once"),
        pytest.param(
            LAST, {"13:30": "guard"}, [], {"02T14:00:00": None, "03T14:00:00": False}, id="perhaps-done-again"
        ),
        pytest.param(LAST, {"12:00": "guard"}, ["15:00"], {"02T14:00:00": None, "02T15:00:00": True}, id="last-so-far"),
        pytest.param(
            {**LAST, "must_be": "first"}, {"12:00": "guard"}, [], {"02T13:00:00": False}, id="not-the-first-at-once"
        ),
        pytest.param(
            held("PT1H", {"event": "takeoff"}), {}, [], {"02T15:00:00": None, "03T13:00:00": True}, id="not-flown-yet"
        ),
        pytest.param(
            held("PT24H", {"event": "takeoff"}), {}, ["15:00"], {"02T15:00:00": False}, id="flown-too-early-at-once"
        ),
        pytest.param(
            held("PT24H", WASHED),
            {"14:00": "wash"},
            [],
            {"02T15:00:00": None, "03T13:00:00": False},
            id="washed-between-two-coats-or-too-early",
        ),
        pytest.param(
            held("PT1H", WASHED),
            {"15:00": "wash"},
            [],
            {"02T16:00:00": None, "03T13:00:00": True},
            id="washed-late-enough-and-perhaps-once-more",
        ),
        pytest.param(
            rule("record", scope=PRESERVE, require={"action": {"is": "clean"}}),
            {},
            [],
            {"02T13:00:00": False},
            id="a-wrong-record-at-once",
        ),
    ],
)
def test_what_a_record_to_come_leaves_open(
    data: dict[str, Any], others: dict[str, str], takeoffs: list[str], said: dict[str, twin.Verdict]
) -> None:
    """After its last record a job may go on for a day or until a flight; what no more work could change is found at
    once."""
    tables = possible.whole_export(Random(1))
    whole = {
        **tables,
        "tasks": [
            work(1, "12:30", coat="1"),
            *(work(2 + number, at, product=one, coat="2") for number, (at, one) in enumerate(others.items())),
        ],
        "flights": [AGO, *(flown(3 + number, at) for number, at in enumerate(takeoffs))],
        "components": [row for row in tables["components"] if row["aircraft"] == "A1"],
    }
    for as_of, expected in said.items():
        timeline = build_timeline(read_rows(whole), pd.Timestamp(f"2025-06-{as_of}Z"))
        subject = ("T1",) if data["form"] == "record" else ("T1", "A1", "left")
        assert said_of(data, timeline)[subject] == [expected], as_of


TWO_CONTENTS = ["two actions", "two aircraft", "two times", "two work orders"]


@pytest.mark.parametrize("way", TWO_CONTENTS)
def test_a_record_with_two_contents_is_evidence_only(way: str) -> None:
    """Of a record exported twice with another required cell both rows are set aside: nothing is passed or found under
    its name, whatever both would give."""
    rules = (
        rule("record", scope={}, require={"product": {"not_in": ["preserve"]}}),
        rule("hold", scope=PRESERVE, forbid={"event": "takeoff"}, **{"for": "PT24H"}),
        rule("precede", scope=PRESERVE, needs=GUARD),
        rule("count", scope=PRESERVE, coats={"at_least": 3}),
    )
    for seed in range(8):
        random = Random(seed)
        tables = possible.whole_export(random)
        doubt = possible.doubted(random, tables, "tasks", way)
        export = read_rows(possible.written(tables, [doubt]))
        assert export.counts["tasks"].quarantined == 2
        timeline = build_timeline(export, pd.Timestamp(AS_OF))
        for data in rules:
            for subject, verdicts in said_of(data, timeline).items():
                assert doubt.row["task_id"] not in subject or verdicts == [None]


# What had been passed or found wrongly


def work(number: int, at: str, **cells: str) -> dict[str, str]:
    """A record of half an hour at the left position."""
    start = possible.instant(f"2025-06-02T{at}:00Z")
    return {
        "task_id": f"T{number}",
        "work_order": "W1",
        "aircraft": "A1",
        "action": "apply",
        "station": "S1",
        "started_at": possible.zulu(start),
        "finished_at": possible.zulu(start + possible.STEP),
        "status": "closed",
        "position": "left",
        "product": "preserve",
        "coat": "",
        **cells,
    }


def flown(number: int, at: str, day: str = "02") -> dict[str, str]:
    """A flight of half an hour from S1 to S1."""
    start = possible.instant(f"2025-06-{day}T{at}:00Z")
    return {
        "flight_id": f"F{number}",
        "aircraft": "A1",
        "takeoff_at": possible.zulu(start),
        "landing_at": possible.zulu(start + possible.STEP),
        "origin": "S1",
        "destination": "S1",
    }


AGO, AHEAD = flown(1, "00:00", "01"), flown(2, "00:00", "05")


@pytest.mark.parametrize(
    ("data", "tasks", "flights", "expected"),
    [
        pytest.param(
            rule("precede", scope=GUARD, needs=PRESERVE),
            [work(1, "12:00", product="guard"), work(2, "13:00", started_at="")],
            [AGO, AHEAD],
            {("T1", "A1", "left"): [None]},
            id="begun-at-an-unknown-time",
        ),
        pytest.param(
            rule("precede", scope=GUARD, needs=PRESERVE, within="PT1H"),
            [work(1, "12:00", product="guard"), work(2, "09:00", finished_at="?")],
            [AGO, AHEAD],
            {("T1", "A1", "left"): [None]},
            id="ended-at-an-unknown-time",
        ),
        pytest.param(
            rule("order", scope=GUARD, must_be="last", among=PRESERVE),
            [work(1, "12:00", product="guard"), work(2, "13:00", work_order="")],
            [AGO, AHEAD],
            {("T1", "A1", "left"): [None]},
            id="of-an-unknown-work-order",
        ),
        pytest.param(
            rule("order", scope=GUARD, must_be="first", among=PRESERVE),
            [work(1, "12:00", product="guard"), work(2, "13:00", started_at="")],
            [AGO, AHEAD],
            {("T1", "A1", "left"): [None]},
            id="perhaps-begun-before-the-first",
        ),
        pytest.param(
            rule("count", scope=PRESERVE, coats={"at_least": 2}),
            [work(1, "12:00"), work(2, "13:00", aircraft="")],
            [AGO, AHEAD],
            {("T1", "A1", "left"): [None]},
            id="on-an-unknown-aircraft",
        ),
        pytest.param(
            rule("record", scope={}, require={"product": {"not_in": ["wash"]}}),
            [work(1, "12:00", product="Wash"), work(2, "13:00", product="Guard")],
            [AGO, AHEAD],
            {("T1",): [None], ("T2",): [True]},
            id="a-name-that-nearly-is-the-one-asked-for",
        ),
        pytest.param(
            rule("spacing", scope=PRESERVE, pause={"at_most": "PT1H"}),
            [work(1, "12:00"), work(2, "15:00", product="")],
            [AGO, AHEAD],
            {("T1", "T2", "A1", "left"): [None]},
            id="perhaps-a-second-coat",
        ),
        pytest.param(
            rule("spacing", scope=PRESERVE, pause={"at_most": "PT1H"}),
            [work(1, "12:00", coat="1"), work(2, "15:00", coat="2"), work(3, "13:30", coat="2", product="")],
            [AGO, AHEAD],
            {("T1", "T2", "A1", "left"): [None], ("T1", "T3", "A1", "left"): [None]},
            id="perhaps-a-numbered-coat-in-between",
        ),
        pytest.param(
            rule("hold", scope=PRESERVE, forbid={"event": "takeoff"}, **{"for": "PT24H"}),
            [work(1, "12:00"), work(2, "13:00", finished_at="?")],
            [AGO, flown(3, "13:00", "03"), AHEAD],
            {("T1", "A1", "left"): [None]},
            id="perhaps-a-later-last-coat-before-a-flight",
        ),
        pytest.param(
            rule("precede", scope=PRESERVE, needs=GUARD, within="PT1H"),
            [work(1, "12:00"), work(2, "11:00", product="guard"), work(3, "09:00", product="", status="open")],
            [AGO, AHEAD],
            {("T1", "A1", "left"): [None]},
            id="perhaps-an-earlier-first-coat",
        ),
        pytest.param(
            rule("hold", scope=PRESERVE, forbid={"event": "takeoff"}, **{"for": "PT2H"}),
            [work(1, "09:00"), work(2, "12:00"), work(2, "12:00", finished_at="2025-06-02T13:30:00Z")],
            [AGO, flown(3, "15:00"), AHEAD],
            {("T1", "A1", "left"): [None]},
            id="two-ends-of-which-one-would-break-the-hold",
        ),
        pytest.param(
            rule("hold", scope=PRESERVE, forbid={"event": "takeoff"}, **{"for": "PT2H"}),
            [work(1, "12:00"), work(2, "12:30"), work(2, "12:30", aircraft="A2")],
            [AGO, flown(3, "13:30"), AHEAD],
            {("T1", "A1", "left"): [False]},
            id="a-coat-too-early-whichever-aircraft-the-next-is-of",
        ),
        pytest.param(
            rule("overlap", between=["tasks", "flights"], same=["aircraft"]),
            [work(1, "12:00"), work(2, "18:00")],
            [AGO, flown(3, "11:00") | {"landing_at": "?"}, flown(4, "15:00"), AHEAD],
            {("T1", None): [None], ("T2", None): [True]},
            id="work-after-a-takeoff-without-a-landing",
        ),
    ],
)
def test_what_is_in_doubt_is_neither_passed_nor_found(
    data: dict[str, Any], tasks: list[dict[str, str]], flights: list[dict[str, str]], expected: Said
) -> None:
    """A record that lacks a required cell may be anything that this cell may say, and changes no verdict silently."""
    tables = possible.whole_export(Random(1))
    boots = [row for row in tables["components"] if row["aircraft"] == "A1"]
    other = {**boots[0], "component_serial": "C9", "aircraft": "A2"}
    export = read_rows({**tables, "tasks": tasks, "flights": flights, "components": [*boots, other]})
    assert said_of(data, build_timeline(export, pd.Timestamp(AS_OF))) == expected
