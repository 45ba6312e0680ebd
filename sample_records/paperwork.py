"""TARN-WILLOW: what a record must contain, item by item, and TARN-YEW: records that can't both be true.

Told as the other years are (see `story`).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from typing import Any

from sample_records.expected import (
    Planted,
    broken,
    cannot_tell,
    contradicted,
    fault,
    near_miss,
    unsure,
)
from sample_records.logbook import Logbook, Task, hours
from sample_records.reference import (
    APPRENTICE,
    BLACK_CHLOROPRENE,
    CLEAN,
    END,
    LEAVING_CERTIFIER,
    RELIEF_TECHNICIAN,
    REPAIR,
    WINGS,
)

MINUTE = timedelta(minutes=1)


def willow(book: Logbook) -> Iterator[Planted]:
    """Black chloroprene at Lanternhead, and a careless pen."""
    yield from _entries(book)
    yield from _times(book)
    yield from _approval(book)
    yield from _data_and_stores(book)
    book.routine(until=END)


def _entries(book: Logbook) -> Iterator[Planted]:
    """The items of an entry."""
    book.routine(until="2025-06-17")
    visit = book.visit("2025-06-17 09:00")
    silent = visit.inspect(["fin"], description="", manual="", manual_revision="")
    yield fault(
        "A look at the fin of which nothing is said, in words or by a manual.",
        [silent],
        broken("work-not-described", silent),
        broken("manual-not-cited", silent),
    )
    terse = visit.inspect(["fin"], description="")
    yield near_miss("No words, but the manual says what is done.", [terse], "work-not-described")
    unrevised = visit.inspect(["left wing"], manual_revision="")
    yield fault("A manual without its revision.", [unrevised], broken("manual-not-cited", unrevised))
    void = visit.inspect(["left wing"], manual="", manual_revision="", status="void", remarks="void: entered twice")
    yield near_miss("A void record without a manual.", [void], "manual-not-cited")

    book.routine(until="2025-06-24")
    visit = book.visit("2025-06-24 09:00")
    nobody = visit.inspect(["fin"], performed_by="")
    yield fault("Nobody is named who did it.", [nobody], broken("performer-not-named", nobody))
    yield cannot_tell(
        "Nor whether that person was somewhere else at the time.",
        [nobody],
        unsure("person-at-two-stations", nobody, "value missing"),
    )
    open_record = visit.inspect(["fin"], performed_by="", certified_by="", signed_at=None, status="open")
    yield near_miss(
        "A record that is still open names nobody yet.",
        [open_record],
        "performer-not-named",
        "certifier-not-named",
    )
    unapproved = visit.inspect(
        ["left wing"], certified_by="", certificate_number="", certificate_kind="", signed_at=None
    )
    yield fault("Nobody approved it.", [unapproved], broken("certifier-not-named", unapproved))
    yield near_miss(
        "Where nobody approved, no signature and no certificate are missing.",
        [unapproved],
        "signature-missing",
        "certificate-missing",
    )
    unsigned = visit.inspect(["right wing"], signed_at=None)
    yield fault("Approved by name, and not signed.", [unsigned], broken("signature-missing", unsigned))
    kindless = visit.inspect(["right wing"], certificate_kind="")
    yield fault("A certificate number without its kind.", [kindless], broken("certificate-missing", kindless))


def _times(book: Logbook) -> Iterator[Planted]:
    """Start, end and signature."""
    book.routine(until="2025-07-08")
    visit = book.visit("2025-07-08 09:00")
    early = _signed(visit.inspect(["fin"]), -5 * MINUTE, book)
    yield fault("Signed 5 minutes before the end.", [early], broken("signed-before-finished", early))
    on_time = _signed(visit.inspect(["fin"]), 0 * MINUTE, book)
    yield near_miss("Signed as the work ended.", [on_time], "signed-before-finished")
    late = _signed(visit.inspect(["left wing"]), hours(24) + MINUTE, book)
    yield fault("Signed a day and a minute after.", [late], broken("signed-long-after", late))
    a_day = _signed(visit.inspect(["left wing"]), hours(24), book)
    yield near_miss("Signed exactly a day after.", [a_day], "signed-long-after")

    book.routine(until="2025-07-15")
    visit = book.visit("2025-07-15 09:00")
    backwards = visit.inspect(["fin"], finished_at=visit.clock - 20 * MINUTE)
    yield fault("Finished 20 minutes before it was started.", [backwards], broken("finished-before-started", backwards))
    yield cannot_tell(
        "Nor whether the aircraft, which flew within a day of it, was in the air meanwhile.",
        [backwards],
        unsure("work-while-airborne", backwards, "the record ends before it starts"),
    )

    book.routine(until="2025-07-22")
    visit = book.visit("2025-07-22 09:00")
    instant = visit.step(replace(CLEAN, minutes=0), ["fin"])
    yield fault("Washed in no time at all.", [instant], broken("work-time-implausible", instant))
    yield near_miss(
        "The same record: an end at the start is not before it.",
        [instant],
        "finished-before-started",
    )
    minute = visit.step(replace(CLEAN, minutes=1), ["fin"])
    day = visit.step(replace(REPAIR, minutes=24 * 60), ["left wing"])
    yield near_miss("Washed in a minute; patched in exactly a day.", [minute, day], "work-time-implausible")
    longer = visit.step(replace(REPAIR, minutes=24 * 60 + 1), ["right wing"])
    yield fault("Patched in a day and a minute, without a break.", [longer], broken("work-time-implausible", longer))


def _signed(task: Task, after_the_end: timedelta, book: Logbook) -> Task:
    """The last record, signed otherwise than the shop would have."""
    book.tasks[-1] = replace(task, signed_at=task.finished_at + after_the_end)
    return book.tasks[-1]


def _approval(book: Logbook) -> Iterator[Planted]:
    """Who approves, and by what right."""
    book.routine(until="2025-08-12")
    visit = book.visit("2025-08-12 09:00")
    by_technician = visit.inspect(["fin"], certified_by=RELIEF_TECHNICIAN)
    yield fault(
        "Approved by the relief technician, who has an authorisation and no certificate.",
        [by_technician],
        broken("certifier-not-authorised", by_technician),
    )
    others = visit.inspect(["left wing"], certificate_number="TW-C-72")
    yield fault("The certificate number of another certifier.", [others], broken("certificate-differs", others))
    mixed = visit.inspect(["right wing"], **_by(LEAVING_CERTIFIER, "TW-C-80", "airframe"))
    yield fault(
        "The number of one of the certifier's certificates with the kind of the other.",
        [mixed],
        broken("certificate-differs", mixed),
    )
    second = visit.inspect(["right wing"], **_by(LEAVING_CERTIFIER, "TW-C-80", "repairman"))
    yield near_miss("The certifier's second certificate, with its own kind.", [second], "certificate-differs")

    book.routine(until="2025-09-30")
    visit = book.visit("2025-09-30 21:00")
    last_day = visit.inspect(["fin"], **_by(LEAVING_CERTIFIER, "TW-C-79", "airframe"))
    yield near_miss("Signed in the last hours of the authorisation.", [last_day], "certifier-not-authorised")
    visit.inspect(["left wing"], **_by(LEAVING_CERTIFIER, "TW-C-79", "airframe"))
    next_day = _signed(book.tasks[-1], hours(4), book)
    yield fault(
        "Done on the last day of the authorisation and signed after midnight.",
        [next_day],
        broken("certifier-not-authorised", next_day),
    )


def _by(certifier: str, number: str, kind: str) -> dict[str, Any]:
    return {"certified_by": certifier, "certificate_number": number, "certificate_kind": kind}


def _data_and_stores(book: Logbook) -> Iterator[Planted]:
    """Manuals, lots and serials."""
    book.routine(until="2025-11-14")
    visit = book.visit("2025-11-14 09:00")
    ahead = visit.inspect(["fin"], manual_revision="5")
    yield fault("The new revision a day before it is in force.", [ahead], broken("manual-not-in-force", ahead))
    unheard_of = visit.inspect(["left wing"], manual_revision="7")
    yield fault("A revision that never was.", [unheard_of], broken("manual-not-listed", unheard_of))
    yield near_miss("It can't have been in force or not.", [unheard_of], "manual-not-in-force")
    last = visit.inspect(["left wing"])
    visit = book.visit("2025-11-15 09:00")
    first = visit.inspect(["left wing"])
    yield near_miss(
        "The old revision on its last day, the new one on its first.",
        [last, first],
        "manual-not-in-force",
        "manual-not-listed",
    )
    superseded = visit.inspect(["right wing"], manual_revision="4")
    yield fault(
        "The old revision on the day on which it is superseded.",
        [superseded],
        broken("manual-not-in-force", superseded),
    )

    book.routine(until="2025-11-25")
    visit = book.visit("2025-11-25 09:00")
    other_boot = visit.inspect(["fin"], component_serial=book.fitted["left wing"].serial)
    yield fault(
        "The serial of the left wing's boot on a record for the fin.",
        [other_boot],
        broken("component-serial-differs", other_boot),
    )
    both = visit.inspect(WINGS, component_serial=book.fitted["left wing"].serial)
    yield near_miss("A record for both wings can name one boot only.", [both], "component-serial-differs")

    book.routine(until="2026-01-31")
    visit = book.visit("2026-01-31 09:00")
    last_day = visit.clean(lot="406-A")
    visit.treat()
    visit = book.visit("2026-02-01 09:00")
    expired = visit.clean(["fin"], lot="406-A")
    foreign = visit.clean(["left wing"], lot="402-B")
    lotless = visit.clean(["right wing"], lot="")
    visit.treat()
    yield near_miss("The last day of the lot.", [last_day], "lot-expired")
    yield fault("The day after the last day of the lot.", [expired], broken("lot-expired", expired))
    yield fault(
        "A lot of another product, and no lot at all.",
        [foreign, lotless],
        broken("lot-unknown", foreign),
        broken("lot-unknown", lotless),
    )
    look = visit.inspect()
    yield near_miss("A look uses no product, and no lot.", [look], "lot-unknown")


def yew(book: Logbook) -> Iterator[Planted]:
    """Black chloroprene at Lanternhead, at two places at once."""
    book.routine(until="2025-06-17")
    flight = book.fly(book.local("2025-06-17 09:00"), 1.8)
    visit = book.visit(flight.landing_at)
    after = visit.inspect(["fin"])
    yield near_miss("A look that begins as it lands.", [flight, after], "work-while-airborne")
    aloft = visit.inspect(["fin"], started_at=flight.takeoff_at + hours(0.5), finished_at=flight.takeoff_at + hours(1))
    yield fault(
        "Half an hour's look at the fin while it was in the air.",
        [flight, aloft],
        contradicted("work-while-airborne", aloft, aloft.started_at, hours(0.5), flight),
    )

    book.routine(until="2025-06-24")
    flight = book.fly(book.local("2025-06-24 08:05"), 1.8, to="Thrushwick")
    away = book.visit(flight.landing_at).inspect(["fin"])
    home = book.fly(away.finished_at + hours(1), 1.8, to="Lanternhead")
    yield near_miss("A look at Thrushwick, where it had landed.", [flight, away], "work-while-elsewhere")
    visit = book.visit(home.landing_at + hours(1))
    elsewhere = visit.inspect(["fin"], station="Thrushwick")
    yield fault(
        "A look entered for Thrushwick after it had come home.",
        [home, elsewhere],
        contradicted("work-while-elsewhere", elsewhere, elsewhere.started_at, hours(0.5), home),
    )

    book.routine(until="2025-07-08")
    brought = book.flights[-1]
    visit = book.visit("2025-07-08 09:00")
    here = visit.inspect(["fin"])
    there = visit.inspect(
        ["left wing"],
        station="Thrushwick",
        started_at=here.started_at + hours(0.25),
        finished_at=here.finished_at + hours(0.25),
    )
    yield fault(
        "The technician looks at the fin at Lanternhead, and a quarter of an hour later at the wing at Thrushwick.",
        [here, there],
        contradicted("person-at-two-stations", there, there.started_at, hours(0.25)),
        contradicted("work-while-elsewhere", there, there.started_at, hours(0.5), brought),
    )
    visit = book.visit(there.finished_at + hours(1))
    one = visit.inspect(["fin"])
    other = visit.inspect(
        ["left wing"],
        performed_by=RELIEF_TECHNICIAN,
        started_at=one.started_at,
        finished_at=one.finished_at,
    )
    yield near_miss("Two people at two boots at the same time.", [one, other], "person-at-two-stations")

    book.routine(until="2025-07-15")
    visit = book.visit("2025-07-15 09:00")
    look = visit.inspect(["fin"])
    again = visit.inspect(["fin"], started_at=look.started_at, finished_at=look.finished_at)
    yield fault(
        "The same look entered twice.",
        [look, again],
        contradicted("record-entered-twice", again, again.started_at, hours(0.5)),
    )
    wing = visit.inspect(["left wing"], started_at=look.started_at, finished_at=look.finished_at)
    yield near_miss("At the same time a look at another boot.", [wing], "record-entered-twice")

    book.routine(until="2025-07-22")
    flight = book.fly(book.local("2025-07-22 09:05"), 1.8)
    late = replace(
        flight,
        flight_id=f"F-{book.aircraft.code}-{len(book.flights) + 1:03}",
        takeoff_at=flight.takeoff_at + hours(1),
        landing_at=flight.landing_at + hours(1),
    )
    book.flights.append(late)
    book.now = late.landing_at
    yield fault(
        "Airborne again an hour after takeoff, 48 minutes before it lands.",
        [flight, late],
        contradicted("flights-overlap", late, late.takeoff_at, hours(0.8), late),
    )
    third = book.fly(late.landing_at, 1.8)
    yield near_miss("Airborne again in the minute in which it lands.", [late, third], "flights-overlap")

    book.routine(until="2025-07-29")
    removal, installation = book.visit("2025-07-29 09:00").swap("fin", BLACK_CHLOROPRENE)
    yield near_miss(
        "The old boot goes before the new one comes.",
        [removal, installation],
        "two-components-at-one-position",
    )

    book.routine(until="2025-08-13")
    visit = book.visit("2025-08-13 10:00")
    mine = visit.clean(["fin"])
    yours = visit.step(
        CLEAN,
        ["fin"],
        aircraft="TARN-ALDER",
        component_serial="",
        started_at=mine.started_at + hours(0.25),
        finished_at=mine.finished_at + hours(0.25),
    )
    yield fault(
        "The technician washes the fin of TARN-YEW, and after a quarter of an hour that of TARN-ALDER, too.",
        [yours, mine],
        contradicted("person-at-two-aircraft", yours, yours.started_at, timedelta(minutes=20)),
    )
    visit = book.visit(yours.finished_at + hours(1))
    washed = visit.clean(["fin"])
    looked = visit.inspect(
        ["fin"],
        aircraft="TARN-ALDER",
        component_serial="",
        started_at=washed.started_at,
        finished_at=washed.finished_at,
    )
    yield near_miss("The same person at TARN-ALDER while the fin dries.", [washed, looked], "person-at-two-aircraft")
    yield from _people_and_lots(book)
    book.routine(until=END)


def _people_and_lots(book: Logbook) -> Iterator[Planted]:
    """Who may do what, until when, and what was opened when."""
    book.routine(until="2025-09-30")
    visit = book.visit("2025-09-30 09:00")
    last_day = visit.inspect(["fin"], performed_by=LEAVING_CERTIFIER)
    yield near_miss("Done on the last day of the authorisation.", [last_day], "performer-not-authorised")
    learnt = visit.inspect(["left wing"], performed_by=APPRENTICE)
    yield near_miss("A look by the apprentice, who may look.", [learnt], "performer-not-authorised-for-act")
    visit = book.visit("2025-10-01 09:00")
    next_day = visit.inspect(["fin"], performed_by=LEAVING_CERTIFIER)
    yield fault("Done on the day after.", [next_day], broken("performer-not-authorised", next_day))
    patched = visit.step(REPAIR, ["left wing"], performed_by=APPRENTICE)
    yield fault(
        "A patch by the apprentice, who may look and wash.",
        [patched],
        broken("performer-not-authorised-for-act", patched),
    )

    book.routine(until="2025-11-30")
    visit = book.visit("2025-11-30 09:00")
    ahead = visit.clean(["fin"], lot="406-B")
    visit.treat()
    yield fault("Of a lot that was opened a day later.", [ahead], broken("lot-used-before-opened", ahead))
    visit = book.visit("2025-12-01 09:00")
    opened = visit.clean(["fin"], lot="406-B")
    visit.treat()
    yield near_miss("On the day on which the lot was opened.", [opened], "lot-used-before-opened")
