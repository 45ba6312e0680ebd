"""The explanation of a rule as text and as Markdown."""

from __future__ import annotations

from dataclasses import replace

import pytest

from audit.authoring.explaining import ExampleTable, Explanation, ShownExample
from audit.report.explained import as_markdown, as_text

WIDE = ExampleTable("tasks", ("task_id", "remarks"), (("T1", "word " * 20), ("T2", "")))
COMPLIES = ShownExample("all is well", "complies", ("as of noon",), (WIDE,))
FINDING = ShownExample("not so", "finding", (), (ExampleTable("flights", ("flight_id",), (("F1",), ("F22",))),))
FOUND = Explanation(
    rule_id="a-fault",
    title="A fault",
    form="record",
    level="2",
    level_means="any other non-compliance",
    looks_at="Each record.",
    demands=("this holds", "that holds"),
    why="Because.",
    sources=("a book",),
    complies=COMPLIES,
    finding=FINDING,
    warnings=("Mind your eyes.",),
    put_right="Do it again.",
    messages=("{task} is wrong",),
    corrected_by=("the removal of the boot",),
    unjudged_when=(),
    known_gaps=(),
    set_values=(),
)


def test_a_table_that_fits_stands_in_columns() -> None:
    """Cells line up under the names of their columns."""
    assert "    flights:\n      flight_id\n      F1\n      F22\n" in as_text(FOUND, 80)


def test_a_table_that_is_too_wide_is_written_out() -> None:
    """Each row is a paragraph with the names of the columns, and a blank cell is a dash."""
    text = as_text(FOUND, 80)
    assert "      task_id T1, remarks word word" in text
    assert "      task_id T2, remarks -\n" in text
    assert max(map(len, text.splitlines())) <= 80
    assert "      T2       -\n" in as_text(FOUND, 200)


@pytest.mark.parametrize("show", [lambda found: as_text(found, 80), as_markdown])
def test_nothing_is_left_out(show: object) -> None:
    """Every sentence of the explanation is in the text, and that nothing leaves it unjudged is said."""
    assert callable(show)
    text = " ".join(show(FOUND).split())
    for part in (
        *("a-fault", "A fault", "Level 2: any other non-compliance", "record", "Each record.", "- this holds"),
        *(
            "- that holds",
            "Because.",
            "- a book",
            "all is well; as of noon",
            "not so",
            "Do it again.",
            "- the removal of the boot",
        ),
        *("Nothing: every subject can be judged.", "- Mind your eyes."),
    ):
        assert part in text, part
    doubtful = " ".join(show(replace(FOUND, unjudged_when=("it is dark",))).split())
    assert "- it is dark" in doubtful
    assert "Nothing: every" not in doubtful


@pytest.mark.parametrize("show", [lambda found: as_text(found, 80), as_markdown])
def test_known_gaps_are_owned_up_to(show: object) -> None:
    """What a rule judges wrongly is said where there is such a thing, and only there."""
    assert callable(show)
    assert "judge wrongly" not in show(FOUND).lower()
    gaps = show(replace(FOUND, known_gaps=("a case: not yet",)))
    assert "judge wrongly" in gaps.lower()
    assert "- a case: not yet" in gaps


def test_text_from_rules_can_not_move_the_terminal_or_the_page() -> None:
    """Control characters are shown, and what Markdown would take for markup is text."""
    bad = replace(FOUND, why="a\x1b[2J <b>b</b> | *c*", demands=("lot is \u202ex",))
    assert "\x1b" not in as_text(bad, 80)
    assert "\u202e" not in as_text(bad, 80)
    assert r"a[U+001B]\[2J \<b\>b\</b\> \| \*c\*" in as_markdown(bad).replace(r"\[U+001B\]", "[U+001B]")


def test_an_id_stays_on_one_line() -> None:
    """A word with hyphens is not broken: it may be a name to copy."""
    text = as_text(replace(FOUND, why=" ".join(["rubber-preservative"] * 20)), 80)
    assert text.count("rubber-preservative") == 20
