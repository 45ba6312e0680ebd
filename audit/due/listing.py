"""The due list: what must not fly yet, and what falls due, the most urgent first."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import Any, Final, Literal

import numpy as np
import pandas as pd

from audit.due.forecast import LONGEST, Band, Log, forecast
from audit.forms.naming import cells, positions
from audit.forms.outcomes import NONE
from audit.language.rule import Rule
from audit.timeline.codes import codes_of
from audit.timeline.instants import (
    DAY,
    FOREVER,
    HOUR,
    NEVER,
    Bools,
    Ints,
    Order,
    group_begins,
    micros,
    micros_of,
    next_of,
    running_max,
)
from audit.timeline.timeline import Timeline

Kind = Literal["hold", "treatment", "authorisation", "lot", "manual"]

DUE_COLUMNS: Final = (
    "kind",
    "rule",
    "what",
    "station",
    "aircraft",
    "position",
    "component_serial",
    "work_order",
    "task_id",
    "name",
    "since",
    "used",
    "limit",
    "unit",
    "due",
    "earliest",
    "likely",
    "latest",
    "note",
)
"""Columns of due.csv. `due` is a certain instant: the end of a hold, or the first at which something is overdue or
out of date. `earliest`, `likely` and `latest` are forecasts. `name` is that of a person with an authorisation, of a
lot or a manual."""

NOT_ENOUGH: Final = "not enough history to say when"
NO_BAND: Final = "too few past forecasts for a band around the date"
FAR_AHEAD: Final = (
    f"no band so far ahead: what is left, up to the next tenth of the limit, takes over {LONGEST // DAY} days"
)
LONG_AGO: Final = "overdue"
BROKEN: Final = "the hold has been broken already: see the findings"
NO_END: Final = "until the treatment that ends the hold is recorded"
PERHAPS: Final = "may still be running, by a record in doubt"
OFF: Final = "the boot came off there and is on no aircraft"
NO_LATEST: Final = "nothing tells when that ended"
NO_DAY: Final = "the day can't be read"
PERHAPS_SUPERSEDED: Final = "in doubt: the next revision is in force from then on, and nothing says when this one ends"


@dataclass(frozen=True)
class DueList:
    """What comes next, as of an instant, within a time.

    `rows` has DUE_COLUMNS, the most urgent first: what runs or is overdue, then by date, then what has no date. `later`
    counts the dated rows that come after the time. `bands` are those behind the forecasts, each with its rule; `zones`
    are the time zones of the stations.
    """

    export_name: str
    as_of: pd.Timestamp
    within: timedelta
    rows: pd.DataFrame
    later: int
    bands: tuple[tuple[str, Band], ...]
    zones: Mapping[str, str]


def due_list(
    export_name: str, comes: Sequence[tuple[Rule, pd.DataFrame]], timeline: Timeline, within: timedelta
) -> DueList:
    """What comes by each rule (see `coming`), and what of the reference lists runs out."""
    parts, bands = [], []
    for rule, rows in comes:
        if len(rows):
            # Of an export that was judged in parts they come part by part.
            named, its = _of_rule(rule, timeline, rows.sort_values("place", kind="stable", ignore_index=True))
            parts.append(named)
            bands += [(rule.id, band) for band in its]
    end = timeline.as_of + micros_of(within)
    parts += [part for part in _running_out(timeline) if len(part)]
    every = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=[*DUE_COLUMNS, "rank", "when"])
    # What runs, is overdue or has no date is shown however far one looks ahead.
    chosen = every[(every["rank"] != 2) | (every["when"] <= end)]
    chosen = chosen.sort_values(["rank", "when", "station", "aircraft", "position", "rule", "name"], kind="stable")
    rows = chosen[list(DUE_COLUMNS)].reset_index(drop=True)
    as_of = pd.Timestamp(timeline.as_of, unit="us", tz="UTC")
    return DueList(export_name, as_of, within, rows, len(every) - len(chosen), tuple(bands), _zones(timeline))


def _zones(timeline: Timeline) -> dict[str, str]:
    stations = timeline.tables.get("stations")
    if stations is None:
        return {}
    return dict(zip(stations["station"].astype(str), stations["timezone"].astype(str), strict=True))


def _of_rule(rule: Rule, timeline: Timeline, rows: pd.DataFrame) -> tuple[pd.DataFrame, tuple[Band, ...]]:
    """The rows of one rule, named and dated: of each boot the limit that is reached first, and what may be before."""
    place, task = rows["place"].to_numpy(), rows["task"].to_numpy()
    aircraft = timeline.aircraft_of(place)
    due = rows["until"].to_numpy().astype(np.int64)
    early, likely, late = (np.full(len(rows), FOREVER) for _ in range(3))
    far = np.zeros(len(rows), bool)
    bands: list[Band] = []
    for meter, total in (("flight_hours", timeline.flights.flown), ("cycles", timeline.flights.cycles)):
        here = np.flatnonzero((rows["meter"] == meter).to_numpy() & ~rows["broken"].to_numpy())
        scale = HOUR if meter == "flight_hours" else 1
        limit, used = (rows[name].to_numpy()[here] * scale for name in ("limit", "used"))
        told = forecast(Log(timeline, total), aircraft[here], limit - used, limit)
        early[here], likely[here], late[here], far[here] = told.earliest, told.likely, told.latest, told.far
        bands += told.bands
    # The instant by which rows are ordered: the certain one, else the earliest that is likely.
    first = np.minimum(np.where(due == NONE, FOREVER, due), np.minimum(early, likely))
    frame = pd.DataFrame(
        {
            "kind": rows["kind"],
            "rule": rule.id,
            "what": rows["what"],
            "station": cells(timeline.tasks, "station", task),
            "aircraft": timeline.aircraft_names.to_numpy(object)[aircraft],
            "position": positions(timeline, place),
            "component_serial": cells(
                timeline.tables.get("components"), "component_serial", rows["component"].to_numpy()
            ),
            "work_order": cells(timeline.tasks, "work_order", task),
            "task_id": cells(timeline.tasks, "task_id", task),
            "name": "",
            "since": _times(rows["since"].to_numpy()),
            "used": rows["used"],
            "limit": rows["limit"],
            "unit": rows["unit"],
            "due": _times(due),
            "earliest": _times(early),
            "likely": _times(likely),
            "latest": _times(late),
            "note": _notes(rows, first, early, far),
            "when": first,
        }
    )
    frame["rank"] = np.select([rows["kind"] == "hold", rows["broken"], first < FOREVER], [0, 1, 2], 3)
    boot = rows[["place", "component", "since", "task"]]
    # Of a boot the limit that is reached first is told; without dates, the one of which most is used.
    share = -(rows["used"] / rows["limit"]).fillna(0.0)
    order = np.lexsort((share, first, *boot.to_numpy().T[::-1]))
    # What is left of a limit without a date may be used up before the date of another, save where one is overdue.
    undated = first == FOREVER
    late = rows["broken"].groupby([boot[name] for name in boot]).transform("any").to_numpy()
    repeated = boot.assign(undated=undated & ~late).iloc[order].duplicated().to_numpy()
    # What comes after the season, or after the boot comes off, doesn't come.
    closes = rows["closes"].to_numpy()
    never = (frame["rank"] == 2).to_numpy() & (closes != NONE) & (first >= closes)
    kept = np.setdiff1d(order[~repeated], np.flatnonzero(never))
    return frame.iloc[kept].reset_index(drop=True), tuple(bands)


def _notes(rows: pd.DataFrame, first: Ints, early: Ints, far: Bools) -> list[str]:
    """What there is to say of each row: what is in doubt, and what can't be told."""
    found = []
    columns = (rows[name] for name in ("kind", "broken", "until", "latest", "perhaps", "off", "reason"))
    for kind, broken, until, latest, perhaps, off, reason, at, begins, too_far in zip(
        *columns, first.tolist(), early.tolist(), far.tolist(), strict=True
    ):
        # In this order: where the boot is, whether it is so at all, why not, and when it ends.
        told = [OFF] if off else []
        if perhaps:
            told.append(PERHAPS)
        if reason:
            told.append(f"in doubt: {reason}")
        if latest not in (NONE, until):
            told.append(f"it may run until {pd.Timestamp(latest, unit='us').ceil('min'):%Y-%m-%d %H:%M} UTC")
        if broken:
            told.append(BROKEN if kind == "hold" else LONG_AGO)
        elif kind == "hold" and until == NONE:
            told.append(NO_LATEST if perhaps else NO_END)
        elif at == FOREVER:
            told.append(NOT_ENOUGH)
        elif until == NONE and begins == FOREVER:
            told.append(FAR_AHEAD if too_far else NO_BAND)
        found.append("; ".join(told))
    return found


def _running_out(timeline: Timeline) -> Iterator[pd.DataFrame]:
    """What of the reference lists is not out of date at the as-of time and will be, or has a day that can't be read."""
    for each in _REFERENCES:
        frame = timeline.tables.get(each.table)
        if frame is None:
            continue
        last = micros(frame[each.last]) if each.last in frame else np.full(len(frame), NEVER)
        unreadable = timeline.unreadable.get((each.table, each.last), np.empty(0, np.intp))
        # A day that can't be read is not a blank one, which goes on without end.
        blank = last == NEVER
        blank[unreadable] = False
        until = each.until(frame, last, blank)
        rows = np.append(np.flatnonzero(until > timeline.as_of), unreadable)
        yield _plain(each, frame.iloc[rows], until[rows], blank[rows])


def _day_after(last: Ints) -> Ints:
    return np.where(last == NEVER, NONE, last + DAY)


def _authorised_until(people: pd.DataFrame, last: Ints, blank: Bools) -> Ints:
    """From the day after the last, save where the person holds the authorisation by another row."""
    return np.where(_goes_on(people, last), NONE, _day_after(last))


def _usable_until(lots: pd.DataFrame, last: Ints, blank: Bools) -> Ints:
    return _day_after(last)


def _in_force_until(manuals: pd.DataFrame, last: Ints, blank: Bools) -> Ints:
    """From the day of supersession; where none is known, from the next revision on, perhaps."""
    begins = next_of(codes_of(manuals["manual"]), micros(manuals["effective_from"]))
    return np.where(blank & (begins != FOREVER), begins, np.where(last == NEVER, NONE, last))


def _goes_on(people: pd.DataFrame, last: Ints) -> Bools:
    """Whether each person holds an authorisation beyond a row's last day, by another row; of rows that end on one day
    the first one tells."""
    held = people.groupby(["person", "authorisation"], observed=True, sort=False).ngroup().to_numpy()
    begins, ends = micros(people["valid_from"]), np.where(last == NEVER, FOREVER - DAY, last)
    order = Order.of(held, begins)
    # How far what is held under all rows begun by then reaches.
    longest = running_max(ends[order.row], group_begins(held[order.row]))
    ends_it: Bools = longest[order.until(held, ends + DAY) - 1] == ends
    ends_it &= ~pd.DataFrame({"held": held, "ends": ends}).duplicated().to_numpy()
    return ~ends_it


@dataclass(frozen=True)
class _Reference:
    """A list of what runs out: the column of its last day, the columns that name a row, and what of it ends.

    `until` gives the first instant at which each row is out of date, NONE where it never is, from the frame, the last
    days (NEVER: not known) and which of them are blank. `since` is the column of the first day, where that is told.
    """

    kind: Kind
    table: str
    last: str
    named: tuple[str, str]
    what: str
    until: Callable[[pd.DataFrame, Ints, Bools], Ints]
    since: str = ""


_REFERENCES: Final = (
    _Reference(
        "authorisation",
        "people",
        "valid_to",
        ("person", "authorisation"),
        "authorisation runs out",
        _authorised_until,
        "valid_from",
    ),
    _Reference("lot", "lots", "expires_on", ("product", "lot"), "shelf life of the lot ends", _usable_until),
    _Reference(
        "manual",
        "manuals",
        "superseded_on",
        ("manual", "revision"),
        "revision of the manual is superseded",
        _in_force_until,
    ),
)


def _plain(each: _Reference, rows: pd.DataFrame, until: Ints, blank: Bools) -> pd.DataFrame:
    """Rows of what runs out at these instants, NONE where the day can't be read."""
    none, read, every = np.full(len(rows), NONE), until != NONE, np.arange(len(rows))
    names = [", ".join(cell) for cell in zip(*(cells(rows, name, every) for name in each.named), strict=True)]
    values: dict[str, Any] = dict.fromkeys(DUE_COLUMNS, "")
    values |= {"kind": each.kind, "what": each.what, "name": names, "used": np.nan, "limit": np.nan}
    values |= {name: _times(none) for name in ("earliest", "likely", "latest")}
    values |= {"since": _times(micros(rows[each.since]) if each.since else none), "due": _times(until)}
    values |= {"note": np.select([~read, blank], [NO_DAY, PERHAPS_SUPERSEDED], "").astype(object)}
    values |= {"rank": np.where(read, 2, 3), "when": np.where(read, until, FOREVER)}
    return pd.DataFrame(values, index=range(len(rows)))


def _times(instants: Ints) -> pd.Series:
    known = (instants != NONE) & (instants != FOREVER)
    times = pd.Series(pd.to_datetime(np.where(known, instants, 0), unit="us", utc=True).as_unit("us"))
    return times.where(known)
