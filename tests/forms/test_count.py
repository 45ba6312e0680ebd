"""The count form at its limits."""

from __future__ import annotations

from typing import Any

import pandas as pd
import pytest

from tests.forms.rules import outcomes, rule, verdict

PRESERVE = {"action": {"is": "apply"}, "product_class": {"is": "rubber-preservative"}}
LEAST = rule("count", scope=PRESERVE, coats={"at_least": 3})
MOST = rule("count", scope=PRESERVE, coats={"at_most": 3})
COAT = {"product": "rubber-preservative", "started_at": "2025-06-02T09:00:00Z"}


@pytest.mark.parametrize(
    ("coats", "least", "most"),
    [
        pytest.param([{"coat": 1}, {"coat": 2}], "1 finding", "1 complies", id="two"),
        pytest.param([{"coat": 1}, {"coat": 2}, {"coat": 3}], "1 complies", "1 complies", id="three"),
        pytest.param([{"coat": n} for n in (1, 2, 3, 4)], "1 complies", "1 finding", id="four"),
        pytest.param([{"coat": 1}, {"coat": 2}, {"coat": 2}], "1 unjudged", "1 complies", id="twice-the-second"),
        pytest.param([{"coat": n} for n in (1, 2, 3, 3)], "1 complies", "1 unjudged", id="twice-the-third"),
        pytest.param([{"coat": 1}, {"coat": 1}], "1 finding", "1 complies", id="too-few-even-if-they-are-two"),
        pytest.param([{"coat": n} for n in (1, 2, 3, 4, 4)], "1 complies", "1 finding", id="too-many-anyway"),
        pytest.param([{"coats": 3}], "1 complies", "1 complies", id="one-record-of-three"),
        pytest.param([{"coats": 3}, {"coat": 4}], "1 complies", "1 finding", id="one-more"),
        pytest.param([{}], "1 unjudged", "1 unjudged", id="who-knows-how-many"),
        pytest.param([{}, {}, {}], "1 complies", "1 unjudged", id="three-at-the-least"),
        pytest.param([{}, {}, {}, {}], "1 complies", "1 finding", id="four-at-the-least"),
    ],
)
def test_coats_of_a_session(coats: list[dict[str, Any]], least: str, most: str) -> None:
    """Coats are counted by their numbers, or as many as a record says; a number that comes twice is one coat or two, a
    bare record one or more."""
    tasks = [COAT | {"started_at": f"2025-06-02T09:{10 * n:02}:00Z"} | one for n, one in enumerate(coats)]
    assert verdict(LEAST, tasks=tasks) == least
    assert verdict(MOST, tasks=tasks) == most


def test_one_coat_entered_twice_at_one_time() -> None:
    """The same number at the same time is one coat: two are too few, and three are not four."""
    assert verdict(LEAST, tasks=[COAT | {"coat": n} for n in (1, 2, 2)]) == "1 finding"
    assert verdict(MOST, tasks=[COAT | {"coat": n} for n in (1, 2, 3, 3)]) == "1 complies"


def test_coats_at_no_position() -> None:
    """Enough, or too many, of one boot may be of several, each with fewer; too few of all are too few of any."""
    for coats, least, most in ((2, "1 finding", "1 complies"), (4, "1 unjudged", "1 unjudged")):
        tasks = [COAT | {"coat": n, "position": None} for n in range(1, coats + 1)]
        assert (verdict(LEAST, tasks=tasks), verdict(MOST, tasks=tasks)) == (least, most)
    assert verdict(LEAST, tasks=[COAT | {"coats": 3, "position": None}]) == "1 complies"
    once = LEAST | {"coats": {"at_least": 1}}
    assert verdict(once, tasks=[COAT | {"coat": n, "position": None} for n in (1, 2)]) == "1 complies"


ON_A_DAY = [{"removed_at": "2025-06-02"}, {"component_serial": "C2", "installed_at": "2025-06-02"}]


@pytest.mark.parametrize(
    ("coats", "least", "most"),
    [
        pytest.param(2, "1 finding", "1 complies", id="too-few-even-of-one"),
        pytest.param(3, "1 unjudged", "1 complies", id="enough-of-one"),
        pytest.param(4, "1 unjudged", "1 unjudged", id="too-many-of-one"),
    ],
)
def test_coats_of_a_day_on_which_the_boot_was_swapped(coats: int, least: str, most: str) -> None:
    """They may be of two boots, each with fewer: at which time of the day it was swapped isn't known."""
    tasks = [COAT | {"started_at": f"2025-06-02T09:{10 * n:02}:00Z", "coat": n + 1} for n in range(coats)]
    assert verdict(LEAST, tasks=tasks, components=ON_A_DAY) == least
    assert verdict(MOST, tasks=tasks, components=ON_A_DAY) == most


def test_a_session_is_of_one_work_order_position_and_class() -> None:
    """Coats are counted for each work order and position by itself."""
    tasks = [COAT | {"coats": 2}, COAT | {"coats": 2, "work_order": "W2"}, COAT | {"coats": 3, "position": "tail"}]
    assert verdict(LEAST, tasks=tasks) == "2 finding, 1 complies"


def test_a_session_that_may_not_be_one() -> None:
    """What may be out of scope is unjudged, however many coats there are."""
    assert verdict(LEAST, tasks=[COAT | {"coats": 1, "product": "unheard-of"}]) == "1 unjudged"


TREAT = {"action": {"is": "apply"}, "product_class": {"is": "ice-adhesion-treatment"}}
WINTER = {"from": "10-01", "to": "04-30"}
TREATED = rule("count", scope=TREAT, sessions={"at_least": 1}, season=WINTER)
RARELY = rule("count", scope=TREAT, sessions={"at_most": 1}, season=WINTER)
TREATMENT = {"product": "ice-adhesion-treatment", "started_at": "2025-11-03T10:00:00Z"}
BEFORE = {"action": "inspect", "product": None, "started_at": "2025-06-02T09:00:00Z"}
FLIGHT = {"takeoff_at": "2025-12-01T10:00:00Z"}


@pytest.mark.parametrize(
    ("done", "flown", "expected"),
    [
        pytest.param([TREATMENT], FLIGHT, "1 complies", id="treated"),
        pytest.param([], FLIGHT, "1 finding", id="not-treated"),
        pytest.param([], {"takeoff_at": "2025-10-01T00:00:00Z"}, "1 finding", id="flown-as-the-season-began"),
        pytest.param([], {"takeoff_at": "2025-09-30T23:59:59Z"}, "idle", id="flown-just-before-the-season"),
        pytest.param([], {"takeoff_at": "2026-04-30T23:59:59Z"}, "1 finding", id="flown-as-the-season-ended"),
        pytest.param([], {"takeoff_at": "2026-05-01T00:00:00Z"}, "idle", id="flown-just-after-the-season"),
        pytest.param([], FLIGHT | {"aircraft": "A2"}, "1 unjudged", id="another-aircraft-flew"),
        pytest.param([TREATMENT | {"status": "void"}], FLIGHT, "1 finding", id="void"),
        pytest.param([TREATMENT | {"position": "right wing"}], FLIGHT, "1 finding", id="elsewhere"),
        pytest.param([TREATMENT | {"position": None}], FLIGHT, "1 unjudged", id="no-position"),
        pytest.param([TREATMENT | {"product": "unheard-of"}], FLIGHT, "1 unjudged", id="unknown-product"),
        pytest.param(
            [TREATMENT | {"started_at": "2025-09-30T23:49:59Z", "finished_at": "2025-09-30T23:59:59Z"}],
            FLIGHT,
            "1 finding",
            id="ended-just-before-the-season",
        ),
        pytest.param(
            [TREATMENT | {"started_at": "2025-09-30T23:50:00Z", "finished_at": "2025-10-01T00:00:00Z"}],
            FLIGHT,
            "1 complies",
            id="ended-as-the-season-began",
        ),
    ],
)
def test_a_boot_that_flew_in_the_season(done: list[dict[str, Any]], flown: dict[str, Any], expected: str) -> None:
    """A boot that flew in a season is treated in it, at its own position; a session counts by its end."""
    assert verdict(TREATED, "2026-06-01T00:00:00Z", tasks=[BEFORE, *done], flights=[flown]) == expected


@pytest.mark.parametrize(
    ("as_of", "expected"), [("2026-04-30T23:59:59Z", "1 unjudged"), ("2026-05-01T00:00:00Z", "1 finding")]
)
def test_a_season_that_is_not_over(as_of: str, expected: str) -> None:
    """What isn't done may still be done while the season lasts."""
    assert verdict(TREATED, as_of, tasks=[BEFORE], flights=[FLIGHT]) == expected
    assert verdict(TREATED, as_of, tasks=[BEFORE, TREATMENT], flights=[FLIGHT]) == "1 complies"


@pytest.mark.parametrize(
    ("first", "expected"), [("2025-10-01T00:00:00Z", "1 finding"), ("2025-10-01T00:00:01Z", "1 unjudged")]
)
def test_a_season_that_began_before_the_export(first: str, expected: str) -> None:
    """It may have been treated before the export begins; unless it was installed later."""
    tasks = [BEFORE | {"started_at": first}]
    assert verdict(TREATED, "2026-06-01T00:00:00Z", tasks=tasks, flights=[FLIGHT]) == expected
    new = [{"installed_at": "2025-11-20T00:00:00Z"}]
    assert verdict(TREATED, "2026-06-01T00:00:00Z", tasks=tasks, flights=[FLIGHT], components=new) == "1 finding"


def test_a_boot_that_was_there_before_the_export_and_came_back() -> None:
    """What was done to it in its first stay of the season is not known: it may have been treated."""
    stays = [
        {"installed_at": "2025-01-10T00:00:00Z", "removed_at": "2025-10-20T00:00:00Z"},
        {"installed_at": "2025-11-20T00:00:00Z"},
    ]
    for first, expected in (("2025-10-25T00:00:00Z", "1 unjudged"), ("2025-10-01T00:00:00Z", "1 finding")):
        tasks = [BEFORE | {"started_at": first}]
        assert verdict(TREATED, "2026-06-01T00:00:00Z", tasks=tasks, flights=[FLIGHT], components=stays) == expected


@pytest.mark.parametrize(("material", "expected"), [("?", "1 unjudged"), ("chloroprene", "1 finding"), (None, "idle")])
def test_a_boot_that_may_have_flown_before(material: str | None, expected: str) -> None:
    """A row of it in quarantine says that it was there as the aircraft flew: it may be in scope."""
    stays = [{"installed_at": "2025-11-20T00:00:00Z"}]
    if material is not None:
        before = {"installed_at": "2025-10-05T00:00:00Z", "removed_at": "2025-11-20T00:00:00Z", "material": material}
        stays = [before, *stays]
    flights = [{"takeoff_at": "2025-11-10T10:00:00Z"}]
    assert verdict(TREATED, "2026-06-01T00:00:00Z", tasks=[BEFORE], flights=flights, components=stays) == expected


def test_each_boot_has_its_own_season() -> None:
    """A treatment of the boot that was there before is none of its successor's; removal ends a boot's season."""
    swap = "2025-11-20T00:00:00Z"
    boots = [{"removed_at": swap}, {"component_serial": "C2", "installed_at": swap}]
    flights = [{"takeoff_at": "2025-11-10T10:00:00Z"}, FLIGHT]
    export = {"tasks": [BEFORE, TREATMENT], "flights": flights, "components": boots}
    assert verdict(TREATED, "2025-12-10T00:00:00Z", **export) == "1 unjudged, 1 complies"
    assert verdict(TREATED, "2026-06-01T00:00:00Z", **export) == "1 finding, 1 complies"
    removed = export | {"tasks": [BEFORE]}
    assert verdict(TREATED, "2025-12-10T00:00:00Z", **removed) == "1 finding, 1 unjudged"


def test_more_sessions_than_allowed() -> None:
    """Too many are too many at once; one that may be one more leaves it open."""
    again = TREATMENT | {"work_order": "W2", "started_at": "2025-11-20T10:00:00Z"}
    export = {"flights": [FLIGHT]}
    assert verdict(RARELY, "2025-12-10T00:00:00Z", tasks=[BEFORE, TREATMENT], **export) == "1 complies"
    assert verdict(RARELY, "2025-12-10T00:00:00Z", tasks=[BEFORE, TREATMENT, again], **export) == "1 finding"
    perhaps = again | {"product": "unheard-of"}
    assert verdict(RARELY, "2025-12-10T00:00:00Z", tasks=[BEFORE, TREATMENT, perhaps], **export) == "1 unjudged"


def test_without_flight_logs_nobody_knows_what_flew() -> None:
    """Treated or not: whether a boot is in scope can't be told."""
    tasks = [BEFORE, TREATMENT]
    assert verdict(TREATED, "2026-06-01T00:00:00Z", tasks=tasks, not_supplied=["flights"]) == "1 unjudged"
    assert verdict(TREATED, "2026-06-01T00:00:00Z", tasks=tasks, flights=[]) == "1 unjudged"


def test_a_boot_that_may_be_none_of_those_asked_about() -> None:
    """A boot of unknown finish may or may not be in scope."""
    black = TREATED | {"boots": {"component.finish": {"is": "black"}}}
    for finish, expected in (("black", "1 finding"), ("silver", "idle"), (None, "1 unjudged")):
        export = {"tasks": [BEFORE], "flights": [FLIGHT], "components": [{"finish": finish}]}
        assert verdict(black, "2026-06-01T00:00:00Z", **export) == expected


def test_what_a_case_of_a_season_shows() -> None:
    """A finding names the boot, its first flight in the season, and the time that it was there in it."""
    swap = "2025-11-20T00:00:00Z"
    boots = [{"removed_at": swap}, {"component_serial": "C2", "installed_at": swap}]
    flights = [{"takeoff_at": "2025-12-24T10:00:00Z"}, FLIGHT, {"takeoff_at": "2025-11-10T10:00:00Z"}]
    tasks = [BEFORE, TREATMENT]
    case = outcomes(TREATED, "2026-06-01T00:00:00Z", tasks=tasks, flights=flights, components=boots).cases.iloc[0]
    assert (case["component"], case["flight"], case["task"]) == (1, 1, -1)
    assert [pd.Timestamp(case[name], unit="us") for name in ("anchor", "at")] == [
        pd.Timestamp("2025-11-20"),
        pd.Timestamp("2026-05-01"),
    ]
    assert (case["measured"], case["limit"], case["unit"]) == (0, 1, "treatments")
    open_case = outcomes(TREATED, "2026-04-01T00:00:00Z", tasks=tasks, flights=flights, components=boots).cases.iloc[0]
    assert (open_case["reason"], open_case["flight"]) == ("the season is not over", -1)
    later = [BEFORE | {"started_at": "2025-10-02T00:00:00Z"}]
    unseen = outcomes(TREATED, "2026-06-01T00:00:00Z", tasks=later, flights=[FLIGHT]).cases.iloc[0]
    assert unseen["reason"] == "the season began before the first record or flight of the export"
