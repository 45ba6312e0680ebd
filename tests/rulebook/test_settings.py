"""Settings lie over the rules, say where each value comes from, and every fault in them is one clear sentence."""

from __future__ import annotations

import json
from datetime import timedelta
from hashlib import sha256
from pathlib import Path

import jsonschema
import pytest

from audit.authoring.editor_schema import settings_schema
from audit.errors import AuditError
from audit.forms.hold import HoldRule
from audit.forms.interval import IntervalRule
from audit.forms.record import RecordRule
from audit.forms.spacing import SpacingRule
from audit.language.events import SeasonByBase
from audit.rulebook.loading import Rulebook, load_rules
from audit.rulebook.settings import read_settings, with_settings
from audit.yaml.source import read_yaml

HEAD = """\
title: A title
level: 2
basis: [{source: 'common practice, no source'}]
why: Because.
put_right: Do it again.
examples: [{name: one, expect: complies}, {name: two, expect: finding}]
"""
RULES = {
    "overdue": "form: interval\nat_most: {flight_hours: 50, days: 30}\nseason: {from: 10-01, to: 04-30}\n",
    "all-year": "form: interval\nat_most: {days: 90}\n",
    "too-soon": "form: hold\nforbid: {event: takeoff}\nfor: PT24H\n",
    "pauses": "form: spacing\npause: {at_least: PT5M, at_most: PT4H}\n",
    "soak": "form: record\nrequire: {work_minutes: {at_least: 5, at_most: 7}, coat: {is: 1}, lot: {present: true}}\n",
    "in-order": "form: order\nmust_be: last\namong: {action: {is: apply}}\n",
}
GOOD = """\
set_by: operator
source: Programme 7
seasons: {highland: {from: 09-01, to: 05-31}}
bases:
  FELL: {season: southern, aircraft: [A1, A2]}
rules:
  overdue: {level: 1, at_most: {flight_hours: 40}, season: highland}
"""


@pytest.fixture
def rulebook(tmp_path: Path) -> Rulebook:
    """A few rules, of forms with different things to set."""
    for name, body in RULES.items():
        (tmp_path / "rules").mkdir(exist_ok=True)
        (tmp_path / "rules" / f"{name}.yaml").write_text(f"id: {name}\n{HEAD}{body}", encoding="utf-8")
    return load_rules(tmp_path / "rules")


def laid(rulebook: Rulebook, folder: Path, *texts: str) -> Rulebook:
    """The rulebook under settings files `1.yaml`, `2.yaml` and so on."""
    paths = []
    for number, text in enumerate(texts, 1):
        paths.append(folder / f"{number}.yaml")
        paths[-1].write_text(text, encoding="utf-8")
    return with_settings(rulebook, [read_settings(path) for path in paths])


def rules_only(text: str, set_by: str = "operator") -> str:
    return f"set_by: {set_by}\nsource: Programme 7\nrules:\n  {text}\n"


def rule(rulebook: Rulebook, name: str) -> object:
    return next(one for one in rulebook.rules if one.id == name)


def history(rulebook: Rulebook, name: str, key: str) -> list[tuple[str, str, str]]:
    """All that a value was, with who set it and in which file."""
    [found] = [one for one in rulebook.settings if (one.rule, one.key) == (name, key)]
    return [(value.value, value.set_by, value.file) for value in found.values]


def test_without_settings_every_value_comes_from_its_rule_file(rulebook: Rulebook) -> None:
    """The rules stay what they are, and all that could be set is listed with the rule file as its origin."""
    same = with_settings(rulebook, [])
    assert same.rules == rulebook.rules
    listed = {(one.rule, one.key): one.in_force.value for one in same.settings}
    assert listed == {
        ("all-year", "level"): "2",
        ("all-year", "at_most.days"): "90",
        ("all-year", "next_due"): "actual",
        ("in-order", "level"): "2",
        ("overdue", "level"): "2",
        ("overdue", "at_most.flight_hours"): "50",
        ("overdue", "at_most.days"): "30",
        ("overdue", "next_due"): "actual",
        ("overdue", "season"): "10-01 to 04-30",
        ("pauses", "level"): "2",
        ("pauses", "pause.at_least"): "PT5M",
        ("pauses", "pause.at_most"): "PT4H",
        ("soak", "level"): "2",
        ("soak", "require.work_minutes.at_least"): "5",
        ("soak", "require.work_minutes.at_most"): "7",
        ("too-soon", "level"): "2",
        ("too-soon", "for"): "PT24H",
    }
    assert {(one.in_force.set_by, one.in_force.file) for one in same.settings if one.rule == "soak"} == {
        ("rule file", "soak.yaml")
    }
    assert not any(one.overridden for one in same.settings)


def test_a_setting_changes_the_value_that_it_names_and_no_other(rulebook: Rulebook, tmp_path: Path) -> None:
    """Limits that aren't named stay; the rule that is judged is the changed one."""
    changed = laid(
        rulebook,
        tmp_path,
        rules_only(
            "overdue: {at_most: {flight_hours: 40}, tolerance: {percent: 10, flight_hours: 5}, next_due: scheduled}\n"
            "  too-soon: {for: PT36H, level: observation}\n"
            "  pauses: {pause: {at_most: PT2H}}\n"
            "  soak: {require: {work_minutes: {at_most: 9.5}}}"
        ),
    )
    overdue, hold = rule(changed, "overdue"), rule(changed, "too-soon")
    assert isinstance(overdue, IntervalRule)
    assert isinstance(hold, HoldRule)
    assert (overdue.at_most.flight_hours, overdue.at_most.days, overdue.next_due) == (40, 30, "scheduled")
    assert overdue.tolerance is not None
    assert (overdue.tolerance.percent, overdue.tolerance.flight_hours) == (10, 5)
    assert (hold.duration, hold.level) == (timedelta(hours=36), "observation")
    spacing, soak = rule(changed, "pauses"), rule(changed, "soak")
    assert isinstance(spacing, SpacingRule)
    assert (spacing.pause.at_least, spacing.pause.at_most) == (timedelta(minutes=5), timedelta(hours=2))
    assert isinstance(soak, RecordRule)
    assert soak.require.columns["work_minutes"].at_least == 5
    assert soak.require.columns["work_minutes"].at_most == 9.5
    assert soak.require.columns["lot"].present is True
    assert rule(changed, "all-year") == rule(rulebook, "all-year")
    assert history(changed, "soak", "require.work_minutes.at_most") == [
        ("7", "rule file", "soak.yaml"),
        ("9.5", "operator", "1.yaml"),
    ]
    assert history(changed, "overdue", "tolerance.percent") == [
        ("none", "rule file", "overdue.yaml"),
        ("10", "operator", "1.yaml"),
    ]


def test_later_files_lie_over_earlier_ones(rulebook: Rulebook, tmp_path: Path) -> None:
    """The operator's value is in force where both set one, the regulator's where only it does; all are told."""
    both = laid(
        rulebook,
        tmp_path,
        rules_only("overdue: {level: 1, at_most: {flight_hours: 45, days: 20}}", set_by="regulator"),
        rules_only("overdue: {at_most: {flight_hours: 40}}"),
    )
    overdue = rule(both, "overdue")
    assert isinstance(overdue, IntervalRule)
    assert (overdue.level, overdue.at_most.flight_hours, overdue.at_most.days) == ("1", 40, 20)
    assert history(both, "overdue", "at_most.flight_hours") == [
        ("50", "rule file", "overdue.yaml"),
        ("45", "regulator", "1.yaml"),
        ("40", "operator", "2.yaml"),
    ]
    assert history(both, "overdue", "at_most.days")[-1] == ("20", "regulator", "1.yaml")
    assert [file.name for file in both.settings_files] == ["1.yaml", "2.yaml"]
    assert both.settings_files[0].sha256 == sha256((tmp_path / "1.yaml").read_bytes()).hexdigest()


def test_none_takes_a_value_away(rulebook: Rulebook, tmp_path: Path) -> None:
    """A limit, a season or a tolerance may be taken away where the rule can do without it."""
    less = laid(
        rulebook,
        tmp_path,
        rules_only("overdue: {tolerance: {percent: 10, flight_hours: 5}}"),
        rules_only("overdue: {season: none, at_most: {flight_hours: none}, tolerance: {flight_hours: none}}"),
    )
    overdue = rule(less, "overdue")
    assert isinstance(overdue, IntervalRule)
    assert overdue.season is None
    assert overdue.at_most.flight_hours is None
    assert overdue.tolerance is not None
    assert overdue.tolerance.flight_hours is None
    assert history(less, "overdue", "season")[-1] == ("none", "operator", "2.yaml")
    without = laid(
        rulebook, tmp_path, rules_only("overdue: {tolerance: {percent: 5}}"), rules_only("overdue: {tolerance: none}")
    )
    assert history(without, "overdue", "tolerance.percent") == [
        ("none", "rule file", "overdue.yaml"),
        ("5", "operator", "1.yaml"),
        ("none", "operator", "2.yaml"),
    ]


def test_seasons_by_name_and_by_base(rulebook: Rulebook, tmp_path: Path) -> None:
    """A named season takes the place of the rule's, and a base's that of both for its aircraft; rules that know no
    season get none."""
    resolved = laid(rulebook, tmp_path, GOOD)
    overdue, all_year = rule(resolved, "overdue"), rule(resolved, "all-year")
    assert isinstance(overdue, IntervalRule)
    assert isinstance(overdue.season, SeasonByBase)
    assert (overdue.season.from_, overdue.season.to) == ((9, 1), (5, 31))
    southern = overdue.season.by_aircraft["A1"]
    assert (southern.from_, southern.to) == ((4, 1), (10, 31))
    assert set(overdue.season.by_aircraft) == resolved.stationed == {"A1", "A2"}
    assert isinstance(all_year, IntervalRule)
    assert all_year.season is None
    assert history(resolved, "overdue", "season at FELL") == [
        ("10-01 to 04-30", "rule file", "overdue.yaml"),
        ("09-01 to 05-31", "operator", "1.yaml"),
        ("04-01 to 10-31 (2 aircraft)", "operator", "1.yaml"),
    ]


def test_a_later_file_moves_aircraft_between_bases(rulebook: Rulebook, tmp_path: Path) -> None:
    """An aircraft that a later file lists elsewhere is there, and a base listed again is listed anew."""
    later = """\
set_by: operator
source: Programme 8
bases:
  FELL: {season: highland, aircraft: [A1]}
  MOOR: {season: {from: 12-01, to: 02-29}, aircraft: [A3]}
"""
    earlier = GOOD.replace("aircraft: [A1, A2]}", "aircraft: [A1, A2]}\n  CRAG: {season: northern, aircraft: [A3, A4]}")
    moved = rule(laid(rulebook, tmp_path, earlier, later), "overdue")
    assert isinstance(moved, IntervalRule)
    assert isinstance(moved.season, SeasonByBase)
    assert {name: season.from_ for name, season in moved.season.by_aircraft.items()} == {
        "A1": (9, 1),
        "A3": (12, 1),
        "A4": (10, 1),
    }


NO_EFFECT = "$.rules.overdue.next_due: without a `tolerance` this counts from the time it was done, as `actual` does"


@pytest.mark.parametrize(
    ("first", "last", "sentence"),
    [
        (
            "soak: {level: 1}",
            "soak: {require: {work_minutes: {at_least: 8}}}",
            "2.yaml, line 4: $.rules.soak.require.work_minutes: at_least is more than at_most",
        ),
        ("overdue: {level: 1}", "overdue: {next_due: scheduled}", f"2.yaml, line 4: {NO_EFFECT}"),
        ("overdue: {next_due: scheduled}", "overdue: {level: 1}", f"1.yaml, line 4: {NO_EFFECT}"),
        ("overdue: {next_due: scheduled}", "overdue: {tolerance: {percent: 5}}", ""),
        ("soak: {require: {work_minutes: {at_least: 8}}}", "soak: {require: {work_minutes: {at_most: 9}}}", ""),
        (
            "overdue: {level: 1}",
            "overdue: {at_most: {days: 300}}",
            "2.yaml, line 4: $.rules.overdue.at_most.days: no season goes on for more days than this",
        ),
        (
            "overdue: {at_most: {days: 300}}\nbases: {FELL: {season: {from: 01-01, to: 12-31}, aircraft: [A1]}}",
            "overdue: {level: 1}",
            "",
        ),
        ("pauses: {level: 1}", "pauses: {pause: {at_most: PT48H}}", "$.rules.pauses.pause.at_most: coats more than 24"),
    ],
)
def test_settings_that_leave_a_rule_without_sense(
    rulebook: Rulebook, tmp_path: Path, first: str, last: str, sentence: str
) -> None:
    """What nothing could meet, or what changes nothing, is refused; what counts is what all files together say."""
    if not sentence:
        laid(rulebook, tmp_path, rules_only(first), rules_only(last))
        return
    with pytest.raises(AuditError) as refused:
        laid(rulebook, tmp_path, rules_only(first), rules_only(last))
    [told] = refused.value.args
    assert sentence in told


def test_settings_that_leave_a_rule_nothing_to_find(tmp_path: Path) -> None:
    """Every session has a coat; a rule file that says so itself is for `rules lint` to tell."""
    for number, limits in enumerate(("at_least: 1, at_most: 3", "at_least: 1")):
        folder = tmp_path / str(number)
        (folder / "rules").mkdir(parents=True)
        (folder / "rules" / "coats.yaml").write_text(f"id: coats\n{HEAD}form: count\ncoats: {{{limits}}}\n")
        book = load_rules(folder / "rules")
        if "at_most" in limits:
            with pytest.raises(AuditError, match=r"coats: every session has a coat: nothing can ever be a finding"):
                laid(book, folder, rules_only("coats: {coats: {at_most: none}}"))
        else:
            laid(book, folder, rules_only("coats: {level: 1}"))


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        ("set_by: operator\n", "", "line 1: $.set_by: this is required and not given"),
        ("source: Programme 7", "source:", "line 2: $.source: expected text, got None"),
        ("rules:", "ruels:", "line 6: $.ruels: unknown key 'ruels' (did you mean rules?); expected one of set_by,"),
        ("  overdue:", "  overdu:", "line 7: $.rules.overdu: no rule has this id (did you mean overdue?)"),
        (
            "level: 1",
            "levle: 1",
            "line 7: $.rules.overdue.levle: 'levle' can't be set here (did you mean level?); in a",
        ),
        ("level: 1", "title: T", "$.rules.overdue.title: 'title' can't be set here"),
        (
            "level: 1",
            "for: PT1H",
            "$.rules.overdue.for: 'for' can't be set here; in a rule of the form interval one can",
        ),
        ("level: 1", "level: 3", "line 7: $.rules.overdue.level: got '3'; expected '1', '2' or 'observation'"),
        ("level: 1", "level: none", "line 7: $.rules.overdue.level: none takes a value away, and the rule can't do"),
        ("level: 1", "level: ", "line 7: $.rules.overdue.level: got 'None'; expected '1', '2' or 'observation'"),
        ("level: 1", "level: 1, level: 2", "line 7: $.rules.overdue.level: this key stands here twice"),
        (
            "flight_hours: 40",
            "flight_hour: 40",
            "line 7: $.rules.overdue.at_most.flight_hour: unknown key 'flight_hour' (did you mean flight_hours?)",
        ),
        ("flight_hours: 40", "flight_hour: none", "unknown key 'flight_hour' (did you mean flight_hours?)"),
        (
            "flight_hours: 40",
            "flight_hours: forty",
            "$.rules.overdue.at_most.flight_hours: expected a number, got 'forty'",
        ),
        ("flight_hours: 40", "flight_hours: ", "$.rules.overdue.at_most.flight_hours: expected a value, got none"),
        (
            "flight_hours: 40",
            "flight_hours: none, days: none",
            "$.rules.overdue.at_most: expected at least one of flight_hours, cycles, days, months",
        ),
        ("{flight_hours: 40}", "{}", "$.rules.overdue.at_most: expected something to set, got none"),
        ("{flight_hours: 40}", "40", "$.rules.overdue.at_most: expected keys with values, such as"),
        (
            "{level: 1, at_most: {flight_hours: 40}, season: highland}",
            "{}",
            "$.rules.overdue: expected something to set",
        ),
        (
            "{level: 1, at_most: {flight_hours: 40}, season: highland}",
            "2",
            "$.rules.overdue: expected keys with values",
        ),
        (
            "level: 1",
            "tolerance: {flight_hours: 5}",
            "line 7: $.rules.overdue.tolerance.percent: this is required and not given",
        ),
        (
            "season: highland}",
            "season: highlnad}",
            "line 7: $.rules.overdue.season: unknown season 'highlnad' (did you mean highland?); expected one of",
        ),
        ("season: highland}", "season: {from: 10-01}}", "$.rules.overdue.season.to: this is required and not given"),
        (
            "season: southern",
            "season: southen",
            "line 5: $.bases.FELL.season: unknown season 'southen' (did you mean south",
        ),
        ("season: southern", "season: none", "line 5: $.bases.FELL.season: unknown season 'none'"),
        (
            "season: southern",
            "season: {from: 13-01, to: 01-01}",
            "line 5: $.bases.FELL.season.from: 13-01 is not a day",
        ),
        ("[A1, A2]", "[]", "line 5: $.bases.FELL.aircraft: expected at least 1 here, got 0"),
        ("[A1, A2]", "[A1, A1]", "line 5: $.bases.FELL.aircraft[1]: A1 is listed under FELL already"),
        ("[A1, A2]", "[1, A2]", "line 5: $.bases.FELL.aircraft[0]: expected text, got 1; put it in quotes"),
        ("aircraft:", "aircrafts:", "$.bases.FELL.aircrafts: unknown key 'aircrafts' (did you mean aircraft?)"),
        (
            "rules:",
            "  MOOR: {season: northern, aircraft: [A2]}\nrules:",
            "line 6: $.bases.MOOR.aircraft[0]: A2 is listed under FELL already",
        ),
        (
            "{highland:",
            "{northern:",
            "line 3: $.seasons.northern: northern is 10-01 to 04-30 already; take another name",
        ),
        ("{highland:", "{none:", "line 3: $.seasons.none: none means that there is no season; take"),
        (
            "  overdue:",
            "  soak: {require: {work_minutes: {at_leest: 3}}}\n  overdue:",
            "line 7: $.rules.soak.require.work_minutes.at_leest: expected one of the numbers that the rule requires: "
            "work_minutes.at_least, work_minutes.at_most",
        ),
        (
            "  overdue:",
            "  soak: {require: {work_minutes: {at_least: none}}}\n  overdue:",
            "line 7: $.rules.soak.require.work_minutes.at_least: expected a number, got 'none'",
        ),
        (
            "  overdue:",
            "  soak: {require: {lot: {present: false}}}\n  overdue:",
            "$.rules.soak.require.lot.present:",
        ),
        (
            "  overdue:",
            "  soak: {require: {coat: {is: 2}}}\n  overdue:",
            "soak.require.coat.is: expected one of",
        ),
        ("  overdue:", "  too-soon: {for: PT0H}\n  overdue:", "$.rules.too-soon.for: expected a duration longer"),
        (
            "  overdue:",
            "  pauses: {pause: {at_least: PT5H}}\n  overdue:",
            "line 7: $.rules.pauses.pause: at_least is more than at_most; nothing could comply",
        ),
        ("  overdue:", "  in-order: {require: {a: {at_least: 1}}}\n  overdue:", "'require' can't be set here"),
    ],
)
def test_the_sentence_names_place_and_cure(
    rulebook: Rulebook, tmp_path: Path, old: str, new: str, sentence: str
) -> None:
    """File, line, path, what was found, what was expected, and the likely word."""
    assert old in GOOD
    with pytest.raises(AuditError) as caught:
        laid(rulebook, tmp_path, GOOD.replace(old, new, 1))
    assert str(caught.value).startswith(str(tmp_path / "1.yaml"))
    assert sentence in str(caught.value)


def test_all_faults_are_listed_at_once(rulebook: Rulebook, tmp_path: Path) -> None:
    """Faults in several rules, and in several files, need one repair."""
    with pytest.raises(AuditError) as caught:
        laid(
            rulebook,
            tmp_path,
            rules_only("overdue: {level: 7, at_most: {days: 0}}\n  pauses: {pause: {at_least: soon}}"),
            rules_only("too-soon: {for: P1D}"),
        )
    assert len(str(caught.value).splitlines()) == 4
    many = "\n  ".join(f"no-{number}: {{level: 1}}" for number in range(1000))
    with pytest.raises(AuditError) as caught:
        laid(rulebook, tmp_path, rules_only(many))
    assert len(str(caught.value).splitlines()) == 21


def test_a_name_has_one_meaning_in_all_files(rulebook: Rulebook, tmp_path: Path) -> None:
    """A later file may use a season of an earlier one, or say the same again, but not give its name another one."""
    later = rules_only("overdue: {season: highland}") + "seasons: {highland: {from: 09-01, to: 05-31}}\n"
    assert laid(rulebook, tmp_path, GOOD, later).rules == laid(rulebook, tmp_path, GOOD).rules
    with pytest.raises(AuditError, match=r"2\.yaml, line 5: \$\.seasons\.highland: highland is 09-01 to 05-31 already"):
        laid(rulebook, tmp_path, GOOD, later.replace("05-31", "06-30"))


def test_files_that_are_no_settings(tmp_path: Path) -> None:
    """A file that isn't there, is empty, a list, or no text, is one sentence."""
    with pytest.raises(AuditError, match=r"gone\.yaml: can't be read: No such file"):
        read_settings(tmp_path / "gone.yaml")
    path = tmp_path / "1.yaml"
    for content, sentence in (
        (b"", "got an empty file"),
        (b"- a\n", "expected settings with set_by"),
        (b"\xff", "UTF-8"),
    ):
        path.write_bytes(content)
        with pytest.raises(AuditError, match=sentence):
            read_settings(path)


VALIDATOR = jsonschema.Draft202012Validator(json.loads(settings_schema()))
SHIPPED = Path(__file__).resolve().parents[2] / "rules"


def test_committed_schema_is_the_one_generated() -> None:
    """The schema beside the rules has not drifted from the models."""
    assert (SHIPPED / "settings.schema.json").read_text(encoding="utf-8") == settings_schema()


@pytest.mark.parametrize("path", sorted((SHIPPED / "settings").glob("*.yaml")), ids=lambda path: path.name)
def test_the_settings_that_ship_have_no_mark(path: Path) -> None:
    """An editor marks nothing in the files that ship, and finds the schema where each says it is."""
    text = path.read_text(encoding="utf-8")
    assert list(VALIDATOR.iter_errors(read_yaml(text, path.name).data)) == []
    reference = text.splitlines()[0].removeprefix("# yaml-language-server: $schema=")
    assert (path.parent / reference).resolve() == SHIPPED / "settings.schema.json"


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("set_by", "setby"),
        ("level: 1", "levle: 1"),
        ("level: 1", "level: 3"),
        ("level: 1", "level: none"),
        ("level: 1", "for: P1D"),
        ("flight_hours: 40", "flight_hour: 40"),
        ("flight_hours: 40", "flight_hours: forty"),
        ("from: 09-01, ", ""),
        ("aircraft: [A1, A2]", "aircraft: A1"),
    ],
)
def test_an_editor_marks_what_the_loader_refuses(rulebook: Rulebook, tmp_path: Path, old: str, new: str) -> None:
    """Good settings have no mark; each of these typing errors has one, and is refused by the loader too."""
    assert list(VALIDATOR.iter_errors(read_yaml(GOOD, "good").data)) == []
    assert old in GOOD
    faulty = GOOD.replace(old, new, 1)
    assert list(VALIDATOR.iter_errors(read_yaml(faulty, "faulty").data))
    with pytest.raises(AuditError):
        laid(rulebook, tmp_path, faulty)
