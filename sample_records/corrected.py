"""TARN-BIRCH again: entries that were corrected afterwards, well and badly.

Told of washes that were recorded in the course of its year: nothing else of them changes. In each the humidity was
first entered as 84.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta

from sample_records.expected import Planted, broken_by, fault, near_miss, reject
from sample_records.logbook import Logbook, Task
from sample_records.reference import LEAVING_CERTIFIER, STATIONS

HOUR, MINUTE = timedelta(hours=1), timedelta(minutes=1)
COLUMN, WAS, MISREAD = "humidity_pct", "84", "misread from the gauge"


def corrections(book: Logbook) -> Iterator[Planted]:
    """Two digits that changed places, and were put right one way or another."""
    washes = iter([task for task in book.tasks if task.action == "clean" and task.humidity_pct and task.signed_at])
    yield from _well(book, washes)
    yield from _badly(book, washes)


def _signed(task: Task) -> datetime:
    assert task.signed_at is not None
    return task.signed_at


def _well(book: Logbook, washes: Iterator[Task]) -> Iterator[Planted]:
    task = next(washes)
    made = book.correct(task, COLUMN, WAS, task.humidity_pct, _signed(task) + HOUR, MISREAD)
    yield near_miss(
        "Two digits changed places; put right by the certifier, with a reason and a signature.",
        [task, made],
        "correction-not-signed",
        "correction-without-reason",
    )
    task = next(washes)
    made = book.correct(task, COLUMN, WAS, task.humidity_pct, _signed(task), MISREAD, exported=task.humidity_pct)
    yield near_miss(
        "Corrected at the very instant of the signature; the export has the new value already.",
        [task, made],
        "correction-before-signature",
        "correction-does-not-fit",
    )
    task = next(washes)
    first = book.correct(task, COLUMN, WAS, "74", _signed(task) + HOUR, MISREAD)
    second = book.correct(task, COLUMN, "74", task.humidity_pct, _signed(task) + 2 * HOUR, MISREAD, exported=WAS)
    yield near_miss(
        "A correction of a correction; the export still has the first entry.",
        [task, first, second],
        "correction-does-not-fit",
    )
    task = next(washes)
    last_minute = datetime(2025, 9, 30, 23, 59, tzinfo=STATIONS[task.station].zone)
    made = book.correct(task, COLUMN, WAS, task.humidity_pct, last_minute, MISREAD, made_by=LEAVING_CERTIFIER)
    yield near_miss(
        "Corrected in the last minute in which the corrector was authorised, by the clock of the station.",
        [task, made],
        "correction-not-authorised",
    )


def _badly(book: Logbook, washes: Iterator[Task]) -> Iterator[Planted]:
    task = next(washes)
    made = book.correct(task, COLUMN, WAS, task.humidity_pct, _signed(task) + HOUR, "")
    yield fault("Corrected without a reason.", [task, made], broken_by("correction-without-reason", made))
    task = next(washes)
    made = book.correct(task, COLUMN, WAS, task.humidity_pct, _signed(task) + HOUR, MISREAD, signed_by="")
    yield fault("A correction that nobody signed.", [task, made], broken_by("correction-not-signed", made))
    task = next(washes)
    made = book.correct(task, COLUMN, WAS, task.humidity_pct, _signed(task) + HOUR, MISREAD, made_by="Z. Quillfeather")
    yield fault("Corrected by somebody who is on no list.", [task, made], broken_by("correction-not-authorised", made))
    task = next(washes)
    made = book.correct(task, COLUMN, WAS, task.humidity_pct, _signed(task) - MINUTE, MISREAD)
    yield fault(
        "Corrected a minute before the record was signed.", [task, made], broken_by("correction-before-signature", made)
    )
    task = next(washes)
    made = book.correct(task, COLUMN, WAS, "64", _signed(task) + HOUR, MISREAD, exported=task.humidity_pct)
    yield fault(
        "The record has neither the value that the correction found nor the one that it left.",
        [task, made],
        broken_by("correction-does-not-fit", made),
    )
    yield reject("What that correction is about can't be believed.", [task], COLUMN, "a correction that does not fit")
