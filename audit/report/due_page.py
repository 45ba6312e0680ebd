"""The due list as a page, for the screen and for paper."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import groupby

import pandas as pd

from audit.findings.result import DueList
from audit.report.due_words import CAUTION, Row, what_is_due, when_in_words
from audit.report.pages import content_hash, page_template, side_style


@dataclass(frozen=True)
class Line:
    """What comes for one aircraft: boots that share it stand together."""

    kind: str
    when: str
    station: str
    aircraft: str
    boots: tuple[str, ...]
    what: str
    record: str
    rule: str
    note: str


def lines(due: DueList, rows: pd.DataFrame | None = None) -> list[Line]:
    """The rows of a due list, or only these of them, as lines, in its order."""
    made = []
    chosen = due.rows if rows is None else rows
    for _, alike in groupby(chosen.to_dict("records"), key=_shared):
        together = list(alike)
        row = together[0]
        made.append(
            Line(
                kind=row["kind"],
                when=when_in_words(row, due.zones.get(row["station"])),
                station=row["station"],
                aircraft=row["aircraft"] or row["name"],
                boots=tuple(filter(None, (_boot(each) for each in together))),
                what=what_is_due(row),
                record=", ".join(filter(None, (row["work_order"], row["task_id"]))),
                rule=row["rule"],
                note=row["note"],
            )
        )
    return made


def _shared(row: Row) -> tuple[str, ...]:
    alone = ("position", "component_serial")
    return tuple(str(value) for name, value in row.items() if name not in alone)


def _boot(row: Row) -> str:
    serial = f" ({row['component_serial']})" if row["component_serial"] else ""
    return f"{row['position']}{serial}".strip()


def bands_in_words(due: DueList) -> Iterable[str]:
    """How far the bands can be trusted, rule by rule."""
    for rule, of_rule in groupby(due.bands, key=lambda band: band[0]):
        bands = [band for _, band in of_rule]
        known = [band for band in bands if band.coverage == band.coverage]
        if not known:
            yield f"{rule}: too few past forecasts for a band."
            continue
        low, high = (round(100 * edge(band.coverage for band in known)) for edge in (min, max))
        share = f"{low} %" if low == high else f"{low} to {high} %"
        cases = sum(band.cases for band in known)
        yield (
            f"{rule}: the band is meant to hold 80 % of all dates; made from the earlier half of {cases:,} past "
            f"forecasts of this fleet it held {share} of the later half."
        )


def page(due: DueList) -> str:
    """Return the due list as a page that loads nothing."""
    style = side_style("due.css")
    every = lines(due)
    sections = [
        ("Cures and other holds that run", [line for line in every if line.kind == "hold"]),
        ("Treatments", [line for line in every if line.kind == "treatment"]),
        ("Authorisations, lots and manuals", [line for line in every if line.kind not in ("hold", "treatment")]),
    ]
    return page_template("due.html.j2").render(
        due=due,
        as_of=f"{due.as_of:%Y-%m-%d %H:%M} UTC",
        days=f"{due.within.total_seconds() / 86_400:g}",
        sections=sections,
        bands=list(bands_in_words(due)),
        caution=CAUTION,
        style=style,
        style_hash=content_hash(style),
    )
