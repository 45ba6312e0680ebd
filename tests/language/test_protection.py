"""Tables of what protects against which hazard, named by rules and looked up on loading."""

from __future__ import annotations

from pathlib import Path

import pytest

from audit.errors import AuditError
from audit.forms.record import RecordRule
from audit.language.condition import Needed
from audit.language.protection import read_table
from audit.rulebook.loading import load_rules, read_rule
from audit.rulebook.settings import read_settings, with_settings
from audit.shipped import rules_folder

RULE = """\
id: worn
title: A title
form: record
level: 2
basis:
  - source: common practice, no source
why: Because.
put_right: Do it again.
require:
  ppe_worn:
    includes_all: {needed_for: product.hazard_codes, by: small, always: [mask]}
examples:
  - {name: one, expect: complies}
  - {name: two, expect: finding}
"""
TABLE = """\
title: A table
basis:
  - source: common practice, no source
needs:
  H317: [gloves]
  H314: [{any_of: [gloves, clothing]}, goggles]
  H336: []
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder of rules: one rule in a pack, and the table that it names."""
    for name, text in (("pack/worn.yaml", RULE), ("tables/small.yaml", TABLE)):
        path = tmp_path / name
        path.parent.mkdir()
        path.write_text(text, encoding="utf-8")
    return tmp_path


def operand(rule: object) -> Needed:
    """What the rule above asks of ppe_worn."""
    assert isinstance(rule, RecordRule)
    asked = rule.require.columns["ppe_worn"].includes_all
    assert isinstance(asked, Needed)
    return asked


@pytest.mark.parametrize(
    ("worn", "hazards", "lacking"),
    [
        ("mask; gloves", "H317", {}),
        ("mask", "H317", {("gloves",): ("H317",)}),
        ("mask;clothing; goggles", "H314", {}),
        ("mask", "H314; H317", {("gloves", "clothing"): ("H314",), ("goggles",): ("H314",), ("gloves",): ("H317",)}),
        ("", "H336", {("mask",): ()}),
        ("gloves", "", {("mask",): ()}),
        ("mask", "H999", {}),
    ],
)
def test_what_is_lacking_is_told_with_what_asks_for_it(
    folder: Path, worn: str, hazards: str, lacking: dict[tuple[str, ...], tuple[str, ...]]
) -> None:
    """An item is lacking where none that would do is there; the codes that ask for it stand beside it."""
    [rule] = load_rules(folder).rules
    assert operand(rule).lacking(worn, hazards) == lacking


def test_codes_that_the_table_lacks_are_told(folder: Path) -> None:
    """Codes are compared as they are written."""
    [rule] = load_rules(folder).rules
    assert operand(rule).unlisted("H317;H999; h317") == ("H999", "h317")


def test_a_pack_by_itself_has_the_tables_beside_it(folder: Path) -> None:
    """One pack of several may be audited by itself; the tables read are told with their sums."""
    book = load_rules(folder / "pack")
    assert [rule.id for rule in book.rules] == ["worn"]
    assert [(table.name, len(table.sha256)) for table in book.tables] == [
        ("tables/small.yaml", 64),
        ("tables/warnings.yaml", 64),
    ]


def test_a_single_file_has_the_tables_of_a_folder(folder: Path) -> None:
    """`read_rule` takes the folder of tables; without one it takes the tables that ship."""
    assert operand(read_rule(RULE.encode(), "worn.yaml", folder / "tables")).by.name == "small"
    shipped = RULE.replace("by: small", "by: hazard-protection")
    assert operand(read_rule(shipped.encode(), "worn.yaml")).by.needs["H317"] == (("chemical-gloves",),)


def test_settings_keep_the_tables(folder: Path) -> None:
    """A rule to which settings give another level still has its table."""
    path = folder / "settings.yaml"
    path.write_text("set_by: us\nsource: manual\nrules:\n  worn: {level: 1}\n", encoding="utf-8")
    [rule] = with_settings(load_rules(folder / "pack"), [read_settings(path)]).rules
    assert rule.level == "1"
    assert operand(rule).unlisted("H317") == ()


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        ("by: small", "by: smal", "line 11: $.require.ppe_worn.includes_all.by: no table 'smal' in"),
        ("by: small", "by: smal", "(did you mean small?); expected one of small"),
        ("by: small", "by: ../tables/small", "no table '../tables/small' in"),
        ("by: small", "by: 5", "$.require.ppe_worn.includes_all.by: expected the name of a table"),
        ("ppe_worn", "steps_signed", "what protects against hazards is asked of ppe_worn, not of steps_signed"),
        ("product.hazard_codes", "product.approval", "product.approval is not a list of codes"),
        ("product.hazard_codes", "hazards", "unknown column 'hazards'"),
        ("always", "ever", "unknown key 'ever'"),
    ],
)
def test_faults_in_a_rule_are_told_with_their_line(folder: Path, old: str, new: str, sentence: str) -> None:
    """A table that isn't there, and operands that make no sense."""
    with pytest.raises(AuditError) as caught:
        read_rule(RULE.replace(old, new).encode(), "worn.yaml", folder / "tables")
    assert sentence in str(caught.value)


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        ("H317", "H31", "line 5: $.needs.H31: expected a GHS hazard statement, such as H317, got 'H31'"),
        ("H317", "P280", "line 5: $.needs.P280: expected a GHS hazard statement"),
        ("[gloves]", "gloves", "line 5: $.needs.H317: expected a list"),
        ("[gloves, clothing]", "[gloves]", "line 6: $.needs.H314[0].any_of: expected at least 2 here, got 1"),
        ("any_of", "one_of", "unknown key 'one_of' (did you mean any_of?)"),
        ("title: A table\n", "", "$.title: this is required and not given"),
    ],
)
def test_faults_in_a_table_are_told_with_their_line(folder: Path, old: str, new: str, sentence: str) -> None:
    """A table is checked as strictly as a rule; a rule that names a faulty one doesn't load."""
    table = folder / "tables" / "small.yaml"
    table.write_text(TABLE.replace(old, new), encoding="utf-8")
    with pytest.raises(AuditError) as caught:
        load_rules(folder)
    assert sentence in str(caught.value)


def test_the_table_that_ships_names_its_sources() -> None:
    """Each source with what of it was read and what is from memory."""
    table = read_table((rules_folder() / "tables" / "hazard-protection.yaml").read_bytes(), "table")
    assert table.basis[0].source == "UN GHS, Annex 3"
    assert any("from memory" in (basis.note or "") for basis in table.basis)
