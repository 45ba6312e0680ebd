"""TARN-SPRUCE: how products are put on, step by step, and what goes wrong in it.

Told as the other years are (see `story`).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from sample_records.expected import (
    Planted,
    badly_spaced,
    broken,
    cannot_tell,
    fault,
    miscounted,
    near_miss,
    never_treated,
    unprepared,
    unsure,
)
from sample_records.logbook import ALL, Logbook, hours
from sample_records.reference import (
    APPLY_GLOSS,
    BLACK_CHLOROPRENE,
    BLACK_POLYURETHANE,
    CLEAN,
    END,
    IDENTIFIED,
    POLISH_UP,
    POSITIONS,
    PREPARE,
    PRESERVE,
    WINGS,
)

BUT_FIN = tuple(position for position in POSITIONS if position != "fin")


def spruce(book: Logbook) -> Iterator[Planted]:
    """Black chloroprene at Lerchensund."""
    yield from _products(book)
    yield from _preparation(book)
    yield from _coats(book)
    yield from _over_what(book)
    yield from _in_season(book)
    book.routine(until=END)


def _products(book: Logbook) -> Iterator[Planted]:
    """Which product, on which material."""
    book.routine(until="2025-06-17")
    visit = book.visit("2025-06-17 09:00")
    polish = visit.step(POLISH_UP, ["fin"])
    yield fault(
        "The fin is polished with something that nobody approved for boots.",
        [polish],
        broken("product-not-approved", polish),
    )
    yield cannot_tell(
        "Nor does the list of products say how it can do harm.",
        [polish],
        unsure("ppe-short-of-hazards", polish, "value missing"),
    )
    stopped = visit.step(POLISH_UP, ["left wing"], status="open", remarks="stopped: not for boots")
    yield near_miss(
        "The same polish on the left wing, begun and stopped: an open record is not work done.",
        [stopped],
        "product-not-approved",
    )

    book.routine(until="2025-06-24")
    visit = book.visit("2025-06-24 09:00")
    unread = visit.protect(["fin"], steps_signed="surroundings-masked; shaken")
    yield fault(
        "Protectant, and nobody signed for having read the brand marking.",
        [unread],
        broken("material-not-identified", unread),
    )
    unmasked = visit.protect(["left wing"], steps_signed="material-identified; shaken")
    yield fault(
        "Protectant, and nobody signed for having masked the surroundings.",
        [unmasked],
        broken("surroundings-not-masked", unmasked),
    )
    wash = visit.clean(["right wing"], steps_signed="shaken; rinsed; dried")
    yield near_miss(
        "A wash needs neither the brand marking nor masking: nothing is applied.",
        [wash],
        "material-not-identified",
        "surroundings-not-masked",
    )
    unshaken = visit.protect(["right wing"], steps_signed=IDENTIFIED)
    yield fault("Protectant that nobody shook.", [unshaken], broken("product-not-shaken", unshaken))

    book.routine(until="2025-07-08")
    visit = book.visit("2025-07-08 09:00")
    _, installation = visit.swap("fin", BLACK_POLYURETHANE)
    fresh = visit.protect(["fin"])
    yield near_miss(
        "Polyurethane recorded for the fin, on the day on which a polyurethane spare was fitted there.",
        [installation, fresh],
        "recorded-material-differs",
    )
    misread = visit.protect(["left wing"], material_recorded="polyurethane")
    yield fault(
        "Polyurethane recorded for the left wing, too, which is chloroprene.",
        [misread],
        broken("recorded-material-differs", misread),
    )
    book.routine(until="2025-07-15")
    book.visit("2025-07-15 09:00").swap("fin", BLACK_CHLOROPRENE)


def _preparation(book: Logbook) -> Iterator[Planted]:
    """Stripping, rinsing, drying and soaking."""
    book.routine(until="2025-07-22")
    visit = book.visit("2025-07-22 09:00")
    wet = visit.prepare(["left tailplane"], steps_signed=f"{IDENTIFIED}; stripped; rinsed")
    yield fault("Stripped and rinsed, and nobody dried it.", [wet], broken("prep-not-rinsed-and-dried", wet))
    dry = visit.prepare(["right tailplane"], steps_signed=f"dried; stripped; rinsed; {IDENTIFIED}")
    yield near_miss("The same steps signed off in another order.", [dry], "prep-not-rinsed-and-dried")

    book.routine(until="2025-07-29")
    visit = book.visit("2025-07-29 09:00")
    build_up = f"{PREPARE.steps_signed}; heavy-build-up"
    untimed = visit.prepare(["left wing"], steps_signed=build_up)
    soaked = f"{build_up}; build-up-soak-timed"
    hasty = visit.step(replace(PREPARE, minutes=4), ["right wing"], steps_signed=soaked)
    yield fault(
        "Heavy build-up on both wings: the left one without a timed soak, the right one done in 4 minutes.",
        [untimed, hasty],
        broken("build-up-soak-not-timed", untimed),
        broken("build-up-soak-not-timed", hasty),
    )
    again = visit.step(replace(PREPARE, minutes=5), ["right wing"], steps_signed=soaked)
    yield near_miss("Done again in exactly 5 minutes.", [again], "build-up-soak-not-timed")

    book.routine(until="2025-08-05")
    visit = book.visit("2025-08-05 09:00")
    left = visit.clean(["fin"], steps_signed=f"{CLEAN.steps_signed}; left-to-soak")
    yield fault(
        "Cleaner left to soak on the fin, and nobody timed it.",
        [left],
        broken("cleaner-soak-not-timed", left),
    )
    timed = visit.clean(["left wing"], steps_signed=f"{CLEAN.steps_signed}; left-to-soak; cleaner-soak-timed")
    yield near_miss("On the left wing the soak is signed off.", [timed], "cleaner-soak-not-timed")


def _coats(book: Logbook) -> Iterator[Planted]:
    """How many coats, and how long between them."""
    book.routine(until="2025-08-12")
    visit = book.visit("2025-08-12 08:00")
    visit.prepare(WINGS)
    two = visit.coats(PRESERVE, (7,), ["left wing"])
    yield fault("Two coats of preservative.", two, miscounted("preservative-coats-wrong", two, 3))
    hurried = visit.coats(PRESERVE, (4, 10), ["right wing"])
    yield fault(
        "The second coat of preservative 4 minutes after the first; the third after exactly 10.",
        hurried,
        badly_spaced("preservative-coats-badly-spaced", hurried[0], hurried[1], 5),
    )
    visit.prepare(["left tailplane", "right tailplane"])
    three = visit.coats(PRESERVE, (5, 10), ["left tailplane"])
    yield near_miss(
        "Three coats of preservative, after exactly 5 and exactly 10 minutes.",
        three,
        "preservative-coats-wrong",
        "preservative-coats-badly-spaced",
    )
    unnumbered = visit.coats(PRESERVE, (6, 6), ["right tailplane"], coat="")
    yield cannot_tell(
        "Three records of preservative without coat numbers: there may have been more.",
        unnumbered,
        unsure("preservative-coats-wrong", unnumbered[-1], "value missing"),
    )

    book.routine(until="2025-08-26")
    visit = book.visit("2025-08-26 09:00")
    once = visit.coats(APPLY_GLOSS, (), ["left wing"])
    yield fault("One coat of gloss.", once, miscounted("gloss-coats-wrong", once, 2))
    yield near_miss(
        "Gloss over preservative that has flown for two weeks; gloss needs no shaking.",
        once,
        "gloss-over-unstripped",
        "product-not-shaken",
    )
    slow = visit.coats(APPLY_GLOSS, (15, 16), ["right wing"])
    yield fault(
        "Three coats of gloss, the second after exactly 15 minutes, the third after 16.",
        slow,
        badly_spaced("gloss-coats-badly-spaced", slow[1], slow[2], 15),
    )
    even = visit.coats(APPLY_GLOSS, (5, 15), ["left tailplane"])
    yield near_miss(
        "Three coats of gloss, after exactly 5 and exactly 15 minutes.",
        even,
        "gloss-coats-wrong",
        "gloss-coats-badly-spaced",
    )


def _over_what(book: Logbook) -> Iterator[Planted]:
    """What was on the boot before."""
    preserved = next(
        task
        for task in reversed(book.tasks)
        if task.positions == ("left wing",) and task.description == PRESERVE.description
    )
    book.routine(until="2025-09-09")
    visit = book.visit("2025-09-09 08:00")
    over_old = visit.gloss(["left wing"])
    yield fault(
        "Gloss over the gloss and the protectant of the weeks before, without stripping.",
        over_old,
        unprepared("gloss-over-unstripped", over_old[0], preserved),
    )
    stripped = visit.prepare(["right tailplane"])
    flight = book.fly(stripped.finished_at + hours(3), 1.8)
    visit = book.visit(flight.landing_at + hours(1))
    flown = visit.preserve(["right tailplane"])
    yield fault(
        "Stripped, flown, and preserved after the flight.",
        [stripped, flight, flown[0]],
        unprepared("surface-prep-missing", flown[0], stripped),
    )
    bare = visit.preserve(["fin"])
    yield fault(
        "Preservative on the fin, whose boot was never stripped since it was fitted in July.",
        bare,
        unprepared("surface-prep-missing", bare[0], None),
    )
    earlier = visit.prepare(["left tailplane"])
    visit = book.visit(book.now + hours(14))
    wash = visit.clean(["left tailplane"])
    late = visit.preserve(["left tailplane"])
    yield near_miss(
        "Stripped in the evening, washed and preserved next morning under another work order, without a flight.",
        [earlier, wash, late[0]],
        "surface-prep-missing",
    )


def _in_season(book: Logbook) -> Iterator[Planted]:
    """The ice-adhesion treatment."""
    book.routine(until="2025-10-07")
    visit = book.visit("2025-10-07 09:00")
    heavy = visit.treat(["left wing"], steps_signed=IDENTIFIED)
    yield fault(
        "Ice-adhesion treatment, and nobody signed for one light coat.",
        [heavy],
        broken("treatment-not-one-light-coat", heavy),
    )
    void = visit.treat(["right wing"], status="void", steps_signed=IDENTIFIED, remarks="void: entered twice")
    visit.treat(tuple(position for position in POSITIONS if position != "left wing"))
    yield near_miss("A void record without that step.", [void], "treatment-not-one-light-coat")

    book.routine(until="2025-11-18")
    visit = book.visit("2025-11-18 09:00")
    wash = visit.clean(["fin"])
    removal, _ = visit.swap("fin", BLACK_CHLOROPRENE)
    visit.treat(["fin"])
    yield near_miss(
        "A wash over the treatment of the fin; the boot is damaged and replaced before the next flight.",
        [wash, removal],
        "ice-adhesion-treatment-covered",
    )

    book.routine(until="2026-01-13")
    visit = book.visit("2026-01-13 09:00")
    _, installation = visit.swap("fin", BLACK_CHLOROPRENE)
    spare = book.fitted["fin"]
    visit.treat(BUT_FIN)
    book.fly_on("fin", until_hours=28.0)
    visit = book.visit(book.now + hours(2))
    removal, successor = visit.swap("fin", BLACK_CHLOROPRENE)
    treatment = visit.treat()
    yield fault(
        "A spare fin boot is left off the work cards: it flies 28 h and comes off untreated.",
        [installation, removal],
        never_treated(spare, book.first_flight(spare.installed_at)),
    )
    yield near_miss(
        "Its successor is treated on the day on which it is fitted.",
        [successor, treatment],
        "ice-adhesion-treatment-never-done",
    )

    book.routine(until="2026-04-30")
    visit = book.visit("2026-04-30 15:00")
    wash = visit.clean(ALL)
    flight = book.fly(book.local("2026-05-01 09:05"), 1.8)
    yield near_miss(
        "Washed on the last day of the season, and flown on the day after it.",
        [wash, flight],
        "ice-adhesion-treatment-covered",
    )
