"""The canonical tables: what an export may hold, column by column.

Everything downstream (parsing, contracts, the columns that rules may name, the documentation) is read from here.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Literal

FIRST_YEAR: Final = 1950
LAST_YEAR: Final = 2099
"""Times outside these years, both included, are misprints."""

EVERY_POSITION: Final = "all"
"""What a record says that was done to every boot installed then."""

Kind = Literal["id", "code", "choice", "codes", "text", "time", "date", "number", "count"]
"""How a cell is read.

id      text, nearly every value different          code    text, few different values
choice  one of a closed list                        codes   several codes in one cell, separated by `;`
text    free text, only read when a rule asks       time    ISO 8601 date and time of day
date    ISO 8601 calendar date                      number  decimal number
count   whole number
"""


@dataclass(frozen=True)
class Column:
    """One column: `needed` cells may not be blank; `choices` is the closed list of a `choice`.

    `words` marks words of the trade, not names: they are the same without case, extra spaces and Unicode form,
    and are read in canonical text (`audit.intake.words`). `blank` is the text that a blank cell means.
    """

    name: str
    kind: Kind
    label: str
    required: bool = False
    choices: tuple[str, ...] = ()
    words: bool = False
    blank: str = ""


@dataclass(frozen=True)
class Table:
    """One canonical table; `key` names the columns that identify a row (a second row of the same key is
    quarantined)."""

    name: str
    key: tuple[str, ...]
    columns: Mapping[str, Column]

    @property
    def required(self) -> tuple[str, ...]:
        """Names of the columns that a row can't do without."""
        return tuple(name for name, column in self.columns.items() if column.required)


def _table(name: str, key: tuple[str, ...], *columns: Column) -> Table:
    return Table(name, key, {column.name: column for column in columns})


ACTIONS = ("clean", "prepare", "apply", "inspect", "repair", "install", "remove", "other")
STATUSES = ("closed", "open", "void")
MATERIALS = ("chloroprene", "polyurethane", "other")
FINISHES = ("black", "silver")
PRODUCT_CLASSES = (
    "surface-prep",
    "rubber-preservative",
    "gloss-coating",
    "surface-protectant",
    "ice-adhesion-treatment",
    "cleaner",
    "other",
)

TASKS = _table(
    "tasks",
    ("task_id",),
    Column("task_id", "id", "task record", required=True),
    Column("work_order", "code", "work order", required=True),
    Column("aircraft", "code", "aircraft", required=True),
    Column("action", "choice", "action", required=True, choices=ACTIONS),
    Column("station", "code", "station", required=True),
    Column("started_at", "time", "start of the work", required=True),
    Column("finished_at", "time", "end of the work", required=True),
    Column("status", "choice", "status", choices=STATUSES, blank="closed"),
    Column("position", "codes", "position"),
    Column("component_serial", "code", "component serial"),
    Column("product", "code", "product"),
    Column("lot", "code", "lot"),
    Column("coat", "count", "coat number"),
    Column("coats", "count", "number of coats"),
    Column("performed_by", "code", "performer"),
    Column("certified_by", "code", "certifier"),
    Column("certificate_number", "code", "certificate number"),
    Column("certificate_kind", "code", "kind of certificate", words=True),
    Column("signed_at", "time", "time of signature"),
    Column("description", "text", "description of the work"),
    Column("manual", "code", "manual"),
    Column("manual_revision", "code", "manual revision"),
    Column("ppe_worn", "codes", "protective equipment worn", words=True),
    Column("ppe_signed_by", "code", "signature for protective equipment"),
    Column("steps_signed", "codes", "steps signed off", words=True),
    Column("material_recorded", "code", "material recorded", words=True),
    Column("ambient_c", "number", "ambient temperature, °C"),
    Column("humidity_pct", "number", "relative humidity, %"),
    Column("remarks", "text", "remarks"),
)

FLIGHTS = _table(
    "flights",
    ("flight_id",),
    Column("flight_id", "id", "flight", required=True),
    Column("aircraft", "code", "aircraft", required=True),
    Column("takeoff_at", "time", "takeoff", required=True),
    Column("landing_at", "time", "landing", required=True),
    Column("origin", "code", "origin"),
    Column("destination", "code", "destination"),
    Column("flight_hours", "number", "flight hours"),
    Column("cycles", "count", "cycles"),
)

COMPONENTS = _table(
    "components",
    ("component_serial", "aircraft", "position", "installed_at"),
    Column("component_serial", "code", "component serial", required=True),
    Column("aircraft", "code", "aircraft", required=True),
    Column("position", "code", "position", required=True),
    Column("material", "choice", "boot material", required=True, choices=MATERIALS),
    Column("finish", "choice", "boot finish", choices=FINISHES),
    Column("installed_at", "time", "installation", required=True),
    Column("removed_at", "time", "removal"),
    Column("part_number", "code", "part number"),
)

PRODUCTS = _table(
    "products",
    ("product",),
    Column("product", "code", "product", required=True),
    Column("product_class", "choice", "product class", required=True, choices=PRODUCT_CLASSES),
    Column("approval", "code", "approval for use on boots"),
    Column("hazard_codes", "codes", "hazard statements"),
)

STATIONS = _table(
    "stations",
    ("station",),
    Column("station", "code", "station", required=True),
    Column("timezone", "code", "time zone", required=True),
    Column("icao", "code", "location indicator"),
)

LOTS = _table(
    "lots",
    ("lot", "product"),
    Column("lot", "code", "lot", required=True),
    Column("product", "code", "product", required=True),
    Column("expires_on", "date", "expiry date of the lot"),
    Column("opened_on", "date", "day the lot was opened"),
)

PEOPLE = _table(
    "people",
    ("person", "authorisation", "valid_from"),
    Column("person", "code", "person", required=True),
    Column("authorisation", "code", "authorisation", required=True, words=True),
    Column("valid_from", "date", "first day of validity", required=True),
    Column("valid_to", "date", "last day of validity"),
    Column("certificate_number", "code", "certificate number"),
    Column("certificate_kind", "code", "kind of certificate", words=True),
)

MANUALS = _table(
    "manuals",
    ("manual", "revision"),
    Column("manual", "code", "manual", required=True),
    Column("revision", "code", "revision", required=True),
    Column("effective_from", "date", "first day in force", required=True),
    Column("superseded_on", "date", "day of supersession"),
)

CORRECTIONS = _table(
    "corrections",
    ("correction_id",),
    Column("correction_id", "id", "correction", required=True),
    Column("task_id", "id", "task record", required=True),
    Column("column", "choice", "column corrected", required=True, choices=tuple(TASKS.columns)[1:]),
    Column("was", "id", "value before the correction"),
    Column("now", "id", "value as corrected"),
    Column("made_by", "code", "maker of the correction", required=True),
    Column("made_at", "time", "time of the correction", required=True),
    Column("signed_by", "code", "signatory of the correction"),
    Column("reason", "text", "reason for the correction"),
)

CORRECTION_STATES: Final = ("in the export", "applied", "does not fit", "not yet")
"""What a correction is to its record: the record has the new value already, it was applied, the record has neither
value, or the correction is of a later time."""

TABLES: Mapping[str, Table] = {
    table.name: table for table in (TASKS, FLIGHTS, COMPONENTS, PRODUCTS, STATIONS, LOTS, PEOPLE, MANUALS, CORRECTIONS)
}
"""Every canonical table, by name. Only `tasks` must be there for an audit to run."""

ALTERATIONS = _table(
    "alterations",
    ("task_id", "what", "column", "first_seen"),
    Column("task_id", "id", "task record", required=True),
    Column("what", "choice", "what happened", required=True, choices=("altered", "vanished", "entered late")),
    Column("column", "code", "column altered"),
    Column("was", "id", "value before"),
    Column("now", "id", "value since"),
    Column("first_seen", "time", "when it was first seen", required=True),
)
"""What a register has seen happen to signed records: a table that no export has."""

READ_BY_RULES: Mapping[str, Table] = {**TABLES, ALTERATIONS.name: ALTERATIONS}
"""Every table that a rule can read."""

SYNONYMS: Mapping[str, Mapping[str, str]] = {
    "material": {"cr": "chloroprene", "au": "polyurethane", "eu": "polyurethane"},
    "material_recorded": {"cr": "chloroprene", "au": "polyurethane", "eu": "polyurethane"},
}
"""Other words for those of a column, in canonical text: the symbols of rubbers in ISO 1629 (chloroprene, polyester
urethane, polyether urethane)."""

NAMES: Mapping[str, tuple[tuple[str, str], ...]] = {
    "aircraft": (("tasks", "aircraft"), ("flights", "aircraft"), ("components", "aircraft")),
    "component_serial": (("tasks", "component_serial"), ("components", "component_serial")),
    "position": (("tasks", "position"), ("components", "position")),
    "person": (
        ("tasks", "performed_by"),
        ("tasks", "certified_by"),
        ("tasks", "ppe_signed_by"),
        ("corrections", "made_by"),
        ("corrections", "signed_by"),
        ("people", "person"),
    ),
    "station": (("tasks", "station"), ("flights", "origin"), ("flights", "destination"), ("stations", "station")),
    "product": (("tasks", "product"), ("lots", "product"), ("products", "product")),
    "lot": (("tasks", "lot"), ("lots", "lot")),
    "manual": (("tasks", "manual"), ("manuals", "manual")),
    "manual_revision": (("tasks", "manual_revision"), ("manuals", "revision")),
}
"""What has a name, and the columns (table, column) that name it."""

PLACES: Mapping[str, tuple[str, ...]] = {
    "tasks": ("station",),
    "flights": ("origin", "destination"),
    "corrections": ("task_id",),
}
"""The columns of a table that name a station, or a record of one, by whose clock a time may be read."""

OWN_PLACE: Mapping[str, str] = {"tasks": "station", "corrections": "task_id"}
"""The one of them by which times without a zone are read; of other tables these are in UTC."""
