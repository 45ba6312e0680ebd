"""Phrases in which forms describe themselves to people."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from audit.language.condition import Conditions
from audit.language.events import Bounds, Event, Remedy, Season, SeasonByBase
from audit.language.in_words import all_of, conditions_in_words, day_of_year_in_words, duration_in_words

SESSION = (
    "A session is the records of one work order, boot and product class without a takeoff or more than 24 hours in "
    "between; it ends when the last of them does."
)

NO_BOOT_KNOWN = "no boot is known at that position and time, or two are recorded there"
NO_POSITION_KNOWN = "the position is not recorded"
NOT_COVERED = (
    "the flight log does not cover the aircraft at that time: it does not know it, a leg is missing, it stops for "
    "unusually long, or work at another station follows without a flight"
)
FLIGHT_UNCLEAR = "a flight is in quarantine, is listed twice, or its hours contradict its times"
MAY_BE_WORK = (
    "one of those it depends on may be a record in quarantine, one that is still open in the same work order, one of "
    "which the status can't be read, or one of an aircraft of nearly the same name"
)
RECORDS_END = "all task records end unusually long before the as-of time: what was done after that is missing"
JOB_RUNNING = (
    "the job may still be going on at the as-of time: neither a day nor a flight has come since its last record"
)
ENDS_BACKWARDS = "its last record ends before it starts, and what came after may have come too early or not"
OTHERS_BACKWARDS = "other work ends before it starts, and may have been at another time"
PERHAPS_SWAPPED = "the boot may have been swapped in between, on a day without a time"
STILL_RUNNING = "it still runs at the as-of time"
SEASON_NOT_SET = (
    "the aircraft works in the other hemisphere than the season is of, as far as the time zones of its stations tell, "
    "and no settings have it at a base"
)
SAME_START = "both started at the same time"
CLOCK_WENT_BACK = (
    "a time falls into the hour that the clock went through twice, and the verdict depends on which is meant"
)
WHICH_CAME_FIRST = (SAME_START, NO_POSITION_KNOWN, NO_BOOT_KNOWN, MAY_BE_WORK)
"""What leaves unclear which work on a boot came before which."""


def flights_unclear() -> tuple[str, ...]:
    """What leaves unclear which flights there were."""
    return not_supplied("flights"), NOT_COVERED, FLIGHT_UNCLEAR


def not_supplied(table: str) -> str:
    """That a table is missing."""
    return f"the table {table} is not supplied"


def records(conditions: Conditions, noun: str = "records") -> str:
    """`closed task records where action is apply`."""
    phrases = conditions_in_words(conditions)
    return f"closed task {noun}" + (f" where {all_of(phrases)}" if phrases else "")


def sessions(conditions: Conditions) -> str:
    """Which sessions, and what a session is."""
    return f"Each session of {records(conditions)}. {SESSION}"


def work(said: str, conditions: Conditions) -> str:
    """What is said of work, and of which: `the same boot was worked on before, in a record where ...`."""
    phrases = conditions_in_words(conditions)
    return f"{said}, in a record where {all_of(phrases)}" if phrases else said


def absent(event: Event) -> str:
    """That an event did not happen."""
    if event.where is None:
        return "the aircraft did not take off"
    return work("no other work began on that position", event.where)


def remedy_in_words(remedy: Remedy) -> str:
    """`later work on the same boot, in a closed record where action is inspect`."""
    within = "" if remedy.within is None else f", begun within {duration_in_words(remedy.within)} of the fault"
    if remedy.where is None:
        return f"the removal of the boot, until it is installed again{within.replace('begun ', '')}"
    return f"{work('later work on the same boot', remedy.where)}{within}"


def season_days(season: Season) -> str:
    """`1 October to 30 April (UTC, both days included)`."""
    first, last = day_of_year_in_words(season.from_), day_of_year_in_words(season.to)
    elsewhere = "; aircraft at some bases have another" if isinstance(season, SeasonByBase) else ""
    return f"{first} to {last} (UTC, both days included{elsewhere})"


def season_figure(season: Season | None) -> Mapping[str, str]:
    """What the name `season` stands for in the texts of a rule, where it has one."""
    return {} if season is None else {"season": season_days(season)}


def only_boots(boots: Conditions) -> tuple[str, ...]:
    """Which boots alone are looked at; nothing where all are."""
    phrases = conditions_in_words(boots)
    return (f"Only boots of which {all_of(phrases)}.",) if phrases else ()


def limits(bounds: Bounds, said: Callable[[Any], str] = str) -> str:
    """`at least 2 and at most 3`, `exactly 2`; `said` writes one of them."""
    texts = {side: said(limit) for side, limit in bounds.sides}
    if texts.get("least") == texts.get("most"):
        return f"exactly {texts['least']}"
    return " and ".join(f"at {side} {text}" for side, text in texts.items())


def range_in_words(bounds: Bounds, said: Callable[[Any], str]) -> str:
    """`5 to 10 minutes`, `3 coats`, `at least 5 minutes`; `said` writes one of the limits."""
    if len(bounds.sides) == 1:
        return limits(bounds, said)
    first, last = (said(limit) for _, limit in bounds.sides)
    if first == last:
        return first
    count, _, unit = first.partition(" ")
    # Of two limits in the same unit the first goes without it.
    return f"{count if unit.removesuffix('s') == last.partition(' ')[2].removesuffix('s') else first} to {last}"


def of_class(conditions: Conditions) -> str:
    """What conditions select, as far as the product class that they name tells: `an ice-adhesion treatment`."""
    return with_article(class_named(conditions))


def with_article(name: str) -> str:
    """`a stay`, `an installed component`."""
    return f"{'an' if name[0] in 'aeiou' else 'a'} {name}"


def class_named(conditions: Conditions) -> str:
    """The product class that conditions name, `gloss coating`; `treatment` where they name none, or several."""
    asked = conditions.columns.get("product_class")
    if asked is None or not isinstance(asked.is_, str):
        return "treatment"
    return " ".join(asked.is_.rsplit("-", 1))
