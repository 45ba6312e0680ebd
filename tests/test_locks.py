"""The lock files: hashed, without addresses, and complete, so that they are installed without resolving anything."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from importlib.metadata import distributions
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).parents[1]
LOCKS = ("requirements.lock", "requirements-dev.lock", "requirements-tools.lock")
PYPROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
PROJECT = PYPROJECT["project"]
EXTRAS = PROJECT["optional-dependencies"]
ASKED = {
    "requirements.lock": [*PROJECT["dependencies"], *EXTRAS["build"]],
    "requirements-dev.lock": [*PROJECT["dependencies"], *EXTRAS["build"], *EXTRAS["dev"]],
    "requirements-tools.lock": PYPROJECT["dependency-groups"]["tools"],
}
INSTALLED = {canonicalize_name(found.name): found for found in distributions()}


def lines(lock: str) -> dict[str, str]:
    """Each line of a lock as one, hashes included, by what comes before the hashes."""
    text = (ROOT / lock).read_text(encoding="utf-8").replace("\\\n", " ")
    return {line.split(" --hash")[0].strip(): line for line in text.splitlines()}


def locked(lock: str) -> dict[str, Requirement]:
    """What a lock installs in this Python on this system, by name."""
    found = [Requirement(line) for line in lines(lock)]
    return {canonicalize_name(one.name): one for one in found if one.marker is None or one.marker.evaluate()}


def version(pinned: Requirement) -> str:
    """The one version that a line of a lock allows."""
    return str(pinned.specifier).removeprefix("==")


def lacking(asked: list[Requirement], lock: dict[str, Requirement]) -> Iterator[str]:
    """What is asked for, directly or by a package of the lock, that the lock does not give."""
    seen: set[str] = set()
    while asked:
        wanted = asked.pop()
        if str(wanted) in seen or wanted.name == PROJECT["name"]:
            continue
        seen.add(str(wanted))
        given = lock.get(canonicalize_name(wanted.name))
        if given is None or not wanted.specifier.contains(version(given), prereleases=True):
            yield f"{wanted}: {given}"
            continue
        if not wanted.extras <= given.extras:
            yield f"{wanted}: {given} without the extra"
        for text in INSTALLED[canonicalize_name(wanted.name)].requires or ():
            further = Requirement(text)
            marker = further.marker
            if marker is None or any(marker.evaluate({"extra": extra}) for extra in ("", *wanted.extras)):
                asked.append(further)


@pytest.mark.parametrize("lock", LOCKS)
def test_every_package_is_hashed(lock: str) -> None:
    """Each line pins one version with at least one SHA-256, and is nothing else."""
    line = re.compile(r"[a-z\d.-]+(\[[a-z,-]+\])?==\d[\w.+!]*( ; [^#]+?)?(\s+--hash=sha256:[0-9a-f]{64})+\s*")
    assert [start for start, whole in lines(lock).items() if not line.fullmatch(whole)] == []


@pytest.mark.parametrize("lock", LOCKS)
def test_no_addresses(lock: str) -> None:
    """No index, host or path is in a lock: any package index serves."""
    text = (ROOT / lock).read_text(encoding="utf-8")
    assert re.findall(r"://|^-\S*|--(?!hash=)\S+|@ \S+", text, flags=re.MULTILINE) == []


@pytest.mark.parametrize("lock", LOCKS)
def test_locks_name_what_is_asked_for(lock: str) -> None:
    """A dependency that was added without `make lock` is missed here, for whatever Python and system it is meant."""
    asked = {canonicalize_name(Requirement(text).name) for text in ASKED[lock]} - {PROJECT["name"]}
    assert asked - {canonicalize_name(Requirement(line).name) for line in lines(lock)} == set()


@pytest.mark.parametrize("lock", LOCKS[:2])
def test_nothing_is_left_to_resolve(lock: str) -> None:
    """All that a package of the lock asks for, with its extras, is in the lock in a version that it takes.

    So the lock is installed without resolving, and one that is resolved after all (`pip install --require-hashes -r`)
    asks for nothing that has no hash, whatever is released later.
    """
    asked = [wanted for wanted in map(Requirement, ASKED[lock]) if not wanted.marker or wanted.marker.evaluate()]
    assert list(lacking(asked, locked(lock))) == []


def test_a_dropped_extra_is_lacking() -> None:
    """A lock with `coverage` where a package asks for `coverage[toml]` is not complete."""
    lock = locked("requirements-dev.lock")
    lock["coverage"] = Requirement(f"coverage=={version(lock['coverage'])}")
    assert [text.split(":")[0].split(">")[0] for text in lacking([Requirement("pytest-cov")], lock)] == [
        "coverage[toml]"
    ]


def test_development_adds_and_never_changes() -> None:
    """What runs for users is tested in the very same versions; so are the tools' common packages."""
    development = lines("requirements-dev.lock")
    assert {start: development.get(start) for start in lines("requirements.lock")} == lines("requirements.lock")
    tested, tools = locked("requirements-dev.lock"), locked("requirements-tools.lock")
    assert {name: version(tools[name]) for name in tested.keys() & tools.keys()} == {
        name: version(tested[name]) for name in tested.keys() & tools.keys()
    }


def test_these_tests_run_on_what_is_locked() -> None:
    """Every locked package is installed here in its locked version: `make test` brings an environment up to date."""
    wanted = {name: version(pinned) for name, pinned in locked("requirements-dev.lock").items()}
    assert {name: INSTALLED[name].version if name in INSTALLED else None for name in wanted} == wanted


@pytest.mark.skipif(shutil.which("make") is None, reason="make is not there")
def test_nothing_is_installed_without_a_hash() -> None:
    """Whatever make installs for any target comes by hash from a lock, unresolved; only the package itself is built."""
    command = ["make", "--dry-run", "--always-make", f"PYTHON={sys.executable}", "demo", "test", "lock", "mutants"]
    done = subprocess.run([*command, "fuzz-guided"], cwd=ROOT, capture_output=True, text=True, check=True)
    installs = [line for line in done.stdout.splitlines() if "pip install" in line]
    assert len(installs) == len(LOCKS) + 1
    for line in installs:
        # What builds a package that has no wheel would be fetched without a hash, too.
        assert {"--no-deps", "--no-build-isolation"} <= set(line.split())
        assert re.search(r"--require-hashes -r requirements\S*\.lock$|--editable \.$", line), line
