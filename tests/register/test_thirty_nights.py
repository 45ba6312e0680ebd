"""Thirty nights of one shop: every state on every night as in a table written by hand."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd

from audit.cli.check import failing_findings
from audit.findings.result import AuditResult
from audit.register.opening import open_register
from audit.register.seal import first_broken
from tests.register.nights import ALL_TASKS, finding, key, record, records_of
from tests.register.test_decisions import decided
from tests.register.test_seal import answered

# What each finding is in tonight's export, a sign a night:
#   o open   c corrected   . not found, its subject complies   m its record is not in the export   u unjudged
#   q its record is in quarantine
EXPORTS = {
    1: "oooooooooo....................",  # repeated work: cleared on night 11
    2: "ooooooooooooooooooooooooooooo.",  # deferred on day 2 until day 12; expires; cleared at the end
    3: "....ooooccccccccoooooooooooooo",  # corrected on night 9; its correction is taken back on night 17
    4: "oooooommmmmmmoooooommmmmmmmmmm",  # its record vanishes, comes back, vanishes
    5: "..........oooo....oooo........",  # cleared, back, cleared
    6: "oooouuuuoooooooooooooooooooooo",  # not judged for four nights
    7: "ooooooooqqqooooooooooooooooooo",  # in quarantine for three nights
    8: "oooooooooooooooooooooooooooooo",  # answered done on day 15
    9: "..ooooccccccccccccccccccccccoo",  # put right by later work on night 7, whose record is void from night 29 on
    10: "cccccccccccccccccccccccccccccc",  # put right before anybody looked
    11: "oooooooooooooooccccccccccc....",  # accepted on day 10 until 30; put right on night 16; gone on night 27
}

# What the register says of it that night:
#   n new   s still   b back   C cleared   M record missing   U unjudged   Q quarantined   - nothing
SAID = {
    1: "nsssssssssC-------------------",
    2: "nsssssssssssbssssssssssssssssC",
    3: "----nsssssssssssbsssssssssssss",
    4: "nsssssMMMMMMMssssssMMMMMMMMMMM",
    5: "----------nsssC---bsssC-------",
    6: "nsssUUUUssssssssssssssssssssss",
    7: "nsssssssQQQsssssssssssssssssss",
    8: "nsssssssssssssssssssssssssssss",
    9: "--nsssssssssssssssssssssssssbs",
    10: "nsssssssssssssssssssssssssssss",
    11: "nsssssssssssssssssssssssss----",
}
FAILING = [7, 7, 7, 7, 7, 7, 5, 5, 4, 4, 3, 4, 5, 6, 5, 5, 6, 6, 7, 6, 6, 6, 5, 5, 5, 5, 5, 5, 6, 5]
"""How many findings are open and undecided on each night."""
NEW_OR_BACK = {1: 7, 3: 1, 5: 1, 11: 1, 13: 1, 17: 1, 19: 1, 29: 1}
"""Of those, new or back; on every other night none."""

SIGNS = {"n": "new", "s": "still", "b": "back"}
GONE = {"C": "cleared", "M": "record missing", "U": "unjudged", "Q": "quarantined"}


def play(where: Path, day: int) -> AuditResult:
    """The export and the run of one night."""
    tonight = {number: signs[day - 1] for number, signs in EXPORTS.items()}
    states = {"o": "open", "c": "corrected"}
    put_right = {"corrected_by": "T90", "corrected_at": "2026-01-06T12:00Z"}
    found = [
        finding(number, state=states[sign], **(put_right if sign == "c" else {}))
        for number, sign in tonight.items()
        if sign in states
    ]
    outcomes: dict[int, Any] = {number: "unjudged" for number, sign in tonight.items() if sign == "u"}
    outcomes |= {number: "not there" for number, sign in tonight.items() if sign in "mq"}
    missing = {f"T{number}" for number, sign in tonight.items() if sign == "m"}
    held = {f"T{number}" for number, sign in tonight.items() if sign == "q"}
    there = ALL_TASKS - missing - held
    lots = pd.Series(["L2" if day >= 20 and task == "T8" else "L1" for task in sorted(there)], dtype="str")
    return record(
        where, day, *found, outcomes=outcomes, task_ids=there, set_aside=held, tasks=records_of(there, lot=lots)
    )


def said(done: AuditResult) -> dict[int, str]:
    """By the number of each finding of which the register says something, what."""
    assert done.standing is not None
    frames = (done.findings[["finding_id", "change"]], done.standing.gone[["finding_id", "why"]])
    return {int(key[:2]): word for frame in frames for key, word in frame.itertuples(index=False)}


def test_thirty_nights(tmp_path: Path) -> None:
    """Faults appear, are answered, corrected, deferred, expire, come back; records are altered and vanish; a night
    fails."""
    where = tmp_path / "register.db"
    failing, new_or_back = [], {}
    for day in range(1, 31):
        if day == 14:  # a run that fails leaves no trace: that night's is run again
            record(where, day, keep=False)
        done = play(where, day)
        table = {number: signs[day - 1] for number, signs in SAID.items()}
        assert said(done) == {number: (SIGNS | GONE)[sign] for number, sign in table.items() if sign != "-"}, (
            f"night {day}"
        )
        failing.append(failing_findings(done, ("1", "2", "observation"), False))
        if count := failing_findings(done, ("1", "2", "observation"), True):
            new_or_back[day] = count
        disputed = done.findings.loc[done.findings["disputed"] != "", "task_id"].tolist()
        assert disputed == (["T8"] if day > 15 else []), f"night {day}"
        corrected = done.findings.loc[done.findings["corrected_by"] == "T90", "task_id"]
        assert corrected.tolist() == [f"T{n}" for n, signs in EXPORTS.items() if signs[day - 1] == "c"], f"night {day}"
        unused = [sentence for sentence in done.standing.unused if sentence.startswith(key(11)[:12])]
        assert len(unused) == (day >= 16), f"night {day}"
        if day == 10:
            decided(where, 11, kind="accepted", approved_by="C. Teal", until=date(2026, 1, 30))
        if day == 2:
            decided(where, 2, until=date(2026, 1, 12))
        if day == 15:
            answered(where, 8, day="2026-01-15")
    assert done.standing is not None
    altered = done.standing.altered[["task_id", "what", "column", "was", "now"]]
    assert [tuple(row) for row in altered.itertuples(index=False)] == [
        ("T4", "vanished", "", "", ""),  # on night 7
        ("T8", "altered", "lot", "L1", "L2"),  # on night 20
        ("T4", "vanished", "", "", ""),  # on night 20
    ]
    assert (failing, new_or_back) == (FAILING, NEW_OR_BACK)
    with open_register(where, writing=False) as register:
        assert first_broken(register.connection) is None
