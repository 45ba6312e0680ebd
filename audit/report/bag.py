"""A bag (BagIt 1.0, RFC 8493): a report with its machine files, rules, settings and seal, for whoever must keep it."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Final

from audit.errors import AuditError
from audit.report.folder import replace_files
from audit.report.formats import OURS, SUMMARY
from audit.shipped import rules_folder

DECLARATION: Final = "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
REPORT, RULES, SETTINGS = "data/report", "data/rules", "data/settings"


def bag_files(report: Path, rules: Path, settings: tuple[Path, ...] = ()) -> dict[str, bytes]:
    """The files of a bag by their paths in it: what a report's folder holds, and the rules and settings it was made by.

    The inputs are not packed; their SHA-256 are in summary.json. AuditError where the folder holds no report, or files
    that its summary.json doesn't speak of as they are, or the rules or settings are not those of the report.
    """
    files = {f"{REPORT}/{name}": content for name, content in _read(report).items()}
    if f"{REPORT}/{SUMMARY}" not in files:
        raise AuditError(f"{report} can't be packed: no report is there, which would have a {SUMMARY}")
    summary = _summary(files[f"{REPORT}/{SUMMARY}"], report)
    for name, digest in summary["outputs"].items():
        if _hash(files.get(f"{REPORT}/{name}", b"")) != digest:
            raise AuditError(f"{report} can't be packed: its {name} is not as the audit wrote it")
    for told in summary["rule_files"]:
        # A table of the shipped rules goes with a folder that has none, or a part of one, of its own.
        kept = (
            f"{RULES}/{told['name']}" if f"{RULES}/{told['name']}" not in files else f"{RULES}/shipped/{told['name']}"
        )
        files[kept] = _as_told(_place_of(told, (rules, rules_folder())), told, "rules")
    by_name = {path.name: path for path in settings}
    for told in summary["settings_files"]:
        name = Path(told["name"]).name
        if name not in by_name:
            raise AuditError(f"the report was made with the settings {told['name']}: give that file with --settings")
        files[f"{SETTINGS}/{name}"] = _as_told(by_name[name], told, "settings")
    return files | _tags(files, summary)


def write_bag(files: Mapping[str, bytes], out: Path) -> None:
    """Write a bag into a new folder. AuditError where something is there already."""
    if out.exists() and (not out.is_dir() or any(out.iterdir())):
        raise AuditError(f"the bag can't be written to {out}: something is there already")
    try:
        for folder in sorted({out / Path(name).parent for name in files}):
            folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise AuditError(f"the bag can't be written to {out}: {error.strerror or error}") from error
    for folder in sorted({Path(name).parent for name in files}, reverse=True):
        replace_files({Path(name).name: files[name] for name in files if Path(name).parent == folder}, out / folder)


def _tags(files: Mapping[str, bytes], summary: Mapping[str, object]) -> dict[str, bytes]:
    octets = f"{sum(map(len, files.values()))}.{len(files)}"
    info = f"Bagging-Software: deicer-audit {summary['version']}\nPayload-Oxum: {octets}\n"
    tags = {"bagit.txt": DECLARATION.encode(), "bag-info.txt": info.encode()}
    tags["manifest-sha256.txt"] = _manifest(files)
    return tags | {"tagmanifest-sha256.txt": _manifest(tags)}


def _manifest(files: Mapping[str, bytes]) -> bytes:
    # In a path a line end or a per cent sign would be taken for something else (RFC 8493, 2.1.3).
    lines = (
        (name.replace("%", "%25").replace("\n", "%0A").replace("\r", "%0D"), files[name]) for name in sorted(files)
    )
    return "".join(f"{_hash(content)}  {name}\n" for name, content in lines).encode()


def _read(report: Path) -> dict[str, bytes]:
    try:
        return {name: (report / name).read_bytes() for name in OURS if (report / name).is_file()}
    except OSError as error:
        raise AuditError(f"{report} can't be packed: {error.strerror or error}") from error


def _summary(content: bytes, report: Path) -> dict[str, Any]:
    try:
        summary = json.loads(content)
        return {name: summary[name] for name in ("outputs", "rule_files", "settings_files", "version")}
    except (ValueError, LookupError, TypeError):
        raise AuditError(f"{report} can't be packed: its {SUMMARY} is none of this version") from None


def _place_of(told: Mapping[str, str], folders: Sequence[Path]) -> Path:
    """Where the file is that the report was made with; in the first folder where none of them has it."""
    places = [folder / told["name"] for folder in folders]
    same = (place for place in places if place.is_file() and _hash(place.read_bytes()) == told["sha256"])
    return next(same, places[0])


def _as_told(path: Path, told: Mapping[str, str], what: str) -> bytes:
    try:
        content = path.read_bytes()
    except OSError as error:
        raise AuditError(f"{path}, one of the report's {what}, can't be read: {error.strerror or error}") from error
    if _hash(content) != told["sha256"]:
        raise AuditError(f"{path} is not what the report was made with: give the {what} as they were then")
    return content


def _hash(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()
