"""The report folder: all the new files, or all the old ones."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import textwrap
import time
from pathlib import Path

import pytest

from audit.errors import AuditError
from audit.report.folder import check_folder, replace_files

OLD = {"a.csv": b"old a", "b.csv": b"old b", "z.json": b"old z"}
NEW = {"a.csv": b"new a", "b.csv": b"new b", "z.json": b"new z"}


def held(folder: Path) -> dict[str, bytes]:
    """Return the files of a folder, hidden ones included, and fail on leftovers."""
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def write_in_another_process(folder: Path, before: str) -> int:
    """Write NEW into the folder in a process of its own, after `before` has been run there."""
    program = f"""
        import os, signal
        from pathlib import Path
        from audit.report import folder as room

        def strike(module, name, signal_number, at):
            usual, calls = getattr(module, name), []
            def struck(*args, **kwargs):
                calls.append(args)
                if len(calls) == at:
                    os.kill(os.getpid(), signal_number)
                return usual(*args, **kwargs)
            setattr(module, name, struck)

        {before}
        room.replace_files({NEW!r}, Path({str(folder)!r}))
    """
    done = subprocess.run([sys.executable, "-c", textwrap.dedent(program)], check=False)
    return done.returncode


def test_files_are_replaced_and_others_left(tmp_path: Path) -> None:
    """The set is replaced; a file that isn't of the set, and a folder, stay."""
    replace_files(OLD, tmp_path)
    (tmp_path / "notes.txt").write_text("mine", encoding="utf-8")
    paths = replace_files(NEW, tmp_path)
    assert paths == [tmp_path / name for name in NEW]
    assert held(tmp_path) == NEW | {"notes.txt": b"mine"}


def test_what_is_gone_goes_with_the_rest(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Files that the new set no longer has are taken away with it, and come back if it can't be put in place."""
    replace_files(OLD, tmp_path)
    replace_files({"a.csv": b"new a"}, tmp_path, gone=["z.json", "never there"])
    assert held(tmp_path) == {"a.csv": b"new a", "b.csv": b"old b"}
    usual = Path.unlink

    def locked(path: Path, missing_ok: bool = False) -> None:
        if path == tmp_path / "b.csv":
            raise PermissionError(13, "locked", str(path))
        usual(path, missing_ok=missing_ok)

    monkeypatch.setattr(Path, "unlink", locked)
    with pytest.raises(AuditError, match="locked"):
        replace_files({"a.csv": b"newest a", "c.csv": b"c"}, tmp_path, gone=["b.csv"])
    assert held(tmp_path) == {"a.csv": b"new a", "b.csv": b"old b"}


@pytest.mark.parametrize(
    "moment",
    [
        "strike(os, 'fsync', signal.SIGKILL, 1)",
        "strike(os, 'fsync', signal.SIGKILL, 3)",
        "strike(os, 'replace', signal.SIGKILL, 1)",
    ],
    ids=["first file written", "last file written", "first rename"],
)
@pytest.mark.skipif(os.name != "posix", reason="SIGKILL is POSIX")
def test_a_killed_run_leaves_the_earlier_output(tmp_path: Path, moment: str) -> None:
    """Killed while writing, a run leaves the earlier files whole, and the next run clears up."""
    replace_files(OLD, tmp_path)
    assert write_in_another_process(tmp_path, moment) == -signal.SIGKILL
    leftovers = [path for path in tmp_path.iterdir() if path.is_dir()]
    assert len(leftovers) == 1
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir() if path.is_file()} == OLD
    replace_files(NEW, tmp_path)
    assert held(tmp_path) == NEW


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
@pytest.mark.skipif(os.name != "posix", reason="signals are sent the POSIX way")
def test_a_signal_waits_for_the_renames(tmp_path: Path, number: signal.Signals) -> None:
    """Ctrl-C or termination between two renames takes effect only when all files are in place."""
    replace_files(OLD, tmp_path)
    # As at a terminal, whatever started the tests: a child of a shell's background job ignores Ctrl-C.
    usual = f"signal.signal({int(number)}, signal.{'default_int_handler' if number == signal.SIGINT else 'SIG_DFL'})"
    code = write_in_another_process(tmp_path, f"{usual}; strike(os, 'replace', {int(number)}, 2)")
    assert code == -number
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir() if path.is_file()} == NEW


def test_a_failed_rename_gives_the_earlier_set_back(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the last file can't be replaced, those already replaced are put back, new ones go."""
    replace_files({"a.csv": b"old a", "z.json": b"old z"}, tmp_path)
    usual = os.replace

    def locked(source: Path, target: Path) -> None:
        if target.name == "z.json":
            raise PermissionError(13, "Permission denied", str(target))
        usual(source, target)

    monkeypatch.setattr(os, "replace", locked)
    with pytest.raises(AuditError, match=r"Permission denied \(z.json\)"):
        replace_files(NEW, tmp_path)
    assert held(tmp_path) == {"a.csv": b"old a", "z.json": b"old z"}


def test_a_full_disk_leaves_the_earlier_set(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """An error while writing is one sentence, and the earlier files and nothing else remain."""
    replace_files(OLD, tmp_path)

    def full(_file: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(AuditError, match="No space left on device"):
        replace_files(NEW, tmp_path)
    assert held(tmp_path) == OLD


def test_a_folder_where_a_file_should_go(tmp_path: Path) -> None:
    """A folder named like one of the files is not replaced, and nothing else is either."""
    (tmp_path / "z.json").mkdir()
    with pytest.raises(AuditError, match="directory"):
        replace_files(NEW, tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["z.json"]


def test_a_file_in_place_of_the_folder(tmp_path: Path) -> None:
    """A file where the folder or one above it should be is refused, and nothing is made."""
    (tmp_path / "file").write_text("mine", encoding="utf-8")
    for out in (tmp_path / "file", tmp_path / "file" / "report"):
        with pytest.raises(AuditError, match="file is a file"):
            check_folder(out)
    with pytest.raises(AuditError, match="is a file"):
        replace_files(NEW, tmp_path / "file")
    check_folder(tmp_path / "new" / "report")
    assert [path.name for path in tmp_path.iterdir()] == ["file"]


def test_no_right_to_write(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without the right to write, the sentence says where (asked of the system, so root can test)."""
    monkeypatch.setattr(os, "access", lambda path, mode: False)
    with pytest.raises(AuditError, match="no right to write"):
        check_folder(tmp_path / "report")


@pytest.mark.skipif(os.name != "posix", reason="folders are locked the POSIX way")
def test_a_second_run_waits_for_the_first(tmp_path: Path) -> None:
    """Two runs into one folder at once: the second waits, and the folder holds the files of one of them, whole."""
    (tmp_path / "out").mkdir()
    pause = f"""
        usual = room._put_in_place
        def slowly(*args):
            Path({str(tmp_path / "begun")!r}).touch()
            while not Path({str(tmp_path / "go")!r}).exists():
                time.sleep(0.01)
            usual(*args)
        room._put_in_place = slowly
    """
    first = start_in_another_process(tmp_path / "out", OLD, pause)
    try:
        while not (tmp_path / "begun").exists():
            assert first.poll() is None
            time.sleep(0.01)
        second = start_in_another_process(tmp_path / "out", NEW, f"Path({str(tmp_path / 'second')!r}).touch()")
        while not (tmp_path / "second").exists():
            assert second.poll() is None
            time.sleep(0.01)
        with pytest.raises(subprocess.TimeoutExpired):
            second.wait(0.5)
        assert not [path for path in (tmp_path / "out").iterdir() if path.is_file()]
    finally:
        (tmp_path / "go").touch()  # a failed test leaves no process waiting
    assert first.wait() == second.wait() == 0
    assert held(tmp_path / "out") == NEW


def start_in_another_process(folder: Path, files: dict[str, bytes], before: str) -> subprocess.Popen[bytes]:
    """Start to write files into the folder in a process of its own, after `before` has been run there."""
    lines = [
        "import time",
        "from pathlib import Path",
        "from audit.report import folder as room",
        textwrap.dedent(before),
    ]
    lines.append(f"room.replace_files({files!r}, Path({str(folder)!r}))")
    return subprocess.Popen([sys.executable, "-c", "\n".join(lines)])
