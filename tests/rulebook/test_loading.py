"""Every fault in a rule file is one clear sentence with its place."""

from __future__ import annotations

from pathlib import Path

import pytest

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
            "line 3: $.form: unknown form 'holt' (did you mean hold?); expected one of record, hold",
        ),
        ("form: hold\n", "", "line 1: $.form: no form is given; expected one of record, hold"),
        ("level: 2", "level: 3", "line 4: $.level: got '3'; expected '1', '2' or 'observation'"),
        ("PT24H", "PT24", "line 12: $.for: expected an ISO 8601 duration in hours, minutes or seconds, such as PT24H"),
        ("PT24H", "P1D", "line 12: $.for: expected an ISO 8601 duration in hours, minutes or seconds, such as PT24H"),
        ("action: {", "acton: {", "line 9: $.scope: unknown column 'acton' (did you mean action?)"),
        (
            "{is: apply}",
            "{isn: apply}",
            "line 10: $.scope.action.isn: unknown key 'isn' (did you mean is?); expected one of is,",
        ),
        ("{is: apply}", "{is: aply}", "line 9: $.scope: action is never 'aply'; it is one of clean, prepare, apply"),
        (
            "{is: apply}",
            "{before: 2024-01-01}",
            "line 9: $.scope: action is a choice column, of which before can't be asked",
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
        ("why: Because.\n", "", "line 1: $.why: this is needed and not given"),
        ("expect: finding", "expect: complies", "expected an example that complies and one that is a finding"),
        ("level: 2", "level: 2\nlevel: 1", "line 5: $.level: this key stands here twice (first on line 4)"),
        (
            "why: Because.",
            "why: &x Because.\ncaution: *x",
            "$.caution: an alias (*name) is not allowed in a rule file; write the value out",
        ),
        ("why: Because.", "why: !!binary aGk=", "$.why: the tag !binary is not allowed in a rule file"),
        ("{event: takeoff}", "{event: takeoff", "not readable as YAML"),
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


def test_an_alias_bomb_is_refused_at_once() -> None:
    """A million lines of aliases are refused by size, and a small bomb by its first anchor; neither is expanded."""
    assert "at most 1 MB" in said("a: &a [x]\n" + "b: [*a, *a]\n" * 1_000_000)
    bomb = "a: &a [x, x]\n" + "".join(f"k{n}: &k{n} [*{'a' if n == 0 else f'k{n - 1}'}, *a]\n" for n in range(200))
    assert "an alias (*name) is not allowed" in said(bomb + "form: hold\n")


def test_deep_nesting_is_refused() -> None:
    """Nesting without end is refused, not followed."""
    assert "nested deeper than" in said("form: " + "[" * 200 + "]" * 200)


def test_yaml_words_stay_what_was_written() -> None:
    """`NO` is no false, `12:30` no 750, `007` no 7, and a date no object."""
    task = "\n      - remarks: 12:30\n        lot: 007\n        work_order: 2024-01-01\n"
    text = GOOD.replace("{name: one, expect: complies}", f"name: NO\n    expect: complies\n    tasks:{task}")
    example = read_rule(text.encode(), "a-rule.yaml").examples[0]
    assert example.name == "NO"
    assert example.tasks == ({"remarks": "12:30", "lot": "007", "work_order": "2024-01-01"},)


def test_ids_are_unique_and_name_their_files(tmp_path: Path) -> None:
    """Two files with one id, and a file named otherwise than its rule, are refused by name."""
    (tmp_path / "a-rule.yaml").write_text(GOOD)
    (tmp_path / "pack").mkdir()
    (tmp_path / "pack" / "a-rule.yaml").write_text(GOOD)
    (tmp_path / "other.yaml").write_text(GOOD.replace("a-rule", "b-rule"))
    with pytest.raises(AuditError) as caught:
        load_rules(tmp_path)
    assert str(caught.value).splitlines() == [
        "other.yaml: expected the file name to be the rule's id, b-rule.yaml",
        "pack/a-rule.yaml: the id a-rule is taken by a-rule.yaml; every rule needs its own",
    ]


def test_a_folder_without_rules_is_refused(tmp_path: Path) -> None:
    """No rules is no audit: a missing or an empty folder is an error, not an audit that finds nothing."""
    with pytest.raises(AuditError, match="no such folder of rules"):
        load_rules(tmp_path / "missing")
    with pytest.raises(AuditError, match="no rule files"):
        load_rules(tmp_path)


def test_a_rule_file_in_another_encoding_is_refused() -> None:
    """The line of the first byte that is no UTF-8 is named."""
    with pytest.raises(AuditError, match=r"a-rule.yaml, line 2: expected UTF-8 text"):
        read_rule(GOOD.replace("A title", "Übung").encode("latin-1"), "a-rule.yaml")


def test_rule_files_are_read_in_a_fixed_order(tmp_path: Path) -> None:
    """The rules come in the order of their paths, with the hash of each file."""
    for name in ("zeta", "alpha"):
        (tmp_path / f"{name}.yaml").write_text(GOOD.replace("a-rule", name))
    rulebook = load_rules(tmp_path)
    assert [rule.id for rule in rulebook.rules] == ["alpha", "zeta"]
    assert [file.name for file in rulebook.rule_files] == ["alpha.yaml", "zeta.yaml"]
    assert len(rulebook.rule_files[0].sha256) == 64
