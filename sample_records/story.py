"""The years, told one aircraft after the other, and what is planted in them.

Between the incidents the fleet flies and is cared for by the book (`routine`). Each year yields
what it plants, in the order in which it happened.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from typing import Final

from sample_records.corrected import corrections
from sample_records.expected import (
    Planted,
    Rule,
    as_first_made,
    broken,
    broken_by,
    cannot_tell,
    covered_and_flown,
    covered_uncured,
    fault,
    flown_uncured,
    near_miss,
    not_last,
    of_unknown_class,
    overdue,
    pauses_unknown,
    reject,
    two_boots,
    unprepared,
    unprotected,
    unsure,
    unsure_flight,
    wrong_boot,
)
from sample_records.logbook import ALL, CURE, Logbook, Preserved, hours
from sample_records.paperwork import willow, yew
from sample_records.reference import (
    APPLY_GLOSS,
    BLACK_CHLOROPRENE,
    BLACK_POLYURETHANE,
    END,
    MISSPELT_PRESERVATIVE,
    POSITIONS,
    RELIEF_TECHNICIAN,
    REPAIR,
    TAILPLANES,
    TREAT,
    WINGS,
    WIPE_OFF,
)
from sample_records.step_by_step import spruce

MATERIAL: Final = "preservative-on-wrong-material"
FLIGHT: Final = "flight-before-cure"
PRODUCT: Final = "product-before-cure"
LAST: Final = "ice-adhesion-treatment-not-last"
PPE: Final = "ppe-sign-off-missing"
IN_THE_AIR: Final[tuple[Rule, ...]] = ("work-while-airborne", "work-while-elsewhere")
OVERDUE: Final = "ice-adhesion-treatment-overdue"
PAUSES: Final = "preservative-coats-badly-spaced"
COATS: Final = "preservative-coats-wrong"
COVERED: Final = "ice-adhesion-treatment-covered"
NO_PAUSES: Final = "One record stands for three coats: it shows no pause between them."
NIGHT_PAUSE: Final = "The pause before the third coat, between two times in the hour that comes twice."


def but(*positions: str) -> tuple[str, ...]:
    """Every position save these."""
    return tuple(position for position in POSITIONS if position not in positions)


def alder(book: Logbook) -> Iterator[Planted]:
    """Black chloroprene at Lanternhead: a flight and a treatment brought forward."""
    book.routine(until="2025-07-14")
    visit = book.visit("2025-07-14 13:00")
    visit.inspect(WINGS)
    visit.prepare(WINGS)
    coats = visit.preserve(WINGS)
    flight = book.fly(coats[-1].finished_at + hours(5.2), 1.8)
    yield fault(
        "A survey is brought forward: airborne the same evening, 5 h 12 min after the last coat on both wings.",
        [coats[-1], flight],
        flown_uncured(coats, flight),
    )

    book.routine(until="2025-08-19")
    visit = book.visit("2025-08-19 09:00")
    visit.prepare(["left wing"])
    coats = visit.preserve(["left wing"])
    flight = book.fly(coats[-1].finished_at + CURE, 2.4)
    yield near_miss(
        "Takeoff exactly 24 h after the last coat: the wait is over at that instant.",
        [coats[-1], flight],
        FLIGHT,
    )
    late = replace(coats[-1], finished_at=coats[-1].finished_at + hours(0.1))
    made = book.correct(
        coats[-1],
        "finished_at",
        late.finished_at,
        coats[-1].finished_at,
        flight.landing_at,
        "end of the clean-up entered",
    )
    yield fault(
        "The end of that coat was first entered six minutes late, which the flight did not wait for; its certifier "
        "corrected it when the aircraft was back.",
        [coats[-1], flight, made],
        as_first_made(flown_uncured([*coats[:-1], late], flight), made),
        broken_by("correction-moves-time", made),
    )

    book.routine(until="2025-09-09")
    visit = book.visit("2025-09-09 09:00")
    remark = "void: entered against the wrong aircraft"
    coats = visit.preserve(["fin"], status="void", remarks=remark)
    flight = book.fly(coats[-1].finished_at + hours(3), 1.8)
    yield near_miss(
        "The preservative records are void: nothing was curing when it took off.",
        [*coats, flight],
        FLIGHT,
    )

    book.routine(until="2025-11-01")
    # The clocks go back at 02:00 on 2 November: the third coat is on between 01:00 and 02:00, which
    # come twice.
    visit = book.visit("2025-11-01 23:40")
    visit.prepare(["left wing"])
    night = {"clock_goes_back": True, "signed_at": book.local("2025-11-02 06:30")}
    coats = visit.preserve(["left wing"], **night)
    visit.wait(hours(30))
    treatment = visit.treat(["left wing"])
    flight = book.fly(coats[-1].finished_at + hours(31), 1.8)
    yield near_miss(
        "The last coat ends in the hour that comes twice; treated 30 h and flown 31 h later by "
        "one reading, an hour less by the other: long enough by both.",
        [coats[-1], treatment, flight],
        FLIGHT,
        PRODUCT,
    )
    yield cannot_tell(NIGHT_PAUSE, coats[1:], unsure(PAUSES, coats[2], "ambiguous time"))

    book.routine(until="2025-12-02")
    visit = book.visit("2025-12-02 09:00")
    wash = visit.clean(miswritten={"humidity_pct": "forty"})
    visit.treat()
    yield reject(
        "The humidity of a wash is written in words: no rule asks for it, and the record is audited.",
        [wash],
        "humidity_pct",
        "not a number",
    )

    book.routine(until="2026-01-20")
    visit = book.visit("2026-01-20 09:00")
    visit.prepare(["right wing"])
    coats = visit.preserve(["right wing"])
    visit.wait(hours(20.2))
    treatment = visit.treat(["right wing"])
    book.fly(coats[-1].finished_at + hours(26), 2.4)
    yield fault(
        "Ice-adhesion treatment 20 h 12 min after the last coat; the flight itself waits long enough.",
        [coats[-1], treatment],
        covered_uncured(coats, treatment),
    )

    for day, position in LENT.items():
        book.routine(until=day)
        visit = book.visit(f"{day} 09:00")
        visit.prepare([position])
        coats = visit.preserve([position])
        book.shelf[position] = Preserved(book.fitted[position], coats)
        visit.swap(position, BLACK_CHLOROPRENE)
    book.routine(until=END)


LENT: Final = {"2026-05-12": "fin", "2026-05-19": "left tailplane"}
"""The boots that TARN-ALDER gives to TARN-CEDAR, freshly preserved, each on its day."""


def birch(book: Logbook) -> Iterator[Planted]:
    """Black chloroprene at Lanternhead; Thrushwick writes its times with their offset."""
    book.routine(until="2025-06-23")
    book.fly(book.local("2025-06-23 09:05"), 1.8, to="Thrushwick")
    visit = book.visit("2025-06-24 10:00")
    visit.inspect(["fin"])
    visit.prepare(["fin"])
    coats = visit.preserve(["fin"])
    flight = book.fly(coats[-1].finished_at + hours(21.25), 1.8, to="Lanternhead")
    yield fault(
        "Home from Thrushwick 21 h 15 min after the last coat on the fin.",
        [coats[-1], flight],
        flown_uncured(coats, flight),
    )

    book.routine(until="2025-08-12")
    visit = book.visit("2025-08-12 08:30")
    visit.prepare(["fin"])
    coats = visit.preserve(["fin"])
    visit.wait(hours(4))
    gloss = visit.gloss(["fin"])
    yield fault(
        "Gloss the same afternoon, 4 h after the last coat of preservative: one finding, at the first coat of gloss.",
        [coats[-1], *gloss],
        covered_uncured(coats, gloss[0]),
    )

    book.routine(until="2025-08-26")
    visit = book.visit("2025-08-26 08:30")
    visit.prepare(WINGS)
    coats = visit.preserve(["left wing"])
    visit.wait(hours(3))
    gloss = visit.gloss(["right wing"])
    look = visit.inspect(["left wing"])
    yield near_miss(
        "While the left wing cures, the right one is glossed and the left one looked over without any product.",
        [coats[-1], *gloss, look],
        PRODUCT,
    )

    book.routine(until="2025-09-16")
    visit = book.visit("2025-09-16 12:00")
    visit.prepare(["left tailplane"])
    coats = visit.preserve(["left tailplane"])
    removal, _ = visit.swap("left tailplane", BLACK_CHLOROPRENE)
    dressing = book.visit(coats[-1].finished_at + hours(5))
    strip = dressing.prepare(["left tailplane"])
    gloss = dressing.gloss(["left tailplane"])
    flight = book.fly(coats[-1].finished_at + hours(14), 1.8)
    yield near_miss(
        "The freshly preserved boot is damaged and swapped out that evening; its successor is "
        "stripped, glossed and flown within 24 h, the treated boot is not.",
        [coats[-1], removal, strip, *gloss, flight],
        FLIGHT,
        PRODUCT,
    )

    book.routine(until="2025-10-14")
    visit = book.visit("2025-10-14 15:00")
    look = visit.inspect()
    again = replace(look, started_at=look.started_at + hours(1), finished_at=look.finished_at + hours(1))
    again = replace(again, signed_at=again.finished_at + hours(0.2))
    book.enter(again)
    yield reject(
        "A task number used twice, with other times: nobody knows which record is right.",
        [look, again],
        "task_id",
        "duplicate key",
    )

    book.routine(until="2025-11-17")
    visit = book.visit("2025-11-17 09:00")
    visit.clean()
    first = visit.treat()
    book.fly_on("fin", until_hours=50.0)
    last_flight = book.flights[-1]
    visit = book.visit(last_flight.landing_at + hours(2))
    visit.clean()
    second = visit.treat()
    yield near_miss(
        "Exactly 50.0 flight hours between two treatments, many of them tenths that have no exact binary fraction.",
        [first, last_flight, second],
        OVERDUE,
    )

    book.routine(until="2026-03-16")
    visit = book.visit("2026-03-16 09:00")
    visit.clean()
    treatment = visit.treat()
    book.fly_on("fin", until_hours=49.2)
    flight = book.fly(book.local("2026-04-30 21:18"), 1.8)
    yield near_miss(
        "49.2 h since the treatment, then 1.8 h more on the evening of 30 April by the local "
        "clock: already 1 May UTC, out of season.",
        [treatment, flight],
        OVERDUE,
    )
    book.routine(until="2026-05-12")
    visit = book.visit("2026-05-12 09:00")
    visit.prepare(["left tailplane"])
    coats = visit.preserve(["left tailplane"])
    exchanged = visit.exchange("left tailplane", "right tailplane")
    dressing = book.visit(coats[-1].finished_at + hours(8))
    other = dressing.clean(["left tailplane"])
    wash = dressing.clean(["right tailplane"])
    flight = book.fly(coats[-1].finished_at + hours(11), 1.8)
    yield fault(
        "The fresh boot changes places with its neighbour, is washed there, and is flown 11 h after its last coat: "
        "the wait goes with the boot.",
        [coats[-1], exchanged[1], wash, flight],
        covered_uncured(coats, wash, moved_to="right tailplane"),
        flown_uncured(coats, flight),
    )
    yield near_miss(
        "Where the fresh boot was treated, its neighbour is washed.", [coats[-1], exchanged[0], other], PRODUCT
    )
    book.routine(until=END)
    yield from corrections(book)


def cedar(book: Logbook) -> Iterator[Planted]:
    """Black polyurethane at Lanternhead."""
    book.routine(until="2025-06-18")
    visit = book.visit("2025-06-18 09:00")
    visit.prepare(["left wing"])
    coats = visit.preserve(["left wing"])
    yield fault(
        "Three coats of preservative on a polyurethane boot, one record each.",
        coats,
        wrong_boot(*coats, failing=["left wing"]),
    )

    book.routine(until="2025-07-22")
    yield reject(
        "An action that is none of the actions.",
        [book.visit("2025-07-22 16:00").inspect(miswritten={"action": "polish"})],
        "action",
        "not in the list",
    )

    book.routine(until="2025-08-05")
    visit = book.visit("2025-08-05 08:00")
    misspelt = visit.step(TREAT, ["left tailplane"], product=MISSPELT_PRESERVATIVE, lot="")
    visit.wait(hours(3))
    wash = visit.clean(["left tailplane"])
    flight = book.fly(misspelt.finished_at + hours(10), 1.8)
    yield cannot_tell(
        "A product that isn't in the products table, on a polyurethane boot, washed 3 h and flown"
        " 10 h later: a fault if it was preservative or ice-adhesion treatment, none if it was "
        "something else.",
        [misspelt, wash, flight],
        of_unknown_class(misspelt),
    )

    book.routine(until="2025-09-02")
    _, installation = book.visit("2025-09-02 09:00").swap("right wing", BLACK_CHLOROPRENE)
    visit = book.visit("2025-09-03 09:00")
    visit.prepare(["right wing"])
    coats = visit.preserve(["right wing"])
    yield near_miss(
        "Preservative on a polyurethane aircraft, but this boot was replaced by a black "
        "chloroprene one the day before.",
        [installation, *coats],
        MATERIAL,
    )

    book.routine(until="2025-10-01")
    book.fly_on("fin", until_hours=53.4)
    late = overdue(book, *ALL)
    visit = book.visit(book.now + hours(2))
    visit.clean()
    treatment = visit.treat()
    yield fault(
        "The first treatment of the season comes after 53.4 h in it, on all five boots.",
        [treatment],
        late,
    )

    book.routine(until="2026-02-10")
    visit = book.visit("2026-02-10 09:00")
    visit.clean()
    treatment = visit.treat(ppe_worn="", ppe_signed_by="")
    yield fault(
        "Ice-adhesion treatment with nothing entered for protective equipment.",
        [treatment],
        unprotected(treatment),
    )

    for day, position in LENT.items():
        book.routine(until=day)
        lent = book.shelf.pop(position)
        _, installation = book.visit(f"{day} 15:00").swap(position, lent.boot)
        ready = lent.coats[-1].finished_at
        if position == "fin":
            flight = book.fly(ready + hours(9.7), 1.8)
            yield fault(
                "The fin boot of TARN-ALDER comes with its preservative fresh, and is flown here 9 h 42 min after its "
                "last coat: the wait goes with the boot to another aircraft.",
                [lent.coats[-1], installation, flight],
                flown_uncured(lent.coats, flight),
            )
        else:
            flight = book.fly(ready + CURE, 1.8)
            yield near_miss(
                "Another boot comes from TARN-ALDER in the same way, and is flown here exactly 24 h after its last "
                "coat.",
                [lent.coats[-1], installation, flight],
                FLIGHT,
            )
    book.routine(until=END)


def dogwood(book: Logbook) -> Iterator[Planted]:
    """Chloroprene with silver finish at Lanternhead."""
    book.routine(until="2025-07-08")
    visit = book.visit("2025-07-08 09:00")
    visit.prepare(TAILPLANES)
    record = visit.preserve_in_one_record(TAILPLANES)
    yield fault(
        "Preservative on two boots with silver finish; one record stands for the three coats: one"
        " finding naming both positions.",
        [record],
        wrong_boot(record, failing=TAILPLANES),
    )
    yield cannot_tell(NO_PAUSES, [record], pauses_unknown(record))

    book.routine(until="2025-08-06")
    visit = book.visit("2025-08-06 09:00")
    unsigned = {
        "certified_by": "",
        "certificate_number": "",
        "certificate_kind": "",
        "signed_at": None,
    }
    unfinished = visit.preserve_in_one_record(
        ["fin"],
        status="open",
        ppe_worn="",
        ppe_signed_by="",
        remarks="stopped: wrong boot",
        **unsigned,
    )
    flight = book.fly(unfinished.finished_at + hours(4), 1.8)
    yield near_miss(
        "An open record of preservative on a boot with silver finish, without protective "
        "equipment, flown 4 h later: not work done.",
        [unfinished, flight],
        MATERIAL,
        FLIGHT,
        PPE,
    )

    book.routine(until="2025-09-18")
    yield reject(
        "A record that doesn't say which aircraft.",
        [book.visit("2025-09-18 16:00").inspect(miswritten={"aircraft": ""})],
        "aircraft",
        "required value missing",
    )

    book.routine(until="2025-10-01")
    book.fly_on("fin", until_hours=41.0)
    visit = book.visit(book.now + hours(2))
    visit.clean()
    treatment = visit.treat()
    yield near_miss(
        "41.0 h in the season before its first treatment; with the summer's flying it would be far over 50.",
        [treatment],
        OVERDUE,
    )

    book.routine(until="2026-01-07")
    book.fly_on("left wing", until_hours=40.0)
    since = book.last_treatment("left wing")
    visit = book.visit(book.now + hours(2))
    wash = visit.clean()
    visit.treat(but("left wing"))
    never_closed = visit.treat(
        ["left wing"],
        status="open",
        remarks="left wing to be done after the lamp is fixed",
        **unsigned,
    )
    book.fly_on("left wing", until_hours=62.5)
    flight = book.first_flight(never_closed.finished_at)
    late = overdue(book, "left wing")
    visit = book.visit(book.now + hours(2))
    visit.clean()
    visit.treat()
    yield fault(
        "The treatment of the left wing is begun and never closed: 62.5 h from the one before to the one after.",
        [since, never_closed],
        late,
    )
    yield cannot_tell(
        "Whether it flew with nothing over the wash depends on that open record of the same work order.",
        [wash, never_closed, flight],
        unsure("ice-adhesion-treatment-covered", never_closed, "work still open"),
    )

    book.routine(until="2026-05-12")
    visit = book.visit("2026-05-12 09:00")
    visit.prepare(["fin"])
    visit.step(APPLY_GLOSS, ["fin"], coat="1")
    visit.wait(hours(0.15))
    second_coat = visit.step(APPLY_GLOSS, ["fin"], coat="2", ppe_worn="chemical-gloves")
    yield fault("The second coat of gloss without eye protection.", [second_coat], unprotected(second_coat))
    book.routine(until=END)


def elder(book: Logbook) -> Iterator[Planted]:
    """Black chloroprene at Lerchensund, in the shop on both nights of the clock change."""
    book.routine(until="2025-08-14")
    visit = book.visit("2025-08-14 09:00")
    visit.prepare(["right wing"])
    coats = visit.preserve(["right wing"])
    second = book.visit(coats[-1].finished_at + hours(2))
    strip = second.prepare(["right wing"])
    yield fault(
        "The finish disappoints: the boot is stripped again 2 h after the last coat, under another work order.",
        [coats[-1], strip],
        covered_uncured(coats, strip),
    )

    book.routine(until="2025-10-25")
    visit = book.visit("2025-10-25 14:30")
    visit.prepare(["left wing"])
    coats = visit.preserve(["left wing"])
    visit.wait(CURE)
    treatment = visit.treat(["left wing"])
    flight = book.fly(coats[-1].finished_at + hours(24.5), 1.8)
    yield near_miss(
        "Treated exactly 24 h after the last coat and airborne half an hour later; the clocks "
        "went back in between, so that the hangar clock shows 23 h and 23.5 h.",
        [coats[-1], treatment, flight],
        FLIGHT,
        PRODUCT,
    )

    book.routine(until="2026-03-28")
    visit = book.visit("2026-03-28 14:30")
    visit.prepare(["left wing"])
    coats = visit.preserve(["left wing"])
    visit.wait(hours(23))
    treatment = visit.treat(["left wing"])
    flight = book.fly(coats[-1].finished_at + hours(23.5), 1.8)
    yield fault(
        "Treated and flown when the hangar clock shows 24 h and 24.5 h; the clocks went forward "
        "that night: 23 h and 23.5 h.",
        [coats[-1], treatment, flight],
        covered_uncured(coats, treatment),
        flown_uncured(coats, flight),
    )
    book.routine(until="2026-05-31")
    visit = book.visit("2026-05-31 09:00")
    visit.prepare(["left wing"])
    coats = visit.preserve(["left wing"])[:2]
    del book.tasks[-1]
    yield cannot_tell(
        "The export is made between the second coat and the third.",
        [coats[-1]],
        unsure(COATS, coats[-1], "the job may still be going on"),
    )
    yield cannot_tell(
        "The first two coats still cure as the export is made.",
        [coats[-1]],
        unsure(FLIGHT, coats[-1], "still running at the as-of time"),
        unsure(PRODUCT, coats[-1], "still running at the as-of time"),
    )


def fir(book: Logbook) -> Iterator[Planted]:
    """Black chloroprene at Lerchensund."""
    book.routine(until="2025-07-22")
    visit = book.visit("2025-07-22 14:00")
    visit.prepare(TAILPLANES)
    coats = visit.preserve(TAILPLANES)
    wash = book.visit(coats[-1].finished_at + hours(15.1)).clean()
    yield fault(
        "The whole aircraft is washed next morning under another work order, 15 h 6 min after the"
        " last coat on both tailplanes.",
        [coats[-1], wash],
        covered_uncured(coats, wash),
    )

    book.routine(until="2025-09-11")
    wash = book.visit("2025-09-11 09:00").clean(
        status="void", ppe_worn="", ppe_signed_by="", remarks="void: wash not done, rain"
    )
    yield near_miss("A void record of a wash, without protective equipment.", [wash], PPE)

    book.routine(until="2025-10-25")
    # The clocks go back at 03:00 on 26 October: the third coat is on between 02:00 and 03:00, which
    # come twice.
    visit = book.visit("2025-10-26 00:30")
    visit.prepare(["left wing"])
    visit.resume(book.local("2025-10-26 01:28"))
    night = {"clock_goes_back": True, "signed_at": book.local("2025-10-26 07:30")}
    coats = visit.preserve(["left wing"], **night)
    visit.wait(hours(24.2))
    treatment = visit.treat(["left wing"])
    flight = book.fly(coats[-1].finished_at + hours(24.7), 1.8)
    yield cannot_tell(
        "The last coat ends at 02:12 in the hour that comes twice; treated 24.2 h and flown 24.7 "
        "h later by one reading, 23.2 h and 23.7 h by the other.",
        [coats[-1], treatment, flight],
        unsure("product-before-cure", coats[-1], "ambiguous time"),
        unsure("flight-before-cure", coats[-1], "ambiguous time"),
        unsure(PAUSES, coats[-1], "ambiguous time"),
    )

    book.routine(until="2025-12-09")
    visit = book.visit("2025-12-09 09:00")
    visit.clean()
    treatment = visit.treat()
    veil = visit.protect(["left wing"])
    yield fault(
        "Surface protectant over the fresh ice-adhesion treatment of the left wing.",
        [treatment, veil],
        not_last(treatment, veil),
    )

    book.routine(until="2026-01-13")
    flight = book.first_flight(veil.finished_at)
    yield fault(
        "The left wing flies with the protectant over its treatment.",
        [veil, flight],
        covered_and_flown(veil, flight),
    )
    visit = book.visit("2026-01-13 09:00")
    _, installation = visit.swap("right tailplane", BLACK_CHLOROPRENE)
    old_boots = but("right tailplane")
    visit.treat(old_boots)
    book.fly_on("right tailplane", until_hours=30.0)
    visit = book.visit(book.now + hours(2))
    visit.treat(old_boots)
    book.fly_on("right tailplane", until_hours=50.1)
    late = overdue(book, "right tailplane")
    visit = book.visit(book.now + hours(2))
    visit.clean()
    treatment = visit.treat()
    yield fault(
        "The work cards still name the four old boots: the new right tailplane boot flies 50.1 h "
        "from its installation to its first treatment.",
        [installation, treatment],
        late,
    )

    book.routine(until="2026-05-12")
    visit = book.visit("2026-05-12 09:00")
    visit.prepare(["left wing"])
    coats = visit.preserve(["left wing"])
    again = replace(coats[-1], finished_at=coats[-1].finished_at + hours(0.5))
    book.enter(again)
    flight = book.fly(coats[-1].finished_at + CURE, 1.8)
    yield cannot_tell(
        "The third coat is exported twice, the second time ending half an hour later: flown 24 h after the one end, "
        "23 h 30 min after the other.",
        [coats[-2], coats[-1], flight],
        unsure(FLIGHT, coats[-2], "a row in quarantine"),
        unsure(COATS, coats[-2], "a row in quarantine"),
        unsure(PAUSES, coats[-1], "a row in quarantine"),
    )
    yield reject(
        "Neither end of that coat can be believed.",
        [coats[-1], again],
        "task_id",
        "duplicate key",
    )

    book.routine(until="2026-05-19")
    visit = book.visit("2026-05-19 09:00")
    visit.prepare(["left wing"])
    coats = visit.preserve(["left wing"])
    drier = replace(coats[-1], humidity_pct="40")
    book.enter(drier)
    flight = book.fly(coats[-1].finished_at + CURE, 1.8)
    yield near_miss(
        "A third coat is exported twice, with another humidity: no rule asks for it, three coats waited for 24 h.",
        [coats[-1], flight],
        FLIGHT,
        PRODUCT,
        COATS,
        PAUSES,
    )
    yield reject("The second row of that coat.", [drier], "task_id", "duplicate key")
    yield reject(
        "The first row of that coat, which stays without its humidity.",
        [coats[-1]],
        "humidity_pct",
        "said otherwise under the same key",
    )
    book.routine(until=END)


def hazel(book: Logbook) -> Iterator[Planted]:
    """Black polyurethane at Lerchensund."""
    book.routine(until="2025-06-26")
    visit = book.visit("2025-06-26 08:00")
    nameless = visit.step(TREAT, ["left wing"], product="", lot="")
    visit.wait(hours(2))
    wash = visit.clean(["left wing"])
    flight = book.fly(nameless.finished_at + hours(9), 1.8)
    yield cannot_tell(
        "An application that doesn't say of what, on a polyurethane boot, washed 2 h and flown 9 h later.",
        [nameless, wash, flight],
        of_unknown_class(nameless),
    )

    book.routine(until="2025-07-30")
    visit = book.visit("2025-07-30 10:00")
    wipe = visit.step(WIPE_OFF, ["right wing"])
    yield near_miss(
        "Preservative named on a polyurethane boot, but what was done is wiping overspray off: nothing was applied.",
        [wipe],
        MATERIAL,
    )

    book.routine(until="2025-08-20")
    visit = book.visit("2025-08-20 10:00")
    wash = visit.clean(ppe_worn="chemical-gloves; respirator; eye-protection")
    look = visit.inspect()
    yield near_miss(
        "More protective equipment than required, in another order; an inspection without product and without any.",
        [wash, look],
        PPE,
        "ppe-short-of-hazards",
    )

    book.routine(until="2025-11-12")
    book.fly_on("fin", until_hours=44.0)
    since = book.last_treatment("fin")
    visit = book.visit(book.now + hours(2))
    visit.clean(but("fin"))
    without_fin = visit.treat(but("fin"))
    book.fly_on("fin", until_hours=71.8)
    late = overdue(book, "fin")
    visit = book.visit(book.now + hours(2))
    visit.clean()
    visit.treat()
    yield fault(
        "The platform doesn't reach the fin and nobody comes back for it: 71.8 h between its treatments.",
        [since, without_fin],
        late,
    )

    book.routine(until="2026-02-17")
    visit = book.visit("2026-02-17 09:00")
    strip = visit.prepare(["fin"])
    treatment = visit.treat(["fin"])
    gloss = visit.gloss(["fin"])
    yield fault(
        "Two coats of gloss over the ice-adhesion treatment of the fin: one finding, at the second coat.",
        [treatment, *gloss],
        not_last(treatment, gloss[-1]),
    )
    yield fault(
        "The fin was stripped before, but is not bare any more when the gloss goes on.",
        [strip, treatment, *gloss],
        unprepared("gloss-over-unstripped", gloss[0], strip),
    )

    book.routine(until="2026-03-10")
    flight = book.first_flight(gloss[-1].finished_at)
    yield fault(
        "The fin flies with the gloss over its treatment.",
        [*gloss, flight],
        covered_and_flown(gloss[-1], flight),
    )
    visit = book.visit("2026-03-10 09:00")
    visit.clean()
    first = visit.treat()
    veil = visit.protect(WINGS)
    second = visit.treat()
    yield near_miss(
        "Protectant over the treatment, noticed, and the treatment done again under the same work order: it is last.",
        [first, veil, second],
        LAST,
    )

    book.routine(until="2026-03-28")
    visit = book.visit("2026-03-29 03:10")
    look = visit.inspect(miswritten={"started_at": "2026-03-29T02:30", "finished_at": "2026-03-29T03:40"})
    yield reject(
        "A start at 02:30 on the night when the clocks jump from 02:00 to 03:00.",
        [look],
        "started_at",
        "impossible wall-clock time",
    )
    book.routine(until=END)


def ivy(book: Logbook) -> Iterator[Planted]:
    """Black chloroprene at Lerchensund; one boot after the other is replaced by polyurethane."""
    book.routine(until="2025-07-15")
    _, installation = book.visit("2025-07-15 09:00").swap("right wing", BLACK_POLYURETHANE)
    book.routine(until="2025-08-20")
    visit = book.visit("2025-08-20 09:00")
    visit.prepare(WINGS)
    record = visit.preserve_in_one_record(WINGS)
    yield fault(
        "Preservative on both wings as in the years before; the right one has been polyurethane since July.",
        [installation, record],
        wrong_boot(record, failing=["right wing"]),
    )
    yield cannot_tell(NO_PAUSES, [record], pauses_unknown(record))

    book.routine(until="2025-09-10")
    visit = book.visit("2025-09-10 14:00")
    visit.prepare(["fin"])
    coats = visit.preserve(["fin"])
    flight = book.fly(coats[-1].finished_at + hours(18.8), 1.8)
    removal, _ = book.visit(flight.landing_at + hours(1)).swap("fin", BLACK_CHLOROPRENE)
    yield fault(
        "Flown 18 h 48 min after the last coat; that the boot was swapped out after the flight changes nothing.",
        [coats[-1], flight, removal],
        flown_uncured(coats, flight),
    )

    book.routine(until="2025-09-23")
    visit = book.visit("2025-09-23 08:00")
    visit.prepare(["left tailplane"])
    coats = visit.preserve(["left tailplane"])
    removal, installation = book.visit("2025-09-24 12:00").swap("left tailplane", BLACK_POLYURETHANE)
    yield near_miss(
        "Preservative on a chloroprene boot that is replaced by a polyurethane one the day after.",
        [*coats, removal, installation],
        MATERIAL,
    )

    book.routine(until="2025-11-18")
    visit = book.visit("2025-11-18 09:00")
    wash = visit.clean(ppe_signed_by="")
    visit.treat()
    yield fault(
        "Protective equipment entered for a wash of the whole aircraft, but signed by nobody.",
        [wash],
        broken(PPE, wash),
    )

    book.routine(until="2026-01-14")
    yield reject(
        "A year with a zero where the two should be.",
        [book.visit("2026-01-14 16:00").inspect(miswritten={"started_at": "0206-01-14T16:00"})],
        "started_at",
        "implausible time",
    )
    book.routine(until="2026-02-24")
    visit = book.visit(book.now + hours(14))
    visit.clean()
    since = visit.treat()
    book.fly_on("left tailplane", until_hours=30.0)
    visit = book.visit(book.now + hours(2))
    visit.clean(but("left tailplane"))
    treatment = visit.treat(but("left tailplane"))
    exchanged = visit.exchange("left tailplane", "right tailplane")
    book.fly_on("right tailplane", until_hours=50.6)
    late = overdue(book, "right tailplane")
    yield fault(
        "The tailplane boots change places when all but the left one are treated: 30.0 h at the left and 20.6 h at the "
        "right since its treatment. The hours go with the boot.",
        [since, exchanged[1]],
        late,
    )
    yield near_miss(
        "The other boot was treated before it went to the left, where 50.6 h were flown since a treatment there.",
        [treatment, exchanged[0]],
        OVERDUE,
    )
    visit = book.visit(book.now + hours(2))
    visit.clean()
    visit.treat()

    book.routine(until="2026-05-30")
    visit = book.visit("2026-05-30 15:14")
    visit.prepare(["left wing"])
    coats = visit.preserve(["left wing"])
    yield near_miss(
        "The last coat is finished exactly 24 h before the as-of time, and not flown since: wait and job are over.",
        [coats[-1]],
        FLIGHT,
        PRODUCT,
        COATS,
    )


def juniper(book: Logbook) -> Iterator[Planted]:
    """Black chloroprene at Pipewren; at Petrelspool the clocks change by half an hour."""
    book.routine(until="2025-06-23")
    _, installation = book.visit("2025-06-23 09:00").swap("fin", BLACK_POLYURETHANE)
    book.routine(until="2025-07-08")
    visit = book.visit("2025-07-08 09:00")
    visit.prepare()
    coats = visit.preserve(ALL)
    yield fault(
        "Preservative on all boots, with a polyurethane spare on the fin: three records, each naming the fin.",
        [installation, *coats],
        wrong_boot(*coats, failing=["fin"]),
    )
    book.routine(until="2025-07-21")
    book.visit("2025-07-21 09:00").swap("fin", BLACK_CHLOROPRENE)

    book.routine(until="2025-08-06")
    book.visit("2025-08-06 09:00").swap("left wing", BLACK_CHLOROPRENE, installation_recorded_late=hours(7 * 24))
    visit = book.visit("2025-08-07 09:00")
    strip = visit.prepare(["left wing"])
    record = visit.preserve_in_one_record(["left wing"])
    yield cannot_tell(
        "The component history dates an installation a week late: no boot is known where the preservative went.",
        [strip, record],
        unsure("preservative-on-wrong-material", record, "no boot known at that time"),
        unsure("recorded-material-differs", strip, "no boot known at that time"),
        unsure("recorded-material-differs", record, "no boot known at that time"),
        unsure("component-serial-differs", strip, "no boot known at that time"),
        unsure("component-serial-differs", record, "no boot known at that time"),
    )
    yield cannot_tell(NO_PAUSES, [record], pauses_unknown(record))

    book.routine(until="2025-09-27")
    visit = book.visit("2025-09-27 09:30")
    visit.prepare(["right wing"])
    coats = visit.preserve(["right wing"])
    flight = book.fly(coats[-1].finished_at + CURE, 2.4)
    yield near_miss(
        "Takeoff exactly 24 h after the last coat; the clocks went forward that night, so that "
        "the hangar clock shows 25 h.",
        [coats[-1], flight],
        FLIGHT,
    )

    book.routine(until="2025-10-04")
    book.fly(book.local("2025-10-04 10:05"), 1.8, to="Petrelspool")
    visit = book.visit("2025-10-05 02:40")
    look = visit.inspect(miswritten={"started_at": "2025-10-05T02:15", "finished_at": "2025-10-05T02:45"})
    yield reject(
        "A start at 02:15 on the night when the clocks at Petrelspool jump from 02:00 to 02:30.",
        [look],
        "started_at",
        "impossible wall-clock time",
    )
    book.fly(book.local("2025-10-05 11:05"), 1.8, to="Pipewren")

    book.routine(until="2026-04-03")
    book.fly(book.local("2026-04-03 10:05"), 1.8, to="Petrelspool")
    # The clocks go back from 02:00 to 01:30 on 5 April: the third coat is on in the half hour that
    # comes twice.
    visit = book.visit("2026-04-05 00:10")
    visit.prepare(["fin"])
    visit.resume(book.local("2026-04-05 01:12"))
    night = {"clock_goes_back": True, "signed_at": book.local("2026-04-05 06:30")}
    coats = visit.preserve(["fin"], **night)
    visit.wait(hours(9))
    treatment = visit.treat(["fin"])
    flight = book.fly(coats[-1].finished_at + hours(10.5), 1.8, to="Pipewren")
    yield fault(
        "The last coat ends in the half hour that comes twice; treated 9 h and flown 10.5 h later"
        " by the earlier reading, half an hour less by the later: too early by both. The figures "
        "are those of the earlier reading.",
        [coats[-1], treatment, flight],
        covered_uncured(coats, treatment),
        flown_uncured(coats, flight),
    )
    yield cannot_tell(NIGHT_PAUSE, coats[1:], unsure(PAUSES, coats[2], "ambiguous time"))
    book.routine(until="2026-05-06")
    visit = book.visit("2026-05-14 09:00")
    visit.prepare(["left wing"])
    coats = visit.preserve(["left wing"])
    book.unlogged(until="2026-05-26")
    yield cannot_tell(
        "Three weeks of the flight log are lost, and the left wing is preserved within them: it never stood so long.",
        [coats[0], coats[-1]],
        unsure(FLIGHT, coats[-1], "flights are missing in the log"),
        unsure("surface-prep-missing", coats[0], "flights are missing in the log"),
    )
    lost = [task for task in book.tasks if task.started_at > book.flights[-1].landing_at]
    yield cannot_tell(
        "All that is recorded of those weeks may have been done in the air, or elsewhere, as far as the log tells.",
        lost,
        *(unsure(rule, task, "flights are missing in the log") for task in lost for rule in IN_THE_AIR),
    )
    book.routine(until=END)


def larch(book: Logbook) -> Iterator[Planted]:
    """Black chloroprene at Pipewren."""
    book.routine(until="2025-07-08")
    old = book.fitted["left tailplane"]
    removal, installation = book.visit("2025-07-08 09:00").swap(
        "left tailplane", BLACK_CHLOROPRENE, removal_recorded_late=hours(14 * 24)
    )
    yield fault(
        "The component history removes the old boot two weeks late, with the new one there already.",
        [removal, installation],
        two_boots(old, book.fitted["left tailplane"]),
    )
    visit = book.visit("2025-07-10 09:00")
    strip = visit.prepare(["left tailplane"])
    record = visit.preserve_in_one_record(["left tailplane"])
    yield cannot_tell(
        "The component history removes the old boot two weeks late: two boots are recorded where "
        "the preservative went.",
        [strip, record],
        unsure("preservative-on-wrong-material", record, "two boots recorded at that position"),
        unsure("recorded-material-differs", strip, "two boots recorded at that position"),
        unsure("recorded-material-differs", record, "two boots recorded at that position"),
        unsure("surface-prep-missing", record, "two boots recorded at that position"),
        unsure("component-serial-differs", strip, "two boots recorded at that position"),
        unsure("component-serial-differs", record, "two boots recorded at that position"),
    )
    yield cannot_tell(NO_PAUSES, [record], pauses_unknown(record))

    book.routine(until="2025-07-29")
    mistyped = book.fly(book.local("2025-07-29 10:00"), 1.8, landing_at="2025-07-28T20:48")
    yield reject("A flight that lands before it takes off.", [mistyped], "landing_at", "landing before takeoff")

    book.routine(until="2025-08-19")
    following = book.flights[book.flights.index(mistyped) + 1]
    yield cannot_tell(
        "The flight after that one: when the aircraft had landed isn't known.",
        [following],
        unsure_flight("flights-overlap", following, "a row in quarantine"),
    )
    visit = book.visit("2025-08-19 09:00")
    visit.prepare()
    coats = visit.preserve(ALL)
    flight = book.fly(coats[-1].finished_at + hours(20.4), 1.2)
    second_flight = book.fly(coats[-1].finished_at + hours(22.5), 1.8)
    yield fault(
        "All five boots preserved, two takeoffs next morning: one finding a boot, at the first takeoff.",
        [coats[-1], flight, second_flight],
        flown_uncured(coats, flight),
    )

    book.routine(until="2025-09-22")
    visit = book.visit("2025-09-22 09:00")
    treatment = visit.treat(WINGS)
    veil = visit.protect()
    yield fault(
        "Protectant on all boots after the ice-adhesion treatment of the wings: a finding for "
        "each wing, none for the rest.",
        [treatment, veil],
        not_last(treatment, veil),
    )

    book.routine(until="2025-12-03")
    book.fly_on("fin", until_hours=42.0)
    since = book.last_treatment("left tailplane")
    visit = book.visit(book.now + hours(2))
    wash = visit.clean()
    visit.treat(but(*TAILPLANES))
    void = visit.treat(TAILPLANES, status="void", remarks="void: product ran out, tailplanes not done")
    book.fly_on("left tailplane", until_hours=66.6)
    flight = book.first_flight(void.finished_at)
    late = overdue(book, *TAILPLANES)
    visit = book.visit(book.now + hours(2))
    visit.clean()
    visit.treat()
    yield fault(
        "The treatment of both tailplanes is void and not repeated: 66.6 h between those that count, and flown with "
        "nothing over the wash.",
        [since, wash, void, flight],
        late,
        covered_and_flown(wash, flight, *TAILPLANES),
    )

    book.routine(until="2026-05-19")
    treatment = book.visit("2026-05-19 09:00").treat(["fin"])
    visit = book.visit("2026-05-19 13:00")
    veil = visit.protect(["fin"])
    remark = "void: entered by mistake"
    visit = book.visit("2026-05-19 15:00")
    treated = visit.treat(["left wing"])
    void_veil = visit.protect(["left wing"], status="void", remarks=remark)
    yield near_miss(
        "In May, protectant over a treatment under another work order; and a void one under the same.",
        [treatment, veil, treated, void_veil],
        LAST,
    )
    book.routine(until=END)


def maple(book: Logbook) -> Iterator[Planted]:
    """Polyurethane with silver finish at Pipewren, one boot without a finish in its history."""
    book.routine(until="2025-07-17")
    visit = book.visit("2025-07-17 09:00")
    strip = visit.prepare(TAILPLANES, ppe_worn="eye-protection; work-gloves")
    visit.protect(TAILPLANES)
    yield fault("Surface prep with gloves that don't keep solvents out.", [strip], unprotected(strip))

    book.routine(until="2025-09-04")
    visit = book.visit("2025-09-04 09:00")
    visit.prepare(["right wing"])
    record = visit.preserve_in_one_record(["right wing"])
    yield fault(
        "Preservative on a polyurethane boot of unknown finish: the material alone decides.",
        [record],
        wrong_boot(record, failing=["right wing"]),
    )
    yield cannot_tell(NO_PAUSES, [record], pauses_unknown(record))

    book.routine(until="2025-09-16")
    void = book.visit("2025-09-16 09:00").preserve_in_one_record(
        WINGS, status="void", remarks="void: entered against the wrong aircraft"
    )
    yield near_miss("A void record of preservative on polyurethane.", [void], MATERIAL)

    book.routine(until="2025-10-21")
    yield reject(
        "A temperature with its unit in the cell.",
        [book.visit("2025-10-21 16:00").inspect(miswritten={"ambient_c": "18 C"})],
        "ambient_c",
        "not a number",
    )

    book.routine(until="2025-11-11")
    visit = book.visit("2025-11-11 09:00")
    treatment = visit.treat()
    wash = visit.clean(["right tailplane"])
    yield fault(
        "A boot washed again after its ice-adhesion treatment, to get rid of a fingerprint.",
        [treatment, wash],
        not_last(treatment, wash),
    )

    book.routine(until="2026-01-12")
    flight = book.first_flight(wash.finished_at)
    yield fault(
        "The right tailplane flies as it was washed, its treatment gone.",
        [wash, flight],
        covered_and_flown(wash, flight),
    )
    book.fly_on("left wing", until_hours=38.0)
    since = book.last_treatment("left wing")
    visit = book.visit(book.now + hours(2))
    _, installation = visit.swap("left wing", BLACK_POLYURETHANE)
    visit.treat(but("left wing"))
    book.fly_on("left wing", until_hours=31.0)
    visit = book.visit(book.now + hours(2))
    visit.clean()
    treatment = visit.treat()
    yield near_miss(
        "69 h between two treatments at the left wing, but 38 h on the old boot and 31 h on its successor.",
        [since, installation, treatment],
        OVERDUE,
    )
    book.routine(until=END)


def rowan(book: Logbook) -> Iterator[Planted]:
    """Black chloroprene at Pipewren, one boot without a finish in its history."""
    book.routine(until="2025-07-16")
    visit = book.visit("2025-07-16 09:00")
    visit.prepare(["left tailplane"])
    record = visit.preserve_in_one_record(["left tailplane"])
    yield cannot_tell(
        "Preservative on a chloroprene boot of unknown finish: right if black, wrong if silver.",
        [record],
        unsure("preservative-on-wrong-material", record, "value missing"),
    )
    yield cannot_tell(NO_PAUSES, [record], pauses_unknown(record))

    book.routine(until="2025-09-27")
    visit = book.visit("2025-09-27 09:30")
    visit.prepare(["right wing"])
    coats = visit.preserve(["right wing"])
    visit.wait(hours(23.5))
    gloss = visit.gloss(["right wing"])
    yield fault(
        "Gloss when the hangar clock shows 24.5 h; the clocks went forward that night: 23 h 30 min.",
        [coats[-1], gloss[0]],
        covered_uncured(coats, gloss[0]),
    )

    book.routine(until="2026-02-12")
    visit = book.visit("2026-02-12 09:00")
    treatment = visit.treat(["left wing"])
    veil = visit.protect(
        ["left wing"],
        performed_by=RELIEF_TECHNICIAN,
        ppe_signed_by=RELIEF_TECHNICIAN,
        started_at=treatment.started_at,
        finished_at=treatment.finished_at,
    )
    yield cannot_tell(
        "Treatment and protectant on the same boot with the same start: which was last, the records don't say.",
        [treatment, veil],
        unsure("ice-adhesion-treatment-not-last", veil, "which came first is not known"),
        unsure(COVERED, veil, "which came first is not known"),
    )

    book.routine(until="2026-03-04")
    visit = book.visit("2026-03-04 09:00")
    patch = visit.step(REPAIR, ["fin"], ppe_worn="eye-protection")
    visit.treat(["fin"])
    yield fault("A repair that uses surface prep, without gloves.", [patch], unprotected(patch))

    book.routine(until="2026-03-16")
    visit = book.visit("2026-03-16 09:00")
    visit.clean()
    since = visit.treat()
    book.fly_on("fin", until_hours=30.0)
    visit = book.visit(book.now + hours(2))
    visit.clean(but("fin"))
    visit.treat(but("fin"))
    book.fly_on("fin", until_hours=49.4)
    flight = book.fly(book.local("2026-05-01 08:00"), 1.2)
    yield fault(
        "49.4 h on the fin since its treatment, then 1.2 h more on the morning of 1 May by the "
        "local clock: still 30 April UTC, in season.",
        [since, flight],
        overdue(book, "fin"),
    )
    book.routine(until="2026-05-06")
    visit = book.visit("2026-05-08 09:00")
    visit.prepare(["left wing"])
    coats = visit.preserve(["left wing"])
    book.unlogged(until="2026-05-13")
    yield near_miss(
        "Parked for not quite two weeks, in which the left wing is preserved: the flight log has no gap.",
        [coats[-1]],
        FLIGHT,
    )
    book.routine(until=END)


STORY: Mapping[str, Callable[[Logbook], Iterator[Planted]]] = {
    "TARN-ALDER": alder,
    "TARN-BIRCH": birch,
    "TARN-CEDAR": cedar,
    "TARN-DOGWOOD": dogwood,
    "TARN-ELDER": elder,
    "TARN-FIR": fir,
    "TARN-HAZEL": hazel,
    "TARN-IVY": ivy,
    "TARN-JUNIPER": juniper,
    "TARN-LARCH": larch,
    "TARN-MAPLE": maple,
    "TARN-ROWAN": rowan,
    "TARN-SPRUCE": spruce,
    "TARN-WILLOW": willow,
    "TARN-YEW": yew,
}
