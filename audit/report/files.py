"""The files of a report: what an audit found, for people, spreadsheets and machines."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Collection, Iterable, Mapping
from contextlib import suppress
from dataclasses import asdict
from pathlib import Path
from typing import Any

from audit.errors import AuditError
from audit.findings.result import (
    CORRECTED,
    COVERAGE_COLUMNS,
    FINDING_COLUMNS,
    LEVELS,
    OUTCOMES,
    REJECT_COLUMNS,
    STANDING_COLUMNS,
    UNJUDGED_COLUMNS,
    AuditResult,
    Health,
    InputFile,
    Setting,
)
from audit.report.code_quality import code_quality_text
from audit.report.folder import KEPT, STAGING, kept_as, replace_files
from audit.report.formats import DEFAULT_FORMATS, FILES, HEALTH_FILES, OURS, REGISTER_FILES, SUMMARY
from audit.report.html import render
from audit.report.junit import junit_text
from audit.report.markdown import markdown_text
from audit.report.pages import compile_templates
from audit.report.rows import csv_text, instant, json_rows
from audit.report.sarif import sarif_text
from audit.report.unjudged import count_reasons
from audit.report.worklist_html import work_list_page
from audit.report.worklist_xlsx import workbook

FINDINGS_FORMAT = "deicer-audit-findings/2"
CSV_FORMAT = "deicer-audit-csv/2"
SUMMARY_FORMAT = "deicer-audit-summary/1"
"""The number changes when a reader of the file would have to. A CSV file can't say its own: summary.json does."""

WORK_LIST = "worklist.xlsx"

NONE_READY: Mapping[str, bytes] = {}


def write_result(
    result: AuditResult,
    out: Path,
    formats: Collection[str] = DEFAULT_FORMATS,
    ready: Mapping[str, bytes] = NONE_READY,
    placing: Callable[[], None] = lambda: None,
) -> list[Path]:
    """Write the report into the folder `out` and return its files; AuditError if that can't be.

    Files that are `ready` (`made_ahead`) aren't made again. The earlier report stays whole until the new one is: see
    `replace_files`. Files of an earlier report in formats that are not requested now go, so that a folder never holds
    files of two audits. What isn't as an audit wrote it stays, as one of the files returned, under a name of its own:
    see `is_kept`. `placing` is called when the files only have to be put in place.
    """
    files = _not_ours(out) | contents(result, formats, ready)
    return replace_files(files, out, gone=[name for name in OURS if name not in files], placing=placing)


def is_kept(name: str) -> bool:
    """Whether a file is one that was kept, under a name of its own, as a report was put into its place."""
    return KEPT in name


def _not_ours(out: Path) -> dict[str, bytes]:
    """What stands in the folder where the report will, and isn't as an audit wrote it, under names of its own.

    That is a work list that somebody has written into, and whatever an earlier report there didn't write. (Where a run
    was killed as it put its files in place, all but the work list are taken for ours.)
    """
    written: dict[str, str] = {}
    with suppress(OSError, ValueError, LookupError, TypeError):  # without its summary nobody knows what was written
        written = dict(json.loads((out / SUMMARY).read_bytes())["outputs"])
    killed = any(out.glob(f"{STAGING}*"))
    kept = {}
    for name in OURS:
        if name != WORK_LIST and (killed or name in written or (name == SUMMARY and written)):
            continue
        try:
            there = (out / name).read_bytes()
        except FileNotFoundError:
            continue
        except OSError as error:
            raise AuditError(
                f"{out / name} can't be read, and may be somebody's work: {error.strerror or error}"
            ) from error
        if written.get(name) != hashlib.sha256(there).hexdigest():
            kept[kept_as(name, there)] = there
    return kept


def made_ahead(result: AuditResult, formats: Collection[str] = DEFAULT_FORMATS) -> dict[str, bytes]:
    """Return the files of the formats that say nothing of export health, by name, to be made while that is judged."""
    if "html" in formats:
        compile_templates("page.html.j2")
    return {name: _made(name, result) for name in _names(formats) if name not in TELL_HEALTH}


def contents(
    result: AuditResult, formats: Collection[str] = DEFAULT_FORMATS, ready: Mapping[str, bytes] = NONE_READY
) -> dict[str, bytes]:
    """Return every file of the formats by name, `summary.json` last: it is always there, with the others' SHA-256.

    The same result gives the same bytes: nothing here asks the clock, the machine or the folder.
    """
    files = {name: ready[name] if name in ready else _made(name, result) for name in _names(formats)}
    if result.health is not None:
        tables = (result.health.outcomes, result.health.run_by_run())
        files |= {name: _bytes(csv_text(table)) for name, table in zip(HEALTH_FILES, tables, strict=True)}
    if result.standing is not None:
        standing = result.standing
        of_register = (csv_text(standing.gone), csv_text(standing.altered), standing.seal_text, standing.signature)
        files |= {name: _bytes(text) for name, text in zip(REGISTER_FILES, of_register, strict=True) if text}
    outputs = {name: hashlib.sha256(content).hexdigest() for name, content in files.items()}
    summary = json.dumps(_summary(result) | {"outputs": outputs}, indent=2, ensure_ascii=False)
    return files | {SUMMARY: _bytes(f"{summary}\n")}


def _names(formats: Collection[str]) -> list[str]:
    return [name for written, names in FILES.items() if written in formats for name in names]


def _made(name: str, result: AuditResult) -> bytes:
    content = WRITERS[name](result)
    return content if isinstance(content, bytes) else _bytes(content)


def _bytes(text: str) -> bytes:
    # A file name may hold bytes that are not text: they are written as \\udcff, an escape in JSON.
    return text.encode("utf-8", "backslashreplace")


def _findings_csv(result: AuditResult) -> str:
    # Without a register its columns are there, and blank: a reader of the file finds the same ones every night.
    return csv_text(result.findings.reindex(columns=[*FINDING_COLUMNS, *STANDING_COLUMNS]))


def _findings_json(result: AuditResult) -> str:
    head = {
        "format": FINDINGS_FORMAT,
        "version": result.version,
        "as_of": instant(result.as_of) or None,
        "export": result.export_name,
    }
    opened = json.dumps(head, indent=1, ensure_ascii=False).removesuffix("\n}")
    rows = json_rows(result.findings.reindex(columns=[*FINDING_COLUMNS, *STANDING_COLUMNS]))
    return f'{opened},\n "findings": {rows}\n}}\n'


def _summary(result: AuditResult) -> dict[str, Any]:
    levels = result.findings["level"].astype("str").value_counts()
    coverage = result.coverage.set_index("rule")
    return {
        "format": SUMMARY_FORMAT,
        "csv_format": CSV_FORMAT,
        "version": result.version,
        "export": result.export_name,
        "as_of": instant(result.as_of) or None,
        "rows": {
            table: {"read": rows.read, "audited": rows.audited, "quarantined": rows.quarantined}
            for table, rows in sorted(result.rows.items())
        },
        "faults": {str(table): int(cells) for table, cells in result.faults["table"].value_counts(sort=False).items()},
        "dropped_rows": json.loads(json_rows(result.dropped)),
        "near_names": [asdict(pair) for pair in result.near_names],
        "reconciliation": [asdict(file) for file in result.reconciled],
        "records": {
            "closed": result.records.closed,
            "open": result.records.open,
            "void": result.records.void,
            "after_as_of": result.records.after_as_of,
        },
        "findings": len(result.findings),
        "corrected": int((result.findings["state"] == CORRECTED).sum()),
        "findings_per_level": {level: int(levels.get(level, 0)) for level in LEVELS},
        "findings_per_rule": {rule: int(found) for rule, found in coverage["findings"].items()},
        "coverage": {
            **{name: int(coverage[name].sum()) for name in COVERAGE_COLUMNS[1:5]},
            "idle_rules": [str(rule) for rule in coverage.index[coverage["idle"].astype(bool)]],
        },
        "not_in_the_export": {absent.name: list(absent.rules) for absent in result.absent},
        "exported_without_a_row": {empty.name: list(empty.rules) for empty in result.empty},
        "files_not_read": list(result.beside),
        "other_words": [asdict(words) for words in result.other_words],
        "health": _health(result.health),
        "register": _standing(result),
        "drilled": asdict(result.drilled) if result.drilled else None,
        "nothing_judged": result.nothing_judged,
        "unjudged_per_rule": count_reasons(result.unjudged),
        "inputs": _sources(result.inputs),
        "rule_files": _sources(result.rule_files),
        "settings_files": _sources(result.settings_files),
        "settings": [_setting(setting) for setting in result.settings],
        "aircraft_not_in_export": list(result.not_in_export),
        "flight_clock": asdict(result.flight_clock) if result.flight_clock else None,
        "aircraft_without_a_season": list(result.season_not_set),
    }


def _standing(result: AuditResult) -> dict[str, Any] | None:
    """What a register says of the run, in numbers; None without one."""
    standing = result.standing
    if standing is None:
        return None
    changes = result.findings["change"].value_counts()
    decided = result.findings["decision"].value_counts()
    why = standing.gone["why"].value_counts()
    return {
        "run": standing.run,
        "previous_as_of": instant(standing.previous) if standing.previous is not None else None,
        "changes": {change: int(changes.get(change, 0)) for change in ("new", "still", "back")},
        "decided": {kind: int(decided.get(kind, 0)) for kind in ("accepted", "deferred", "expired")},
        "disputed": int((result.findings["disputed"] != "").sum()),
        "gone": {str(reason): int(number) for reason, number in sorted(why.items())},
        "records": {str(what): int(number) for what, number in sorted(standing.altered["what"].value_counts().items())},
        "decisions_that_cover_nothing": list(standing.unused),
        "perhaps_renamed": list(standing.renamed),
        "seal": standing.seal,
    }


def _setting(setting: Setting) -> dict[str, Any]:
    """A value, who set it and where, and the values that it overrides, the rule file's first."""
    *under, in_force = ({"value": one.value, "set_by": one.set_by, "file": one.file} for one in setting.values)
    source = {"source": setting.in_force.source} if setting.in_force.source else {}
    return {"rule": setting.rule, "key": setting.key, **in_force, **source, "over": under}


def _health(health: Health | None) -> dict[str, Any]:
    if health is None:
        return {"skipped": True}
    return {
        "skipped": False,
        **{outcome.replace(" ", "_"): health.count(outcome) for outcome in OUTCOMES},
        "failed": [one.expectation.meta.id for one in health.expectations if one.not_as_expected],
        "not_all_judged": [one.expectation.meta.id for one in health.expectations if one.not_judged],
        "suite": _sources([health.suite])[0],
        "previous": _sources([health.earlier.source])[0] if health.earlier else None,
    }


def _sources(sources: Iterable[InputFile]) -> list[dict[str, str | int]]:
    return [
        {"name": source.name, "sha256": source.sha256, "size": source.size}
        for source in sorted(sources, key=lambda source: source.name)
    ]


WRITERS: Mapping[str, Callable[[AuditResult], str | bytes]] = {
    "findings.csv": _findings_csv,
    "unjudged.csv": lambda result: csv_text(result.unjudged[list(UNJUDGED_COLUMNS)]),
    "coverage.csv": lambda result: csv_text(result.coverage[list(COVERAGE_COLUMNS)]),
    "quarantine.csv": lambda result: csv_text(result.quarantine[list(REJECT_COLUMNS)]),
    "faults.csv": lambda result: csv_text(result.faults[list(REJECT_COLUMNS)]),
    "findings.json": _findings_json,
    "report.html": render,
    "worklist.html": work_list_page,
    "worklist.xlsx": workbook,
    "findings.sarif": sarif_text,
    "junit.xml": junit_text,
    "summary.md": markdown_text,
    "codequality.json": code_quality_text,
}
"""How each file is made that `audit.report.formats` names."""

TELL_HEALTH = ("report.html",)
"""Those that say whether the export is complete."""
