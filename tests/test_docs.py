"""What the README and the contributors' guide say is what the code does."""

from __future__ import annotations

import re
import shlex
from collections.abc import Iterator
from dataclasses import replace
from importlib.util import find_spec
from pathlib import Path

import pytest
import typer

from audit.authoring.running import run_examples
from audit.cli import NAME, app
from audit.exit_codes import ExitCode
from audit.findings.assembling import assemble
from audit.findings.result import FINDING_COLUMNS, STANDING_COLUMNS
from audit.forms import FORMS
from audit.forms.judging import judge_rule
from audit.language.rule import Rule
from audit.pipeline import Audited
from audit.report.files import contents
from audit.report.formats import FILES, HEALTH_FILES, REGISTER_FILES
from audit.rulebook.loading import load_rules, read_rule
from audit.rulebook.settings import read_settings, with_settings
from audit.shipped import rules_folder
from tests.generated_docs import (
    CATALOGUE,
    COMMAND,
    DEVELOPERS,
    MADE,
    PAGES,
    README,
    REPORTS,
    ROOT,
    RULES,
    made_anew,
    made_whole,
    stale,
)
from tests.report.conftest import make_result

LINKED = [
    *(*PAGES, ROOT / "CHANGELOG.md", ROOT / "sample_records/SCENARIO.md"),
    *sorted((ROOT / "rules").rglob(CATALOGUE)),
]

A_BASIS = "basis: [{source: 'common practice, no source'}]\n"
COMMON_KEYS = f"""
id: shown-in-the-guide
title: Shown in the guide
level: 2
{A_BASIS}why: It shows the syntax.
put_right: By the operator's manual.
"""
BOTH_SIDES = "examples: [{name: good, expect: complies}, {name: bad, expect: finding}]"
A_HOLD = """
form: hold
scope: {action: {is: apply}, product_class: {is: rubber-preservative}}
forbid: {event: takeoff}
for: PT24H
"""


def section(page: Path, title: str) -> str:
    """One section of a page, its subsections included."""
    [found] = re.findall(
        rf"^## {re.escape(title)}\n(.*?)(?=^## |\Z)", page.read_text("utf-8"), re.DOTALL | re.MULTILINE
    )
    return str(found)


def first_cells(text: str) -> list[str]:
    """The first cells of a section's table rows, without the head."""
    return [cell.strip("` ") for cell in re.findall(r"^\| *([^|\n]+?) *\|", text, re.MULTILINE)][2:]


def test_what_is_made_is_up_to_date() -> None:
    """What is made from the code and the rules says what they say."""
    old = [page.relative_to(ROOT).as_posix() for page in stale()]
    assert not old, f"{', '.join(old)} out of date: {COMMAND}"


def test_every_pack_has_its_page_and_no_other_folder_one() -> None:
    """A pack that is taken away takes its page of the catalogue with it."""
    assert set((ROOT / "rules").rglob(CATALOGUE)) == {page for page in made_whole() if page.name == CATALOGUE}


@pytest.mark.parametrize("gone", ["<!-- rules: made by `make docs` -->", "<!-- end of rules -->"])
def test_a_lost_marker_is_an_error(gone: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A page that lost a marker is refused, not taken for one that is up to date."""
    page = tmp_path / "README.md"
    page.write_text(RULES.read_text(encoding="utf-8").replace(gone, ""), encoding="utf-8")
    monkeypatch.setattr("tests.generated_docs.MADE", {page: MADE[RULES]})
    with pytest.raises(ValueError, match="markers of rules"):
        made_anew(page)


def test_every_exit_code_is_explained() -> None:
    """The README lists each exit code once, and no other."""
    assert first_cells(section(README, "Exit codes")) == [str(code.value) for code in ExitCode]


def test_every_output_is_explained() -> None:
    """The page of reports lists each file of a report, and no other."""
    assert sorted(first_cells(section(REPORTS, "What comes out"))) == sorted(
        [*contents(make_result(), FILES), *HEALTH_FILES, *REGISTER_FILES]
    )


def test_every_form_is_explained() -> None:
    """The page of rules lists each rule form, and no other."""
    assert first_cells(section(RULES, "Rule forms")) == list(FORMS)


def test_every_column_of_a_finding_is_explained() -> None:
    """The page of reports says of each column of findings.csv what it holds, in its order."""
    [text] = re.findall(r"^### findings\.csv\n(.*?)(?=^### )", REPORTS.read_text("utf-8"), re.DOTALL | re.MULTILINE)
    assert tuple(first_cells(text)) == (*FINDING_COLUMNS, *STANDING_COLUMNS)


def yaml_blocks() -> list[str]:
    """Every piece of a rule file that the page of rules shows."""
    shown = re.findall(r"^```yaml\n(.*?)^```", RULES.read_text("utf-8"), re.DOTALL | re.MULTILINE)
    return [block for block in shown if not block.startswith("set_by:")]


def as_rule(block: str) -> Rule:
    """A whole rule made of a piece, with what the piece leaves out."""
    form = "" if "form:" in block else A_HOLD
    if "scope:" in block:
        form = form.replace(A_HOLD.splitlines()[2] + "\n", "")
    examples = "" if "examples:" in block else BOTH_SIDES
    common = COMMON_KEYS.replace(A_BASIS, "") if "basis:" in block else COMMON_KEYS
    return read_rule(f"{common}{form}{block}{examples}".encode(), "guide")


def test_every_piece_of_a_rule_that_is_shown_is_valid() -> None:
    """The loader accepts each piece of a rule file in the guide, and every form is shown in its turn."""
    rules = [as_rule(block) for block in yaml_blocks()]
    shown = [rule.form for rule, block in zip(rules, yaml_blocks(), strict=True) if "form:" in block]
    assert list(dict.fromkeys(shown)) == list(FORMS)


def test_the_examples_that_are_shown_hold() -> None:
    """The guide's examples are judged as they say."""
    [block] = [block for block in yaml_blocks() if "examples:" in block]
    results = list(run_examples([as_rule(block)]))
    assert len(results) == 2
    assert [result.got for result in results] == [result.expected for result in results]


@pytest.mark.parametrize("shown", ["rules/README.md", "rules/settings/example-operator.yaml"])
def test_the_settings_that_are_shown_fit_the_rules_that_ship(shown: str, sample_audit: Audited, tmp_path: Path) -> None:
    """Every value that the examples set is in force over the sample records, of which they name the fleet."""
    text = (ROOT / shown).read_text("utf-8")
    if shown.endswith(".md"):
        [text] = re.findall(r"^```yaml\n(set_by:.*?)^```", text, re.DOTALL | re.MULTILINE)
    (tmp_path / "operator.yaml").write_text(text, encoding="utf-8")
    rulebook = with_settings(load_rules(rules_folder()), [read_settings(tmp_path / "operator.yaml")])
    export, timeline = sample_audit.export, sample_audit.timeline
    overdue = [rule for rule in rulebook.rules if rule.id == "ice-adhesion-treatment-overdue"]
    judged = [(rule, judge_rule(rule, timeline)) for rule in overdue]
    result = assemble("1", "tarnwhistle", replace(rulebook, rules=tuple(overdue)), export, timeline, judged)
    overridden = {(one.rule, one.key): one.in_force.value for one in result.settings if one.overridden}
    assert overridden[("flight-before-cure", "for")] == "PT36H"
    assert overridden[("ice-adhesion-treatment-overdue", "at_most.flight_hours")] == "40"
    assert {key for _, key in overridden if key.startswith("season at ")} == {
        "season at Pipewren",
        "season at Thrushwick",
    }
    assert result.not_in_export == ()
    # Flown in the southern winter only, the boots of a southern aircraft are overdue on other days than before.
    treated = result.findings[result.findings["rule"] == "ice-adhesion-treatment-overdue"]
    months = {at.month for at in treated.loc[treated["aircraft"] == "TARN-LARCH", "at"]}
    assert months
    assert months <= {4, 5, 6, 7, 8, 9, 10}
    assert "Maintenance programme ICE-3" in contents(result, ["html"])["report.html"].decode()


def commands(page: Path) -> list[str]:
    """Every call of the command that a page shows, without comments."""
    shown = re.findall(rf"(?:^ {{4}}|`)(?:\S*[/\\])?{NAME}((?: [^`\n#]+)?)", page.read_text("utf-8"), re.MULTILINE)
    return [call.strip() for call in shown if call.strip()]


def refuse_unknown(call: str) -> None:
    """Raise where the command line doesn't know a command or an option of the call; nothing is run."""
    command = typer.main.get_command(app)
    words = [word for word in shlex.split(call.replace("\\", "/")) if word not in ("--help", "--version")]
    while words and hasattr(command, "commands"):
        command = command.commands[words.pop(0)]
    if not hasattr(command, "commands"):
        command.make_context(NAME, words, resilient_parsing="--help" in call)


@pytest.mark.parametrize(
    "page", [README, RULES, REPORTS, ROOT / "CHANGELOG.md"], ids=lambda page: page.relative_to(ROOT).as_posix()
)
def test_commands_exist(page: Path) -> None:
    """The command line knows every command and option that a page shows."""
    assert commands(page)
    for call in commands(page):
        refuse_unknown(call)


@pytest.mark.parametrize("call", ["chek EXPORT", "rules tset", "check EXPORT --as-off 2026-04-30T18:00Z"])
def test_unknown_commands_would_be_noticed(call: str) -> None:
    """A command or option with a typo doesn't pass the check above."""
    with pytest.raises((KeyError, typer.TyperException)):
        refuse_unknown(call)


@pytest.mark.parametrize(
    "page", [DEVELOPERS, ROOT / "benchmarks/README.md"], ids=lambda page: page.relative_to(ROOT).as_posix()
)
def test_modules_that_are_run_exist(page: Path) -> None:
    """Every `python -m` names a module that is there."""
    named = set(re.findall(r"python -m ([\w.]+)", page.read_text(encoding="utf-8")))
    assert named
    assert {name for name in named if find_spec(name) is None} == set()


def anchors(page: Path) -> set[str]:
    """The headings of a page as a link names them."""
    titles = re.findall(r"^#+ (.+)$", page.read_text(encoding="utf-8"), re.MULTILINE)
    return {re.sub(r"[^\w -]", "", title.lower()).replace(" ", "-") for title in titles}


def test_links_lead_somewhere() -> None:
    """Every relative link of a page leads to a file, and to a heading where it names one."""
    lost = []
    links = 0
    for page in LINKED:
        for link in re.findall(r"\]\((?!https?:)([^)\s]+)\)", page.read_text(encoding="utf-8")):
            links += 1
            place, _, heading = link.partition("#")
            target = page.parent / place if place else page
            if not target.exists() or (heading and heading not in anchors(target)):
                lost.append(f"{page.relative_to(ROOT)}: {link}")
    assert links > 4
    assert lost == []


def targets() -> set[str]:
    makefile = (ROOT / "Makefile").read_text(encoding="utf-8")
    return set(re.findall(r"^([a-z-]+):", makefile, re.MULTILINE))


@pytest.mark.parametrize("page", [README, DEVELOPERS], ids=lambda page: page.name)
def test_make_targets_exist(page: Path) -> None:
    """No page names a make target that isn't there."""
    named = set(re.findall(r"(?:`|^ {4})make ([a-z-]+)", page.read_text(encoding="utf-8"), re.MULTILINE))
    assert named
    assert named <= targets()


def paths(page: Path) -> Iterator[str]:
    """Everything in code quotes that looks like a place in the checkout, not in the wheel."""
    for quoted in re.findall(r"`([\w.-]+(?:/[\w.-]+)*/?)`", page.read_text(encoding="utf-8")):
        if "shipped_data" not in quoted and quoted.split("/")[0] in {
            "audit",
            "benchmarks",
            "rules",
            "sample_records",
            "tests",
            ".ci",
        }:
            yield quoted


def test_places_in_the_code_exist() -> None:
    """Every file and folder that the contributors' guide names is there."""
    named = set(paths(DEVELOPERS))
    assert len(named) > 10
    assert {name for name in named if not (ROOT / name).exists()} == set()


def test_every_room_is_on_the_map() -> None:
    """The contributors' guide says what each part of the package is for."""
    rooms = {f"{path.parent.name}/" for path in (ROOT / "audit").glob("*/__init__.py")}
    modules = {path.name for path in (ROOT / "audit").glob("[a-z]*.py")}
    assert set(first_cells(section(DEVELOPERS, "The rooms"))) == rooms | modules


@pytest.mark.parametrize("page", [README, DEVELOPERS], ids=lambda page: page.name)
def test_the_first_pages_are_read_at_one_sitting(page: Path) -> None:
    """At most 200 lines: what is looked up stands beside what it is about, on a page that this one names."""
    assert len(page.read_text(encoding="utf-8").splitlines()) <= 200
