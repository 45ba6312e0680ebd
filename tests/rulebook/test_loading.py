"""Every fault in a rule file is one clear sentence with its place."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from ruamel.yaml import YAML

from audit.errors import AuditError
from audit.rulebook.loading import load_rules, read_rule

GOOD = """\
id: a-rule
title: A title
form: hold
level: 2
basis:
  - source: common practice, no source
why: Because.
put_right: Do it again.
scope:
  action: {is: apply}
forbid: {event: takeoff}
for: PT24H
examples:
  - {name: one, expect: complies}
  - {name: two, expect: finding}
"""


def said(text: str) -> str:
    with pytest.raises(AuditError) as caught:
        read_rule(text.encode(), "a-rule.yaml")
    return str(caught.value)


def test_a_good_rule_is_read() -> None:
    """The file that all the faulty ones below are made from has no fault itself."""
    assert read_rule(GOOD.encode(), "a-rule.yaml").id == "a-rule"


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        (
            "title: A",
            "titel: A",
            "line 2: $.titel: unknown key 'titel' (did you mean title?); expected one of id, title",
        ),
        (
            "form: hold",
            "form: holt",
            "line 3: $.form: got 'holt' (did you mean hold?); expected one of record, hold",
        ),
        ("form: hold\n", "", "line 1: $.form: no form is given; expected one of record, hold"),
        ("level: 2", "level: 3", "line 4: $.level: got '3'; expected '1', '2' or 'observation'"),
        (
            "PT24H",
            "PT24",
            "line 12: $.for: expected an ISO 8601 duration in hours, minutes or seconds, "
            "such as PT24H or PT5M, got 'PT24'",
        ),
        (
            "PT24H",
            "P1D",
            "line 12: $.for: expected an ISO 8601 duration in hours, minutes or seconds, "
            "such as PT24H or PT5M, got 'P1D'",
        ),
        ("action: {", "acton: {", "line 10: $.scope.acton: unknown column 'acton' (did you mean action?)"),
        (
            "{is: apply}",
            "{isn: apply}",
            "line 10: $.scope.action.isn: unknown key 'isn' (did you mean is?); expected one of is,",
        ),
        (
            "{is: apply}",
            "{is: aply}",
            "line 10: $.scope.action.is: action is never 'aply' (did you mean apply?); it is one of clean,",
        ),
        (
            "{is: apply}",
            "{before: 2024-01-01}",
            "line 10: $.scope.action.before: action is a choice column, of which before can't be asked",
        ),
        ("{is: apply}", "{}", "line 10: $.scope.action: expected at least one operator, such as {is: apply}"),
        (
            "takeoff",
            "takeof",
            "line 11: $.forbid.event: got 'takeof' (did you mean takeoff?); expected 'takeoff' or 'treatment'",
        ),
        (
            "id: a-rule",
            "id: A Rule",
            "line 1: $.id: expected small letters, digits and hyphens, such as flight-before-cure",
        ),
        ("why: Because.\n", "", "line 1: $.why: this is required and not given"),
        (
            "expect: finding",
            "expect: complies",
            "line 13: $.examples: expected an example that complies",
        ),
        (
            "expect: finding",
            "expect: finding, known_gap: not yet",
            "line 13: $.examples: expected an example that complies",
        ),
        ("level: 2", "level: 2\nlevel: 1", "line 5: $.level: this key stands here twice (first on line 4)"),
        (
            "why: Because.",
            "why: *x",
            "line 7: $.why: an alias (*name) is not allowed; write the value out",
        ),
        ("why: Because.", "why: &x Because.", "line 7: $.why: an anchor (&name) is not allowed; write values out"),
        ("why: Because.", "why: !!binary aGk=", "line 7: $.why: the tag !!binary is not allowed"),
        ("why: Because.", "why: !!float Because.", "line 7: $.why: the tag !!float is not allowed"),
        ("{is: apply}", "{present: !!bool maybe}", "line 10: $.scope.action.present: the tag !!bool is not allowed"),
        ("examples:", "examples: !pairs", "line 13: $.examples: the tag !pairs is not allowed"),
        ("{event: takeoff}", "{event: takeoff", "not readable as YAML"),
        ("why: Because.", "why: Because: so", "a text with a colon in it needs quotes"),
        ("why: Because.", "why: \x00", "line 7: expected text, got a control character"),
        ("why: Because.", "why: 12", "line 7: $.why: expected text, got 12; put it in quotes"),
        ("why: Because.", "? [a]\n: b", "line 7: $: expected a plain word as key"),
        ("basis:\n  - source: common practice, no source", "basis: none", "line 5: $.basis: expected a list, such as"),
        (
            "basis:\n  - source: common practice, no source",
            "basis: []",
            "line 5: $.basis: expected at least 1 here",
        ),
        (
            "{is: apply}",
            "apply",
            "line 10: $.scope.action: expected keys with values, such as {key: value}",
        ),
        ("{is: apply}", "{in: apply}", "line 10: $.scope.action.in: expected a list, such as [one, two], got 'apply'"),
        (
            "action: {is: apply}",
            "ambient_c: {at_least: .nan}",
            "$.scope.ambient_c.at_least: expected a number",
        ),
        (
            "action: {is: apply}",
            "ambient_c: {at_least: warm}",
            "$.scope.ambient_c.at_least: expected a number",
        ),
        (
            "action: {is: apply}",
            "started_at: {before: 2025-01-01 soon}",
            "$.scope.started_at.before: expected an ISO 8601 date or time to compare started_at",
        ),
        (
            "action: {is: apply}",
            "started_at: {before: 2025-01-01X10}",
            "$.scope.started_at.before: expected an ISO 8601 date or time to compare started_at",
        ),
        (
            "complies}",
            "complies, as_of: '2025-01-01T10:00+02:00:30'}",
            "$.examples[0].as_of: expected an ISO 8601 time",
        ),
        (
            "action: {is: apply}",
            "steps_signed: {includes_all: [rinsed; dried]}",
            "$.scope.steps_signed.includes_all: no entry of steps_signed is 'rinsed; dried': a semicolon parts entries",
        ),
        ("action: {is: apply}", "manual_revision: {is: 1.10}", "got 1.1; put it in quotes"),
        ("action: {is: apply}", "product: {is: true}", "got True; put it in quotes"),
        ("PT24H", "PT0H", "line 12: $.for: expected a duration longer than nothing"),
        ("PT24H", f"PT{'9' * 400}H", "line 12: $.for: expected a duration of at most 876000 hours"),
        (
            "complies}",
            "complies, tasks: [{prodct: x}]}",
            "line 14: $.examples[0].tasks[0].prodct: tasks have no column 'prodct' (did you mean product?)",
        ),
        ("complies}", "complies, as_of: soon}", "line 14: $.examples[0].as_of: expected an ISO 8601 time"),
        (
            "complies}",
            "complies, tasks: [{manual_revision: 1.10}]}",
            "line 14: $.examples[0].tasks[0].manual_revision: expected text, got 1.1; put it in quotes",
        ),
        (
            "action: {is: apply}",
            f"ambient_c: {{at_least: 1{'0' * 400}}}",
            "line 10: $.scope.ambient_c.at_least: expected a number to compare ambient_c with, got '1000",
        ),
        ("title: A", '"a\\nb": A', "line 2: $.'a\\nb': unknown key 'a\\nb'; expected one of id, title"),
        ("action: {", "any_off: {", "line 10: $.scope.any_off: unknown column 'any_off' (did you mean any_of?)"),
        (
            "action: {is: apply}",
            "all_of: [{lot: {is: L}}]",
            "line 10: $.scope.all_of: unknown column 'all_of' (did you mean any_of?)",
        ),
        ("action: {is: apply}", "not: {lot: {is: L}}", "line 10: $.scope.not: unknown column 'not'"),
        ("{is: apply}", "{is: {colum: lot}}", "unknown key 'colum' (did you mean column?); expected one of column"),
        (
            "- source: common practice, no source",
            "- {source: x, from: 2025-11-31}",
            "line 6: $.basis[0].from: expected a date, such as 2025-11-03, got '2025-11-31'",
        ),
        (
            "- source: common practice, no source",
            "- {source: x, from: 2025-11-03, to: 2025-11-02}",
            "line 6: $.basis[0]: from is after to; this source was never in force",
        ),
    ],
)
def test_the_sentence_names_place_and_cure(old: str, new: str, sentence: str) -> None:
    """File, line, path, what was found, what was expected, and the likely word."""
    assert old in GOOD
    found = said(GOOD.replace(old, new, 1))
    assert found.startswith("a-rule.yaml")
    assert sentence in found


def test_all_faults_are_listed_at_once() -> None:
    """A file with three faults needs one repair, not three rounds."""
    text = GOOD.replace("level: 2", "level: 9").replace("PT24H", "soon").replace("title: A title\n", "")
    assert len(said(text).splitlines()) == 3


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        (
            "{is: apply}",
            "{is: [a, b]}",
            "$.scope.action.is: expected a single text, number or true or false, got ['a', 'b']",
        ),
        ("{is: apply}", "{is: {column: lott}}", "$.scope.action.is.column: unknown column 'lott' (did you mean lot?)"),
        (
            "complies}",
            "complies, tasks: [{lot: [a]}]}",
            "$.examples[0].tasks[0].lot: expected a single text, number or true or false, got ['a']",
        ),
    ],
)
def test_one_fault_is_one_sentence(old: str, new: str, sentence: str) -> None:
    """A value that may be several things, and a list with a faulty entry, give one sentence, not one for each way."""
    (line,) = said(GOOD.replace(old, new, 1)).splitlines()
    assert line.endswith(sentence)


def test_faults_are_listed_by_line_and_not_without_end() -> None:
    """The first twenty faults come in the order of the file, and the rest is only mentioned."""
    columns = "\n  ".join(f"actio{number}: {{is: apply}}" for number in range(1000))
    keys = "".join(f"key{number}: 1\n" for number in range(1000))
    listed = said(GOOD.replace("action: {is: apply}", columns) + keys).splitlines()
    assert len(listed) == 21
    assert "line 10: $.scope.actio0: unknown column 'actio0' (did you mean action?)" in listed[0]
    assert listed[-1] == "a-rule.yaml: and more faults, not listed"


def test_a_rule_is_one_document() -> None:
    """A second rule in a file would be passed over; it is refused instead."""
    assert said(GOOD + "---\n" + GOOD) == "a-rule.yaml, line 16: a second document begins; expected one in a file"
    assert said("# nothing yet\n") == "a-rule.yaml: expected keys with values, got an empty file"
    assert said("- a\n") == "a-rule.yaml, line 1: expected a rule with id, title, form and so on"


@pytest.mark.parametrize(
    ("form", "limits", "sentence"),
    [
        ("count", "coats: {}", "line 11: $.coats: expected at_least or at_most"),
        ("count", "coats: {at_least: 3, at_most: 2}", "line 11: $.coats: at_least is more than at_most"),
        ("count", "warning: [at-height]", "line 1: $: expected either `coats` or `sessions`"),
        ("count", "coats: {at_least: 3}\nsessions: {at_least: 1}", "line 1: $: expected either `coats` or `sessions`"),
        ("count", "sessions: {at_least: 1}", "line 1: $: expected `season` beside `sessions`, and only there"),
        (
            "count",
            "sessions: {}\nseason: {from: 10-01, to: 04-30}",
            "line 11: $.sessions: expected at_least or at_most",
        ),
        (
            "count",
            "coats: {at_least: 3}\nboots: {component.finish: {is: black}}",
            "line 12: $.boots: expected `boots` beside `sessions` only",
        ),
        (
            "count",
            "sessions: {at_least: 1}\nseason: {from: 10-01, to: 04-30}\nboots: {product: {present: true}}",
            "line 13: $.boots: product is not a property of a boot; use component.* columns here",
        ),
        ("hold", "forbid: {event: takeoff}", "line 1: $: expected `for` or `until`"),
        ("hold", "forbid: {event: takeoff}\nfor: null", "line 12: $.for: expected a value, got none"),
        ("hold", "forbid: {event: takeoff}\nuntil: {}", "line 12: $.until: expected at least one condition"),
        (
            "hold",
            "forbid: {event: takeoff}\nfor: PT1H\nover: {product_clas: {is: cleaner}}",
            "line 13: $.over.product_clas: unknown column 'product_clas' (did you mean product_class?)",
        ),
        (
            "precede",
            "needs: {action: {is: prepare}}\nor_else: []",
            "line 12: $.or_else: expected at least 1 here, got 0",
        ),
        (
            "precede",
            "needs: {action: {is: prepare}}\nor_else:\n  - {within: PT1H, neds: {}}",
            "line 13: $.or_else[0].neds: unknown key 'neds' (did you mean needs?); expected one of needs, within",
        ),
        ("spacing", "pause: {}", "line 11: $.pause: expected at_least or at_most"),
        ("spacing", "pause: {at_least: PT2H, at_most: PT1H}", "line 11: $.pause: at_least is more than at_most"),
        (
            "interval",
            "at_most: {flight_hours: .inf}",
            "line 11: $.at_most.flight_hours: input should be a finite",
        ),
        ("interval", "at_most: {}", "line 11: $.at_most: expected at least one of flight_hours, cycles, days, months"),
        ("interval", "at_most: {cycles: true}", "line 11: $.at_most.cycles: expected a whole number, got True"),
        ("interval", "at_most: {flight_hours: '50'}", "line 11: $.at_most.flight_hours: expected a number, got '50'"),
        ("interval", "at_most: {days: 0}", "line 11: $.at_most.days: expected more than 0, got 0"),
        ("interval", "at_most: {days: 2000000}", "line 11: $.at_most.days: expected at most 1,000,000, got 2000000"),
        ("count", "coats: {at_least: '3'}", "line 11: $.coats.at_least: expected a whole number, got '3'"),
        ("record", "require: {}", "line 11: $.require: expected at least one condition; this rule could never find"),
        (
            "record",
            "require: {any_of: [{product: {present: true}}, {}]}",
            "line 11: $.require.any_of[1]: expected at least one condition; an alternative without any always holds",
        ),
        ("record", "require: {any_of: []}", "line 11: $.require.any_of: expected at least 1 here, got 0"),
        ("record", "require: {product: {is: ''}}", "line 11: $.require.product.is: product is never ''; ask `present`"),
        ("record", "require: {product: {in: [a, ' b']}}", "line 11: $.require.product.in: product is never ' b'"),
        (
            "record",
            "require: {product: {present: yes}}",
            "$.require.product.present: expected true or false, got 'yes'",
        ),
        (
            "overlap",
            "between: [tasks, flights]\nsame: [aircraf]",
            "line 12: $.same[0]: tasks have no column 'aircraf' (did you mean aircraft?); expected one of task_id,",
        ),
        (
            "overlap",
            "between: [tasks, flights]\nsame: [aircraft]\ndiffering: [statio]",
            "line 13: $.differing[0]: tasks have no column 'statio' (did you mean station?)",
        ),
        ("overlap", "between: [flights, tasks]\nsame: [aircraft]", "line 11: $.between: expected `tasks` first"),
    ],
)
def test_a_rule_that_could_not_tell_good_from_bad_is_refused(form: str, limits: str, sentence: str) -> None:
    """A limit that nothing can break, or that everything breaks, is a fault of the rule."""
    text = GOOD.replace("form: hold", f"form: {form}").replace("forbid: {event: takeoff}\nfor: PT24H", limits)
    assert sentence in said(text)


@pytest.mark.parametrize(
    ("form", "body", "path"),
    [
        ("record", "require: {product: {is: }}", "$.require.product.is"),
        ("record", "require: {product: {present: }}", "$.require.product.present"),
        (
            "record",
            "require: {any_of: [{lot.expires_on: {at_least: }}]}",
            "$.require.any_of[0].lot.expires_on.at_least",
        ),
        ("interval", "at_most: {flight_hours: }", "$.at_most.flight_hours"),
        ("interval", "at_most: {days: 1}\nseason:", "$.season"),
        ("precede", "needs: {action: {is: prepare}}\nwithin:", "$.within"),
        ("hold", "forbid: {event: treatment, where: }\nfor: PT1H", "$.forbid.where"),
        ("count", "coats: {at_least: 2, at_most: }", "$.coats.at_most"),
    ],
)
def test_a_key_left_blank_is_not_a_key_left_out(form: str, body: str, path: str) -> None:
    """A value that somebody forgot to fill in would otherwise take a limit or a requirement away in silence."""
    text = GOOD.replace("form: hold", f"form: {form}").replace("forbid: {event: takeoff}\nfor: PT24H", body)
    assert f"{path}: expected a value, got none; leave the key out where there is none" in said(text)


def test_sentences_stay_short() -> None:
    """A value of a hundred thousand letters is shown by its beginning."""
    assert len(said(GOOD.replace("is: apply", f"is: {'x' * 100_000}"))) < 250
    assert len(said(GOOD.replace("PT24H", "9" * 100_000))) < 250


def test_an_alias_bomb_is_refused_at_once() -> None:
    """A million lines of aliases are refused by size, a small bomb by its first anchor; neither is expanded."""
    assert "at most 1 MB" in said("a: &a [x]\n" + "b: [*a, *a]\n" * 1_000_000)
    bomb = "a: &a [x, x]\n" + "".join(f"k{n}: &k{n} [*{'a' if n == 0 else f'k{n - 1}'}, *a]\n" for n in range(200))
    assert said(bomb) == "a-rule.yaml, line 1: $.a: an anchor (&name) is not allowed; write values out"


@pytest.mark.parametrize("nested", ["[" * 400_000, "{a: " * 200_000, "[" * 31 + "]" * 31], ids=("lists", "keys", "31"))
def test_deep_nesting_is_refused(nested: str) -> None:
    """Nesting is refused where it gets too deep, before it can exhaust the stack and kill the process."""
    assert "nested deeper than 30 levels" in said("form: " + nested)


@pytest.mark.parametrize("change", ["", "why: &x Because.", "why: 'Because", "why: \x00", "why: 12", "? [a]\n: b"])
def test_the_slow_reader_says_the_same(change: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the reader in C isn't installed, the one in Python gives the same data and the same lines."""

    def outcome() -> object:
        try:
            return read_rule(GOOD.replace("why: Because.", change or "why: Because.").encode(), "a-rule.yaml")
        except AuditError as error:
            return str(error)

    fast = outcome()
    monkeypatch.setattr("ruamel.yaml.main.CParser", None)
    assert type(YAML(typ="safe", pure=False).parser).__module__ == "ruamel.yaml.parser"
    assert outcome() == fast


def test_yaml_words_stay_what_was_written() -> None:
    """`NO` is not false, `12:30` not 750, and a date not an object; a code of digits keeps every digit."""
    cells = {
        "remarks": "12:30",
        "lot": "007",
        "manual": "1_000",
        "work_order": "2024-01-01",
        "component_serial": "0x1F",
        "certificate_number": "12345678901234567890",
    }
    task = "\n        ".join(f"{name}: {cell}" for name, cell in cells.items())
    text = GOOD.replace("{name: one, expect: complies}", f"name: NO\n    expect: complies\n    tasks:\n      - {task}")
    for directive in ("", "%YAML 1.1\n---\n"):
        example = read_rule((directive + text).encode(), "a-rule.yaml").examples[0]
        assert example.name == "NO"
        assert example.tasks == (cells,)


def test_ids_are_unique_and_name_their_files(tmp_path: Path) -> None:
    """Two files with one id, and a file named otherwise than its rule, are refused by name."""
    (tmp_path / "a-rule.yaml").write_text(GOOD, encoding="utf-8")
    (tmp_path / "pack").mkdir()
    (tmp_path / "pack" / "a-rule.yaml").write_text(GOOD, encoding="utf-8")
    (tmp_path / "other.yaml").write_text(GOOD.replace("a-rule", "b-rule"), encoding="utf-8")
    with pytest.raises(AuditError) as caught:
        load_rules(tmp_path)
    assert str(caught.value).splitlines() == [
        f"{tmp_path}: faults in 2 rule files",
        "other.yaml: expected the file name to be the rule's id, b-rule.yaml",
        "pack/a-rule.yaml: the id a-rule is taken by a-rule.yaml; every rule needs its own",
    ]


def test_a_single_fault_has_no_headline(tmp_path: Path) -> None:
    """Where one thing is wrong, its sentence is all that is said; of several, the first line says in how many files."""
    (tmp_path / "a-rule.yaml").write_text(GOOD.replace("PT24H", "soon"), encoding="utf-8")
    with pytest.raises(AuditError, match=r"^a-rule\.yaml, line 12: \$\.for: [^\n]+$"):
        load_rules(tmp_path)
    (tmp_path / "b-rule.yaml").write_text(
        GOOD.replace("level: 2", "level: 9").replace("PT24H", "soon"), encoding="utf-8"
    )
    with pytest.raises(AuditError, match=rf"^{tmp_path}: faults in 2 rule files\n(.+\n){{2}}.+$"):
        load_rules(tmp_path)
    (tmp_path / "a-rule.yaml").unlink()
    with pytest.raises(AuditError, match=rf"^{tmp_path}: faults in 1 rule file\n.+\n.+$"):
        load_rules(tmp_path)


def test_no_rule_file_is_passed_over(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Endings are read in any case, and a folder that can't be listed is an error: its rules would go missing."""
    (tmp_path / "pack").mkdir()
    (tmp_path / "pack" / "a-rule.YML").write_text(GOOD, encoding="utf-8")
    (tmp_path / "notes.txt").write_text("no rule", encoding="utf-8")
    assert [rule.id for rule in load_rules(tmp_path).rules] == ["a-rule"]
    listed = os.scandir

    def closed(folder: str) -> object:
        if str(folder).endswith("pack"):
            raise PermissionError(13, "Permission denied", str(folder))
        return listed(folder)

    monkeypatch.setattr("os.scandir", closed)
    with pytest.raises(AuditError, match=r"pack: can't be read: Permission denied"):
        load_rules(tmp_path)


def test_reserved_folders_hold_no_rules(tmp_path: Path) -> None:
    """Beside the packs, settings and other tables may lie; a pack's own folder of such a name is read."""
    for place, name in (("", "a-rule"), ("settings", "no-rule"), ("tables", "nor-this"), ("pack/settings", "b-rule")):
        (tmp_path / place).mkdir(parents=True, exist_ok=True)
        (tmp_path / place / f"{name}.yaml").write_text(GOOD.replace("a-rule", name), encoding="utf-8")
    assert [rule.id for rule in load_rules(tmp_path).rules] == ["a-rule", "b-rule"]


def test_a_folder_without_rules_is_refused(tmp_path: Path) -> None:
    """Without rules there is no audit: a missing or an empty folder is an error, not an audit that finds nothing."""
    with pytest.raises(AuditError, match="no such folder of rules"):
        load_rules(tmp_path / "missing")
    with pytest.raises(AuditError, match="no rule files"):
        load_rules(tmp_path)


def test_a_rule_file_in_another_encoding_is_refused() -> None:
    """The line of the first byte that is not UTF-8 is named."""
    with pytest.raises(AuditError, match=r"a-rule.yaml, line 2: expected UTF-8 text"):
        read_rule(GOOD.replace("A title", "Übung").encode("latin-1"), "a-rule.yaml")


def test_rule_files_are_read_in_a_fixed_order(tmp_path: Path) -> None:
    """The rules come in the order of their paths, with the hash of each file."""
    for name in ("zeta", "alpha"):
        (tmp_path / f"{name}.yaml").write_text(GOOD.replace("a-rule", name), encoding="utf-8")
    rulebook = load_rules(tmp_path)
    assert [rule.id for rule in rulebook.rules] == ["alpha", "zeta"]
    assert [file.name for file in rulebook.rule_files] == ["alpha.yaml", "zeta.yaml"]
    assert len(rulebook.rule_files[0].sha256) == 64
