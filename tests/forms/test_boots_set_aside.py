"""A row of the boots' history that was set aside may say where a boot was: doubt for this boot, and for no other."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import pandas as pd
import pytest

from audit.intake.reading import read_rows
from audit.timeline import possible_stays
from audit.timeline.timeline import build_timeline
from tests.forms import twin
from tests.forms.rules import rule
from tests.forms.test_possible_worlds import GUARD, PRESERVE, said_of

PREPARED = rule("precede", scope=GUARD, needs=PRESERVE, within="PT240H")
FLOWN = rule("interval", scope=GUARD, at_most={"flight_hours": 4})
WITHIN_DAYS = rule("interval", scope=GUARD, at_most={"days": 12})
ONCE = rule("count", scope=PRESERVE, sessions={"at_least": 1}, season={"from": "06-01", "to": "06-25"})
HELD = rule("hold", scope=GUARD, forbid={"event": "takeoff"}, **{"for": "PT96H"})

AWAY = ("2025-06-10T00:00:00Z", "2025-06-20T00:00:00Z")


def stay(serial: str, aircraft: str, position: str, since: str = "2020-01-01T00:00:00Z", until: str = "") -> twin.Row:
    """A boot at a place."""
    kind = {"material": "chloroprene", "finish": "black"}
    place = {"component_serial": serial, "aircraft": aircraft, "position": position}
    return {**place, **kind, "installed_at": since, "removed_at": until}


def work(task: str, day: str, aircraft: str, position: str, product: str) -> dict[str, str]:
    """A record of no length on a day at noon."""
    at = dict.fromkeys(("started_at", "finished_at"), f"2025-06-{day}T12:00:00Z")
    order = {"work_order": task, "action": "apply", "station": "S1"}
    return {"task_id": task, "aircraft": aircraft, "position": position, "product": product, **order, **at}


def flown(aircraft: str, day: int) -> dict[str, str]:
    """A flight of an hour."""
    times = {"takeoff_at": f"2025-06-{day:02}T06:00:00Z", "landing_at": f"2025-06-{day:02}T07:00:00Z"}
    return {"flight_id": f"{aircraft}-{day}", "aircraft": aircraft, "origin": "S1", "destination": "S1", **times}


def said(
    data: Mapping[str, Any],
    aside: Mapping[str, str],
    *,
    back: bool = True,
    since: str = "2020-01-01T00:00:00Z",
    others: Sequence[Mapping[str, str]] = (),
    as_of: str = "2025-06-30T12:00:00Z",
) -> dict[str, twin.Verdict]:
    """What is said of two boots, S, which was off for ten days, and R, which never was, beside a row of the history."""
    tables = {
        "tasks": [
            *others,
            work("T1", "05", "A1", "left", "preserve"),
            *(work(f"T{number}", "08", "A1", one, "guard") for number, one in ((2, "left"), (3, "right"))),
            work("T4", "15", "A2", "left", "preserve"),
            *(work(f"T{number}", "22", "A1", one, "guard") for number, one in ((5, "left"), (6, "right"))),
        ],
        "flights": [flown(one, day) for one, days in (("A1", (1, 7, 24, 30)), ("A2", range(1, 30, 2))) for day in days],
        "components": [
            stay("S", "A1", "left", since, AWAY[0]),
            *([stay("S", "A1", "left", AWAY[1])] if back else []),
            stay("R", "A1", "right"),
            stay("Q", "A2", "right"),
            {**stay("S", "A2", "left", *AWAY), **aside},
        ],
        "products": [
            {"product": "preserve", "product_class": "rubber-preservative"},
            {"product": "guard", "product_class": "ice-adhesion-treatment"},
        ],
        "stations": [{"station": "S1", "timezone": "UTC"}],
    }
    timeline = build_timeline(read_rows(tables), pd.Timestamp(as_of))
    found: dict[str, twin.Verdict] = {}
    for subject, verdicts in said_of(data, timeline).items():
        boot = {"T1": "S early", "T2": "S early", "T3": "R early", "T5": "S", "T6": "R"}.get(subject[0], subject[0])
        found[boot] = twin.all_of(verdicts)
    return found


NAMELESS = {"component_serial": ""}
OPEN = [
    pytest.param(NAMELESS, id="of-no-boot"),
    pytest.param({"position": ""}, id="at-no-position"),
    pytest.param({"aircraft": ""}, id="on-no-aircraft"),
    pytest.param({"material": "?"}, id="of-no-material"),
    pytest.param({"installed_at": "?"}, id="since-an-unknown-time"),
]


@pytest.mark.parametrize("aside", OPEN)
def test_what_was_done_elsewhere_meanwhile_may_be_of_the_boot(aside: dict[str, str]) -> None:
    """Work and flights at a place where only a row set aside has a boot are in doubt for it, and for no boot that is
    known to have been elsewhere."""
    prepared = said(PREPARED, aside)
    assert (prepared["S"], prepared["R"]) == (None, False)
    flown = said(FLOWN, aside)
    assert (flown["S"], flown["R"]) == (None, True)
    held = said(HELD, aside)
    assert (held["S early"], held["R early"]) == (None, True)


@pytest.mark.parametrize(
    "aside",
    [
        pytest.param({**NAMELESS, "removed_at": "2025-06-15T12:00:00Z"}, id="gone-before-the-work"),
        pytest.param({**NAMELESS, "installed_at": "2025-06-15T12:00:01Z"}, id="came-after-the-work"),
        pytest.param({"component_serial": "Q", "material": "?"}, id="of-another-boot"),
        pytest.param({**NAMELESS, "position": "right"}, id="where-another-boot-is"),
        pytest.param({"position": "", "aircraft": "A1"}, id="where-it-is-not-worked-on"),
    ],
)
def test_what_a_row_set_aside_can_not_be_about_is_judged(aside: dict[str, str]) -> None:
    """By its times, its boot and its place a row that was set aside is bounded."""
    assert said(PREPARED, {"material": "?", **aside})["S"] is False


@pytest.mark.parametrize(("most", "expected"), [(1, None), (0, False)])
def test_a_row_that_may_be_about_many_boots(most: int, expected: twin.Verdict, monkeypatch: pytest.MonkeyPatch) -> None:
    """It leaves one in doubt as long as these are not too many; one that names its boot always does."""
    monkeypatch.setattr(possible_stays, "MOST_BOOTS", most)
    assert said(PREPARED, NAMELESS)["S"] is expected
    assert said(PREPARED, {"position": ""})["S"] is None


def test_a_season_may_hold_what_was_done_elsewhere() -> None:
    """Too few treatments may be enough by one at a place where only a row set aside has the boot."""
    season = {**ONCE, "season": {"from": "06-09", "to": "06-25"}}
    for aside in (NAMELESS, {"position": ""}):
        found = said(season, aside)
        assert (found["S"], found["R"]) == (None, False)


def test_a_season_may_not_be_over_elsewhere() -> None:
    """Too few treatments may yet be enough of a boot that came off where only a row set aside has it now."""
    twice = rule("count", scope=GUARD, sessions={"at_least": 2}, season={"from": "06-06", "to": "07-10"})
    assert said(twice, {**NAMELESS, "removed_at": "2025-06-20T00:00:00Z"}, back=False)["S"] is False
    assert said(twice, {**NAMELESS, "removed_at": ""}, back=False)["S"] is None


def test_a_season_may_have_begun_elsewhere_before_the_export() -> None:
    """Too few treatments may be enough of a boot that a row set aside may have had before the export begins."""
    thrice = rule("count", scope=GUARD, sessions={"at_least": 3}, season={"from": "05-20", "to": "07-10"})
    before = {**NAMELESS, "installed_at": "2020-01-01T00:00:00Z"}
    for aside, expected in ((NAMELESS, False), (before, None)):
        assert said(thrice, aside, back=False, since="2025-06-04T00:00:00Z")["S"] is expected


def test_a_season_may_go_on_elsewhere_behind_the_end_of_the_records() -> None:
    """Too few treatments may be enough of a boot that may have been on where no records come any more."""
    daily = [work(f"D{day}", f"{day:02}", "A9", "left", "wash") for day in range(1, 23)]
    twice = rule("count", scope=GUARD, sessions={"at_least": 2}, season={"from": "06-06", "to": "07-10"})
    for removed, expected in (("2025-06-20T00:00:00Z", False), ("", None)):
        aside = {**NAMELESS, "removed_at": removed}
        assert said(twice, aside, back=False, others=daily, as_of="2025-08-01T00:00:00Z")["S"] is expected


def test_a_boot_may_have_been_on_longer_elsewhere() -> None:
    """The last stretch of a boot goes on where only a row set aside has it: what complies until its removal may not."""
    assert said(WITHIN_DAYS, {"aircraft": "A9", **NAMELESS}, back=False)["S"] is True
    assert said(WITHIN_DAYS, {**NAMELESS, "removed_at": "2025-06-20T00:00:00Z"}, back=False)["S"] is True
    assert said(WITHIN_DAYS, {**NAMELESS, "removed_at": "2025-06-22T00:00:00Z"}, back=False)["S"] is None
    assert said(FLOWN, {**NAMELESS, "removed_at": ""}, back=False)["S"] is None
    assert said(FLOWN, {**NAMELESS, "removed_at": "2025-06-12T00:00:00Z"}, back=False)["S"] is True
