"""A bag (BagIt 1.0, RFC 8493): a report with its machine files, rules, settings and seal, for whoever must keep it."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, Final

from audit.errors import AuditError
from audit.report.folder import replace_files
from audit.report.formats import FILES, OURS, SUMMARY
from audit.shipped import rules_folder

DECLARATION: Final = "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
REPORT, RULES, SETTINGS = "data/report", "data/rules", "data/settings"
[WORK_LIST] = FILES["xlsx"]


def bag_files(report: Path, rules: Path, settings: tuple[Path, ...] = ()) -> dict[str, bytes]:
    """The files of a bag by their paths in it: what a report's folder holds, and the rules and settings it was made by.

    The inputs are not packed; their SHA-256 are in summary.json. AuditError where the folder holds no report, or files
    that its summary.json doesn't speak of as they are, or the rules or settings are not those of the report.
    """
    files = {f"{REPORT}/{name}": content for name, content in _read(report).items()}
    if f"{REPORT}/{SUMMARY}" not in files:
        raise AuditError(f"{report} can't be packed: no report is there, which would have a {SUMMARY}")
    summary = _summary(files[f"{REPORT}/{SUMMARY}"], report)
    if what := next(_not_as_written(files, summary["outputs"]), ""):
        raise AuditError(f"{report} can't be packed: {what}")
    for told in summary["rule_files"]:
        # A table of the shipped rules goes with a folder that has none, or a part of one, of its own.
        place = f"{RULES}/{told['name']}"
        kept = place if place not in files else f"{RULES}/shipped/{told['name']}"
        files[kept] = _as_told(_place_of(told, [folder / told["name"] for folder in (rules, rules_folder())]), told)
    files |= _settings_files(settings, summary["settings_files"])
    for name in files:
        _check_name(name)
    return files | _tags(files, summary)


def _not_as_written(files: Mapping[str, bytes], outputs: Mapping[str, str]) -> Iterator[str]:
    """What of a report's folder is not as its summary says, in words that go on from `can't be packed`."""
    written = {f"{REPORT}/{name}": digest for name, digest in outputs.items()}
    for path in sorted(files.keys() - written.keys() - {f"{REPORT}/{SUMMARY}"}):
        yield f"no audit wrote its {Path(path).name}"
    for path, digest in written.items():
        name = Path(path).name
        if path not in files:
            yield f"its {name} is missing"
        elif _hash(files[path]) != digest:
            # The answers aren't part of the report: a register has them.
            answered = ", as when somebody fills it in: the next check keeps that one beside, and writes another"
            yield f"its {name} is not as the audit wrote it{answered if name == WORK_LIST else ''}"


def _settings_files(given: Sequence[Path], told: Sequence[Mapping[str, str]]) -> dict[str, bytes]:
    """The settings by their paths in a bag, of two with one name the second in a folder of its own."""
    files: dict[str, bytes] = {}
    left = list(given)
    for one in told:
        name = Path(one["name"]).name
        alike = [path for path in left if path.name == name]
        if not alike:
            raise AuditError(f"the report was made with the settings {one['name']}: give that file with --settings")
        path = _place_of(one, alike)
        left.remove(path)
        place = f"{SETTINGS}/{name}"
        files[place if place not in files else f"{SETTINGS}/{len(files) + 1}/{name}"] = _as_told(path, one)
    if left:
        raise AuditError(f"the report was not made with the settings {left[0]}: leave them out")
    return files


def _check_name(name: str) -> None:
    """AuditError where a bag can't name a file so: its lists are UTF-8, and nothing of it lies outside (RFC 8493)."""
    try:
        name.encode()
    except UnicodeEncodeError:
        shown = name.encode("utf-8", "backslashreplace").decode()
        raise AuditError(f"{shown} can't be packed: its name is not Unicode text; give the file another") from None
    if ".." in name.split("/"):
        raise AuditError(f"{name} can't be packed: that is outside the bag")


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
        told = {name: summary[name] for name in ("outputs", "rule_files", "settings_files", "version")}
        told["outputs"] = dict(told["outputs"])
        for name in ("rule_files", "settings_files"):
            told[name] = [{"name": str(one["name"]), "sha256": str(one["sha256"])} for one in told[name]]
        return told
    except (ValueError, LookupError, TypeError):
        raise AuditError(f"{report} can't be packed: its {SUMMARY} is none of this version") from None


def _place_of(told: Mapping[str, str], places: Sequence[Path]) -> Path:
    """Which of some files the report was made with; the first where none is."""
    same = (place for place in places if place.is_file() and _hash(place.read_bytes()) == told["sha256"])
    return next(same, places[0])


def _as_told(path: Path, told: Mapping[str, str]) -> bytes:
    try:
        content = path.read_bytes()
    except OSError as error:
        raise AuditError(f"{path}, which the report was made with, can't be read: {error.strerror or error}") from error
    if _hash(content) != told["sha256"]:
        raise AuditError(f"{path} is not what the report was made with: give rules and settings as they were then")
    return content


def _hash(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()
