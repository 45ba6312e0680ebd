"""A bag: what RFC 8493 asks of it, checked by reading it anew; and reports that are not as they were written."""

from __future__ import annotations

import hashlib
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
