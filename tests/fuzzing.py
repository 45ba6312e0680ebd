"""Mutated exports, mappings and rule files: `python -m tests.fuzzing COUNT [FIRST_SEED]` (`make fuzz`).

Each input is a sound file with bytes changed, cut, doubled or swapped; of an archive or workbook mostly one of its
parts, packed again, so that check sums hold and what is inside is reached. It must be read, or be refused with an
AuditError; anything else is a defect, is printed with the seed that repeats it, and makes the exit code 1.
"""

from __future__ import annotations

import io
import random
import resource
import sys
import tempfile
import time
import warnings
import zlib
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from zipfile import ZIP_DEFLATED, BadZipFile, ZipFile, ZipInfo

from audit.errors import AuditError
from audit.intake.mapping import read_mapping
from audit.intake.reading import read_export
from audit.rulebook.loading import read_rule
from audit.shipped import rules_folder

SAMPLES = Path(__file__).resolve().parents[1] / "sample_records"
TOKENS = (
    b'"',
    b"\n",
    b"\r",
    b",",
    b";",
    b"\0",
    b"\xff",
    b"&a",
    b"*a",
    b"{",
    b"[",
    b"- ",
    b": ",
    b"2024-02-30",
    b"9" * 30,
)
TOKENS += (
    "\u202e".encode(),
    b"=1+1",
    b"<script>",
    b"../../",
    b"%Y",
    b"hhmm",
    b"-1",
    b"1e999",
    b"!!python/x",
    b"'",
    b"\t",
)
KINDS = ("csv", "mapped", "xlsx", "parquet", "mapping", "rule", "zip")
PACKED = frozenset({"xlsx", "zip"})
"""Kinds that are archives of parts."""


def mutated(content: bytes, draw: random.Random) -> bytes:
    """A few changes at random places."""
    data = bytearray(content)
    for _ in range(draw.randint(1, 6)):
        at = draw.randrange(len(data) + 1)
        length = draw.choice((0, 1, 1, 2, 8, 60))
        match draw.randrange(5):
            case 0:
                data[at : at + length] = draw.randbytes(length)
            case 1:
                data[at:at] = draw.choice(TOKENS)
            case 2:
                del data[at : at + length]
            case 3:
                other = draw.randrange(len(data) + 1)
                data[at:at] = data[other : other + length * 4]
            case _:
                data[at : at + 1] = draw.choice(TOKENS)
    return bytes(data)


def packed_again(content: bytes, change: Callable[[bytes], bytes], draw: random.Random) -> bytes | None:
    """An archive with one of its parts changed, now and then the part's name; None where it can't be taken apart."""
    try:
        with ZipFile(io.BytesIO(content)) as archive:
            parts = [(member.filename, archive.read(member)) for member in archive.infolist()]
    except (BadZipFile, NotImplementedError, RuntimeError, EOFError, OSError, ValueError, zlib.error):
        return None
    if not parts:
        return None
    at = draw.randrange(len(parts))
    name, part = parts[at]
    if draw.randrange(8):
        parts[at] = name, change(part)
    else:
        parts[at] = change(name.encode())[:200].decode(errors="replace").replace("\0", ""), part
    written = io.BytesIO()
    with warnings.catch_warnings(), ZipFile(written, "w") as archive:
        warnings.simplefilter("ignore")  # two parts of one name are meant
        for name, part in parts:
            # Made from a fixed date, so that a seed gives the same bytes every time.
            archive.writestr(ZipInfo(name or "x"), part, ZIP_DEFLATED)
    return written.getvalue()


def changed(kind: str, content: bytes, draw: random.Random) -> bytes:
    """A sound file of a kind, mutated: an archive three times in four inside."""
    if kind in PACKED and draw.randrange(4):
        return packed_again(content, lambda part: mutated(part, draw), draw) or mutated(content, draw)
    return mutated(content, draw)


@dataclass(frozen=True)
class Inputs:
    """Sound files of every kind, a few rows each, and a folder to write changed ones into."""

    sound: Mapping[str, Sequence[bytes]]
    folder: Path

    def read(self, kind: str, content: bytes) -> None:
        """Read a file of a kind as a user's run would; AuditError where it is refused."""
        match kind:
            case "mapping":
                read_mapping(content, "mapping.yaml")
            case "rule":
                read_rule(content, "rule.yaml")
            case _:
                export = self.folder / kind
                export.mkdir(exist_ok=True)
                name = "Arbeiten_Ortszeit_x.csv" if kind == "mapped" else f"tasks.{kind}"
                (export / name).write_bytes(content)
                where = export / name if kind == "zip" else export
                read_export(where, mapping=self.folder / "tasks.yaml" if kind == "mapped" else None)


def make_inputs(folder: Path) -> Inputs:
    """Make the sound files of the sample records and the rules that ship; `folder` is written into."""
    import openpyxl
    import pyarrow.csv
    import pyarrow.parquet

    lines = (SAMPLES / "tarnwhistle" / "tasks.csv").read_bytes().splitlines(keepends=True)
    head = b"".join(lines[:8])
    (folder / "few.csv").write_bytes(head)
    pyarrow.parquet.write_table(pyarrow.csv.read_csv(folder / "few.csv"), folder / "few.parquet")
    book = openpyxl.Workbook()
    for line in head.decode().splitlines():
        book.worksheets[0].append(line.split(","))
    book.save(folder / "few.xlsx")
    with ZipFile(folder / "few.zip", "w", ZIP_DEFLATED) as archive:
        archive.writestr("tasks.csv", head)
    foreign = (SAMPLES / "linnetlatch" / "Arbeiten_Ortszeit_Pipewren.csv").read_bytes().splitlines(keepends=True)
    mappings = [(SAMPLES / name / "mapping.yaml").read_bytes() for name in ("linnetlatch", "quarrypuffin")]
    tasks_alone = mappings[0].partition(b"    - files: Arbeiten_Zonenzeit_*.csv")[0]
    (folder / "tasks.yaml").write_bytes(tasks_alone)
    sound = {
        "csv": [head],
        "mapped": [b"".join(foreign[:8])],
        "xlsx": [(folder / "few.xlsx").read_bytes()],
        "zip": [(folder / "few.zip").read_bytes()],
        "parquet": [(folder / "few.parquet").read_bytes()],
        "mapping": mappings,
        "rule": [path.read_bytes() for path in sorted(rules_folder().rglob("*-*.yaml"))],
    }
    return Inputs(sound, folder)


def main(count: int, first: int = 0) -> int:
    """Read so many mutated inputs; the exit code says whether one was neither read nor refused."""
    begun, outcomes, slowest, bad = time.perf_counter(), Counter[str](), (0.0, ""), 0
    with tempfile.TemporaryDirectory() as temporary:
        inputs = make_inputs(Path(temporary))
        for seed in range(first, first + count):
            draw = random.Random(seed)
            # Archives and columnar files are slower to write and read: fewer of them.
            kind = draw.choices(KINDS, (20, 20, 5, 10, 20, 20, 5))[0]
            started = time.perf_counter()
            try:
                inputs.read(kind, changed(kind, draw.choice(inputs.sound[kind]), draw))
                outcomes[f"{kind} read"] += 1
            except AuditError:
                outcomes[f"{kind} refused"] += 1
            except KeyboardInterrupt:
                count = seed - first
                break
            except BaseException as error:
                bad += 1
                print(f"seed {seed}, {kind}: {type(error).__name__}: {str(error)[:200]}", flush=True)
            slowest = max(slowest, (time.perf_counter() - started, f"seed {seed}, {kind}"))
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss >> 10
    print(f"{count} inputs in {time.perf_counter() - begun:.0f} s, {bad} neither read nor refused")
    print(f"slowest {slowest[0]:.2f} s ({slowest[1]}); peak memory {peak} MB")
    print(", ".join(f"{number} {name}" for name, number in sorted(outcomes.items())))
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main(*map(int, sys.argv[1:3])) if len(sys.argv) > 1 else main(2000))
