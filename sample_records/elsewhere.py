"""The sample records as two other systems would export them: `python -m sample_records.elsewhere`.

Quarrypuffin writes a workbook, Linnetlatch text files with the conventions of its country. Both carry the same facts as
`tarnwhistle`, and each has a mapping beside it. With `--check` nothing is written, and the files on disk are compared.
What is miswritten there is miswritten here. The same records give the same bytes.
"""

from __future__ import annotations

import argparse
import csv
import io
import sys
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
FIRST, LAST = 1950, 2100

Row = Mapping[str, str]

POSITIONS = {
    "left wing": ("LH WING", "Flügel links"),
    "right wing": ("RH WING", "Flügel rechts"),
    "left tailplane": ("LH TAIL", "Höhenleitwerk links"),
    "right tailplane": ("RH TAIL", "Höhenleitwerk rechts"),
    "fin": ("FIN", "Seitenleitwerk"),
    "all": ("ALL", "alle"),
}
ACTIONS = {
    "clean": ("CLN", "reinigen"),
    "prepare": ("PREP", "vorbereiten"),
    "apply": ("APPL", "auftragen"),
    "inspect": ("INSP", "prüfen"),
    "repair": ("REP", "instand setzen"),
    "install": ("INST", "einbauen"),
    "remove": ("REM", "ausbauen"),
    "other": ("MISC", "sonstiges"),
}
CORRECTED = {"finished_at": ("To", "Ende"), "humidity_pct": ("RH", "Feuchte %")}
"""The columns of which the sample has corrections."""
STATUSES = {"closed": ("C", "erledigt"), "open": ("O", "offen"), "void": ("V", "storniert")}


def records(table: str) -> list[Row]:
    """The rows of a canonical table of the sample."""
    with (HERE / "tarnwhistle" / f"{table}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def instant(text: str) -> datetime | None:
    """A time of the sample; None where it is none, or one that no clock can have shown."""
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        return None
    return at if FIRST <= at.year < LAST else None


def number(text: str) -> float | None:
    """A number of the sample; None where it is none."""
    try:
        return float(text)
    except ValueError:
        return None


def is_local(row: Row) -> bool:
    """Whether a task's times are those of its station's clock."""
    at = instant(row["finished_at"])
    return at is None or at.tzinfo is None


def named(text: str, names: Mapping[str, Sequence[str]], system: int) -> str:
    """What a system calls a value; a miswritten one is called what it is."""
    return names[text][system] if text in names else text


# -- Quarrypuffin: a workbook -----------------------------------------------------------------------


def moment(text: str) -> Any:
    """A time as a workbook holds it: without a zone, UTC where the sample has an offset."""
    at = instant(text)
    return text if at is None else at.astimezone(UTC).replace(tzinfo=None) if at.tzinfo else at


def amount(text: str) -> Any:
    """A number as a workbook holds it."""
    return text if (value := number(text)) is None else value


def duration(text: str) -> Any:
    """Hours as a workbook holds them, to the second."""
    return text if (value := number(text)) is None else timedelta(seconds=round(value * 3600))


def quarrypuffin() -> dict[str, bytes]:
    """The workbook, by its path."""
    import xlsxwriter

    target = io.BytesIO()
    book = xlsxwriter.Workbook(
        target, {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}
    )
    book.set_properties({"created": datetime(2026, 6, 1)})
    shapes = {
        datetime: book.add_format({"num_format": "dd/mm/yyyy hh:mm"}),
        timedelta: book.add_format({"num_format": "[h]:mm"}),
    }
    title = book.add_format({"bold": True})
    for name, columns, rows in _sheets():
        sheet = book.add_worksheet(name)
        sheet.merge_range(0, 0, 0, max(len(columns) - 1, 1), f"QUARRYDOWN MAINTENANCE CONTROL: {name}", title)
        sheet.write_row(2, 0, list(columns), title)
        for line, row in enumerate(rows, 3):
            for place, cell in enumerate(make(row) for make in columns.values()):
                if cell not in ("", None):
                    sheet.write(line, place, cell, shapes.get(type(cell)))
    book.close()
    return {"quarrypuffin/records.xlsx": target.getvalue()}


def _sheets() -> Iterable[tuple[str, Mapping[str, Callable[[Row], Any]], Sequence[Row]]]:
    def of(name: str) -> Callable[[Row], Any]:
        return lambda row: row[name]

    tasks = records("tasks")
    work = {
        "Record": of("task_id"),
        "W/O": of("work_order"),
        "Tail": of("aircraft"),
        "Act": lambda row: named(row["action"], ACTIONS, 0),
        "Shop": of("station"),
        "From": lambda row: moment(row["started_at"]),
        "To": lambda row: moment(row["finished_at"]),
        "Signed": lambda row: moment(row["signed_at"]),
        "St": lambda row: named(row["status"], STATUSES, 0),
        "Zone": lambda row: (
            "/".join(named(each, POSITIONS, 0) for each in row["position"].split("; ") if each)
            if row["position"] != "all"
            else "ALL"
        ),
        "S/N": of("component_serial"),
        "Material | Batch": lambda row: f"{row['product']} | {row['lot']}" if row["lot"] else row["product"],
        "Coat": lambda row: amount(row["coat"]),
        "Of coats": lambda row: amount(row["coats"]),
        "By": of("performed_by"),
        "Cert by": of("certified_by"),
        "Cert no": of("certificate_number"),
        "Cert kind": of("certificate_kind"),
        "Text": of("description"),
        "Manual": of("manual"),
        "Rev": lambda row: amount(row["manual_revision"]),
        "PPE": lambda row: row["ppe_worn"].replace("; ", " + "),
        "PPE sign": of("ppe_signed_by"),
        "Steps": lambda row: row["steps_signed"].replace("; ", " + "),
        "Rubber": of("material_recorded"),
        "OAT": lambda row: amount(row["ambient_c"]),
        "RH": lambda row: amount(row["humidity_pct"]),
        "Notes": of("remarks"),
    }
    yield "Work local", work, [row for row in tasks if is_local(row)]
    yield "Work UTC", work, [row for row in tasks if not is_local(row)]
    log = {
        "Flight": of("flight_id"),
        "Tail": of("aircraft"),
        "Off": lambda row: moment(row["takeoff_at"]),
        "On": lambda row: moment(row["landing_at"]),
        "Dep": of("origin"),
        "Arr": of("destination"),
        "Airborne": lambda row: duration(row["flight_hours"]),
        "Cyc": lambda row: amount(row["cycles"]),
    }
    yield "Flight log", log, records("flights")
    boots = {
        "S/N": of("component_serial"),
        "Tail": of("aircraft"),
        "Zone": lambda row: named(row["position"], POSITIONS, 0),
        "Rubber": of("material"),
        "Finish": of("finish"),
        "Fitted": lambda row: moment(row["installed_at"]),
        "Removed": lambda row: moment(row["removed_at"]),
        "P/N": of("part_number"),
    }
    yield "Boots", boots, records("components")
    for name, table in (("Materials", "products"), ("Shops", "stations"), ("Batches", "lots"), ("Staff", "people")):
        rows = records(table)
        yield name, {column: of(column) for column in rows[0]}, rows
    manuals = records("manuals")
    yield "Manuals", {column: of(column) for column in manuals[0]}, manuals
    changes = {
        "Correction": of("correction_id"),
        "Record": of("task_id"),
        "Cell": lambda row: CORRECTED[row["column"]][0],
        "Old": of("was"),
        "New": of("now"),
        "By": of("made_by"),
        "At": lambda row: moment(row["made_at"]),
        "Signed by": of("signed_by"),
        "Reason": of("reason"),
    }
    yield "Corrections", changes, records("corrections")


# -- Linnetlatch: text files ------------------------------------------------------------------------


def clock(text: str) -> str:
    """A time as written in that country, with its offset where the sample has one."""
    at = instant(text)
    return text if at is None else f"{at:%d.%m.%Y %H:%M:%S}{at:%z}" if at.tzinfo else f"{at:%d.%m.%Y %H:%M:%S}"


def day(text: str) -> str:
    """A date as written in that country."""
    return f"{at:%d.%m.%Y}" if (at := instant(text)) else text


def figure(text: str) -> str:
    """A number with a decimal comma."""
    return text.replace(".", ",") if number(text) is not None else text


def worn(row: Row, what: str) -> str:
    """Whether protective equipment was worn: J or N, blank where nothing was entered."""
    return ("J" if what in row["ppe_worn"].split("; ") else "N") if row["ppe_worn"] else ""


def linnetlatch() -> dict[str, bytes]:
    """The text files, by their paths."""
    files = {}
    tasks = records("tasks")
    for station in sorted({row["station"] for row in tasks}):
        there = [row for row in tasks if row["station"] == station]
        for kind, rows in (
            ("Ortszeit", [row for row in there if is_local(row)]),
            ("Zonenzeit", [row for row in there if not is_local(row)]),
        ):
            if rows:
                files[f"Arbeiten_{kind}_{station.replace(' ', '-')}.csv"] = _text(map(_work, rows))
    files["Flugbuch.csv"] = _text(map(_flight, records("flights")))
    files["Einbauten.csv"] = _text(map(_boot, records("components")))
    files["Mittel.csv"] = _text(
        {
            "Mittel": row["product"],
            "Klasse": row["product_class"],
            "Zulassung": row["approval"],
            "H": row["hazard_codes"],
        }
        for row in records("products")
    )
    files["Orte.csv"] = _text(
        {"Ort": row["station"], "Zeitzone": row["timezone"], "ICAO": row["icao"]} for row in records("stations")
    )
    files["Chargen.csv"] = _text(
        {
            "Charge": row["lot"],
            "Mittel": row["product"],
            "Ablauf": day(row["expires_on"]),
            "Anbruch": day(row["opened_on"]),
        }
        for row in records("lots")
    )
    files["Personal.csv"] = _text(
        {
            "Name": row["person"],
            "Berechtigung": row["authorisation"],
            "gültig ab": day(row["valid_from"]),
            "gültig bis": day(row["valid_to"]),
            "Lizenz": row["certificate_number"],
            "Lizenzart": row["certificate_kind"],
        }
        for row in records("people")
    )
    files["Handbücher.csv"] = _text(
        {
            "Handbuch": row["manual"],
            "Revision": row["revision"],
            "gültig ab": day(row["effective_from"]),
            "abgelöst am": day(row["superseded_on"]),
        }
        for row in records("manuals")
    )
    files["Berichtigungen.csv"] = _text(
        {
            "Berichtigung": row["correction_id"],
            "Nr.": row["task_id"],
            "Spalte": CORRECTED[row["column"]][1],
            "war": row["was"],
            "ist": row["now"],
            "durch": row["made_by"],
            "am": clock(row["made_at"]),
            "unterschrieben von": row["signed_by"],
            "Grund": row["reason"],
        }
        for row in records("corrections")
    )
    return {f"linnetlatch/{name.replace('ü', 'ue')}": content for name, content in files.items()}


def _work(row: Row) -> Row:
    others = [each for each in row["ppe_worn"].split("; ") if each not in ("eye-protection", "chemical-gloves")]
    return {
        "Nr.": row["task_id"],
        "Auftrag": row["work_order"],
        "Kennzeichen": row["aircraft"],
        "Tätigkeit": named(row["action"], ACTIONS, 1),
        "Ort": row["station"],
        "Beginn": clock(row["started_at"]),
        "Ende": clock(row["finished_at"]),
        "Status": named(row["status"], STATUSES, 1),
        "Einbauort": ", ".join(named(each, POSITIONS, 1) for each in row["position"].split("; ")),
        "Seriennr.": row["component_serial"],
        "Mittel": row["product"],
        "Charge": row["lot"],
        "Schicht": row["coat"],
        "Schichten": row["coats"],
        "Ausführung": row["performed_by"],
        "Freigabe": row["certified_by"],
        "Lizenz": row["certificate_number"],
        "Lizenzart": row["certificate_kind"],
        "unterschrieben": clock(row["signed_at"]),
        "Text": row["description"],
        "Handbuch": row["manual"],
        "Revision": row["manual_revision"],
        "Augenschutz": worn(row, "eye-protection"),
        "Handschuhe": worn(row, "chemical-gloves"),
        "weitere PSA": ", ".join(others),
        "PSA bestätigt": row["ppe_signed_by"],
        "Schritte": row["steps_signed"].replace("; ", ", "),
        "Werkstoff": row["material_recorded"],
        "Temperatur °C": figure(row["ambient_c"]),
        "Feuchte %": figure(row["humidity_pct"]),
        "Bemerkung": row["remarks"],
    }


def _flight(row: Row) -> Row:
    return {
        "Flug": row["flight_id"],
        "Kennzeichen": row["aircraft"],
        "Start": clock(row["takeoff_at"]),
        "Landung": clock(row["landing_at"]),
        "von": row["origin"],
        "nach": row["destination"],
        "Stunden": figure(row["flight_hours"]),
        "Zyklen": row["cycles"],
    }


def _boot(row: Row) -> Row:
    return {
        "Seriennr.": row["component_serial"],
        "Kennzeichen": row["aircraft"],
        "Einbauort": named(row["position"], POSITIONS, 1),
        "Werkstoff": row["material"],
        "Farbe": row["finish"],
        "Einbau": clock(row["installed_at"]),
        "Ausbau": clock(row["removed_at"]),
        "Teilenr.": row["part_number"],
    }


def _text(rows: Iterable[Row]) -> bytes:
    listed = list(rows)
    out = io.StringIO(newline="")
    writer = csv.DictWriter(out, list(listed[0]), delimiter=";", lineterminator="\r\n")
    writer.writeheader()
    writer.writerows(listed)
    return out.getvalue().encode("cp1252")


# -- on disk --------------------------------------------------------------------------------------


def differing(files: Mapping[str, bytes]) -> list[str]:
    """Files that are missing, foreign or not as they would be written."""
    there = {
        path.relative_to(HERE).as_posix(): path.read_bytes()
        for folder in ("quarrypuffin", "linnetlatch")
        for path in (HERE / folder).iterdir()
        if path.suffix != ".yaml"
    }
    return sorted(name for name in files.keys() | there.keys() if files.get(name) != there.get(name))


def main() -> int:
    """Write the files, or check them; returns the exit code."""
    parser = argparse.ArgumentParser(description="Write the sample records as other systems would.")
    parser.add_argument("--check", action="store_true", help="only compare with the files on disk")
    files = {**quarrypuffin(), **linnetlatch()}
    if parser.parse_args().check:
        differ = differing(files)
        print(f"Differs from the sample records: {', '.join(differ)}" if differ else "As the sample records are.")
        return 1 if differ else 0
    for name in differing(files):
        (HERE / name).unlink(missing_ok=True)
    for name, content in files.items():
        (HERE / name).write_bytes(content)
    return 0


if __name__ == "__main__":
    sys.exit(main())
