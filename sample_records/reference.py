"""Who and what is in the scenario. Every name is invented.

Aircraft marks begin with `Q` and location indicators with `X`: neither series is given out to any
state.
Figures of the trade (coats, pauses, hours) are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Literal
from zoneinfo import ZoneInfo

OPERATOR = "Tarnwhistle Air Survey"
FIRST_DAY = datetime(2025, 6, 1, tzinfo=UTC)
END = "2026-06-01"
"""The local date on which the year is over."""
SEASON = (datetime(2025, 10, 1, tzinfo=UTC), datetime(2026, 5, 1, tzinfo=UTC))
"""The icing season inside the year, half-open: 1 October to 30 April, UTC dates, both included."""

POSITIONS = ("left wing", "right wing", "left tailplane", "right tailplane", "fin")
WINGS = ("left wing", "right wing")
TAILPLANES = ("left tailplane", "right tailplane")


@dataclass(frozen=True)
class Rubber:
    """What a boot is made of; a blank finish is one that the component history doesn't give."""

    material: str
    finish: str
    part_number: str


BLACK_CHLOROPRENE = Rubber("chloroprene", "black", "TB-210")
SILVER_CHLOROPRENE = Rubber("chloroprene", "silver", "TB-215")
CHLOROPRENE_OF_UNKNOWN_FINISH = Rubber("chloroprene", "", "TB-210")
BLACK_POLYURETHANE = Rubber("polyurethane", "black", "TB-340")
SILVER_POLYURETHANE = Rubber("polyurethane", "silver", "TB-345")
POLYURETHANE_OF_UNKNOWN_FINISH = Rubber("polyurethane", "", "TB-340")


@dataclass(frozen=True)
class Station:
    """A base; `writes` is how its shop writes the time of day into task records."""

    station: str
    timezone: str
    icao: str
    writes: Literal["wall clock", "offset", "UTC"]
    certifier: str

    @property
    def zone(self) -> ZoneInfo:
        """The time zone of its wall clock."""
        return ZoneInfo(self.timezone)


STATIONS: Mapping[str, Station] = {
    station.station: station
    for station in (
        Station("Lanternhead", "America/Halifax", "XLHD", "wall clock", "H. Quillabee"),
        Station("Thrushwick", "America/St_Johns", "XTWK", "offset", "D. Mossengale"),
        Station("Lerchensund", "Europe/Berlin", "XLSD", "wall clock", "F. Zwirnbach"),
        Station("Saltcopper", "Africa/Algiers", "XSCR", "UTC", "N. Arrowmint"),
        Station("Pipewren", "Pacific/Auckland", "XPWR", "wall clock", "K. Tussockby"),
        Station("Petrelspool", "Australia/Lord_Howe", "XPLG", "wall clock", "B. Fennelrow"),
    )
}


@dataclass(frozen=True)
class Aircraft:
    """One aircraft, its stations, its technician, and the boots it began the year with."""

    mark: str
    home: str
    away: str
    technician: str
    boots: Mapping[str, Rubber]

    @property
    def code(self) -> str:
        """Three letters that mark its records."""
        return self.mark.removeprefix("TARN-")[:3]


def _all(rubber: Rubber, **other: Rubber) -> dict[str, Rubber]:
    """The same boot at every position, save those named (`left_tailplane=...`)."""
    return {position: other.get(position.replace(" ", "_"), rubber) for position in POSITIONS}


_WEST = ("Lanternhead", "Thrushwick")
_MIDDLE = ("Lerchensund", "Saltcopper")
_SOUTH = ("Pipewren", "Petrelspool")

FLEET = (
    Aircraft("TARN-ALDER", *_WEST, "O. Thackwaithe", _all(BLACK_CHLOROPRENE)),
    Aircraft("TARN-BIRCH", *_WEST, "M. Pennyfeld", _all(BLACK_CHLOROPRENE)),
    Aircraft("TARN-CEDAR", *_WEST, "J. Lowdapple", _all(BLACK_POLYURETHANE)),
    Aircraft("TARN-DOGWOOD", *_WEST, "S. Burrowmere", _all(SILVER_CHLOROPRENE)),
    Aircraft("TARN-ELDER", *_MIDDLE, "L. Kornweider", _all(BLACK_CHLOROPRENE)),
    Aircraft("TARN-FIR", *_MIDDLE, "A. Distelkamm", _all(BLACK_CHLOROPRENE)),
    Aircraft("TARN-HAZEL", *_MIDDLE, "T. Wolkenried", _all(BLACK_POLYURETHANE)),
    Aircraft("TARN-IVY", *_MIDDLE, "E. Sandbirk", _all(BLACK_CHLOROPRENE)),
    Aircraft("TARN-JUNIPER", *_SOUTH, "R. Fernhollow", _all(BLACK_CHLOROPRENE)),
    Aircraft("TARN-LARCH", *_SOUTH, "P. Gorsewater", _all(BLACK_CHLOROPRENE)),
    Aircraft(
        "TARN-MAPLE",
        *_SOUTH,
        "C. Reedmarch",
        _all(SILVER_POLYURETHANE, right_wing=POLYURETHANE_OF_UNKNOWN_FINISH),
    ),
    Aircraft(
        "TARN-ROWAN",
        *_SOUTH,
        "W. Cobblestrand",
        _all(BLACK_CHLOROPRENE, left_tailplane=CHLOROPRENE_OF_UNKNOWN_FINISH),
    ),
    Aircraft("TARN-SPRUCE", *_MIDDLE, "I. Moosbruck", _all(BLACK_CHLOROPRENE)),
    Aircraft("TARN-WILLOW", *_WEST, "U. Marrowby", _all(BLACK_CHLOROPRENE)),
    Aircraft("TARN-YEW", *_WEST, "Y. Tansyfield", _all(BLACK_CHLOROPRENE)),
)

RELIEF_TECHNICIAN = "G. Halfmoor"
LEAVING_CERTIFIER = "V. Latchmere"
APPRENTICE = "E. Quillmead"
"""Certifies at Lanternhead up to 30 September 2025, with two certificates."""


@dataclass(frozen=True)
class Product:
    """A row of the products table."""

    product: str
    product_class: str
    approval: str
    hazard_codes: str


PREP = Product("Tarn Prep", "surface-prep", "TW-APP-01", "H225; H319; H336")
PRESERVATIVE = Product("Tarn Black", "rubber-preservative", "TW-APP-02", "H226; H315")
GLOSS = Product("Tarn Gloss", "gloss-coating", "TW-APP-03", "H226; H317")
PROTECTANT = Product("Tarn Veil", "surface-protectant", "TW-APP-04", "H319")
TREATMENT = Product("Tarn Hoar", "ice-adhesion-treatment", "TW-APP-05", "H225; H319")
CLEANER = Product("Tarn Wash", "cleaner", "TW-APP-06", "H319")
POLISH = Product("Hangar Gleam", "other", "", "")
PRODUCTS = (PREP, PRESERVATIVE, GLOSS, PROTECTANT, TREATMENT, CLEANER, POLISH)
MISSPELT_PRESERVATIVE = "Tarn Blakc"


@dataclass(frozen=True)
class Step:
    """One step of the work as the shop does it when it does it well."""

    action: str
    product: Product | None
    minutes: int
    description: str
    steps_signed: str = ""


IDENTIFIED = "material-identified; surroundings-masked"

INSPECT = Step("inspect", None, 30, "boots looked over, inflation checked")
CLEAN = Step("clean", CLEANER, 35, "boots washed", f"{IDENTIFIED}; shaken; rinsed; dried")
PREPARE = Step("prepare", PREP, 45, "residual coatings stripped", f"{IDENTIFIED}; stripped; rinsed; dried")
PRESERVE = Step("apply", PRESERVATIVE, 10, "rubber preservative, one even coat", IDENTIFIED)
APPLY_GLOSS = Step("apply", GLOSS, 10, "gloss coating, one light coat", IDENTIFIED)
PROTECT = Step("apply", PROTECTANT, 20, "surface protectant", f"{IDENTIFIED}; shaken")
TREAT = Step("apply", TREATMENT, 15, "ice-adhesion treatment, one light coat", f"{IDENTIFIED}; one-light-coat")
POLISH_UP = Step("apply", POLISH, 20, "boot polished", f"{IDENTIFIED}; shaken")
REPAIR = Step("repair", PREP, 40, "scuff patched", f"{IDENTIFIED}; stripped; rinsed; dried")
WIPE_OFF = Step("other", PRESERVATIVE, 15, "preservative overspray wiped off", IDENTIFIED)
REMOVE = Step("remove", None, 60, "boot removed")
INSTALL = Step("install", None, 90, "boot installed")

PRESERVATIVE_COATS = 3
GLOSS_COATS = 2
PAUSE_MINUTES = 7
"""Between coats: inside 5 to 10 minutes for the preservative and 5 to 15 for the gloss."""

PPE_WORN = "eye-protection; chemical-gloves"


@dataclass(frozen=True)
class Lot:
    """A row of the lots table; dates are ISO 8601."""

    lot: str
    product: str
    expires_on: str
    opened_on: str


LOTS = tuple(
    Lot(f"{number}-{half}", product.product, expires_on, opened_on)
    for number, product in enumerate(PRODUCTS, start=401)
    for half, opened_on, expires_on in (
        ("A", "2025-05-20", "2026-01-31"),
        ("B", "2025-12-01", "2026-12-31"),
    )
)


@dataclass(frozen=True)
class Manual:
    """A row of the manuals table; a revision is in force up to the day before `superseded_on`."""

    manual: str
    revision: str
    effective_from: str
    superseded_on: str


MANUALS = (
    Manual("TW-BOOT-CARE", "4", "2024-03-01", "2025-11-15"),
    Manual("TW-BOOT-CARE", "5", "2025-11-15", ""),
)


@dataclass(frozen=True)
class Person:
    """A row of the people table; dates are ISO 8601, the last day included."""

    person: str
    authorisation: str
    valid_from: str
    valid_to: str
    certificate_number: str
    certificate_kind: str


_TECHNICIANS = (*(aircraft.technician for aircraft in FLEET), RELIEF_TECHNICIAN)

# Authorisations are renewed at the new year: each person has two rows.
_RENEWED = tuple(
    Person(person, authorisation, valid_from, valid_to, number, kind)
    for person, authorisation, number, kind in (
        *((name, "boot-care", "", "") for name in _TECHNICIANS),
        *(
            (station.certifier, "certifying-staff", f"TW-C-{number}", "airframe")
            for number, station in enumerate(STATIONS.values(), start=71)
        ),
    )
    for valid_from, valid_to in (("2024-01-01", "2025-12-31"), ("2026-01-01", "2026-12-31"))
)
PEOPLE = (
    *_RENEWED,
    Person(LEAVING_CERTIFIER, "certifying-staff", "2024-01-01", "2025-09-30", "TW-C-79", "airframe"),
    Person(APPRENTICE, "inspect", "2025-01-01", "2026-12-31", "", ""),
    Person(APPRENTICE, "clean", "2025-01-01", "2026-12-31", "", ""),
    Person(LEAVING_CERTIFIER, "boot-inspection", "2025-01-01", "2025-09-30", "TW-C-80", "repairman"),
)

CARE_CALENDAR = (
    ("2025-06-09", "coat"),
    ("2025-07-01", "protect"),
    ("2025-08-01", "protect"),
    ("2025-09-01", "protect"),
    ("2026-05-04", "protect"),
)
"""Care outside the icing season by the calendar: strip and coat once, then wash and protect."""

TREATMENT_LIMIT = 500
"""Tenths of a flight hour between ice-adhesion treatments in the season."""
CALLED_IN_AT = 440
"""Tenths at which the planners call the aircraft in: one long day of flying stays in hand."""

# The flying repeats in rounds of different length: days differ, and chance has no part in it.
FLIGHTS_A_DAY = (1, 0, 1, 0, 0, 2, 0)
FLIGHT_TENTHS = (18, 24, 12, 30, 21)
TAKEOFF_MINUTES = (5, 20, 40)
TRIP_TENTHS = 18
