"""The work list for the shop lead: what is wrong, where, what to do, in which order, and by when."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import pandas as pd

from audit.figures import abridged
from audit.findings.result import CORRECTED, LEVELS, REMOVED, AuditResult, Rule
from audit.report.rows import day_and_time, instant, texts
from audit.report.standing import marked

MOST_FINDINGS: Final = 5_000
"""A list holds the most serious findings up to this number, and says so where there are more."""

LONGEST_TEXT: Final = 300
"""Characters of one value from the records that are shown."""

LEVEL_2_MONTHS: Final = 3
"""EASA 145.B.350, M.B.605: a level 2 finding is put right within three calendar months, a level 1 finding at once."""

BEFORE_FLIGHT: Final = "before the next flight"
NEVER: Final = "Never alter, overwrite or back-date an original entry, and sign for nothing that was not done."
NOT_THE_BOOT: Final = (
    "The list comes from the records alone: nobody has looked at the boot for it. The operator's manual, the product's "
    "safety data sheet and licensed staff govern."
)


@dataclass(frozen=True)
class Item:
    """One finding: which boot, which record, and the sentence with the figures."""

    finding_id: str
    level: str
    by_when: str
    position: str
    boot: str
    record: str
    at: str
    message: str
    meanwhile: str


@dataclass(frozen=True)
class Step:
    """What one rule found within a job: it is put right at one go."""

    title: str
    warning: str
    put_right: str
    items: tuple[Item, ...]


@dataclass(frozen=True)
class Job:
    """The findings of one work order, in the order in which to deal with them; `number` is its turn at the station."""

    number: int
    by_when: str
    urgent: bool
    aircraft: str
    work_order: str
    steps: tuple[Step, ...]


@dataclass(frozen=True)
class StationList:
    """The jobs of one station, the most urgent first; `station` is blank for findings that no station is known of."""

    station: str
    jobs: tuple[Job, ...]

    @property
    def findings(self) -> int:
        """How many findings stand on it."""
        return sum(len(step.items) for job in self.jobs for step in job.steps)

    @property
    def urgent(self) -> int:
        """How many jobs come before the next flight."""
        return sum(job.urgent for job in self.jobs)


@dataclass(frozen=True)
class PutRight:
    """A finding that the records show was put right: nothing is left to be done."""

    finding_id: str
    title: str
    boot: str
    by: str
    on: str


@dataclass(frozen=True)
class WorkList:
    """The lists of all stations, of what is open; `total` counts those that the list had no room for too.

    `put_right` is what the shop put right already.
    """

    export_name: str
    as_of: str
    stations: tuple[StationList, ...]
    total: int
    put_right: tuple[PutRight, ...] = ()

    @property
    def findings(self) -> int:
        """How many findings stand on the list."""
        return sum(station.findings for station in self.stations)


@lru_cache(maxsize=1)
def work_list(result: AuditResult) -> WorkList:
    """Sort the open findings into jobs by station; those without a station come last, on a list of their own."""
    corrected = result.findings["state"] == CORRECTED
    still = result.findings[~corrected]
    findings = marked(still.head(MOST_FINDINGS))
    job = ["station", "aircraft", "work_order"]
    known = findings.assign(**{name: findings[name].astype("str").fillna("") for name in job})
    # Where no work order began what is found, the findings of one rule and moment belong together.
    known["moment"] = (known["rule"] + known["at"].astype("str")).where(known["work_order"] == "", "")
    known["rank"] = known["level"].map({level: rank for rank, level in enumerate(LEVELS)}).astype("int64")
    grouped = known.groupby([*job, "moment"], sort=False, observed=True)
    known["urgency"], known["since"] = grouped["rank"].transform("min"), grouped["at"].transform("min")
    known["homeless"] = known["station"] == ""
    turn = {rule.id: number for number, rule in enumerate(result.rules)}
    known["turn"] = known["rule"].map(turn).astype("int64")
    order = ["homeless", "station", "urgency", "since", "aircraft", "work_order", "moment", "rank", "turn"]
    known = known.sort_values([*order, "at", "position", "finding_id"], kind="stable", ignore_index=True)
    rules = {rule.id: rule for rule in result.rules}
    stations = [
        StationList(str(station), tuple(_jobs(of_station, rules)))
        for station, of_station in known.groupby("station", sort=False, observed=True)
    ]
    done = tuple(_put_right(result.findings[corrected].head(MOST_FINDINGS), rules))
    return WorkList(result.export_name, day_and_time(instant(result.as_of)), tuple(stations), len(still), done)


def _put_right(corrected: pd.DataFrame, rules: dict[str, Rule]) -> Iterator[PutRight]:
    names = ("finding_id", "rule", "aircraft", "position", "corrected_by", "corrected_at")
    columns = [[abridged(cell or "", LONGEST_TEXT) for cell in texts(corrected[name])] for name in names]
    for finding_id, rule, aircraft, position, by, on in zip(*columns, strict=True):
        boot = " ".join(part for part in (aircraft, position) if part)
        yield PutRight(finding_id, rules[rule].title, boot, by, on[:10])


def by_when(level: str, first_found: pd.Timestamp | None = None) -> str:
    """Say until when a finding of a level has to be put right; only a register knows the day it was first found."""
    if level == "1":
        return BEFORE_FLIGHT
    if level == "2":
        if first_found is None or pd.isna(first_found):
            return "your operator's limit, 3 months at most"
        return f"your operator's limit, {first_found + pd.DateOffset(months=LEVEL_2_MONTHS):%Y-%m-%d} at the latest"
    return "no date: at your discretion"


UNTIL_WHEN: Final = (
    ("Level 1", "before the next flight."),
    (
        "Level 2",
        "within your operator's limit, at most three calendar months after the day it was first found. A date is "
        "given only where a register knows that day.",
    ),
    ("Observation", "no date; at your discretion."),
)
"""Until when a finding of each level has to be put right."""


def leave_alone(record: str) -> str:
    """Say what must stay as it is."""
    return f"Leave the original entry{f' ({record})' if record else ''} as it is: add a new one with its own date."


def _jobs(known: pd.DataFrame, rules: dict[str, Rule]) -> list[Job]:
    names = ("rule", "level", "finding_id", "position", "component_serial", "task_id", "flight_id", "at", "message")
    columns = [
        [(cell or "") if name == "message" else abridged(cell or "", LONGEST_TEXT) for cell in texts(known[name])]
        for name in (*names, "meanwhile")
    ]
    rows, warnings = list(zip(*columns, strict=True)), known["warning"].tolist()
    found = known["first_found"].tolist() if "first_found" in known else [None] * len(known)
    keys = list(zip(*(known[name].tolist() for name in ("aircraft", "work_order", "moment")), strict=True))
    jobs = []
    for number, (first, end) in enumerate(_runs(keys), start=1):
        steps = []
        for begin, until in _runs([row[0] for row in rows[first:end]]):
            of_step = rows[first + begin : first + until]
            rule = rules[of_step[0][0]]
            first_found = found[first + begin : first + until]
            items = tuple(_item(*row[1:], first_found=day) for row, day in zip(of_step, first_found, strict=True))
            warning = _all_said(warnings[first + begin : first + until])
            steps.append(Step(rule.title, warning, rule.put_right, items))
        lead = steps[0].items[0]
        aircraft, work_order = (abridged(name, LONGEST_TEXT) for name in keys[first][:2])
        urgent = any(item.by_when == BEFORE_FLIGHT for step in steps for item in step.items)
        jobs.append(Job(number, lead.by_when, urgent, aircraft, work_order, tuple(steps)))
    return jobs


def _all_said(warnings: Sequence[str]) -> str:
    """What several warnings say, each sentence once."""
    return " ".join(dict.fromkeys(part for one in warnings for part in re.split(r"(?<=\.) ", one) if part))


def _item(
    level: str,
    finding_id: str,
    position: str,
    boot: str,
    task: str,
    flight: str,
    at: str,
    message: str,
    meanwhile: str,
    *,
    first_found: pd.Timestamp | None,
) -> Item:
    record = task or (f"flight {flight}" if flight else "")
    when = by_when(level, first_found)
    if when == BEFORE_FLIGHT and meanwhile.startswith(REMOVED):
        when = "before the boot is installed again"
    return Item(finding_id, level, when, position, boot, record, at, message, meanwhile)


def _runs(keys: Sequence[object]) -> list[tuple[int, int]]:
    """First and one-past-last place of each run of equal keys."""
    starts = [place for place, key in enumerate(keys) if not place or key != keys[place - 1]]
    return list(zip(starts, [*starts[1:], len(keys)], strict=True))
