"""Words of rule files: names in braces, messages by kind, warnings by name."""

from __future__ import annotations

from pathlib import Path

import pytest

from audit.errors import AuditError
from audit.language.warnings import FILE, known_warnings, that_apply
from audit.language.wording import Said, filled, sentence, unknown_names
from audit.rulebook.loading import read_rule
from audit.rulebook.worded import message_names
from tests.authoring.test_linting import GOOD


def test_values_stand_in_the_place_of_their_names() -> None:
    """All of them, or nothing: half a sentence misleads."""
    assert filled("Lot {lot} of {product}", {"lot": "L-1", "product": "P"}) == "Lot L-1 of P"
    assert filled("Lot {lot} of {product}", {"lot": "L-1", "product": ""}) == ""
    assert filled("plain", {}) == "plain"


def test_the_narrowest_kind_of_message_speaks() -> None:
    """Else the one for every finding; where there is none, or a value is missing, general words do."""
    part = Said(("none", "too_few"), {"measured": "0 coats"}, "general")
    assert sentence({"too_few": "{measured} only", "finding": "wrong"}, [part], {}) == "0 coats only."
    assert sentence({"none": "no coat", "too_few": "{measured} only"}, [part], {}) == "no coat."
    assert sentence({"finding": "wrong"}, [part], {}) == "wrong."
    assert sentence({"too_many": "many"}, [part], {}) == "general."
    assert sentence({"finding": "{task}: {measured}"}, [part], {"task": "T1", "measured": "unknown"}) == "T1: 0 coats."
    assert sentence({"none": "{limit} required"}, [part], {}) == "general."
    assert sentence({}, [part, Said((), {}, "and more.", "At fin: ")], {}) == "general. At fin: and more."


def test_the_same_is_said_once_and_what_lacks_a_value_not_beside_what_does_not() -> None:
    """Two requirements with one message make one sentence."""
    parts = [Said(("lot",), {"lot": ""}, "a"), Said(("lot.lot",), {"lot": ""}, "b")]
    assert sentence({"finding": "Lot missing"}, parts, {}) == "Lot missing."
    assert sentence({"lot": "Lot not recorded", "lot.lot": "Lot {lot} not listed"}, parts, {}) == "Lot not recorded."


def test_unknown_names_are_told_with_the_likely_one() -> None:
    """And a brace that has no other."""
    (told,) = unknown_names("{mesured} of {limit}", ["measured", "limit"])
    assert told == "unknown name 'mesured' in braces (did you mean measured?); expected one of limit, measured"
    assert list(unknown_names("{limit} }", ["limit"])) == [
        "a brace without its other one; a name stands in two, such as {limit}"
    ]


@pytest.mark.parametrize(
    ("line", "fault"),
    [
        ("message: '{mesured} recorded'", "$.message: unknown name 'mesured' in braces (did you mean measured?)"),
        ("message: {finnish: x}", "$.message.finnish: no finding of this rule is of the kind 'finnish'"),
        ("message: {component.finish: '{x}'}", "$.message.component.finish: unknown name 'x' in braces"),
        ("why: '{limit} passed'", "$.why: unknown name 'limit' in braces; this rule has none to offer"),
        ("warning: [at-hight]", "$.warning[0]: no warning 'at-hight' (did you mean at-height?)"),
        ("warning: at-height", "$.warning: expected a list of names of warnings"),
    ],
)
def test_words_that_mean_nothing_are_refused_on_loading(line: str, fault: str) -> None:
    """One sentence each, with the place, the likely word and the list."""
    key = line.partition(":")[0]
    kept = [text for text in GOOD.splitlines() if not text.startswith(f"{key}:")]
    kept.insert(kept.index("form: record") + 1, line)
    with pytest.raises(AuditError) as refused:
        read_rule("\n".join(kept).encode(), "gloss-on-silver.yaml")
    assert fault in str(refused.value)
    assert "line 4" in str(refused.value)


def test_a_message_may_name_what_its_form_gives_and_the_columns_that_its_rule_joins() -> None:
    """The boot, which this rule asks about; not the lot, which it doesn't."""
    names = message_names(read_rule(GOOD.encode(), "gloss-on-silver.yaml"))
    assert {"measured", "limit", "task", "component.material", "work_date"} <= set(names)
    assert "lot.expires_on" not in names
    assert all(names.values())


def test_an_operators_table_adds_and_overrides_and_takes_nothing_away(tmp_path: Path) -> None:
    """Whatever its own table leaves out stays a warning."""
    (tmp_path / "tables").mkdir()
    (tmp_path / "tables" / FILE).write_text(
        "title: Ours\nbasis: [{source: Handbook 7}]\n"
        "warnings:\n  at-height: {text: Use the dock.}\n  noise: {text: Wear ear muffs.}\n"
    )
    shipped, _ = known_warnings(tmp_path / "none")
    known, files = known_warnings(tmp_path)
    assert known["at-height"].text == "Use the dock."
    assert known["noise"].text == "Wear ear muffs."
    assert set(known) == {*shipped, "noise"}
    assert len(files) == 2


def test_hazards_of_the_product_add_warnings_and_take_none_away() -> None:
    """To a rule that sends someone to the aircraft; a rule about paper has none to add to."""
    known, _ = known_warnings(Path("none"))
    named = [known["at-height"]]
    assert [one.name for one in that_apply(named, known.values(), ["H225"])] == ["at-height", "fire-and-static"]
    assert [one.name for one in that_apply(named, known.values(), [])] == ["at-height"]
    assert that_apply([], known.values(), ["H225"]) == ()
