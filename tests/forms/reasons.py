"""Every reason for which a subject can be unjudged, in the words that people read: none is told in others."""

from __future__ import annotations

import re
from collections.abc import Iterable

REASONS = (
    # A cell, a column, a table
    r"value missing: [a-z_.]+( or [a-z_.]+)*",
    r"can't be read: [a-z_.]+",
    r"column not supplied: [a-z]+\.[a-z_]+",
    r"table not supplied: [a-z]+",
    # What a name stands for
    r"(lot|manual revision|product) not listed in (lots|manuals|products)",
    r"(lot|manual revision|product|performed_by|certified_by) is not listed, but one of nearly the same name is in "
    r"(lots|manuals|products|people)",
    r"(performed_by|certified_by|correction\.made_by) holds nothing valid on that day",
    r"[a-z_.]+( or [a-z_.]+| of another record)? names several( people)?",
    r"a later revision was in force, and the list does not say when this one was superseded",
    r"one cell names several: (product|lot or product|manual or manual_revision)",
    r"one cell names several: certificate_number or certificate_kind",
    r"[a-z_.]+ and [a-z_.]+ are nearly the same name",
    r"[a-z_.]+ is nearly a name that another table has",
    r"[a-z_.]+ is nearly what the rule names",
    r"[a-z_.]+ has what is required, written otherwise",
    r"names are nearly equal: they may be one, or two",
    r"the record names a station of nearly the same name as another",
    r"H\d{3} is not in the table small",
    # Boots and positions
    r"no boot known at that position and time",
    r"which boot was at that position and time is not known",
    r"two boots recorded at that position and time",
    r"position not recorded, or not one of the boots' positions",
    # Records that may count
    r"a (boot|record) in quarantine may change the result",
    r"a record of (work that is still open|an aircraft of nearly the same name) may change the result",
    r"which came first is not known: (both started at the same time|the one went on when the other began)",
    r"ambiguous time: the clock went back, and the verdict depends on which hour is meant",
    # Coats
    r"which coat came first is not known: (same start, no coat number|the same coat number twice)",
    r"a coat ends as it starts: how long it took is not recorded",
    r"a coat ends before it starts: when it ended isn't known",
    r"the record ends before it starts: when its work was done isn't known",
    r"the last record ends before it starts: when its work ended isn't known",
    r"a coat in between is not recorded",
    r"one record stands for several coats: the pauses between them are not recorded",
    r"several records have the same coat number, or give a number of coats beside it: one coat, or several",
    # The flight log, and how far the records reach
    r"no flights of this aircraft in the log( for an unusually long time)?",
    r"work at another station without a flight in between: flights are missing in the log",
    r"a leg is missing in the flight log: the next flight begins elsewhere",
    r"the flight log knows an aircraft of nearly the same name",
    r"a flight in quarantine may fall in this time",
    r"hours flown contradict takeoff and landing",
    r"a flight is listed twice under two numbers",
    r"still running at the as-of time",
    r"no task records at all for an unusually long time before the as-of time",
    r"the job may still be going on at the as-of time",
    r"the season is not over",
    r"the season began before the first record or flight of the export",
    r"season not set: it works in the other hemisphere, and no settings have it at a base",
    r"a day without a time: the two overlap by no more than that day",
    r"times to the minute: the two overlap by no more than their rounding",
)
_KNOWN = re.compile("|".join(f"(?:{one})" for one in ("", *REASONS)))


def unknown(reasons: Iterable[object]) -> list[str]:
    """Those of some reasons that none of these is; blank is no reason."""
    return sorted({str(one) for one in reasons if not _KNOWN.fullmatch(str(one))})
