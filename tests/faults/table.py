"""The ordinary export faults, and what each does to the outcomes of the clean export."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Final
from zoneinfo import ZoneInfo

from tests.faults.clean_export import IBIS, TEAL, Tables
from tests.faults.edits import (
    EVERY,
    Edit,
    again,
    appended,
    cells,
    swapped,
    without_columns,
    without_rows,
    without_table,
)


@dataclass(frozen=True)
class Fault:
    """One fault: what is done to the export, and what comes of it.

    `changes` is complete: for each change of outcome (`finding to unjudged`, `complies to unjudged`, `nothing to
    finding`, ...) the rules that have it. `told` are parts of what is said of rows, cells and names. `refused` is part
    of the sentence with which the export is refused. `right` says why a change is right that would else be a silent
    pass or a false finding; `known_gap` why one still comes about that is not right.
    """

    id: str
    edits: tuple[Edit, ...]
    changes: Mapping[str, str] = field(default_factory=dict)
    told: tuple[str, ...] = ()
    refused: str = ""
    right: str = ""
    known_gap: str = ""


def _berlin(text: str) -> str:
    """A UTC time as the wall clock at NORTH."""
    return datetime.fromisoformat(text).astimezone(ZoneInfo("Europe/Berlin")).strftime("%Y-%m-%dT%H:%M:%S")


def _bare(text: str) -> str:
    return text.removesuffix("Z")


def _lisbon(text: str) -> str:
    """A UTC time as the wall clock at SOUTH."""
    return datetime.fromisoformat(text).astimezone(ZoneInfo("Europe/Lisbon")).strftime("%Y-%m-%dT%H:%M:%S")


def _offset(text: str) -> str:
    return datetime.fromisoformat(text).astimezone(ZoneInfo("Europe/Berlin")).isoformat()


def _american(text: str) -> str:
    return datetime.fromisoformat(text).strftime("%m/%d/%Y %H:%M")


def _abbreviated(text: str) -> str:
    for name, short in (("left wing", "LW"), ("right wing", "RW"), ("fin", "VF")):
        text = text.replace(name, short)
    return text


def _one_time(tables: Tables) -> None:
    """Only when records were signed off is known: they start as they end."""
    for row in tables["tasks"]:
        row["started_at"] = row["finished_at"]


def _row_by_row(tables: Tables) -> None:
    """A row for each position of a record, with a number of its own."""
    tables["tasks"] = [
        row | {"position": position, "task_id": f"{row['task_id']}-{number}" if number else row["task_id"]}
        for row in tables["tasks"]
        for number, position in enumerate(row["position"].split("; "))
    ]


def _cut_records(tables: Tables) -> None:
    """The records end a month before the flights do."""
    tables["tasks"] = [row for row in tables["tasks"] if row["started_at"] < "2025-11-01"]


def _unfinished_job(tables: Tables) -> None:
    """The export is made between the second and the third coat of a job."""
    for row in [row for row in tables["tasks"] if row["task_id"] in ("T-IBIS-10", "T-IBIS-11", "T-IBIS-12")]:
        tonight = {
            name: row[name].replace("2025-09-10", "2025-11-30") for name in ("started_at", "finished_at", "signed_at")
        }
        tables["tasks"].append(row | tonight | {"task_id": f"{row['task_id']}-N", "work_order": "W-IBIS-11-30"})


def _hours_since_new(tables: Tables) -> None:
    """Running totals in the place of the hours of each flight."""
    for number, row in enumerate(tables["flights"]):
        row["flight_hours"] = f"{1000 + 1.25 * number:.2f}"


MORNING_AFTER: Final = {"flight_id": "F-TEAL-0911A"}
TEAL_COAT: Final = {"task_id": "T-TEAL-13"}
IBIS_COAT: Final = {"task_id": "T-IBIS-12"}
IBIS_COATS: Final = {"task_id": "T-IBIS-1"}
LATE: Final = "2025-11-30T18:00:00Z"
LATER: Final = "2025-11-30T18:30:00Z"
TEAL_BOOT: Final = {"component_serial": "SN-101"}

_SESSIONS: Final = "flight-before-cure product-before-cure surface-prep-missing"
UNSEEN: Final = f"preservative-coats-badly-spaced preservative-coats-wrong {_SESSIONS}"
"""The rules for which a flight between two coats makes two sessions of one."""

FAULTS: Final = (
    # Tables that are missing
    Fault(
        "no flights table",
        (without_table("flights"),),
        changes={
            "complies to unjudged": (
                "flight-before-cure ice-adhesion-treatment-covered "
                "ice-adhesion-treatment-never-done ice-adhesion-treatment-not-last ice-adhesion-treatment-overdue "
                "surface-prep-missing work-while-airborne work-while-elsewhere"
            ),
            "finding to unjudged": ("flight-before-cure ice-adhesion-treatment-covered ice-adhesion-treatment-overdue"),
            "finding to unjudged by another name": "work-while-airborne",
        },
    ),
    Fault(
        "no components table",
        (without_table("components"),),
        changes={
            "complies to unjudged": (
                "component-serial-differs preservative-on-wrong-material recorded-material-differs"
            ),
            "finding to unjudged": "preservative-on-wrong-material",
            "finding to unjudged by another name": "ice-adhesion-treatment-overdue",
        },
    ),
    Fault(
        "no products table",
        (without_table("products"),),
        changes={
            "complies to finding": "ice-adhesion-treatment-overdue",
            "complies to unjudged": (
                "ice-adhesion-treatment-never-done ice-adhesion-treatment-not-last "
                "ice-adhesion-treatment-overdue lot-unknown ppe-short-of-hazards "
                "prep-not-rinsed-and-dried preservative-coats-badly-spaced "
                "preservative-on-wrong-material product-not-approved product-not-shaken "
                "treatment-not-one-light-coat"
            ),
            "finding to nothing": "ice-adhesion-treatment-overdue",
            "finding to unjudged": (
                "ice-adhesion-treatment-not-last preservative-coats-badly-spaced preservative-on-wrong-material"
            ),
            "finding to unjudged by another name": (
                "flight-before-cure ice-adhesion-treatment-covered preservative-coats-wrong"
            ),
            "nothing to unjudged": (
                "ice-adhesion-treatment-not-last preservative-on-wrong-material product-before-cure "
                "product-not-shaken surface-prep-missing treatment-not-one-light-coat"
            ),
        },
        right=("the stretch begins with the season, since no treatment is certain: TARN-TEAL is overdue either way"),
    ),
    Fault(
        "no lots table",
        (without_table("lots"),),
        changes={
            "complies to unjudged": "lot-expired lot-unknown",
            "finding to unjudged": "lot-expired",
            "nothing to unjudged": "lot-used-before-opened",
        },
    ),
    Fault(
        "no people table",
        (without_table("people"),),
        changes={
            "complies to unjudged": "certificate-differs certifier-not-authorised performer-not-authorised",
            "finding to unjudged": "certifier-not-authorised",
            "nothing to unjudged": "certificate-differs performer-not-authorised-for-act",
        },
    ),
    Fault(
        "no manuals table",
        (without_table("manuals"),),
        changes={
            "complies to unjudged": "manual-not-in-force manual-not-listed",
            "finding to unjudged": "manual-not-in-force",
        },
    ),
    Fault("no stations table, times with an offset", (without_table("stations"),)),
    # Columns that are missing, or there and blank
    Fault(
        "column ppe_signed_by not exported",
        (without_columns("tasks", "ppe_signed_by"),),
        changes={"complies to unjudged": "ppe-sign-off-missing", "finding to unjudged": "ppe-sign-off-missing"},
    ),
    Fault(
        "column ppe_worn not exported",
        (without_columns("tasks", "ppe_worn"),),
        changes={"complies to unjudged": "ppe-short-of-hazards ppe-sign-off-missing"},
    ),
    Fault(
        "column ppe_worn there and blank",
        (cells("tasks", EVERY, ppe_worn=""),),
        changes={"complies to finding": "ppe-short-of-hazards ppe-sign-off-missing"},
        right="that nothing was recorded is what the rules find",
    ),
    Fault(
        "column coat not exported",
        (without_columns("tasks", "coat"),),
        changes={"complies to unjudged": "preservative-coats-wrong", "finding to unjudged": "preservative-coats-wrong"},
    ),
    Fault(
        "column product not exported",
        (without_columns("tasks", "product"),),
        changes={
            "complies to finding": "ice-adhesion-treatment-overdue",
            "complies to unjudged": (
                "ice-adhesion-treatment-never-done ice-adhesion-treatment-not-last "
                "ice-adhesion-treatment-overdue lot-expired lot-unknown material-not-identified "
                "ppe-short-of-hazards ppe-sign-off-missing prep-not-rinsed-and-dried "
                "preservative-coats-badly-spaced preservative-on-wrong-material "
                "product-not-approved product-not-shaken surroundings-not-masked "
                "treatment-not-one-light-coat"
            ),
            "finding to nothing": "ice-adhesion-treatment-overdue",
            "finding to unjudged": (
                "ice-adhesion-treatment-not-last lot-expired ppe-sign-off-missing "
                "preservative-coats-badly-spaced preservative-on-wrong-material"
            ),
            "finding to unjudged by another name": (
                "flight-before-cure ice-adhesion-treatment-covered preservative-coats-wrong"
            ),
            "nothing to unjudged": (
                "ice-adhesion-treatment-not-last lot-expired lot-used-before-opened ppe-short-of-hazards "
                "ppe-sign-off-missing preservative-on-wrong-material product-before-cure "
                "product-not-shaken surface-prep-missing treatment-not-one-light-coat"
            ),
        },
        right=("the stretch begins with the season, since no treatment is certain: TARN-TEAL is overdue either way"),
    ),
    Fault(
        "column position not exported",
        (without_columns("tasks", "position"),),
        changes={
            "complies to finding": "ice-adhesion-treatment-overdue",
            "complies to unjudged": (
                "component-serial-differs ice-adhesion-treatment-never-done "
                "ice-adhesion-treatment-overdue preservative-on-wrong-material "
                "recorded-material-differs"
            ),
            "finding to finding by another name": "flight-before-cure preservative-coats-wrong",
            "finding to nothing": "ice-adhesion-treatment-not-last ice-adhesion-treatment-overdue",
            "finding to unjudged": "preservative-on-wrong-material",
            "finding to unjudged by another name": "ice-adhesion-treatment-covered preservative-coats-badly-spaced",
            "nothing to unjudged": (
                "ice-adhesion-treatment-not-last ice-adhesion-treatment-overdue preservative-coats-wrong "
                "surface-prep-missing"
            ),
        },
        right=(
            "the stretch begins with the season, since no treatment is certain: TARN-TEAL is "
            "overdue either way; the other subjects go by the aircraft, which has one of each"
        ),
    ),
    Fault("column status not exported", (without_columns("tasks", "status"),)),
    Fault(
        "column performed_by not exported",
        (without_columns("tasks", "performed_by"),),
        changes={
            "complies to unjudged": (
                "performer-not-authorised performer-not-named person-at-two-aircraft person-at-two-stations"
            ),
            "finding to unjudged by another name": "person-at-two-aircraft person-at-two-stations",
            "nothing to unjudged": "performer-not-authorised-for-act",
        },
    ),
    Fault(
        "column finish not exported",
        (without_columns("components", "finish"),),
        changes={"complies to unjudged": "preservative-on-wrong-material"},
    ),
    Fault("column removed_at not exported", (without_columns("components", "removed_at"),)),
    Fault(
        "column removed_at not exported, a boot changed",
        (
            again(
                "components",
                {"component_serial": "SN-103"},
                component_serial="SN-109",
                installed_at="2025-11-20T07:00:00Z",
            ),
            without_columns("components", "removed_at"),
        ),
        changes={
            "finding to unjudged": "ice-adhesion-treatment-overdue",
            "nothing to unjudged": "ice-adhesion-treatment-never-done two-components-at-one-position",
        },
    ),
    Fault(
        "column expires_on not exported",
        (without_columns("lots", "expires_on"),),
        changes={"complies to unjudged": "lot-expired", "finding to unjudged": "lot-expired"},
    ),
    Fault(
        "column superseded_on not exported",
        (without_columns("manuals", "superseded_on"),),
        changes={"complies to unjudged": "manual-not-in-force", "finding to unjudged": "manual-not-in-force"},
    ),
    Fault(
        "column valid_to not exported",
        (without_columns("people", "valid_to"),),
        changes={
            "complies to unjudged": "certificate-differs certifier-not-authorised performer-not-authorised",
            "finding to unjudged": "certifier-not-authorised",
            "nothing to unjudged": "certificate-differs",
        },
    ),
    Fault(
        "column approval not exported",
        (without_columns("products", "approval"),),
        changes={"complies to unjudged": "product-not-approved"},
    ),
    Fault(
        "columns origin and destination not exported",
        (without_columns("flights", "origin", "destination"),),
        changes={"nothing to unjudged": "work-while-elsewhere"},
    ),
    Fault("column flight_hours not exported", (without_columns("flights", "flight_hours"),)),
    Fault(
        "column takeoff_at not exported",
        (without_columns("flights", "takeoff_at"),),
        refused="flights lacks the required column `takeoff_at`",
    ),
    # Rows that are missing
    Fault(
        "all flights of one aircraft missing",
        (without_rows("flights", {"aircraft": TEAL}),),
        changes={
            "complies to unjudged": (
                "flight-before-cure ice-adhesion-treatment-never-done "
                "ice-adhesion-treatment-overdue surface-prep-missing work-while-airborne "
                "work-while-elsewhere"
            ),
            "finding to unjudged": ("flight-before-cure ice-adhesion-treatment-covered ice-adhesion-treatment-overdue"),
            "finding to unjudged by another name": "work-while-airborne",
        },
    ),
    Fault(
        "flights of one aircraft missing for a month",
        (without_rows("flights", {"flight_id": "F-TEAL-10"}),),
        changes={"complies to unjudged": "ice-adhesion-treatment-overdue work-while-airborne work-while-elsewhere"},
    ),
    Fault(
        "a leg missing: the takeoff during the cure",
        (without_rows("flights", MORNING_AFTER),),
        changes={
            "complies to unjudged": "surface-prep-missing work-while-airborne work-while-elsewhere",
            "finding to unjudged": "flight-before-cure",
            "nothing to unjudged": "work-while-elsewhere",
        },
    ),
    Fault(
        "both legs of a day missing, work at the other station",
        (without_rows("flights", {"flight_id": "F-TEAL-0911"}),),
        changes={
            "complies to unjudged": "surface-prep-missing work-while-airborne work-while-elsewhere",
            "finding to unjudged": "flight-before-cure",
            "nothing to unjudged": "work-while-elsewhere",
        },
    ),
    Fault(
        "out and back missing without a trace",
        (
            without_rows("flights", {"flight_id": "F-TEAL-0911"}),
            without_rows("flights", {"flight_id": "F-TEAL-0912"}),
            without_rows("tasks", {"task_id": "T-TEAL-51"}),
        ),
        changes={"finding to nothing": "person-at-two-stations", "finding to unjudged": "flight-before-cure"},
        known_gap=("days without flights can be told from days on the ground by nothing that is exported"),
        right="the record that showed it is gone with the flights",
    ),
    Fault(
        "a coat missing",
        (without_rows("tasks", IBIS_COAT),),
        changes={
            "complies to finding": "preservative-coats-wrong",
            "nothing to unjudged": "preservative-coats-badly-spaced",
        },
        right="two coats are recorded; that a third was, nothing in the export says",
    ),
    Fault(
        "a boot missing",
        (without_rows("components", TEAL_BOOT),),
        changes={
            "complies to unjudged": (
                "component-serial-differs preservative-on-wrong-material recorded-material-differs"
            ),
            "finding to unjudged by another name": "ice-adhesion-treatment-overdue",
        },
    ),
    Fault(
        "a product missing",
        (without_rows("products", {"product": "Rubber Guard"}),),
        changes={
            "complies to unjudged": (
                "ppe-short-of-hazards preservative-coats-badly-spaced "
                "preservative-on-wrong-material product-not-approved"
            ),
            "finding to unjudged": "preservative-coats-badly-spaced preservative-on-wrong-material",
            "finding to unjudged by another name": "flight-before-cure preservative-coats-wrong",
            "nothing to unjudged": (
                "ice-adhesion-treatment-not-last product-before-cure product-not-shaken "
                "surface-prep-missing treatment-not-one-light-coat"
            ),
        },
    ),
    Fault(
        "a lot missing",
        (without_rows("lots", {"lot": "0072"}),),
        changes={"complies to finding": "lot-unknown"},
        right="the rule asks just this, whether the list has it",
    ),
    Fault(
        "a certifier missing",
        (without_rows("people", {"person": "Cora Vale"}),),
        changes={"complies to finding": "certifier-not-authorised"},
        right="the rule asks just this, whether the list has it",
    ),
    Fault(
        "a manual missing",
        (without_rows("manuals", {"revision": "5"}),),
        changes={"complies to finding": "manual-not-listed"},
        right="the rule asks just this, whether the list has it",
    ),
    Fault(
        "a station missing, times by the wall clock",
        (
            without_rows("stations", {"station": "NORTH"}),
            cells("tasks", TEAL_COAT, started_at=_berlin, finished_at=_berlin),
        ),
        changes={
            "complies to unjudged": (
                "preservative-coats-badly-spaced preservative-coats-wrong product-before-cure surface-prep-missing"
            ),
            "nothing to unjudged": "preservative-coats-badly-spaced work-while-elsewhere",
        },
        told=(
            ("tasks.station NORTH: the stations table has no time zone for it, and times of the row are wall clock"),
        ),
    ),
    Fault(
        "a coat at the other station, the flight there and back missing",
        (cells("tasks", {"task_id": "T-IBIS-13"}, station="SOUTH"),),
        changes={"complies to unjudged": UNSEEN, "nothing to finding": "work-while-elsewhere"},
        right="the record and the log contradict each other, which is what the rule finds",
    ),
    Fault(
        "a flight that can't be read between two coats",
        (
            again(
                "flights",
                {"flight_id": "F-IBIS-0910B"},
                flight_id="F-NEW",
                takeoff_at="2025-09-10T18:29:00Z",
                landing_at="?",
            ),
        ),
        changes={"complies to unjudged": f"{UNSEEN} work-while-airborne work-while-elsewhere"},
    ),
    # Cells that can't be read, or are blank
    Fault(
        "an unreadable landing",
        (cells("flights", MORNING_AFTER, landing_at="09:15?"),),
        changes={
            "complies to unjudged": "surface-prep-missing work-while-airborne work-while-elsewhere",
            "finding to unjudged": "flight-before-cure",
            "nothing to unjudged": "work-while-elsewhere",
        },
        told=("flights.landing_at 09:15?: not a time such as 2025-06-02T09:00Z",),
    ),
    Fault(
        "an unreadable takeoff",
        (cells("flights", MORNING_AFTER, takeoff_at="morning"),),
        changes={
            "complies to unjudged": "flights-overlap surface-prep-missing work-while-airborne work-while-elsewhere",
            "finding to unjudged": "flight-before-cure",
            "nothing to unjudged": "work-while-elsewhere",
        },
        told=("flights.takeoff_at morning: not a time such as 2025-06-02T09:00Z",),
    ),
    Fault(
        "an unreadable humidity",
        (cells("tasks", {"task_id": "T-IBIS-1"}, humidity_pct="45 %"),),
        told=("tasks.humidity_pct 45 %: not a number",),
    ),
    Fault(
        "an unreadable coat number",
        (cells("tasks", IBIS_COAT, coat="second"),),
        changes={"complies to unjudged": "preservative-coats-wrong"},
        told=("tasks.coat second: not a whole number",),
    ),
    Fault(
        "an unreadable end of the last coat",
        (cells("tasks", TEAL_COAT, finished_at="18:44 h"),),
        changes={
            "nothing to unjudged": "preservative-coats-badly-spaced",
            "complies to unjudged": "preservative-coats-wrong product-before-cure",
        },
        told=("tasks.finished_at 18:44 h: not a time such as 2025-06-02T09:00Z",),
    ),
    Fault(
        "a coat without its work order",
        (cells("tasks", IBIS_COAT, work_order=""),),
        changes={
            "complies to unjudged": "preservative-coats-badly-spaced preservative-coats-wrong",
            "nothing to unjudged": "preservative-coats-badly-spaced",
        },
        told=("tasks.work_order : required, but blank",),
    ),
    Fault(
        "a coat without its position and serial",
        (cells("tasks", IBIS_COAT, position="", component_serial=""),),
        changes={
            "complies to unjudged": (
                "preservative-coats-wrong preservative-on-wrong-material recorded-material-differs"
            ),
            "nothing to unjudged": ("preservative-coats-badly-spaced preservative-coats-wrong surface-prep-missing"),
        },
    ),
    Fault(
        "a coat without its product",
        (cells("tasks", IBIS_COAT, product=""),),
        changes={
            "complies to unjudged": (
                "lot-expired preservative-coats-badly-spaced preservative-coats-wrong preservative-on-wrong-material"
            ),
            "nothing to unjudged": (
                "flight-before-cure ice-adhesion-treatment-not-last lot-used-before-opened "
                "preservative-coats-badly-spaced preservative-coats-wrong product-before-cure surface-prep-missing "
                "treatment-not-one-light-coat"
            ),
        },
    ),
    Fault(
        "a status that is none",
        (cells("tasks", IBIS_COAT, status="done"),),
        changes={
            "nothing to unjudged": "preservative-coats-badly-spaced",
            "complies to unjudged": "preservative-coats-badly-spaced preservative-coats-wrong",
        },
        told=("tasks.status done: not one of closed, open, void",),
    ),
    Fault(
        "the second coat still open",
        (cells("tasks", IBIS_COAT, status="open"),),
        changes={
            "complies to unjudged": "preservative-coats-badly-spaced preservative-coats-wrong",
            "nothing to unjudged": "preservative-coats-badly-spaced",
        },
    ),
    Fault(
        "the second coat void",
        (cells("tasks", IBIS_COAT, status="void"),),
        changes={
            "complies to finding": "preservative-coats-wrong",
            "nothing to unjudged": "preservative-coats-badly-spaced",
        },
        right="a void record says that the work was not done: two coats are left",
    ),
    Fault(
        "a boot of unreadable material",
        (cells("components", {"component_serial": "SN-103"}, material="rubber"),),
        changes={
            "complies to unjudged": ("component-serial-differs recorded-material-differs surface-prep-missing"),
            "finding to unjudged": "ice-adhesion-treatment-covered preservative-on-wrong-material",
            "finding to unjudged by another name": "ice-adhesion-treatment-overdue",
        },
        told=(("components.material rubber: not one of chloroprene, polyurethane, other"),),
    ),
    Fault(
        "a boot of unreadable finish",
        (cells("components", {"component_serial": "SN-201"}, finish="shiny"),),
        changes={"complies to unjudged": "preservative-on-wrong-material"},
        told=("components.finish shiny: not one of black, silver",),
    ),
    Fault(
        "an unreadable installation",
        (cells("components", TEAL_BOOT, installed_at="spring"),),
        changes={
            "complies to unjudged": (
                "component-serial-differs preservative-on-wrong-material recorded-material-differs surface-prep-missing"
            ),
            "finding to unjudged": "ice-adhesion-treatment-covered",
            "finding to unjudged by another name": "ice-adhesion-treatment-overdue",
        },
        told=("components.installed_at spring: not a time such as 2025-06-02T09:00Z",),
    ),
    Fault(
        "an unreadable removal",
        (cells("components", TEAL_BOOT, removed_at="?"),),
        changes={
            "complies to unjudged": (
                "component-serial-differs ice-adhesion-treatment-never-done "
                "ice-adhesion-treatment-overdue preservative-on-wrong-material "
                "recorded-material-differs surface-prep-missing"
            ),
            "finding to unjudged": "flight-before-cure ice-adhesion-treatment-covered",
            "finding to unjudged by another name": "ice-adhesion-treatment-overdue",
        },
        told=("components.removed_at ?: not a time such as 2025-06-02T09:00Z",),
    ),
    Fault(
        "an unreadable expiry",
        (cells("lots", {"lot": "0099"}, expires_on="mid 2025"),),
        changes={"finding to unjudged": "lot-expired"},
        told=("lots.expires_on mid 2025: not a date such as 2025-06-02",),
    ),
    Fault(
        "an unreadable product class",
        (cells("products", {"product": "Ice Film"}, product_class="ice"),),
        changes={
            "complies to finding": "ice-adhesion-treatment-overdue",
            "complies to unjudged": (
                "ice-adhesion-treatment-covered ice-adhesion-treatment-never-done "
                "ice-adhesion-treatment-not-last ice-adhesion-treatment-overdue "
                "lot-unknown ppe-short-of-hazards product-not-approved treatment-not-one-light-coat"
            ),
            "finding to nothing": "ice-adhesion-treatment-overdue",
            "finding to unjudged": "ice-adhesion-treatment-covered ice-adhesion-treatment-not-last",
            "nothing to unjudged": (
                "flight-before-cure ice-adhesion-treatment-covered preservative-coats-wrong "
                "preservative-on-wrong-material product-before-cure product-not-shaken "
                "surface-prep-missing"
            ),
        },
        right=("the stretch begins with the season, since no treatment is certain: TARN-TEAL is overdue either way"),
        told=(
            (
                "products.product_class ice: not one of surface-prep, rubber-preservative, "
                "gloss-coating, surface-protectant, ice-adhesion-treatment, cleaner, other"
            ),
        ),
    ),
    Fault(
        "an unreadable signature time",
        (cells("tasks", IBIS_COAT, signed_at="later"),),
        changes={"complies to unjudged": "signature-missing signed-before-finished signed-long-after"},
        told=("tasks.signed_at later: not a time such as 2025-06-02T09:00Z",),
    ),
    # Units
    Fault(
        "one flight with minutes for hours",
        (cells("flights", {"flight_id": "F-IBIS-1010A"}, flight_hours="75"),),
        changes={"complies to unjudged": "ice-adhesion-treatment-overdue"},
    ),
    Fault(
        "one flight of no hours",
        (cells("flights", {"flight_id": "F-IBIS-1010A"}, flight_hours="0"),),
        changes={"complies to unjudged": "ice-adhesion-treatment-overdue"},
    ),
    Fault(
        "all flights with minutes for hours",
        (cells("flights", EVERY, flight_hours="75"),),
        refused="say `unit: minutes` in a mapping",
    ),
    Fault(
        "hours and minutes for hours",
        (cells("flights", EVERY, flight_hours="1.15"),),
        refused="say `unit: hours.minutes` in a mapping",
    ),
    Fault(
        "hours with a decimal comma",
        (cells("flights", EVERY, flight_hours="1,25"),),
        told=("flights.flight_hours 1,25: not a number",),
    ),
    # Zones
    Fault("times with the offset of the station", (cells("tasks", EVERY, started_at=_offset, finished_at=_offset),)),
    Fault(
        "wall-clock times of the station",
        (cells("tasks", {"station": "NORTH"}, started_at=_berlin, finished_at=_berlin, signed_at=_berlin),),
    ),
    Fault(
        "one record by the wall clock, without an offset",
        (cells("tasks", TEAL_COAT, started_at=_berlin, finished_at=_berlin),),
    ),
    Fault("flight times in UTC that don't say so", (cells("flights", EVERY, takeoff_at=_bare, landing_at=_bare),)),
    Fault(
        "flight times by the clocks of the stations that don't say so",
        (
            cells("flights", {"origin": "NORTH"}, takeoff_at=_berlin),
            cells("flights", {"origin": "SOUTH"}, takeoff_at=_lisbon),
            cells("flights", {"destination": "NORTH"}, landing_at=_berlin),
            cells("flights", {"destination": "SOUTH"}, landing_at=_lisbon),
        ),
        refused="task records are of work in flight",
    ),
    Fault(
        "a time that the clock left out",
        (cells("tasks", IBIS_COAT, started_at="2025-03-30T02:30:00"),),
        changes={
            "complies to unjudged": "preservative-coats-badly-spaced preservative-coats-wrong surface-prep-missing",
            "nothing to unjudged": "preservative-coats-badly-spaced",
        },
        told=(
            ("tasks.started_at 2025-03-30T02:30:00: never occurred: the clocks of the station went forward over it"),
        ),
    ),
    # Formats
    Fault(
        "times of one table in another format",
        (cells("flights", EVERY, takeoff_at=_american, landing_at=_american),),
        changes={
            "complies to unjudged": (
                "flight-before-cure ice-adhesion-treatment-covered "
                "ice-adhesion-treatment-never-done ice-adhesion-treatment-not-last ice-adhesion-treatment-overdue "
                "surface-prep-missing work-while-airborne work-while-elsewhere"
            ),
            "finding to unjudged": ("flight-before-cure ice-adhesion-treatment-covered ice-adhesion-treatment-overdue"),
            "finding to unjudged by another name": "work-while-airborne",
        },
        told=("flights.landing_at 09/01/2025 09:15: not a time such as 2025-06-02T09:00Z",),
    ),
    Fault(
        "one time in another format",
        (cells("flights", MORNING_AFTER, takeoff_at=_american),),
        changes={
            "complies to unjudged": "flights-overlap surface-prep-missing work-while-airborne work-while-elsewhere",
            "finding to unjudged": "flight-before-cure",
            "nothing to unjudged": "work-while-elsewhere",
        },
        told=("flights.takeoff_at 09/11/2025 08:00: not a time such as 2025-06-02T09:00Z",),
    ),
    Fault("times without seconds", (cells("tasks", EVERY, started_at=lambda text: f"{text[:16]}Z"),)),
    Fault(
        "a boot changed on a day without a time",
        (
            cells("components", TEAL_BOOT, removed_at="2025-09-11"),
            appended(
                "components",
                component_serial="SN-109",
                aircraft=TEAL,
                position="left wing",
                material="chloroprene",
                finish="black",
                installed_at="2025-09-11",
            ),
        ),
        changes={
            "complies to finding": "component-serial-differs",
            "complies to unjudged": (
                "component-serial-differs preservative-coats-badly-spaced preservative-coats-wrong "
                "preservative-on-wrong-material recorded-material-differs surface-prep-missing"
            ),
            "finding to unjudged": "flight-before-cure",
        },
        right=("the records that name the old boot contradict the new history, which is what the rule finds"),
    ),
    # Names
    Fault(
        "aircraft without its hyphen in the flight log",
        (cells("flights", {"aircraft": TEAL}, aircraft="TARNTEAL"),),
        changes={
            "complies to unjudged": (
                "flight-before-cure ice-adhesion-treatment-never-done "
                "ice-adhesion-treatment-overdue surface-prep-missing work-while-airborne "
                "work-while-elsewhere"
            ),
            "finding to unjudged": ("flight-before-cure ice-adhesion-treatment-covered ice-adhesion-treatment-overdue"),
            "finding to unjudged by another name": "work-while-airborne",
        },
        told=("aircraft TARN-TEAL in components, tasks, TARNTEAL in flights",),
    ),
    Fault(
        "aircraft without its hyphen in the records",
        (cells("tasks", {"aircraft": TEAL}, aircraft="TARNTEAL"),),
        changes={
            "complies to finding": "ice-adhesion-treatment-overdue",
            "complies to unjudged": (
                "component-serial-differs ice-adhesion-treatment-never-done "
                "preservative-on-wrong-material work-while-airborne work-while-elsewhere"
            ),
            "finding to finding by another name": (
                "ice-adhesion-treatment-not-last preservative-coats-badly-spaced preservative-coats-wrong"
            ),
            "finding to unjudged": "preservative-on-wrong-material",
            "finding to unjudged by another name": (
                "flight-before-cure ice-adhesion-treatment-covered ice-adhesion-treatment-overdue work-while-airborne"
            ),
            "nothing to unjudged": "surface-prep-missing",
        },
        right=(
            "the stretch begins with the season, since no treatment is certain: TARN-TEAL is "
            "overdue either way; the others go by the name in the records"
        ),
        told=("aircraft TARN-TEAL in components, flights, TARNTEAL in tasks",),
    ),
    Fault(
        "the other aircraft, too, in the records",
        (cells("tasks", {"aircraft": IBIS}, aircraft="TARNIBIS"),),
        changes={
            "complies to unjudged": (
                "component-serial-differs ice-adhesion-treatment-never-done "
                "ice-adhesion-treatment-overdue preservative-on-wrong-material work-while-airborne "
                "work-while-elsewhere"
            ),
            "nothing to unjudged": (
                "flight-before-cure ice-adhesion-treatment-covered ice-adhesion-treatment-overdue surface-prep-missing"
            ),
        },
        told=("aircraft TARN-IBIS in components, flights, TARNIBIS in tasks",),
    ),
    Fault(
        "aircraft without its hyphen in the boots",
        (cells("components", {"aircraft": TEAL}, aircraft="TARNTEAL"),),
        changes={
            "complies to unjudged": (
                "component-serial-differs ice-adhesion-treatment-never-done "
                "preservative-on-wrong-material recorded-material-differs surface-prep-missing"
            ),
            "finding to unjudged": "ice-adhesion-treatment-covered preservative-on-wrong-material",
            "finding to unjudged by another name": "ice-adhesion-treatment-overdue",
        },
        told=("aircraft TARN-TEAL in flights, tasks, TARNTEAL in components",),
    ),
    Fault(
        "aircraft without its hyphen in one flight",
        (cells("flights", MORNING_AFTER, aircraft="TARNTEAL"),),
        changes={
            "complies to unjudged": "surface-prep-missing work-while-airborne work-while-elsewhere",
            "finding to unjudged": "flight-before-cure",
            "nothing to unjudged": "work-while-elsewhere",
        },
        told=("aircraft TARN-TEAL in components, tasks, TARNTEAL in flights",),
    ),
    Fault(
        "aircraft in small letters in one record",
        (cells("tasks", TEAL_COAT, aircraft="tarn-teal"),),
        changes={
            "complies to unjudged": (
                "component-serial-differs preservative-coats-wrong preservative-on-wrong-material "
                "work-while-airborne work-while-elsewhere"
            ),
            "nothing to unjudged": (
                "flight-before-cure preservative-coats-badly-spaced preservative-coats-wrong surface-prep-missing"
            ),
        },
        told=("aircraft TARN-TEAL in components, flights, tarn-teal in tasks",),
    ),
    Fault(
        "position in capitals in the boots",
        (cells("components", {"position": "left"}, position="LEFT WING"),),
        changes={
            "complies to unjudged": (
                "component-serial-differs ice-adhesion-treatment-never-done "
                "preservative-on-wrong-material recorded-material-differs"
            ),
            "finding to finding by another name": "flight-before-cure ice-adhesion-treatment-overdue",
            "finding to unjudged by another name": "ice-adhesion-treatment-covered ice-adhesion-treatment-not-last",
            "nothing to unjudged": (
                "ice-adhesion-treatment-overdue preservative-coats-badly-spaced preservative-coats-wrong "
                "surface-prep-missing"
            ),
        },
        told=("position LEFT WING in components, left wing in tasks",),
    ),
    Fault(
        "position in capitals in one record",
        (cells("tasks", IBIS_COAT, position="Left Wing"),),
        changes={
            "complies to unjudged": (
                "component-serial-differs preservative-coats-wrong preservative-on-wrong-material "
                "recorded-material-differs"
            ),
            "nothing to unjudged": ("preservative-coats-badly-spaced preservative-coats-wrong surface-prep-missing"),
        },
        told=("position Left Wing in tasks, left wing in components",),
    ),
    Fault(
        "product without its space",
        (cells("products", {"product": "Rubber Guard"}, product="RubberGuard"),),
        changes={
            "complies to unjudged": (
                "lot-unknown ppe-short-of-hazards preservative-coats-badly-spaced "
                "preservative-on-wrong-material product-not-approved"
            ),
            "finding to unjudged": "preservative-coats-badly-spaced preservative-on-wrong-material",
            "finding to unjudged by another name": "flight-before-cure preservative-coats-wrong",
            "nothing to unjudged": (
                "ice-adhesion-treatment-not-last product-before-cure product-not-shaken "
                "surface-prep-missing treatment-not-one-light-coat"
            ),
        },
        told=("product Rubber Guard in lots, tasks, RubberGuard in products",),
    ),
    Fault(
        "product without its space in one record",
        (cells("tasks", IBIS_COAT, product="RubberGuard"),),
        changes={
            "complies to unjudged": (
                "lot-expired lot-unknown ppe-short-of-hazards preservative-coats-badly-spaced "
                "preservative-coats-wrong preservative-on-wrong-material product-not-approved"
            ),
            "nothing to unjudged": (
                "flight-before-cure ice-adhesion-treatment-not-last lot-used-before-opened "
                "preservative-coats-badly-spaced preservative-coats-wrong product-before-cure product-not-shaken "
                "surface-prep-missing treatment-not-one-light-coat"
            ),
        },
        told=("product Rubber Guard in lots, products, RubberGuard in tasks",),
    ),
    Fault(
        "lots without leading zeros",
        (cells("lots", EVERY, lot=lambda text: text.lstrip("0")),),
        changes={
            "complies to unjudged": "lot-expired lot-unknown",
            "finding to unjudged": "lot-expired",
            "nothing to unjudged": "lot-used-before-opened",
        },
        told=("lot 0071 in tasks, 71 in lots",),
    ),
    Fault(
        "serials with a look-alike letter",
        (cells("tasks", IBIS_COATS, component_serial="SN-2O1"),),
        changes={"complies to unjudged": "component-serial-differs"},
        told=("component serial SN-201 in components, SN-2O1 in tasks",),
    ),
    Fault("performer in capitals", (cells("tasks", {"performed_by": "Eli"}, performed_by=str.upper),)),
    Fault("performer in capitals in one record", (cells("tasks", {"task_id": "T-TEAL-51"}, performed_by="ELI  PARK"),)),
    Fault(
        "station in small letters in one record",
        (cells("tasks", {"task_id": "T-IBIS-51"}, station="north"),),
        changes={"complies to unjudged": "flight-before-cure", "nothing to unjudged": "work-while-elsewhere"},
        told=("station NORTH in flights, stations, north in tasks",),
    ),
    Fault(
        "manual without its hyphen",
        (cells("manuals", EVERY, manual="DM30"),),
        changes={
            "complies to unjudged": "manual-not-in-force manual-not-listed",
            "finding to unjudged": "manual-not-in-force",
        },
        told=("manual DM-30 in tasks, DM30 in manuals",),
    ),
    Fault("stations by location indicator in the flight log", (cells("flights", {"origin": "NORTH"}, origin="ZZNO"),)),
    Fault(
        "several people in one cell",
        (cells("tasks", {"task_id": "T-TEAL-51"}, performed_by="Eli Park; Bo Lindt"),),
        changes={
            "complies to unjudged": "performer-not-authorised",
            "finding to unjudged by another name": "person-at-two-stations",
            "nothing to unjudged": "performer-not-authorised-for-act",
        },
    ),
    Fault(
        "words in capitals",
        (
            cells("tasks", EVERY, action=str.upper, status=str.upper, ppe_worn=str.upper, steps_signed=str.upper),
            cells("components", EVERY, material=str.upper, finish=str.upper),
            cells("products", EVERY, product_class=str.upper),
            cells("people", EVERY, authorisation=str.upper, certificate_kind=str.upper),
        ),
    ),
    Fault(
        "materials by their symbols",
        (
            cells("components", {"material": "chloroprene"}, material="CR"),
            cells("components", {"material": "polyurethane"}, material="AU"),
        ),
    ),
    # Duplicates
    Fault(
        "a record exported twice", (again("tasks", TEAL_COAT),), told=("tasks.task_id T-TEAL-13: duplicate of line 4",)
    ),
    Fault(
        "one record number, two products",
        (again("tasks", IBIS_COAT, product="Mild Soap"),),
        changes={
            "complies to unjudged": (
                "lot-expired ppe-sign-off-missing preservative-coats-badly-spaced preservative-coats-wrong "
                "preservative-on-wrong-material"
            ),
            "nothing to unjudged": (
                "flight-before-cure ice-adhesion-treatment-not-last preservative-coats-badly-spaced "
                "preservative-coats-wrong product-before-cure surface-prep-missing"
            ),
        },
        told=(("tasks.product Rubber Guard: said otherwise under the same key; see line 37"),),
    ),
    Fault(
        "one record number, two ends",
        (again("tasks", TEAL_COAT, finished_at="2025-09-10T07:50:00Z"),),
        changes={
            "nothing to unjudged": "preservative-coats-badly-spaced",
            "complies to unjudged": "preservative-coats-wrong",
        },
        told=(("tasks.task_id T-TEAL-13: other contents under the same key; see line 37"),),
    ),
    Fault(
        "one record number, two signatures",
        (again("tasks", IBIS_COAT, certified_by="Dan Moss"),),
        told=(("tasks.certified_by Cora Vale: said otherwise under the same key; see line 37"),),
    ),
    Fault(
        "a coat under two record numbers",
        (again("tasks", IBIS_COAT, task_id="T-IBIS-99"),),
        changes={
            "nothing to finding": "record-entered-twice",
            "nothing to unjudged": "preservative-coats-badly-spaced",
        },
        right="one of the two is to go, which is what the rule finds",
    ),
    Fault(
        "a flight exported twice",
        (again("flights", MORNING_AFTER),),
        told=("flights.flight_id F-TEAL-0911A: duplicate of line 21",),
    ),
    Fault(
        "a flight under two numbers",
        (again("flights", {"flight_id": "F-IBIS-1010A"}, flight_id="F-X"),),
        changes={"complies to unjudged": "ice-adhesion-treatment-overdue"},
    ),
    Fault(
        "one flight number, two takeoffs",
        (again("flights", MORNING_AFTER, takeoff_at="2025-09-11T08:01:00Z"),),
        changes={
            "complies to unjudged": "surface-prep-missing work-while-airborne work-while-elsewhere",
            "finding to unjudged": "flight-before-cure",
            "nothing to unjudged": "work-while-elsewhere",
        },
        told=(("flights.flight_id F-TEAL-0911A: other contents under the same key; see line 21"),),
    ),
    Fault(
        "one boot, two materials",
        (again("components", {"component_serial": "SN-103"}, material="chloroprene"),),
        changes={
            "complies to unjudged": ("component-serial-differs recorded-material-differs surface-prep-missing"),
            "finding to unjudged": "ice-adhesion-treatment-covered preservative-on-wrong-material",
            "finding to unjudged by another name": "ice-adhesion-treatment-overdue",
        },
        told=(
            (
                "components.component_serial; aircraft; position; installed_at SN-103; TARN-TEAL; "
                "fin; 2024-03-01T10:00:00Z: other contents under the same key; see line 3"
            ),
        ),
    ),
    Fault(
        "one lot, two expiry dates",
        (again("lots", {"lot": "0099"}, expires_on="2026-06-30"),),
        changes={"finding to unjudged": "lot-expired"},
        told=(("lots.expires_on 2025-06-30: said otherwise under the same key; see line 6"),),
    ),
    Fault(
        "a coat numbered twice",
        (cells("tasks", {"task_id": "T-IBIS-13"}, coat="2"),),
        changes={"complies to unjudged": "preservative-coats-badly-spaced preservative-coats-wrong"},
    ),
    Fault(
        "a coat numbered 0",
        (cells("tasks", {"task_id": "T-IBIS-11"}, coat="0"),),
        changes={"complies to unjudged": "preservative-coats-wrong"},
        told=("tasks.coat 0: outside 1 to 100",),
    ),
    # Days that are not complete, tables that are cut
    Fault(
        "the last day in part: the evening's work, not the second flight",
        (
            without_rows("flights", {"flight_id": "F-TEAL-1130B"}),
            again(
                "tasks",
                {"task_id": "T-TEAL-51"},
                task_id="T-NEW",
                station="NORTH",
                started_at=LATE,
                finished_at=LATER,
                signed_at=LATER,
            ),
        ),
        changes={"nothing to finding": "work-while-elsewhere"},
        right=("the record and the log contradict each other, which is what the rule finds"),
    ),
    Fault(
        "the flights of one aircraft end a month early",
        (without_rows("flights", {"flight_id": "F-IBIS-11"}),),
        changes={
            "complies to unjudged": (
                "ice-adhesion-treatment-covered ice-adhesion-treatment-overdue work-while-airborne work-while-elsewhere"
            )
        },
    ),
    Fault(
        "a cure still running at the end",
        (
            again(
                "tasks",
                IBIS_COATS,
                task_id=lambda text: f"{text}-NEW",
                work_order="W-NEW",
                started_at=lambda text: text.replace("09-10", "11-30"),
                finished_at=lambda text: text.replace("09-10", "11-30"),
                signed_at=lambda text: text.replace("09-10", "11-30"),
            ),
        ),
        changes={
            "nothing to unjudged": (
                "flight-before-cure ice-adhesion-treatment-covered preservative-coats-wrong product-before-cure"
            )
        },
    ),
    # Columns that are swapped
    Fault(
        "takeoff and landing swapped",
        (swapped("flights", EVERY, "takeoff_at", "landing_at"),),
        changes={
            "complies to unjudged": (
                "flight-before-cure ice-adhesion-treatment-covered "
                "ice-adhesion-treatment-never-done ice-adhesion-treatment-not-last ice-adhesion-treatment-overdue "
                "surface-prep-missing work-while-airborne work-while-elsewhere"
            ),
            "finding to unjudged": ("flight-before-cure ice-adhesion-treatment-covered ice-adhesion-treatment-overdue"),
            "finding to unjudged by another name": "work-while-airborne",
        },
        told=("flights.landing_at 2025-09-01T08:00:00Z: landing before takeoff",),
    ),
    Fault(
        "takeoff and landing of one flight swapped",
        (swapped("flights", MORNING_AFTER, "takeoff_at", "landing_at"),),
        changes={
            "complies to unjudged": "surface-prep-missing work-while-airborne work-while-elsewhere",
            "finding to unjudged": "flight-before-cure",
            "nothing to unjudged": "work-while-elsewhere",
        },
        told=("flights.landing_at 2025-09-11T08:00:00Z: landing before takeoff",),
    ),
    Fault(
        "start and end of one record swapped",
        (swapped("tasks", IBIS_COAT, "started_at", "finished_at"),),
        changes={
            "complies to unjudged": "preservative-coats-badly-spaced work-while-airborne work-while-elsewhere",
        },
    ),
    Fault(
        "origin and destination swapped",
        (swapped("flights", EVERY, "origin", "destination"),),
        changes={"nothing to finding": "work-while-elsewhere"},
        right=("the records and the log contradict each other, which is what the rule finds"),
    ),
    Fault(
        "origin and destination of one flight swapped",
        (swapped("flights", MORNING_AFTER, "origin", "destination"),),
        changes={
            "complies to unjudged": "surface-prep-missing work-while-airborne work-while-elsewhere",
            "nothing to unjudged": "work-while-elsewhere",
        },
    ),
    Fault(
        "product and lot swapped",
        (swapped("tasks", EVERY, "product", "lot"),),
        changes={
            "complies to finding": "ice-adhesion-treatment-overdue",
            "complies to unjudged": (
                "ice-adhesion-treatment-never-done ice-adhesion-treatment-not-last "
                "ice-adhesion-treatment-overdue ppe-short-of-hazards prep-not-rinsed-and-dried "
                "preservative-coats-badly-spaced preservative-on-wrong-material "
                "product-not-approved product-not-shaken treatment-not-one-light-coat"
            ),
            "finding to nothing": "ice-adhesion-treatment-overdue lot-expired",
            "finding to unjudged": (
                "ice-adhesion-treatment-not-last preservative-coats-badly-spaced preservative-on-wrong-material"
            ),
            "finding to unjudged by another name": (
                "flight-before-cure ice-adhesion-treatment-covered preservative-coats-wrong"
            ),
            "nothing to unjudged": (
                "ice-adhesion-treatment-not-last preservative-on-wrong-material product-before-cure "
                "product-not-shaken surface-prep-missing treatment-not-one-light-coat"
            ),
        },
        right=(
            "the stretch begins with the season, since no treatment is certain: TARN-TEAL is "
            "overdue either way; a lot of no listed product is in no list, and ten rules say "
            "that the product is not known"
        ),
    ),
    Fault(
        "performer and certifier swapped",
        (swapped("tasks", EVERY, "performed_by", "certified_by"),),
        changes={
            "complies to finding": "certifier-not-authorised performer-not-authorised",
            "nothing to finding": "person-at-two-aircraft",
        },
        right=(
            "who signed holds no authorisation to, as the list has it, and was at two aircraft at once; "
            "the authorisation of one who now performs had ended"
        ),
    ),
    Fault(
        "aircraft and serial of the boots swapped",
        (swapped("components", EVERY, "aircraft", "component_serial"),),
        changes={
            "complies to unjudged": (
                "component-serial-differs preservative-on-wrong-material recorded-material-differs"
            ),
            "finding to unjudged": "preservative-on-wrong-material",
            "finding to unjudged by another name": "ice-adhesion-treatment-overdue",
            "nothing to unjudged": "ice-adhesion-treatment-never-done",
        },
    ),
    # Boots
    Fault(
        "a boot taken off and put back the same day",
        (
            again("components", TEAL_BOOT, installed_at="2025-09-11T07:00:00Z"),
            cells("components", TEAL_BOOT | {"installed_at": "2024"}, removed_at="2025-09-11T06:00:00Z"),
        ),
    ),
    Fault(
        "a boot moved to the other wing",
        (
            again("components", TEAL_BOOT, installed_at="2025-09-11T07:00:00Z", position="right wing"),
            cells("components", TEAL_BOOT | {"installed_at": "2024"}, removed_at="2025-09-11T06:00:00Z"),
            again(
                "components", {"component_serial": "SN-102"}, installed_at="2025-09-11T07:00:00Z", position="left wing"
            ),
            cells(
                "components", {"component_serial": "SN-102", "installed_at": "2024"}, removed_at="2025-09-11T06:00:00Z"
            ),
        ),
        changes={"complies to finding": "component-serial-differs"},
        right=("the records that name the old boot contradict the new history, which is what the rule finds"),
    ),
    Fault(
        "coats on two boots",
        (
            cells("components", {"component_serial": "SN-201"}, removed_at="2025-09-10T18:12:00Z"),
            again(
                "components",
                {"component_serial": "SN-201"},
                component_serial="SN-209",
                installed_at="2025-09-10T18:12:00Z",
                removed_at="",
            ),
        ),
        changes={
            "complies to finding": "component-serial-differs preservative-coats-wrong",
            "nothing to finding": "preservative-coats-wrong surface-prep-missing",
        },
        right=(
            "the records that name the old boot contradict the new history, which is what the "
            "rule finds; each boot got fewer coats than three"
        ),
    ),
    Fault("a standing work order", (cells("tasks", {"aircraft": IBIS}, work_order="W-STANDING"),)),
    # As users would break it, each in another way
    Fault(
        "the number of all coats on each coat",
        (cells("tasks", {"product": "Rubber Guard"}, coats="3"),),
        changes={
            "complies to unjudged": ("preservative-coats-wrong"),
            "finding to unjudged": ("preservative-coats-wrong"),
            "nothing to unjudged": ("preservative-coats-badly-spaced"),
        },
    ),
    Fault(
        "coats numbered 1/3, 2/3, 3/3",
        (cells("tasks", {"product": "Rubber Guard"}, coat=lambda text: f"{text}/3"),),
        changes={
            "complies to unjudged": ("preservative-coats-wrong"),
            "finding to unjudged": ("preservative-coats-wrong"),
        },
        told=("tasks.coat 1/3: not a whole number",),
    ),
    Fault(
        "positions by abbreviations in the records",
        (cells("tasks", EVERY, position=_abbreviated),),
        changes={
            "complies to finding": ("ice-adhesion-treatment-overdue"),
            "complies to unjudged": (
                "component-serial-differs "
                "ice-adhesion-treatment-never-done "
                "ice-adhesion-treatment-overdue "
                "preservative-on-wrong-material "
                "recorded-material-differs"
            ),
            "finding to finding by another name": ("flight-before-cure preservative-coats-wrong"),
            "finding to nothing": ("ice-adhesion-treatment-not-last ice-adhesion-treatment-overdue"),
            "finding to unjudged": ("preservative-on-wrong-material"),
            "finding to unjudged by another name": ("ice-adhesion-treatment-covered preservative-coats-badly-spaced"),
            "nothing to unjudged": (
                "ice-adhesion-treatment-not-last ice-adhesion-treatment-overdue preservative-coats-wrong "
                "surface-prep-missing"
            ),
        },
        right=(
            "no position is known then, as without the column: TARN-TEAL is overdue either way, and what else is found "
            "goes by the aircraft"
        ),
    ),
    Fault(
        "one position by its abbreviation",
        (cells("tasks", {"task_id": "T-IBIS-70"}, position=_abbreviated),),
        changes={"nothing to unjudged": ("ice-adhesion-treatment-overdue")},
    ),
    Fault(
        "aircraft with a space behind",
        (cells("tasks", EVERY, aircraft=lambda text: f"{text} "),),
    ),
    Fault(
        "the lot in the cell of the product",
        (cells("tasks", IBIS_COAT, product="Rubber Guard 0072"),),
        changes={
            "complies to unjudged": (
                "ppe-short-of-hazards "
                "preservative-coats-badly-spaced "
                "preservative-coats-wrong "
                "preservative-on-wrong-material "
                "product-not-approved"
            ),
            "nothing to unjudged": (
                "flight-before-cure "
                "ice-adhesion-treatment-not-last "
                "preservative-coats-badly-spaced "
                "preservative-coats-wrong "
                "product-before-cure "
                "product-not-shaken "
                "surface-prep-missing "
                "treatment-not-one-light-coat"
            ),
        },
    ),
    Fault(
        "a product listed under another class",
        (cells("products", {"product": "Ice Film"}, product_class="other"),),
        changes={
            "complies to finding": ("ice-adhesion-treatment-overdue"),
            "complies to unjudged": ("ice-adhesion-treatment-never-done"),
            "finding to nothing": (
                "ice-adhesion-treatment-covered ice-adhesion-treatment-not-last ice-adhesion-treatment-overdue"
            ),
        },
        right="what a product is, the list alone says",
    ),
    Fault(
        "expiry dates by the month",
        (cells("lots", EVERY, expires_on=lambda text: text[:7]),),
        changes={"complies to unjudged": ("lot-expired"), "finding to unjudged": ("lot-expired")},
        told=("lots.expires_on 2026-06: not a date such as 2025-06-02",),
    ),
    Fault(
        "people by their last names first",
        (cells("tasks", EVERY, certified_by=lambda text: ", ".join(reversed(text.split()))),),
        changes={
            "complies to unjudged": ("certificate-differs certifier-not-authorised"),
            "finding to unjudged": ("certifier-not-authorised"),
            "nothing to unjudged": ("certificate-differs"),
        },
        told=("person Cora Vale in people, Vale, Cora in tasks",),
    ),
    Fault(
        "flights under fleet numbers",
        (cells("flights", {"aircraft": TEAL}, aircraft="1042"),),
        changes={
            "complies to unjudged": (
                "flight-before-cure "
                "ice-adhesion-treatment-never-done "
                "ice-adhesion-treatment-overdue "
                "surface-prep-missing "
                "work-while-airborne "
                "work-while-elsewhere"
            ),
            "finding to unjudged": ("flight-before-cure ice-adhesion-treatment-covered ice-adhesion-treatment-overdue"),
            "finding to unjudged by another name": ("work-while-airborne"),
        },
    ),
    Fault(
        "records with one time for start and end",
        (_one_time,),
        changes={
            "complies to unjudged": ("preservative-coats-badly-spaced"),
            "finding to nothing": ("person-at-two-aircraft person-at-two-stations"),
            "finding to unjudged": ("preservative-coats-badly-spaced"),
        },
        right="two records of no duration are at no place at once; that they took no time is what they say",
    ),
    Fault(
        "coats by the day, without a time",
        (cells("tasks", IBIS_COATS, started_at=lambda text: text[:10], finished_at=lambda text: text[:10]),),
        told=("tasks.started_at 2025-09-10: a date without a time of day",),
    ),
    Fault(
        "a row for each position",
        (_row_by_row,),
        changes={
            "finding to finding by another name": (
                "ice-adhesion-treatment-covered ice-adhesion-treatment-not-last ice-adhesion-treatment-overdue"
            )
        },
    ),
    Fault(
        "a signature a year early",
        (cells("tasks", IBIS_COAT, signed_at=lambda text: text.replace("2025", "2024")),),
        changes={"complies to finding": ("signed-before-finished")},
        right="the record says so, which is what the rule finds",
    ),
    Fault(
        "a landing on the day before its takeoff",
        (cells("flights", {"flight_id": "F-IBIS-1010A"}, landing_at="2025-10-09T09:15:00Z"),),
        changes={"complies to unjudged": "flights-overlap ice-adhesion-treatment-overdue"},
        told=("landing before takeoff",),
    ),
    Fault(
        "a removal in another century",
        (cells("components", TEAL_BOOT, removed_at="1925-11-20T00:00:00Z"),),
        changes={
            "complies to unjudged": (
                "component-serial-differs "
                "ice-adhesion-treatment-never-done "
                "ice-adhesion-treatment-overdue "
                "preservative-on-wrong-material "
                "recorded-material-differs "
                "surface-prep-missing"
            ),
            "finding to unjudged": ("flight-before-cure ice-adhesion-treatment-covered"),
            "finding to unjudged by another name": ("ice-adhesion-treatment-overdue"),
        },
        told=("components.removed_at 1925-11-20T00:00:00Z: before 1950 or after 2099",),
    ),
    Fault(
        "an installation in a year to come",
        (cells("components", {"component_serial": "SN-201"}, installed_at="2026-03-01T10:00:00Z"),),
        changes={
            "complies to unjudged": (
                "component-serial-differs "
                "ice-adhesion-treatment-covered "
                "ice-adhesion-treatment-not-last "
                "ice-adhesion-treatment-overdue "
                "preservative-on-wrong-material "
                "recorded-material-differs"
            ),
            "nothing to unjudged": ("ice-adhesion-treatment-never-done ice-adhesion-treatment-overdue"),
        },
    ),
    Fault(
        "a flight in another year",
        (
            cells(
                "flights",
                MORNING_AFTER,
                takeoff_at=lambda text: text.replace("2025", "2024"),
                landing_at=lambda text: text.replace("2025", "2024"),
            ),
        ),
        changes={
            "complies to unjudged": "surface-prep-missing work-while-airborne work-while-elsewhere",
            "finding to unjudged": ("flight-before-cure"),
            "nothing to unjudged": (
                "ice-adhesion-treatment-never-done ice-adhesion-treatment-overdue work-while-elsewhere"
            ),
        },
    ),
    Fault(
        "records that end a month before the flights",
        (_cut_records,),
        changes={
            "complies to unjudged": (
                "ice-adhesion-treatment-covered ice-adhesion-treatment-not-last ice-adhesion-treatment-overdue"
            ),
            "finding to unjudged": ("ice-adhesion-treatment-overdue"),
        },
    ),
    Fault(
        "an export made between two coats of a job",
        (_unfinished_job,),
        changes={
            "nothing to unjudged": (
                "flight-before-cure ice-adhesion-treatment-covered preservative-coats-wrong product-before-cure"
            ),
        },
    ),
    Fault(
        "flight hours that are all 0",
        (cells("flights", EVERY, flight_hours="0"),),
        changes={
            "complies to unjudged": ("ice-adhesion-treatment-overdue"),
            "finding to unjudged": ("ice-adhesion-treatment-overdue"),
        },
    ),
    Fault(
        "midnight as 24:00",
        (cells("flights", {"flight_id": "F-IBIS-1010B"}, landing_at="2025-10-10T24:00:00Z"),),
        changes={"complies to unjudged": "flights-overlap ice-adhesion-treatment-overdue"},
        told=("not a time such as 2025-06-02T09:00Z",),
    ),
    Fault(
        "the aircraft of a coat mistyped",
        (cells("tasks", IBIS_COAT, aircraft="TARN-IBIZ"),),
        changes={
            "complies to finding": ("preservative-coats-wrong"),
            "complies to unjudged": (
                "component-serial-differs preservative-on-wrong-material work-while-airborne work-while-elsewhere"
            ),
            "nothing to finding": ("preservative-coats-wrong surface-prep-missing"),
            "nothing to unjudged": ("flight-before-cure preservative-coats-badly-spaced"),
        },
        right="the record is of that aircraft, of which nothing else is known, and two coats are left",
    ),
    Fault(
        "the aircraft of a month's flights mistyped",
        (cells("flights", {"flight_id": "F-IBIS-10"}, aircraft="TARN-IBIZ"),),
        changes={
            "complies to unjudged": (
                "ice-adhesion-treatment-covered ice-adhesion-treatment-overdue work-while-airborne work-while-elsewhere"
            )
        },
    ),
    Fault(
        "hours since new in the place of each flight's",
        (_hours_since_new,),
        changes={"complies to unjudged": ("ice-adhesion-treatment-overdue")},
    ),
    Fault(
        "destinations there and blank",
        (cells("flights", EVERY, destination=""),),
        changes={"nothing to unjudged": ("work-while-elsewhere")},
    ),
    Fault(
        "n/a in blank cells",
        (cells("tasks", EVERY, coat=lambda text: text or "n/a", ambient_c="n/a"),),
        told=("tasks.coat n/a: only says that there is nothing; a mapping reads it as a blank",),
    ),
)
