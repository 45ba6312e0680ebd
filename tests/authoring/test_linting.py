"""Faults of rule files that load: each is told on its line, and a rule without one is left alone."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from audit.authoring.figures import figures_of
from audit.authoring.linting import lint
from audit.rulebook.loading import load_rules
from audit.shipped import rules_folder

GOOD = """\
id: gloss-on-silver
title: Gloss coating on a silver finish
form: record
level: 2
basis:
  - source: common practice, no source
    note: the operator's manual governs
why: It peels.
put_right: Strip it, and record that as a new, dated entry; leave the original entry as it is.
warning: [at-height]
scope:
  action: {is: apply}
  product_class: {is: gloss-coating}
require:
  component.finish: {is: black}
examples:
  - {name: black, expect: complies, tasks: [{product: gloss-coating, started_at: '2025-06-02T09:00:00Z'}]}
  - name: silver
    expect: finding
    tasks: [{product: gloss-coating, started_at: '2025-06-02T09:00:00Z'}]
    components: [{finish: silver}]
  - name: unknown
    expect: unjudged
    tasks: [{product: gloss-coating, started_at: '2025-06-02T09:00:00Z'}]
    components: [{finish: null}]
"""


def said(folder: Path, *rules: str) -> list[str]:
    """The diagnostics about rule files with these texts, each as `line: message`."""
    for text in rules:
        rule_id = text.partition("id: ")[2].partition("\n")[0]
        (folder / f"{rule_id}.yaml").write_text(text, encoding="utf-8")
    return [f"{found.line}: {found.message}" for found in lint(folder)]


def changed(old: str, new: str, text: str = GOOD) -> str:
    assert text.count(old) == 1, old
    return text.replace(old, new)


def test_the_rules_that_ship_have_no_faults() -> None:
    """What lint asks of others, the shipped rules do."""
    assert lint(rules_folder()) == []


REMEDIES = "corrected_by:\n  - event: work\n    where: {action: {is: prepare}, product: {present: true}}\nexamples:\n"
PUT_RIGHT = """\
  - name: stripped
    expect: finding
    corrected_by: T2
    tasks:
      - {product: gloss-coating, started_at: '2025-06-02T09:00:00Z'}
      - {product: surface-prep, action: prepare, started_at: '2025-06-03T09:00:00Z'}
    components: [{finish: silver}]
"""


def test_what_puts_right_has_an_example(tmp_path: Path) -> None:
    """A remedy that no example shows is told, and one that no record can be."""
    text = changed("examples:\n", REMEDIES)
    assert said(tmp_path, text) == ["16: expected an example of a finding that this puts right (corrected_by)"]
    assert said(tmp_path, text + PUT_RIGHT) == []
    never = text.replace("{is: prepare}", "{is: prepare, not: prepare}")
    assert [line for line in said(tmp_path, never + PUT_RIGHT) if "no record can meet this" in line]


def test_a_good_rule_has_no_faults(tmp_path: Path) -> None:
    """The rule that all the faulty ones below are made from has no fault itself."""
    assert said(tmp_path, GOOD) == []


@pytest.mark.parametrize(
    ("scope", "faults"),
    [
        ("{action: {is: apply}}", 1),
        ("{action: {in: [prepare, apply]}, lot: {present: true}}", 1),
        ("{action: {in: [clean, prepare, apply]}}", 0),
        ("{action: {is: inspect}}", 0),
        ("{action: {is: apply}, product: {present: true}}", 0),
        ("{action: {is: apply}, any_of: [{product_class: {is: gloss-coating}}]}", 0),
    ],
)
def test_what_is_put_on_is_told_by_the_product(scope: str, faults: int, tmp_path: Path) -> None:
    """A scope that takes what puts something on a boot by its action alone overlooks what goes by another action."""
    whole = "scope:\n  action: {is: apply}\n  product_class: {is: gloss-coating}\n"
    found = said(tmp_path, changed(whole, f"scope: {scope}\n"))
    assert sum("whatever the record calls the action" in one for one in found) == faults


@pytest.mark.parametrize(
    ("old", "new", "diagnostic"),
    [
        ("why: It peels.", "why: FILL IN.", "8: still to be filled in (FILL IN)"),
        ("id: gloss-on-silver", "id: check-gloss",
         "1: the id names the fault, not the cure: expected it not to begin with `check`"),
        ("title: Gloss", "title: Ensure gloss",
         "2: the title names the fault, not the cure: expected it not to begin with `Ensure`"),
        ("source: common practice, no source", "source: Common practice",
         "6: expected `common practice, no source`, word for word"),
        ("the operator's manual governs", "we do it so",
         "7: practice without a source needs a note that the operator's manual governs"),
        ("    note: the operator's manual governs\n", "",
         "6: practice without a source needs a note that the operator's manual governs"),
        ("source: common practice, no source", "source: A handbook", "6: a published source needs its section"),
        ("warning: [at-height]\n", "",
         "9: this sends someone to the aircraft (`Strip`): expected a `warning` for them, such as [at-height]"),
        ("  - name: unknown\n    expect: unjudged", "  - name: unknown\n    expect: unjudged\n    known_gap: not yet",
         "16: expected an example that is unjudged, such as that the product is not recorded, "
         "or not listed in products"),
        ("name: unknown", "name: silver", "22: another example has this name"),
        ("  action: {is: apply}", "  action: {is: apply, not: apply}", "12: no record can meet this"),
        ("  action: {is: apply}", "  action: {is: apply}\n  any_of: [{action: {is: clean}}, {action: {not: clean}}]",
         "13: this alternative can never hold"),
        ("  action: {is: apply}", "  action: {is: apply}\n  any_of: [{action: {is: clean}}]",
         "11: no record can meet these conditions together"),
        ("  component.finish: {is: black}", "  action: {is: clean}",
         "15: no record in scope can meet this: everything would be a finding"),
        ("  component.finish: {is: black}", "  action: {in: [apply, clean]}\n  component.finish: {is: black}",
         "15: every record in scope meets this: it can never be a finding"),
        ("  component.finish: {is: black}",
         "  component.finish: {is: black}\n  any_of: [{component.finish: {is: silver}}]",
         "14: no record in scope can meet all of this: everything would be a finding"),
    ],
    ids=lambda part: part[:40],
)  # fmt: skip
def test_a_fault_is_told_on_its_line(old: str, new: str, diagnostic: str, tmp_path: Path) -> None:
    """One change to a good rule, and what is said of it."""
    assert diagnostic in said(tmp_path, changed(old, new))


@pytest.mark.parametrize(
    "text",
    [
        "Correct the record.",
        "Amend the original task entry and sign it.",
        "Have the certifier change his signature.",
        "Strip it; then the entry is corrected by the shop.",
        "Don't fly. Erase the wrong date.",
    ],
)
def test_putting_right_never_alters_a_record(text: str, tmp_path: Path) -> None:
    """Whatever alters what was written is not a way to put it right."""
    [diagnostic] = said(
        tmp_path,
        changed("Strip it, and record that as a new", f"{text} A new").replace("put_right: ", "put_right: >\n  "),
    )
    assert diagnostic.startswith("9: a record is never altered: expected a new, dated entry instead of `")


@pytest.mark.parametrize(
    "text",
    [
        "Never alter the record.",
        "Leave the entry; it is not corrected.",
        "Remove the coating and record that.",
        "Replace the boot, and add a late entry with its own date.",
        "Correct the boot's installation, not the record of it.",
    ],
)
def test_what_is_added_or_repeated_puts_it_right(text: str, tmp_path: Path) -> None:
    """Work on the boot, and entries that are added, alter no record."""
    assert (
        said(
            tmp_path,
            changed("Strip it, and record that as a new", f"{text} A new").replace("put_right: ", "put_right: >\n  "),
        )
        == []
    )


def test_sources_leave_no_day_without_one(tmp_path: Path) -> None:
    """A day between two dated sources on which none was in force is told; the day after the last one is not a gap."""
    dated = "  - {source: Part 3, from: 2025-11-04}\n  - {source: Part 43.12, to: 2025-11-02}\n"
    practice = "  - source: common practice, no source\n    note: the operator's manual governs\n"
    assert said(tmp_path, changed(practice, dated)) == [
        "5: no source was in force from 2025-11-03 to 2025-11-03: the rule judges no record of those days"
    ]
    assert said(tmp_path, changed(practice, dated.replace("11-04", "11-03"))) == []
    assert said(tmp_path, changed(practice, practice + dated)) == []


FORMS = {
    "order": ("must_be: last\namong: {action: {is: apply}, product_class: {is: gloss-coating}, lot: {is: A}}",
              "15: all of these are in scope themselves: nothing can ever be a finding"),
    "precede": ("needs: {lot: {is: A}}\nbroken_by: [{event: treatment, where: {lot: {is: A}, coat: {is: 1}}}]",
                "15: all of these are required treatments themselves, which disturb nothing"),
    "hold": ("for: PT1H\nforbid: {event: treatment, where: {lot: {is: A, not: A}}}", "15: no record can meet this"),
    "interval": ("at_most: {days: 1}\nboots: {component.finish: {in: [black], not_in: [black]}}",
                 "15: no record can meet this"),
    "spacing": ("pause: {at_least: PT5M, at_most: PT24H}",
                "14: coats more than 24 hours apart are of two sessions: no pause is ever too long"),
    "count": ("coats: {at_least: 1}", "14: every session has a coat: nothing can ever be a finding"),
}  # fmt: skip


@pytest.mark.parametrize("form", FORMS)
def test_limits_that_can_find_nothing(form: str, tmp_path: Path) -> None:
    """What a rule of each form can never find, by its own words."""
    parts, diagnostic = FORMS[form]
    text = changed("form: record", f"form: {form}")
    text = changed("require:\n  component.finish: {is: black}", parts, text)
    assert said(tmp_path, text) == [diagnostic]


def test_a_due_point_that_no_tolerance_moves(tmp_path: Path) -> None:
    """Counted from the scheduled time, a treatment has to be done within a tolerance; without one that says nothing."""
    told = "without a `tolerance` this counts from the time it was done, as `actual` does"
    for more, expected in (("", [told]), ("\ntolerance: {percent: 10}", [])):
        text = changed("form: record", "form: interval")
        parts = f"at_most: {{days: 30}}\nnext_due: scheduled{more}"
        text = changed("require:\n  component.finish: {is: black}", parts, text)
        assert [line.partition(": ")[2] for line in said(tmp_path, text)] == expected


@pytest.mark.parametrize(
    ("limit", "season", "finds"),
    [
        ("days: 211", "from: 10-01, to: 04-30", True),  # in a leap year the last day comes 212 days after the first
        ("days: 212", "from: 10-01, to: 04-30", False),
        ("days: 363", "from: 02-29, to: 02-27", True),
        ("months: 6", "from: 10-01, to: 04-30", True),
        ("months: 7", "from: 10-01, to: 04-30", False),
        ("months: 7", "from: 10-01, to: 05-01", False),
        ("months: 7", "from: 10-01, to: 05-02", True),
        ("days: 212, flight_hours: 50", "from: 10-01, to: 04-30", False),
    ],
)
def test_a_limit_that_no_season_is_long_enough_for(limit: str, season: str, finds: bool, tmp_path: Path) -> None:
    """Stretches end with their season: what is allowed for longer is never too long."""
    text = changed("form: record", "form: interval")
    parts = f"at_most: {{{limit}}}\nseason: {{{season}}}"
    name = limit.partition(":")[0]
    told = [f"14: no season goes on for more {name} than this: it can never be passed"]
    assert said(tmp_path, changed("require:\n  component.finish: {is: black}", parts, text)) == ([] if finds else told)


def test_an_alternative_precedent_is_looked_at_too(tmp_path: Path) -> None:
    """The fault is told on the line of the alternative that has it."""
    text = changed("form: record", "form: precede")
    parts = (
        "needs: {lot: {is: A}}\nor_else:\n  - needs: {lot: {is: B}}\n"
        "    broken_by: [{event: treatment, where: {lot: {is: B}}}]"
    )
    text = changed("require:\n  component.finish: {is: black}", parts, text)
    assert said(tmp_path, text) == ["17: all of these are required treatments themselves, which disturb nothing"]


@pytest.mark.parametrize(
    ("between", "diagnostic"),
    [
        ("between: [tasks, tasks]\nsame: [station]\ndiffering: [station]",
         "16: station can't be the same and differ: nothing can ever be a finding"),
        ("between: [tasks, tasks]\nsame: [station, performed_by]\ndiffering: [performed_by, station]",
         "16: performed_by and station can't be the same and differ: nothing can ever be a finding"),
        ("between: [flights, flights]\nsame: [flight_id]", "15: no two flights have the same flight_id"),
        ("between: [flights, flights]\nsame: [aircraft]",
         "11: a scope restricts task records, of which there are none here"),
    ],
)  # fmt: skip
def test_pairs_that_there_can_not_be(between: str, diagnostic: str, tmp_path: Path) -> None:
    """Two things that can't both agree and differ, that are one, or that the scope doesn't restrict."""
    text = changed("form: record", "form: overlap")
    assert diagnostic in said(tmp_path, changed("require:\n  component.finish: {is: black}", between, text))


def test_two_rules_that_mean_the_same(tmp_path: Path) -> None:
    """The same conditions in another order, with other words around them, are the same rule."""
    first = changed("component.finish: {is: black}", "component.finish: {not_in: [silver]}\n  lot: {in: [A, B]}")
    second = changed("id: gloss-on-silver", "id: on-silver-gloss", first)
    second = changed("{in: [A, B]}", "{in: [B, A]}", second)
    second = changed("why: It peels.", "why: It flakes.", second)
    assert said(tmp_path, first, second) == ["1: this rule selects and requires the same as gloss-on-silver"]


def test_two_rules_that_no_example_tells_apart(tmp_path: Path) -> None:
    """Another way to write the same rule is noticed by its verdicts; an example that tells the two apart settles it."""
    second = changed("id: gloss-on-silver", "id: on-silver-gloss")
    second = changed("component.finish: {is: black}", "component.finish: {not: silver}", second)
    message = "1: no example tells this rule from gloss-on-silver: add one, or one rule is too many"
    assert said(tmp_path, GOOD, second) == [message]
    (tmp_path / "on-silver-gloss.yaml").unlink()
    wider = changed("  action: {is: apply}\n", "", changed("id: gloss-on-silver", "id: wide"))
    assert said(tmp_path, GOOD, wider) == [message]
    example = """\
  - name: prepared with it
    expect: finding
    tasks: [{product: gloss-coating, action: prepare, started_at: '2025-06-02T09:00:00Z'}]
    components: [{finish: silver}]
"""
    assert said(tmp_path, GOOD, wider + example) == []


@pytest.mark.parametrize(
    ("key", "value", "text"),
    [
        ("for", "PT24H", "24 hours"),
        ("for", "PT24H", "24-hour"),
        ("for", "PT24H", "24 h"),
        ("for", "PT24H", "a day"),
        ("for", "PT5M", "5 to 10 minutes"),
        ("for", "PT5M", "soaked 5 to 7 min"),
        ("pause.at_most", "PT10M", "5 to 10 minutes"),
        ("require.work_minutes.at_least", "0.5", "30 seconds"),
        ("coats.at_least", "3", "three coats"),
        ("at_most.flight_hours", "50", "about 50 hours"),
        ("season", "10-01 to 04-30", "from 1 October on"),
    ],
)
def test_a_figure_that_settings_may_change_is_found_in_words(key: str, value: str, text: str) -> None:
    """However it is written."""
    assert any(pattern.search(text) for pattern in figures_of(key, value))


@pytest.mark.parametrize(
    ("key", "value", "text"),
    [
        ("level", "2", "one of the two"),
        ("sessions.at_least", "1", "one of them"),
        ("for", "PT24H", "124 hours, and 24 boots"),
        ("for", "PT24H", "and done"),
        ("coats.at_least", "3", "13 coats, 3.5 times"),
        ("season", "10-01 to 04-30", "11 October"),
    ],
)
def test_other_figures_stay(key: str, value: str, text: str) -> None:
    """A number that is not a value of the setting is none of lint's business."""
    assert not any(pattern.search(text) for pattern in figures_of(key, value))


def test_lint_refuses_a_frozen_figure_and_takes_the_name(tmp_path: Path) -> None:
    """In a title, and in the code of a step; `{limit}` in its place follows the setting."""
    rule = next(rules_folder().glob("*/gloss-coats-badly-spaced.yaml")).read_text(encoding="utf-8")
    path = tmp_path / "gloss-coats-badly-spaced.yaml"
    path.write_text(rule, encoding="utf-8")
    assert lint(tmp_path) == []
    path.write_text(rule.replace("not {limit}", "not 5 to 15 minutes"), encoding="utf-8")
    assert ["pause.at_least" in one.message or "pause.at_most" in one.message for one in lint(tmp_path)] == [True, True]
    steps = next(rules_folder().glob("*/build-up-soak-not-timed.yaml")).read_text(encoding="utf-8")
    path.unlink()
    (tmp_path / "build-up-soak-not-timed.yaml").write_text(
        steps.replace("build-up-soak-timed", "soaked-5-to-7-min"), encoding="utf-8"
    )
    assert any("require.work_minutes.at_least" in one.message for one in lint(tmp_path))


def test_every_rule_that_ships_speaks_and_warns() -> None:
    """A message in its own words; a warning wherever lint would ask for one."""
    for rule in load_rules(rules_folder()).rules:
        assert rule.message, rule.id
        assert not re.search(r"\d+ (?:h|min|hours|minutes)\b", rule.message.get("finding", "")), rule.id
