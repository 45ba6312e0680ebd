"""A bag: what RFC 8493 asks of it, checked by reading it anew; and reports that are not as they were written."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

import pytest

from audit.cli import run
from audit.exit_codes import ExitCode
from tests.cli.test_register import BAD, Shop


@pytest.fixture
def shop(tmp_path: Path) -> Shop:
    shop = Shop(tmp_path, tmp_path / "register.db")
    shop.check([BAD])
    return shop


def pack(shop: Shop, *more: str) -> ExitCode:
    arguments = ("--report", str(shop.out), "--rules", str(shop.folder / "rules"), "-q")
    return run(["bag", str(shop.folder / "bag"), *arguments, *more])


def test_a_bag_is_complete_and_valid(shop: Shop) -> None:
    """Every payload file is in the manifest with its hash and no other is; so are the tag files in theirs."""
    assert pack(shop) is ExitCode.CLEAN
    bag = shop.folder / "bag"
    assert (bag / "bagit.txt").read_bytes() == b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
    for manifest, files in (
        ("manifest-sha256.txt", [path for path in (bag / "data").rglob("*") if path.is_file()]),
        ("tagmanifest-sha256.txt", [path for path in bag.glob("*.txt") if not path.name.startswith("tagmanifest")]),
    ):
        lines = [line.split("  ", 1) for line in (bag / manifest).read_text().splitlines()]
        there = {path.relative_to(bag).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest() for path in files}
        assert {name: digest for digest, name in lines} == there
    payload = [path for path in (bag / "data").rglob("*") if path.is_file()]
    octets = f"{sum(path.stat().st_size for path in payload)}.{len(payload)}"
    assert f"Payload-Oxum: {octets}\n" in (bag / "bag-info.txt").read_text()
    names = {path.relative_to(bag / "data").as_posix() for path in payload}
    assert {"report/seal.txt", "report/findings.csv", "report/summary.json", "rules/lot-missing.yaml"} <= names


@pytest.mark.parametrize("what", ["report", "rules", "no report", "full"])
def test_what_can_not_be_packed(shop: Shop, what: str, capsys: pytest.CaptureFixture[str]) -> None:
    """A report or rule that was changed since, a folder without a report, a place that is taken: one sentence."""
    if what == "report":
        (shop.out / "findings.csv").write_text("nothing")
    elif what == "rules":
        (shop.folder / "rules" / "lot-missing.yaml").write_text("other")
    elif what == "no report":
        (shop.out / "summary.json").unlink()
    else:
        (shop.folder / "bag").mkdir()
        (shop.folder / "bag" / "mine").write_text("x")
    assert pack(shop) is ExitCode.COULD_NOT_RUN
    told = capsys.readouterr().err
    assert told.count("\n") == 1
    assert ("no report is there" in told) == (what == "no report")


@pytest.mark.parametrize(
    ("name", "content", "sentence"),
    [
        ("findings.csv", None, "its findings.csv is missing"),
        ("findings.csv", "other", "its findings.csv is not as the audit wrote it\n"),
        ("worklist.xlsx", "answers", "its worklist.xlsx is not as the audit wrote it, as when somebody fills it in"),
        ("findings.sarif", "forged", "no audit wrote its findings.sarif"),
        ("seal.txt.sig", "forged", "no audit wrote its seal.txt.sig"),
        ("summary.json", "{", "its summary.json is none of this version"),
        ("summary.json", '{"outputs": [1], "rule_files": [], "settings_files": [], "version": ""}', "of this version"),
        ("summary.json", '{"outputs": {}, "rule_files": [1], "settings_files": [], "version": ""}', "of this version"),
    ],
)
def test_only_what_the_audit_wrote_is_packed(
    shop: Shop, name: str, content: str | None, sentence: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """A file that is missing, altered or put there by hand is told as what it is, and there is no bag."""
    shop.check([BAD], "--write", "csv,xlsx")
    file = shop.out / name
    file.unlink(missing_ok=True)
    if content is not None:
        file.write_text(content)
    assert pack(shop) is ExitCode.COULD_NOT_RUN
    assert sentence in capsys.readouterr().err
    assert not (shop.folder / "bag").exists()


def settings(shop: Shop, *names: str) -> list[str]:
    """Settings files of these names, no two alike, as options."""
    options = []
    for number, name in enumerate(names):
        file = shop.folder / f"settings-{number}" / name
        file.parent.mkdir()
        file.write_text(f"set_by: operator\nsource: Manual {number} (invented)\n")
        options += ["--settings", str(file)]
    return options


def test_settings_of_any_name_are_packed(shop: Shop) -> None:
    """Two of one name both; a line end or a per cent sign is written in the list as RFC 8493, 2.1.3, has it."""
    options = settings(shop, "a.yaml", "a.yaml", "b%0A\nc.yaml")
    shop.check([BAD], *options)
    assert pack(shop, *options) is ExitCode.CLEAN
    bag = shop.folder / "bag"
    lines = (bag / "manifest-sha256.txt").read_text().splitlines()
    listed = {name for line in lines if (name := line.split("  ", 1)[1]).startswith("data/settings")}
    assert listed == {"data/settings/a.yaml", "data/settings/2/a.yaml", "data/settings/b%250A%0Ac.yaml"}
    for name in listed:
        there = bag / name.replace("%0A", "\n").replace("%25", "%")
        assert f"{hashlib.sha256(there.read_bytes()).hexdigest()}  {name}" in lines


def test_settings_that_the_report_was_not_made_with_are_refused(shop: Shop, capsys: pytest.CaptureFixture[str]) -> None:
    """They would be left out without a word."""
    assert pack(shop, *settings(shop, "a.yaml")) is ExitCode.COULD_NOT_RUN
    assert "a.yaml: leave them out" in capsys.readouterr().err


def test_a_name_that_is_no_text_is_refused(shop: Shop, capsys: pytest.CaptureFixture[str]) -> None:
    """The lists of a bag are UTF-8."""
    options = settings(shop, os.fsdecode(b"b\xff.yaml"))
    shop.check([BAD], *options)
    assert pack(shop, *options) is ExitCode.COULD_NOT_RUN
    assert "its name is not Unicode text" in capsys.readouterr().err
