"""Archives: their files unpacked where nobody is hurt, bombs refused."""

from __future__ import annotations

import shutil
import tempfile
import weakref
from collections.abc import Sequence
from pathlib import Path, PurePosixPath
from typing import Final
from zipfile import BadZipFile, ZipFile, ZipInfo

from audit.errors import AuditError
from audit.intake.cells import ExportFile
from audit.intake.refusing import refusing

MOST_FILES: Final = 10_000
ALWAYS_UNPACKED: Final = 64 << 20
MOST_BLOWN_UP: Final = 200
"""An archive that unpacks to more bytes than the second, and to more than the third times its own, is refused: real
tables shrink to a tenth or twentieth, a bomb to a thousandth."""


class _Folder:
    """A folder that is gone when nobody needs it any more, at the latest when the program ends."""

    def __init__(self) -> None:
        self.path = tempfile.mkdtemp(prefix="deicer-audit-")
        weakref.finalize(self, shutil.rmtree, self.path, ignore_errors=True)


def unpacked(archive: Path) -> list[ExportFile]:
    """The files of an archive, unpacked under names of our own: theirs may lead anywhere."""
    with refusing(archive.name, "an archive"), ZipFile(archive) as packed:
        members = files_in(packed)
        refuse_bomb(archive.name, archive.stat().st_size, [member.file_size for member in members])
        names = [member.filename for member in members]
        if len(set(names)) < len(names):
            raise AuditError(f"{archive.name} holds two files of one name")
        keep = _Folder()
        found = []
        for number, member in enumerate(members):
            path = Path(keep.path, f"{number}{PurePosixPath(member.filename).suffix}"[:40])
            with packed.open(member) as source, path.open("wb") as target:
                while piece := source.read(1 << 20):
                    target.write(piece)
            found.append(ExportFile(member.filename, path, keep))
    return sorted(found, key=lambda file: file.name)


def files_in(packed: ZipFile) -> list[ZipInfo]:
    """The members of an archive that are files; BadZipFile if one has no name."""
    members = packed.infolist()
    if not all(member.filename for member in members):
        raise BadZipFile("a file in it has no name")
    return [member for member in members if not member.is_dir()]


def refuse_bomb(name: str, packed: int, sizes: Sequence[int]) -> None:
    """AuditError if an archive of so many bytes says that its files have far more."""
    if len(sizes) > MOST_FILES:
        raise AuditError(f"{name} holds {len(sizes)} files, and at most {MOST_FILES} are read")
    if sum(sizes) > max(ALWAYS_UNPACKED, MOST_BLOWN_UP * packed):
        raise AuditError(
            f"{name} would unpack to {sum(sizes) >> 20} MB, more than {MOST_BLOWN_UP} times its size: it is not read"
        )
