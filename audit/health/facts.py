"""The facts that a profile may state, each with what its value means. Limits on them are in the suite, not here."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

FACTS: Final[Mapping[str, str]] = {
    "supplied": "1 where the export has the table, else 0",
    "rows_read": "rows of the table's file, below its header",
    "rows_audited": "rows that were believed",
    "quarantine_rate": "share of the rows read that is in quarantine",
    "duplicate_rate": "share of the rows read that repeats the key of an earlier row",
    "rows_against_previous": "rows read, divided by those of the earlier run",
    "rows_against_usual": "rows read, divided by the median of the earlier runs",
    "null_rate": "share of the audited rows in which the column is blank",
    "null_rate_rise": "share of the audited rows in which the column is blank, less that of the earlier run",
    "outside_list_rate": "share of the rows read whose value is not in the column's list",
    "orphan_rate": "share of the audited rows with a value there whose value no other table knows",
    "unreadable_rate": "cells that can't be read in audited rows, divided by the rows read",
    "near_names": "names that another table lacks, while it has one that is nearly equal",
    "without_boot": "positions at which something was put on, though the aircraft has boots at others only",
    "without_flights": "aircraft with task records or boots that the flight log doesn't know",
    "longest_grounded": "the silence of an aircraft that stopped flying, divided by its longest pause before",
    "listed_twice": "flights with the aircraft, takeoff and landing of an earlier one under another id",
    "contradicted_clock": "task records of work in flight and flights that land before takeoff, where flight times "
    "carry no zone and by the clocks of the stations there would be far fewer",
    "contradicted_hours": "flights whose hours contradict landing minus takeoff",
    "newest": "hours from 1970-01-01 UTC to the newest record",
    "newest_hours_behind_export": "hours from the newest record of the table to the newest of tasks and flights",
    "newest_hours_behind_as_of": "hours from the newest record to the as-of time, where one was given",
    "newest_hours_since_previous": "hours from the newest record of the earlier run to tonight's",
    "newest_alone_days": "days from the last day but one that has records to the last",
    "longest_gap_days": "days (UTC) in a row without a record, counting those on which the other of tasks "
    "and flights has some",
    "longest_station_silence": "the silence of a station that stopped writing, divided by its longest pause before",
}
"""Facts by name. Shares are between 0 and 1."""

PROFILE_FILE: Final = "profile.csv"
"""A report folder holds its run's profile under this name."""

FACT_COLUMNS: Final = ("table", "column", "fact", "value", "detail")
"""Columns of a profile: `column` is blank where a fact is about the whole table; `value` is a number, missing where the
fact could not be measured; `detail` says why, or names the first of what was counted."""
