"""The outcome of a drill: as a page, as CSV and JSON files, and as lines for a terminal."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import pandas as pd

from audit.drill.drilling import Drilled, OfRule
from audit.findings.drilled import FORMAT
from audit.report.pages import content_hash, page_template, side_style
from audit.report.rows import csv_text, day_and_time, instant

CSV_COLUMNS: Final = (
    "rule", "subjects", "planted", "detected", "missed", "unjudged", "quarantined", "masked", "at_least_95", "inside",
    "false_alarms", "not_plantable",
)  # fmt: skip
_MOST: Final = 200
_MARK: Final = "planted"


@dataclass(frozen=True)
class NotFound:
    """Planted faults of one rule with the same outcome and reason, and where the first of them was."""

    rule: str
    outcome: str
    reason: str
    count: int
    first: str


@dataclass(frozen=True)
class Changed:
    """Other findings of a rule that came or went with the faults planted of another."""

    cause: str
    rule: str
    new: int
    gone: int


def share(one: float) -> str:
    """A share as per cent, rounded down: what is said of it stays true."""
    return f"{math.floor(one * 1000) / 10:g} %"


def why_not(one: OfRule) -> str:
    """Why subjects of a rule can't have a fault planted."""
    if not one.subjects:
        return "nothing in scope"
    return "; ".join(f"{why} ({count:,})" for why, count in one.not_plantable.items())


def headline(drilled: Drilled) -> str:
    """How many of the planted faults were found, and of the values just inside a limit found fault with."""
    inside = sum(one.inside for one in drilled.rules)
    return (
        f"{drilled.detected:,} of {drilled.planted:,} planted faults found; {drilled.false_alarms:,} false alarms in "
        f"{inside:,} values planted just inside a limit."
    )


def below(drilled: Drilled, least: float) -> tuple[str, ...]:
    """The rules of whose planted faults a smaller share was found, or that raised a false alarm."""
    return tuple(
        one.rule for one in drilled.rules if one.planted and (one.detected < least * one.planted or one.false_alarms)
    )


def lines(drilled: Drilled) -> list[str]:
    """What a terminal is told: the sum, and each rule whose faults were not all found."""
    told = [headline(drilled)]
    told += [
        f"{one.rule}: {one.count:,} {one.outcome}{f' ({one.reason})' if one.reason else ''}"
        for one in _not_found(drilled)
    ]
    unproven = [one.rule for one in drilled.rules if not one.planted]
    return [*told, *([f"Not drilled, {len(unproven):,} rules: {', '.join(unproven)}"] if unproven else [])]


def files(drilled: Drilled, version: str) -> dict[str, str]:
    """The files of a drill; each says that its faults were planted."""
    return {
        "drill.html": page(drilled),
        "drill.json": summary(drilled, version),
        "drill.csv": csv_text(_marked(table(drilled))),
        "drill-plantings.csv": csv_text(_marked(drilled.plantings)),
        "drill-beside.csv": csv_text(_marked(drilled.beside)),
    }


def table(drilled: Drilled) -> pd.DataFrame:
    """Rule by rule, as drill.csv has it (CSV_COLUMNS)."""
    rows = [
        (
            one.rule,
            one.subjects,
            one.planted,
            *one.outcomes.values(),
            one.lower,
            one.inside,
            one.false_alarms,
            why_not(one),
        )
        for one in drilled.rules
    ]
    return pd.DataFrame(rows, columns=list(CSV_COLUMNS))


def _marked(frame: pd.DataFrame) -> pd.DataFrame:
    """A table that says in each row that it is of a drill."""
    return pd.DataFrame({"drill": _MARK, **{str(name): frame[name] for name in frame}}, index=frame.index)


def summary(drilled: Drilled, version: str) -> str:
    """The drill in short, for the next report (`check --drilled FILE`)."""
    return (
        json.dumps(
            {
                "format": FORMAT,
                "version": version,
                "export": drilled.export_name,
                "as_of": instant(drilled.as_of),
                "seed": drilled.seed,
                "copies": drilled.copies,
                "planted": drilled.planted,
                "detected": drilled.detected,
                "false_alarms": drilled.false_alarms,
                "rules": {one.rule: {"planted": one.planted, "detected": one.detected} for one in drilled.rules},
            },
            indent=2,
        )
        + "\n"
    )


def page(drilled: Drilled) -> str:
    """Return the drill as a page that loads nothing."""
    style = side_style("drill.css")
    changed = _changed(drilled)
    return page_template("drill.html.j2").render(
        drilled=drilled,
        as_of=day_and_time(instant(drilled.as_of)),
        headline=headline(drilled),
        drilled_rules=[one for one in drilled.rules if one.planted],
        unproven=[(one, why_not(one)) for one in drilled.rules if not one.planted],
        not_found=_not_found(drilled),
        alarms=_alarms(drilled),
        changed=changed[:_MOST],
        more=max(len(changed) - _MOST, 0),
        uncaused=int((drilled.beside["cause_rule"] == "").sum()),
        share=share,
        why_not=why_not,
        style=style,
        style_hash=content_hash(style),
    )


def _not_found(drilled: Drilled) -> list[NotFound]:
    """Planted faults that were not found, by rule, outcome and reason."""
    rows = drilled.plantings
    lost = rows[(rows["side"] == "outside") & (rows["outcome"] != "detected")]
    return [_lost(tuple(key), those) for key, those in lost.groupby(["rule", "outcome", "reason"], sort=False)]


def _lost(key: Sequence[Any], those: pd.DataFrame) -> NotFound:
    rule, outcome, reason = map(str, key)
    return NotFound(rule, outcome, reason, len(those), _where(those.iloc[0]))


def _alarms(drilled: Drilled) -> list[NotFound]:
    rows = drilled.plantings
    false = rows[rows["outcome"] == "false alarm"]
    return [NotFound(row["rule"], row["outcome"], row["what"], 1, _where(row)) for _, row in false.iterrows()]


def _where(row: Mapping[str, str] | pd.Series) -> str:
    return ", ".join(str(row[name]) for name in ("aircraft", "position", "task_id", "flight_id") if row[name])


def _changed(drilled: Drilled) -> Sequence[Changed]:
    """The other findings that came or went, by the rule planted and the rule that changed, most first."""
    counts: dict[tuple[str, str], list[int]] = {}
    for cause, rule, change in zip(*(drilled.beside[name] for name in ("cause_rule", "rule", "change")), strict=True):
        counts.setdefault((cause, rule), [0, 0])[change == "gone"] += 1
    found = [Changed(cause, rule, new, gone) for (cause, rule), (new, gone) in counts.items()]
    return sorted(found, key=lambda one: (-one.new - one.gone, one.cause, one.rule))
