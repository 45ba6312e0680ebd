"""What has happened to the boot of each finding since: an order is given as of now, not of the day of the fault."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import Final

import numpy as np
import pandas as pd

from audit.evidence.boots import Odometer
from audit.evidence.doubt import CERTAIN
from audit.evidence.treatments import treatments
from audit.figures import quantity
from audit.forms.naming import Texts, aircraft_of, cells, days
from audit.language.condition import Conditions
from audit.timeline.instants import Bools, Ints, Order
from audit.timeline.timeline import Timeline

STRIPPED: Final = Conditions.model_validate({"action": {"is": "prepare"}, "product_class": {"is": "surface-prep"}})
"""The records that strip a boot bare."""
REMOVED: Final = "The boot was removed on"
"""How the text begins of a boot that is on no aircraft: what is due before the next flight is due before it is back."""


_ON_NO_AIRCRAFT: Final = "and is on no aircraft: what is due before a flight is due before it is installed again."


def meanwhile(cases: pd.DataFrame, timeline: Timeline, told: Sequence[Collection[str]]) -> Texts:
    """Say of each finding whether its boot was removed, moved, stripped or flown since; blank where nothing is known.

    Of a finding about no one boot, how often its aircraft took off. `told` are the records, and the removal, that are
    named with each finding already, as what put it right or may have: nothing is told twice.
    """
    at, place, component = (cases[name].to_numpy() for name in ("at", "place", "component"))
    parts = np.full((3, len(cases)), "", object)
    boots = np.flatnonzero(component >= 0)
    if len(boots):
        boot = timeline.components.boot[component[boots]]
        known = [told[number] for number in boots.tolist()]
        parts[0, boots] = _where_it_is(timeline, boot, timeline.components.place[component[boots]], known)
        parts[1, boots] = _stripped(timeline, boot, at[boots], known)
        parts[2, boots] = _flown("It flew", _takeoffs(timeline, boot, at[boots]))
    aircraft = aircraft_of(timeline, place, cases["task"].to_numpy())
    others = np.flatnonzero((component < 0) & (aircraft >= 0))
    flights = timeline.flights
    since, now = (
        flights.order.until(aircraft[others], instants)
        for instants in (at[others], np.full(len(others), timeline.as_of))
    )
    parts[2, others] = _flown("The aircraft flew", np.maximum(now - since, 0))
    return np.array([" ".join(filter(None, column)) for column in parts.T], object)


def _where_it_is(timeline: Timeline, boot: Ints, place: Ints, told: Sequence[Collection[str]]) -> Texts:
    """Whether each boot was removed, or is at another place than it was; blank where it is still there."""
    history = timeline.components
    last = history.by_boot.until(boot, np.full(len(boot), timeline.as_of)) - 1
    stay = history.by_boot.row[np.maximum(last, history.by_boot.ahead(boot))]
    gone = (history.removed[stay] <= timeline.as_of) & ~history.open_ended[stay]
    day = days(np.where(gone, history.removed[stay], history.installed[stay]))
    names = timeline.tables["components"]
    aircraft, position = (cells(names, column, stay) for column in ("aircraft", "position"))
    serials = cells(names, "component_serial", stay).tolist()
    known = [f"removal of {serial}" in named for serial, named in zip(serials, told, strict=True)]
    moved = (history.place[stay] != place) & ~history.open_ended[stay]
    removed, elsewhere = f"{REMOVED} " + day + f" {_ON_NO_AIRCRAFT}", "The boot is on " + aircraft + ", " + position
    texts: Texts = np.where(gone, removed, np.where(moved, elsewhere + ", since " + day + ".", ""))
    return np.where(known, "", texts)


def _stripped(timeline: Timeline, boot: Ints, at: Ints, told: Sequence[Collection[str]]) -> Texts:
    """When each boot was first stripped since, and in which record; blank where that is told already."""
    found = treatments(timeline, STRIPPED)
    rows = np.flatnonzero(found.done & (found.boot >= 0) & (found.doubt == CERTAIN))
    started = timeline.times["started_at"]
    order = Order.of(found.boot[rows], started[found.task[rows]])
    ahead = order.until(boot, at)
    there: Bools = ahead < order.ahead(boot + 1)
    texts = np.full(len(boot), "", object)
    task = found.task[rows[order.row[ahead[there]]]]
    when, records = days(started[task]), cells(timeline.tasks, "task_id", task)
    for number, day, record in zip(np.flatnonzero(there).tolist(), when, records, strict=True):
        if record not in told[number]:
            texts[number] = f"It was stripped on {day} (record {record})."
    return texts


def _takeoffs(timeline: Timeline, boot: Ints, at: Ints) -> Ints:
    """How often each boot flew after an instant, on whatever aircraft it was."""
    meter = Odometer.of(timeline, np.arange(len(timeline.flights.takeoff) + 1))
    return meter.at(boot, np.full(len(boot), timeline.as_of + 1)) - meter.at(boot, at + 1)


def _flown(who: str, times: Ints) -> list[str]:
    return [f"{who} {quantity(number, 'time')} since." if number else "" for number in times.tolist()]
