"""The check by processes and by a cluster: the same files, to the byte; whatever is in the way is one sentence."""

from __future__ import annotations

import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest

from audit.cli import run
from audit.exit_codes import ExitCode
from audit.spread import workers


def check(export: Path, out: Path, *options: str) -> int:
    return int(run(["check", str(export), "--out", str(out), "--skip-health", "--quiet", *options]))


def written(out: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in out.iterdir()}


@pytest.fixture(scope="module")
def in_one(clean_export: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    """The files of the check that is judged by one process, in one."""
    out = tmp_path_factory.mktemp("in-one") / "out"
    assert check(clean_export, out) == ExitCode.FINDINGS
    return written(out)


@pytest.mark.parametrize("options", [("--buckets", "3"), ("--buckets", "3", "--workers", "2")])
def test_parts_write_the_same_bytes(
    options: tuple[str, ...], clean_export: Path, in_one: dict[str, bytes], tmp_path: Path
) -> None:
    assert check(clean_export, tmp_path / "parts", *options) == ExitCode.FINDINGS
    assert written(tmp_path / "parts") == in_one


@contextmanager
def process(*command: str) -> Iterator[None]:
    running = subprocess.Popen([sys.executable, "-m", *command], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        yield
    finally:
        running.terminate()
        running.wait()


HERE = ("--host", "127.0.0.1", "--no-dashboard")


@pytest.fixture
def scheduler() -> Iterator[str]:
    """The address of a scheduler that no worker has joined."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    with process("distributed.cli.dask_scheduler", *HERE, "--port", str(port)):
        for _ in range(600):
            with suppress(OSError), socket.create_connection(("127.0.0.1", port), timeout=1):
                break
            time.sleep(0.1)
        yield f"tcp://127.0.0.1:{port}"


@pytest.fixture
def cluster(scheduler: str, tmp_path: Path) -> Iterator[str]:
    """A scheduler and two workers, each a process of its own, as on machines of their own."""
    worker = ("distributed.cli.dask_worker", scheduler, *HERE, "--nthreads", "1", "--no-nanny")
    folders = ("--local-directory", str(tmp_path / "dask"))
    with process(*worker, *folders), process(*worker, *folders):
        yield scheduler


# The libraries of the cluster leave sockets to the end of the process, in which case Python warns.
@pytest.mark.filterwarnings("ignore::ResourceWarning", "ignore::pytest.PytestUnraisableExceptionWarning")
def test_a_cluster_writes_the_same_bytes(
    clean_export: Path, in_one: dict[str, bytes], tmp_path: Path, cluster: str
) -> None:
    shared = tmp_path / "shared"
    shared.mkdir()
    options = ("--cluster", cluster, "--shared", str(shared), "--buckets", "3")
    assert check(clean_export, tmp_path / "parts", *options) == ExitCode.FINDINGS
    assert written(tmp_path / "parts") == in_one
    assert not list(shared.iterdir())


@pytest.mark.filterwarnings("ignore::ResourceWarning", "ignore::pytest.PytestUnraisableExceptionWarning")
def test_no_scheduler_answers(
    clean_export: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(workers, "_PATIENCE", "1s")
    out = tmp_path / "out"
    assert (
        check(clean_export, out, "--cluster", "tcp://127.0.0.1:9", "--shared", str(tmp_path)) == ExitCode.COULD_NOT_RUN
    )
    assert "No scheduler of a Dask cluster answers at tcp://127.0.0.1:9" in capsys.readouterr().err
    assert not out.exists()


@pytest.mark.filterwarnings("ignore::ResourceWarning", "ignore::pytest.PytestUnraisableExceptionWarning")
def test_a_cluster_without_a_worker(
    clean_export: Path,
    tmp_path: Path,
    scheduler: str,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.setattr(workers, "_PATIENCE", "3s")
    options = ("--cluster", scheduler, "--shared", str(tmp_path))
    assert check(clean_export, tmp_path / "out", *options) == ExitCode.COULD_NOT_RUN
    assert f"The Dask cluster at {scheduler} has no worker." in capsys.readouterr().err


def test_the_extra_is_not_installed(
    clean_export: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    options = ("--cluster", "tcp://127.0.0.1:9", "--shared", str(tmp_path))
    assert check(clean_export, tmp_path / "out", *options) == ExitCode.COULD_NOT_RUN
    assert "install deicer-audit[cluster]" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        (("--workers", "2", "--cluster", "tcp://127.0.0.1:9"), "two ways to judge the parts"),
        (("--shared", "."), "--shared needs --workers or --cluster"),
        (("--cluster", "tcp://127.0.0.1:9"), "--cluster needs --shared"),
        (("--workers", "0"), "greater than or equal to 1"),
    ],
)
def test_what_does_not_go_together(
    options: tuple[str, ...], sentence: str, clean_export: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert check(clean_export, tmp_path / "out", *options) == ExitCode.COULD_NOT_RUN
    said = " ".join(capsys.readouterr().err.replace("│", " ").split())
    assert sentence in said
