"""The stories of findings: what is told is what the records hold."""

from __future__ import annotations

import shutil
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pandas as pd
import pytest

from audit.authoring.running import timeline_of
from audit.findings.collect import collect
from audit.findings.matters import first_matters
from audit.findings.result import AuditResult
from audit.forms.judging import judge_rule
from audit.language.rule import Example, Rule
from audit.pipeline import Audited, run_audit
from audit.report.pictures import draw
from audit.rulebook.loading import load_rules
from audit.scenes.stories import drawings_of, stories
from audit.scenes.values import Scene, Span, Story, Usage
from audit.shipped import rules_folder, sample_folder, sample_settings
from audit.timeline.instants import HOUR, instant
from tests.forms.rules import RULES, rule

FINDINGS = [
    pytest.param(one, example, id=f"{one.id}: {example.name}")
    for one in load_rules(rules_folder()).rules
    for example in one.examples
    if example.expect == "finding" and example.known_gap is None
]


@pytest.fixture(scope="module")
def sample(sample_audit: Audited) -> AuditResult:
    """The sample records, audited."""
    return sample_audit.result


def told(rule: Rule, example: Example) -> tuple[pd.DataFrame, tuple[Story, ...]]:
    """The findings of an example, and their stories."""
    timeline = timeline_of(example)
    collected = collect([(rule, judge_rule(rule, timeline))], timeline)
    drawings = drawings_of([rule])
    wanted = first_matters(collected.findings, drawings)
    return collected.findings, stories(wanted, drawings, collected.findings, collected.cases, timeline)


@pytest.mark.parametrize(("rule", "example"), FINDINGS)
def test_every_example_can_be_told_and_drawn(rule: Rule, example: Example) -> None:
    """Whatever a shipped rule finds in its examples has a story that can be drawn, or none; never an error."""
    found, several = told(rule, example)
    assert len(found)
    for story in several:
        assert story.finding_id in set(found["finding_id"])
        assert story.start < story.end
        assert draw(story).says


def story_of(sample: AuditResult, **evidence: str) -> Story:
    """The story of the one finding with this evidence."""
    findings = sample.findings
    for name, value in evidence.items():
        findings = findings[findings[name] == value]
    [story] = [story for story in sample.stories if story.finding_id in set(findings["finding_id"])]
    return story


def alone(rule: str, tmp_path: Path) -> Path:
    """A folder with one of the rules that ship: what others find is not asked."""
    folder = tmp_path / "rules"
    folder.mkdir()
    shutil.copy(next(rules_folder().rglob(f"{rule}.yaml")), folder)
    return folder


def spans(scene: Scene, lane: str) -> tuple[Span, ...]:
    """The things on a lane."""
    [found] = [one for one in scene.lanes if one.name == lane]
    return found.spans


def at(text: str) -> int:
    """A time as microseconds."""
    return instant(pd.Timestamp(text))


def test_a_hold_shows_its_wait_what_broke_it_and_what_is_missing(sample: AuditResult) -> None:
    """24 h from the last coat; airborne 5 h 12 min after it, 18 h 48 min too early; coats and flight are there."""
    scene = story_of(sample, rule="flight-before-cure", work_order="WO-ALD-09")
    assert isinstance(scene, Scene)
    assert scene.wait is not None
    assert scene.short is not None
    assert scene.fault is not None
    coats = [span for span in spans(scene, "Work") if span.kind == "treatment"]
    assert [span.record for span in coats] == ["T-ALD-020", "T-ALD-021", "T-ALD-022"]
    assert scene.wait.start == coats[-1].end
    assert scene.wait.end - scene.wait.start == 24 * HOUR
    assert scene.fault[0] - scene.wait.start == 5.2 * HOUR
    assert (scene.short.start, scene.short.end) == (scene.fault[0], scene.wait.end)
    assert scene.short.label == "18 h 48 min short"
    assert [(span.record, span.start) for span in spans(scene, "Flights")] == [("F-ALD-024", scene.fault[0])]
    assert scene.start < coats[0].start
    assert scene.end > scene.wait.end


def test_a_swap_is_shown(sample: AuditResult) -> None:
    """The boot that was swapped out after the flight and its successor both stand on the lane of the position."""
    scene = story_of(sample, rule="flight-before-cure", aircraft="TARN-IVY")
    assert isinstance(scene, Scene)
    first, second = spans(scene, "fin")
    assert first.end <= second.start
    assert first.end > scene.fault[0] if scene.fault else False
    assert [span.name.partition(",")[0] for span in (first, second)] == ["B-IVY-05", "B-IVY-07"]


def test_the_hour_that_came_twice_is_shown(sample: AuditResult) -> None:
    """Coats that ended in the half hour that comes twice say how far their ends may lie; the first coats don't."""
    scene = story_of(sample, rule="flight-before-cure", aircraft="TARN-JUNIPER")
    assert isinstance(scene, Scene)
    coats = [span for span in spans(scene, "Work") if span.kind == "treatment"]
    assert coats[0].later is None
    assert coats[-1].later == coats[-1].end + HOUR // 2


def test_a_record_shows_the_boots_around_it(sample: AuditResult) -> None:
    """Preservative on a boot that was replaced by another material some weeks before: both are on the picture."""
    scene = story_of(sample, rule="preservative-on-wrong-material", aircraft="TARN-DOGWOOD")
    assert isinstance(scene, Scene)
    assert [lane.name for lane in scene.lanes] == ["Work", "left tailplane", "right tailplane"]
    assert [span.name for span in spans(scene, "left tailplane")] == ["B-DOG-03, chloroprene, silver"]
    assert (scene.wait, scene.short) == (None, None)


def test_an_interval_is_a_saw_tooth(sample: AuditResult) -> None:
    """Hours grow flight by flight, fall to nothing at each treatment, and pass the limit where the finding says."""
    usage = story_of(sample, rule="ice-adhesion-treatment-overdue", aircraft="TARN-DOGWOOD")
    assert isinstance(usage, Usage)
    assert (usage.limit, usage.most, usage.unit) == (50.0, 62.5, "flight hours")
    assert usage.counted == ((at("2025-10-01T00:00Z"), at("2026-05-01T00:00Z")),)
    assert usage.start < usage.counted[0][0]
    assert usage.counted[0][1] < usage.end
    falls = [time for (time, amount), (_, later) in pairwise(usage.points) if later < amount]
    assert falls == list(usage.treatments)
    assert all(later >= amount or later == 0 for (_, amount), (_, later) in pairwise(usage.points))
    # It is passed during the flight that takes off at that instant.
    before = max(amount for time, amount in usage.points if usage.treatments[1] < time <= usage.over)
    assert before <= 50.0 < max(amount for _, amount in usage.points)


def test_a_saw_tooth_stands_in_the_season_of_the_aircraft_s_base(tmp_path: Path) -> None:
    """Where settings have an aircraft at a base with another season, that season is the one that is drawn."""
    settings = tmp_path / "bases.yaml"
    settings.write_text(
        "set_by: operator\nsource: a test\n"
        "bases:\n  Petrelspool: {season: southern, aircraft: [TARN-LARCH, TARN-MAPLE]}\n",
        encoding="utf-8",
    )
    overdue = alone("ice-adhesion-treatment-overdue", tmp_path)
    result = run_audit(sample_folder(), overdue, settings=[sample_settings(), settings])
    aircraft = dict(zip(result.findings["finding_id"], result.findings["aircraft"], strict=True))
    drawn = {aircraft[story.finding_id]: story.counted for story in result.stories if isinstance(story, Usage)}
    southern = ((at("2026-04-01T00:00:00Z"), at("2026-11-01T00:00:00Z")),)
    northern = ((at("2025-10-01T00:00:00Z"), at("2026-05-01T00:00:00Z")),)
    assert drawn["TARN-LARCH"] == southern
    assert drawn["TARN-ROWAN"] == northern


def test_a_boot_installed_in_the_season_begins_there(sample: AuditResult) -> None:
    """Hours of the boot before it are not its own."""
    usage = story_of(sample, rule="ice-adhesion-treatment-overdue", aircraft="TARN-FIR")
    assert isinstance(usage, Usage)
    assert [what for _, what in usage.swaps] == ["installed"]
    assert usage.points[0] == (usage.swaps[0][0], 0.0)


def test_one_story_a_matter_told_by_its_worst_finding(sample: AuditResult) -> None:
    """No two stories are of one matter; both wings of one work order are told by one of them."""
    drawn = sample.findings[sample.findings["finding_id"].isin([story.finding_id for story in sample.stories])]
    known = drawn[drawn["work_order"] != ""]
    assert not known.duplicated(["rule", "aircraft", "work_order"]).any()
    assert len(drawn) == len(sample.stories)


def test_the_most_serious_are_told_first_and_no_rule_crowds_out_another(
    sample: AuditResult, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every matter of level 1 is told before any of level 2, and each rule once before any twice; little room holds
    the first of them."""
    ids = [story.finding_id for story in sample.stories]
    told = sample.findings.set_index("finding_id").loc[ids].reset_index()
    assert told["level"].is_monotonic_increasing
    urgent, serious = told[told["level"] == "1"], told[told["level"] == "2"]
    assert 5 <= len(urgent) < 10
    assert 10 < serious["rule"].nunique() < len(serious)
    assert serious["rule"].head(serious["rule"].nunique()).is_unique
    monkeypatch.setattr("audit.findings.matters.DRAWN_MATTERS", 10)
    assert first_matters(told, drawings_of(sample.rules)) == ids[:10]


def test_what_is_no_matter_of_time_is_not_told(sample: AuditResult) -> None:
    """A record that lacks an entry has no picture."""
    entries = sample.findings[sample.findings["rule"] == "ppe-sign-off-missing"]
    assert len(entries)
    assert not set(entries["finding_id"]) & {story.finding_id for story in sample.stories}


DAY = "2025-06-02T"


@pytest.mark.parametrize(
    ("second", "label", "ends"),
    [("09:12", "3 min too early", ("09:12", "09:15")), ("10:30", "20 min too late", ("10:10", "10:30"))],
)
def test_a_pause_shows_the_time_allowed(second: str, label: str, ends: tuple[str, str]) -> None:
    """Both limits of a pause are drawn, and by how much it missed the nearer one."""
    data = rule(
        "spacing",
        scope={"action": {"is": "apply"}, "product_class": {"is": "rubber-preservative"}},
        pause={"at_least": "PT5M", "at_most": "PT1H"},
    )
    rows = [
        {"product": "rubber-preservative", "started_at": f"{DAY}{start}:00Z", "finished_at": f"{DAY}{end}:00Z"}
        for start, end in (("09:00", "09:10"), (second, "11:00"))
    ]
    example = Example.model_validate({"name": "n", "expect": "finding", "tasks": rows})
    _, (scene,) = told(RULES.validate_python(data), example)
    assert isinstance(scene, Scene)
    assert scene.wait is not None
    assert scene.short is not None
    assert (scene.wait.start, scene.wait.end) == (at(f"{DAY}09:15Z"), at(f"{DAY}10:10Z"))
    assert scene.short.label == label
    assert (scene.short.start, scene.short.end) == tuple(at(f"{DAY}{end}Z") for end in ends)


def test_two_things_at_once_show_the_time_they_share() -> None:
    """Work on an aircraft while it was airborne: both bars, and the stretch in which they overlap."""
    data = rule("overlap", between=["tasks", "flights"], same=["aircraft"])
    example = Example.model_validate(
        {
            "name": "n",
            "expect": "finding",
            "tasks": [{"started_at": f"{DAY}09:00:00Z", "finished_at": f"{DAY}10:00:00Z"}],
            "flights": [{"takeoff_at": f"{DAY}09:30:00Z", "landing_at": f"{DAY}11:00:00Z"}],
        }
    )
    _, (scene,) = told(RULES.validate_python(data), example)
    assert isinstance(scene, Scene)
    assert scene.short is not None
    assert (scene.short.start, scene.short.end) == (at(f"{DAY}09:30Z"), at(f"{DAY}10:00Z"))
    assert [len(lane.spans) for lane in scene.lanes] == [1, 1]


def test_records_of_two_aircraft_at_one_station_are_told_apart() -> None:
    """Somebody at two aircraft at once: both lanes are of the same station, so each bar names its aircraft."""
    data = rule("overlap", between=["tasks", "tasks"], same=["performed_by"], differing=["aircraft"])
    work = {"started_at": f"{DAY}09:00:00Z", "finished_at": f"{DAY}10:00:00Z", "product": "cleaner"}
    example = Example.model_validate({"name": "n", "expect": "finding", "tasks": [work, work | {"aircraft": "A2"}]})
    _, (scene,) = told(RULES.validate_python(data), example)
    assert isinstance(scene, Scene)
    assert [lane.spans[0].name for lane in scene.lanes] == ["cleaner, A1", "cleaner, A2"]


def test_a_lane_is_bounded(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A lane holds so many things and counts the others; so does its picture."""
    monkeypatch.setattr("audit.scenes.surroundings.MOST_SPANS", 2)
    cure = alone("flight-before-cure", tmp_path)
    scene = story_of(run_audit(sample_folder(), cure), rule="flight-before-cure", work_order="WO-ALD-09")
    assert isinstance(scene, Scene)
    work = scene.lanes[0]
    assert len(work.spans) == 2
    assert work.left_out > 0
    assert f"and {work.left_out} more" in draw(replace(scene, lanes=(work,))).says
