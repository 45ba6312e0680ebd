"""The spacing form at its limits."""

from __future__ import annotations

from typing import Any

import pytest

from tests.forms.rules import outcomes, rule, verdict

PRESERVE = {"action": {"is": "apply"}, "product_class": {"is": "rubber-preservative"}}
PAUSE = rule("spacing", scope=PRESERVE, pause={"at_least": "PT5M", "at_most": "PT1H"})


def coat(started: str, finished: str, **more: Any) -> dict[str, Any]:
    """A coat of one morning."""
    day = "2025-06-02T"
    return {
        "product": "rubber-preservative",
        "started_at": f"{day}{started}Z",
        "finished_at": f"{day}{finished}Z",
        **more,
    }


@pytest.mark.parametrize(
    ("second", "expected"),
    [
        ("09:14:59", "1 finding"),
        ("09:15:00", "1 complies"),
        ("10:10:00", "1 complies"),
        ("10:10:01", "1 finding"),
        ("09:05:00", "1 finding"),
    ],
)
def test_both_limits_are_included(second: str, expected: str) -> None:
    """From the end of a coat to the start of the next: exactly the least and exactly the most comply."""
    assert verdict(PAUSE, tasks=[coat("09:00:00", "09:10:00"), coat(second, "11:00:00")]) == expected


ON_A_DAY = [{"removed_at": "2025-06-02"}, {"component_serial": "C2", "installed_at": "2025-06-02"}]


@pytest.mark.parametrize("second", ["09:14:59", "09:15:00", "10:10:01"])
def test_two_coats_of_a_day_on_which_the_boot_was_swapped(second: str) -> None:
    """They may be of two boots, with no pause between them."""
    tasks = [coat("09:00:00", "09:10:00"), coat(second, "11:00:00")]
    assert verdict(PAUSE, tasks=tasks, components=ON_A_DAY) == "1 unjudged"


def test_coats_at_no_position_may_be_of_several_boots() -> None:
    """Of two there is that pause or none; of three the first and the last may be of one boot, with a longer pause."""
    tasks = [coat(f"09:{at}0:00", f"09:{at}5:00", position=None) for at in (0, 1, 2)]
    assert verdict(PAUSE, tasks=tasks[:2]) == "1 complies"
    assert verdict(PAUSE, tasks=tasks) == "2 unjudged"
    assert verdict(PAUSE | {"pause": {"at_least": "PT5M"}}, tasks=tasks) == "2 complies"


@pytest.mark.parametrize(
    ("started", "finished", "expected"),
    [
        pytest.param("08:00:00", "08:30:00", "1 unjudged, 1 complies", id="before-both"),
        pytest.param("09:12:00", "09:13:00", "2 unjudged", id="in-between"),
        pytest.param("10:00:00", "10:10:00", "1 unjudged, 1 complies", id="after-both"),
    ],
)
def test_what_may_be_another_coat(started: str, finished: str, expected: str) -> None:
    """In between it would make two pauses of one; before or after, the pause to it is not known, and the other is."""
    tasks = [coat("09:00:00", "09:10:00"), coat("09:30:00", "09:40:00")]
    perhaps = coat(started, finished, product="unheard-of")
    assert verdict(PAUSE, tasks=[*tasks, perhaps]) == expected


def test_a_coat_in_no_time_is_too_early_all_the_same() -> None:
    """When its work ended isn't known, but when it began is."""
    tasks = [coat("09:00:00", "09:10:00"), coat("09:12:00", "09:12:00")]
    assert verdict(PAUSE, tasks=tasks) == "1 finding"


@pytest.mark.parametrize(
    ("first", "second"),
    [
        pytest.param(("09:00:00", "09:00:00"), ("09:30:00", "09:40:00"), id="the-first-in-no-time"),
        pytest.param(("09:00:00", "09:10:00"), ("09:30:00", "09:30:00"), id="the-second-in-no-time"),
        pytest.param(("09:10:00", "09:00:00"), ("09:30:00", "09:40:00"), id="the-first-turned"),
        pytest.param(("09:00:00", "09:10:00"), ("09:30:00", "09:20:00"), id="the-second-turned"),
    ],
)
def test_either_coat_may_lack_a_time(first: tuple[str, str], second: tuple[str, str]) -> None:
    """When one of them began, or ended, isn't known, though the pause looks right."""
    assert verdict(PAUSE, tasks=[coat(*first), coat(*second)]) == "1 unjudged"


def test_coats_follow_their_numbers() -> None:
    """A second coat put on before the first is a pause below nothing."""
    first, second = coat("10:00:00", "10:10:00", coat=1), coat("09:00:00", "09:10:00", coat=2)
    case = outcomes(PAUSE, tasks=[first, second]).cases.iloc[0]
    assert (case["finding"], case["measured"], case["limit"], case["unit"]) == (True, -70.0, 5.0, "min")


@pytest.mark.parametrize(
    ("first", "second", "expected"),
    [
        pytest.param({"coat": 1}, {"coat": 2}, "1 complies", id="numbered"),
        pytest.param({}, {}, "1 complies", id="by-their-starts"),
        pytest.param({"coat": 1}, {"coat": 3}, "1 unjudged", id="one-in-between-missing"),
        pytest.param({"coat": 2}, {"coat": 2}, "1 unjudged", id="one-number-twice"),
        pytest.param({}, {"started_at": "2025-06-02T09:00:00Z"}, "1 unjudged", id="began-together"),
        pytest.param({"coats": 2}, {}, "1 unjudged, 1 complies", id="a-record-of-two"),
        pytest.param({"coats": 1}, {"coats": 1}, "1 complies", id="records-of-one"),
        pytest.param({"coats": "two"}, {}, "1 unjudged, 1 complies", id="a-record-of-an-unreadable-number"),
        pytest.param({}, {"work_order": "W2"}, "idle", id="two-work-orders"),
        pytest.param({}, {"position": "tail"}, "idle", id="two-positions"),
        pytest.param({"product": "unheard-of"}, {"product": "unheard-of"}, "1 unjudged", id="unknown-product"),
    ],
)
def test_what_makes_a_pair(first: dict[str, Any], second: dict[str, Any], expected: str) -> None:
    """Pairs are consecutive coats of a session; where the sequence isn't known, the pause isn't."""
    tasks = [coat("09:00:00", "09:10:00") | first, coat("09:20:00", "09:30:00") | second]
    assert verdict(PAUSE, tasks=tasks) == expected
