"""Ambiguous times that the record itself decides."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from audit.timeline.instants import Bools, Ints, micros


def resolve(times: Mapping[str, Ints], later: pd.DataFrame) -> tuple[Mapping[str, Ints], pd.DataFrame]:
    """Resolve what a record itself decides: returns the times, and those that stay ambiguous.

    Work can't end before it began: an end whose earlier reading lies before the start was read from the second pass of
    the clock, and a start whose later reading lies after the latest possible end from the first.
    """
    if later.empty:
        return times, later
    rows = later["row"].to_numpy()
    second = micros(later["later"])
    is_start = (later["column"] == "started_at").to_numpy()
    is_end = (later["column"] == "finished_at").to_numpy()
    # The end, too, may be ambiguous: its later reading is the latest possible.
    latest_end = times["finished_at"].copy()
    latest_end[rows[is_end]] = second[is_end]
    backwards = times["finished_at"][rows] < times["started_at"][rows]
    second_pass: Bools = is_end & backwards
    first_pass: Bools = is_start & ((second > latest_end[rows]) | backwards)
    finished = times["finished_at"].copy()
    finished[rows[second_pass]] = second[second_pass]
    return {**times, "finished_at": finished}, later[~(second_pass | first_pass)]
