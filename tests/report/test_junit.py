"""junit.xml: a case for each rule, and silence is not a pass."""

from __future__ import annotations

from xml.etree import ElementTree

from audit.findings.result import AuditResult
from audit.report.junit import LISTED, junit_text
from tests.report.conftest import finding, hostile_finding, make_result, with_register


def cases(result: AuditResult) -> dict[str, ElementTree.Element]:
    """Read the cases back, by rule."""
    return {case.attrib["name"]: case for case in ElementTree.fromstring(junit_text(result)).iter("testcase")}


def test_each_rule_is_one_case(result: AuditResult) -> None:
    """Findings fail; idle and partly unjudged rules are skipped with the reason; only what wholly complied passes."""
    found = cases(result)
    assert list(found) == [rule.id for rule in result.rules]
    assert list(found["preservative-on-wrong-material"]) == []
    assert list(found["ice-adhesion-treatment-overdue"]) == []
    [idle] = found["lot-expired"]
    assert (idle.tag, idle.attrib["message"]) == ("skipped", "idle: nothing in scope; this is not a pass")
    failure, unjudged = found["flight-before-cure"]
    assert failure.attrib["message"] == "Flight before the preservative had cured: 2 findings"
    assert str(failure.text).splitlines()[0].startswith("F000001  TARN-001, left wing, T-1, V-1: Flew 5 h 12 min")
    assert "3 of 62 in scope could not be judged" in str(unjudged.text)
    suite = ElementTree.fromstring(junit_text(result))
    assert {name: suite.attrib[name] for name in ("tests", "failures", "errors", "skipped")} == {
        "tests": "4",
        "failures": "1",
        "errors": "0",
        "skipped": "1",
    }


def test_unjudged_alone_is_skipped() -> None:
    """A rule without findings that could not judge everything is skipped, with every reason and its number."""
    [skipped] = cases(make_result([]))["flight-before-cure"]
    assert skipped.tag == "skipped"
    assert skipped.attrib["message"].endswith("not a pass: 2 ambiguous time; 1 no boot known")


def test_the_list_is_capped_and_the_total_exact() -> None:
    """Of many findings the first are listed, and the rest counted."""
    failure = cases(make_result([finding(n) for n in range(LISTED + 7)]))["flight-before-cure"][0]
    lines = str(failure.text).splitlines()
    assert failure.attrib["message"].endswith(f"{LISTED + 7} findings")
    assert (len(lines), lines[-1]) == (LISTED + 1, "and 7 more: see findings.csv")


def test_hostile_text_stays_text() -> None:
    """Control characters, non-characters and half characters are spelled out: the file can be parsed."""
    text = junit_text(make_result([hostile_finding(1)], export_name="x\udcff"))
    case = ElementTree.fromstring(text).find(".//failure")
    assert case is not None
    assert "[U+001B][2J[U+202E]" in str(case.text)
    assert "x[U+DCFF]" in text
    assert "<script>" not in text


def test_what_is_new_back_and_decided_is_said() -> None:
    """The message counts them, and each line begins with it."""
    words = "deferred until 2026-08-01 by A. Plover: Parts on order"
    rows = [
        finding(1, change="new"),
        finding(2),
        finding(3, change="back"),
        finding(4, decision="deferred", decided=words),
    ]
    failure = cases(with_register(rows))["flight-before-cure"][0]
    assert failure.attrib["message"].endswith("4 findings (1 new, 1 back, 2 still there; 1 put right or decided)")
    lines = str(failure.text).splitlines()
    assert lines[0].startswith("F000001  [new] TARN-001")
    assert lines[3].startswith(f"F000004  [still; {words}] TARN-004")


def test_a_rule_whose_findings_are_all_decided_does_not_fail() -> None:
    """It is skipped, which is not a pass: they stand in the list, and fail again when the decision expires."""
    for decision, tag in (("deferred", "skipped"), ("accepted", "skipped"), ("expired", "failure")):
        case = cases(with_register([finding(1, decision=decision, decided="x")]))["flight-before-cure"]
        assert case[0].tag == tag
    assert cases(with_register([finding(1, state="corrected")]))["flight-before-cure"][0].tag == "skipped"
