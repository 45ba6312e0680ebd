"""The lock files: hashed, without addresses, and covering what the project says it needs."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
LOCKS = ("requirements.lock", "requirements-dev.lock")
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]


def locked(name: str) -> dict[str, str]:
    """What the lock holds for each package: version, marker and hashes."""
    text = (ROOT / name).read_text(encoding="utf-8").replace("\\\n", " ")
    return {line.split("==")[0]: line.split("==", 1)[1] for line in text.splitlines()}


def names(requirements: list[str]) -> set[str]:
    """The packages asked for, spelled as a lock spells them."""
    found = (re.match(r"[\w.-]+", requirement) for requirement in requirements)
    return {re.sub(r"[-_.]+", "-", match[0]).lower() for match in found if match} - {PROJECT["name"]}


@pytest.mark.parametrize("name", LOCKS)
def test_every_package_is_hashed(name: str) -> None:
    """Each line pins one version with at least one SHA-256, and is nothing else."""
    line = re.compile(r"\d[\w.+!]*( ; [^#]+?)?(\s+--hash=sha256:[0-9a-f]{64})+\s*")
    assert [package for package, rest in locked(name).items() if not line.fullmatch(rest)] == []


@pytest.mark.parametrize("name", LOCKS)
def test_no_addresses(name: str) -> None:
    """No index, host or path is in a lock: any package index serves."""
    text = (ROOT / name).read_text(encoding="utf-8")
    assert re.findall(r"://|^-\S*|--(?!hash=)\S+|@ \S+", text, flags=re.MULTILINE) == []


def test_locks_cover_what_is_asked_for() -> None:
    """A dependency that was added without `make lock` is missed here."""
    extras = PROJECT["optional-dependencies"]
    runtime = names(PROJECT["dependencies"]) | names(extras["build"])
    assert runtime - locked("requirements.lock").keys() == set()
    assert (runtime | names(extras["dev"])) - locked("requirements-dev.lock").keys() == set()


def test_development_adds_and_never_changes() -> None:
    """What runs for users is tested in the very same versions."""
    development = locked("requirements-dev.lock")
    assert {name: development.get(name) for name in locked("requirements.lock")} == locked("requirements.lock")
