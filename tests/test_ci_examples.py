"""The examples under .ci/examples: each is read as its reader would, and what it runs is run."""

from __future__ import annotations

import configparser
import os
import re
import shlex
import shutil
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest
from ruamel.yaml import YAML

from audit.shipped import rules_folder
from tests.test_docs import ROOT

EXAMPLES = ROOT / ".ci/examples"
BIN = Path(sys.executable).parent
TASKS = """\
task_id,work_order,aircraft,action,station,started_at,finished_at,position,product,performed_by
T1,W1,TARN-TEAL,apply,S1,2026-01-05T08:00:00Z,2026-01-05T08:10:00Z,fin,Tarn Black,
"""
FLIGHTS = "flight_id,aircraft,takeoff_at,landing_at\nF1,TARN-TEAL,2026-01-06T12:00:00Z,2026-01-06T13:00:00Z\n"
STATIONS = "station,timezone\nS1,UTC\n"


@pytest.fixture
def srv(tmp_path: Path) -> Path:
    """What stands for /srv/audit: an export with a finding, and a place to keep the register and the report."""
    export = tmp_path / "audit/export"
    export.mkdir(parents=True)
    (tmp_path / "audit/kept").mkdir()
    for name, text in (("tasks", TASKS), ("flights", FLIGHTS), ("stations", STATIONS)):
        (export / f"{name}.csv").write_text(text)
    return tmp_path / "audit"


def shell(command: str, where: Path, **more: str) -> subprocess.CompletedProcess[str]:
    """Run a command with the installed command line on the path."""
    environment = os.environ | {"PATH": f"{BIN}:{os.environ['PATH']}"} | more
    return subprocess.run(
        ["bash", "-euc", command], cwd=where, env=environment, capture_output=True, text=True, check=False, timeout=120
    )


def quick(check: str) -> str:
    """A check that doesn't wait for export health, as the workflow's first one does."""
    return f"{check} --skip-health"


def from_yaml(name: str) -> Any:
    return YAML(typ="safe", pure=True).load((EXAMPLES / name).read_text("utf-8"))


def in_its_place(values: Mapping[str, str], srv: Path) -> dict[str, str]:
    return {name: str(value).replace("/srv/audit", str(srv)) for name, value in values.items()}


def test_nothing_else_is_there() -> None:
    """Every example has its test here."""
    names = {path.name for path in EXAMPLES.iterdir()}
    units = {"deicer-audit.service", "deicer-audit.timer"}
    assert names == {"workflow.yaml", "pipeline.yaml", "pre-commit", "Containerfile"} | units


def test_the_workflow_runs(srv: Path) -> None:
    """By night, one at a time; it fails on the first night, for what is new, and passes on the next."""
    workflow = from_yaml("workflow.yaml")
    # YAML 1.1 takes a plain `on` for a truth value; its readers know.
    assert (workflow.get("on") or workflow[True])["schedule"] == [{"cron": "30 4 * * *"}]
    assert (workflow["permissions"], workflow["concurrency"]) == ({"contents": "read"}, "nightly-audit")
    audit, verify = workflow["jobs"]["audit"]["steps"]
    assert verify["if"] == "always()"
    places = in_its_place(workflow["jobs"]["audit"]["env"], srv)
    first, second = (shell(check, srv, **places) for check in (audit["run"], quick(audit["run"])))
    assert (first.returncode, second.returncode) == (1, 0), first.stderr + second.stderr
    for name in ("findings.sarif", "summary.md", "report.html"):
        assert (srv / "report" / name).is_file()
    assert shell(verify["run"], srv, **places).returncode == 0


def test_the_pipeline_runs(srv: Path) -> None:
    """What it says to keep and to show is what the commands write."""
    pipeline = from_yaml("pipeline.yaml")
    job = pipeline["nightly-audit"]
    assert job["stage"] in pipeline["stages"]
    places = in_its_place(pipeline["variables"], srv)
    [check] = job["script"]
    assert shell(quick(check), srv, **places).returncode == 1
    artifacts = job["artifacts"]
    assert artifacts["when"] == "always"
    for name in (*artifacts["paths"], *artifacts["reports"].values()):
        assert (srv / name).exists(), name
    [verify] = job["after_script"]
    assert shell(verify, srv, **places).returncode == 0


@pytest.fixture
def repository(tmp_path: Path) -> Path:
    """A repository with one shipped rule committed and the hook in its place."""
    where = tmp_path / "repository"
    (where / "rules").mkdir(parents=True)
    shutil.copy(rules_folder() / "record-content/work-not-described.yaml", where / "rules")
    shutil.copytree(rules_folder() / "tables", where / "rules/tables")
    made = shell("git init -q && git add -A && git -c user.name=a -c user.email=a@b commit -qm first", where)
    assert made.returncode == 0, made.stderr
    shutil.copy(EXAMPLES / "pre-commit", where / ".git/hooks/pre-commit")
    return where


COMMIT = "git add -A rules && git -c user.name=a -c user.email=a@b commit -qm change"


def test_the_hook_lets_a_good_rule_pass(repository: Path) -> None:
    """A rule that loads, whose examples hold and that lint has nothing to say of; other files aren't its matter."""
    path = repository / "rules/work-not-described.yaml"
    path.write_text(path.read_text("utf-8").replace("level: 2", "level: 1", 1), "utf-8")
    done = shell(COMMIT, repository)
    assert done.returncode == 0, done.stdout + done.stderr
    (repository / "notes.txt").write_text("n")
    other = shell("git add notes.txt && git -c user.name=a -c user.email=a@b commit -qm notes", repository)
    assert (other.returncode, other.stdout) == (0, "")


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("form: record", "form: recrod", "did you mean record"),  # doesn't load
        ("expect: complies", "expect: finding", "complies"),  # an example that doesn't hold
        ("id: work-not-described", "id: check-description", "id"),  # named after the cure
    ],
)
def test_the_hook_refuses_a_bad_rule(repository: Path, old: str, new: str, said: str) -> None:
    """Nothing is committed, and the reason is told; what counts is what is staged, not what lies about."""
    path = repository / "rules/work-not-described.yaml"
    good = path.read_text("utf-8")
    path.write_text(good.replace(old, new, 1), "utf-8")
    assert path.read_text("utf-8") != good
    staged = shell("git add -A rules", repository)
    path.write_text(good, "utf-8")
    done = shell("git -c user.name=a -c user.email=a@b commit -qm change", repository)
    assert (staged.returncode, done.returncode != 0) == (0, True)
    assert said in done.stdout + done.stderr
    assert shell("git log --format=%s", repository).stdout == "first\n"


def test_the_hook_is_shell() -> None:
    """It can be run as it is, and bash reads it."""
    hook = EXAMPLES / "pre-commit"
    assert os.access(hook, os.X_OK)
    assert subprocess.run(["bash", "-n", hook], check=False).returncode == 0


def test_the_container_has_no_root_no_network_and_nothing_to_write_to(srv: Path) -> None:
    """It is built from what is in the repository, and the command that is told runs."""
    text = (EXAMPLES / "Containerfile").read_text("utf-8")
    lines = re.sub(r"\\\n", " ", text).splitlines()
    told = [line.split(maxsplit=1) for line in lines if line and not line.startswith("#")]
    last = max(number for number, (word, _) in enumerate(told) if word == "FROM")
    users = [rest for word, rest in told[last:] if word == "USER"]
    assert [user.partition(":")[0].isdigit() and int(user.partition(":")[0]) > 0 for user in users] == [True]
    copied = [rest.split()[:-1] for word, rest in told[:last] if word == "COPY"]
    assert all((ROOT / source).exists() for sources in copied for source in sources)
    assert all("--require-hashes" in part for part in text.split("&&") if "requirements.lock" in part and "pip" in part)
    [run] = [line[1:].strip() for line in lines if line.startswith("#   run ")]
    options, command = shlex.split(run.partition(" deicer-audit ")[0]), run.partition(" deicer-audit ")[2]
    for needed in ("--read-only", "--rm", "/srv/audit/export:/export:ro"):
        assert needed in options
    assert options[options.index("--network") + 1] == "none"
    for inside, outside in (("/export", srv / "export"), ("/kept", srv / "kept")):
        command = re.sub(rf"(?<= ){inside}(?=[ /])", str(outside), command)
    assert shell(quick(f"deicer-audit {command}"), srv).returncode == 1
    assert (srv / "kept/register.db").is_file()


def unit(name: str) -> configparser.ConfigParser:
    found = configparser.ConfigParser(interpolation=None, delimiters=("=",), comment_prefixes=("#",))
    found.optionxform = str  # type: ignore[assignment,method-assign]
    found.read(EXAMPLES / name, "utf-8")
    return found


def test_the_timer_starts_the_service(srv: Path) -> None:
    """By night, as a user without rights, and the command that it starts runs."""
    timer, service = unit("deicer-audit.timer"), unit("deicer-audit.service")
    assert timer["Timer"]["OnCalendar"] == "*-*-* 04:30:00"
    assert timer["Install"]["WantedBy"] == "timers.target"
    settings = service["Service"]
    assert (settings["Type"], settings["User"], settings["ProtectSystem"]) == ("oneshot", "audit", "strict")
    assert (settings["NoNewPrivileges"], settings["PrivateNetwork"]) == ("yes", "yes")
    program, command = settings["ExecStart"].split(maxsplit=1)
    assert Path(program).name == "deicer-audit"
    done = shell(quick(f"deicer-audit {command.replace('/srv/audit', str(srv))}"), srv)
    assert done.returncode == 1, done.stderr
    assert settings["ReadWritePaths"] == "/srv/audit/kept"
    assert sorted(path.name for path in srv.iterdir()) == ["export", "kept"]


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="systemd is not installed")
def test_systemd_reads_the_units() -> None:
    """systemd finds nothing to say of them, save that the program isn't installed there."""
    done = subprocess.run(
        ["systemd-analyze", "verify", *map(str, EXAMPLES.glob("deicer-audit.*"))],
        capture_output=True,
        text=True,
        check=False,
    )
    assert [line for line in done.stderr.splitlines() if "is not executable" not in line] == []
