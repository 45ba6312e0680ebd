"""Reading the files of a rulebook."""

from __future__ import annotations

import hashlib
from pathlib import Path

from audit.errors import AuditError
from audit.intake.export import Source as File
from audit.yaml.source import LONGEST


def read_file(path: Path, name: str) -> tuple[bytes, File]:
    """The content of a rule, table or settings file, cut where it is longer than allowed, and its sum."""
    try:
        with path.open("rb") as file:
            content = file.read(LONGEST + 1)
    except OSError as error:
        raise AuditError(f"{path}: can't be read: {error.strerror}") from None
    return content, File(name, hashlib.sha256(content).hexdigest(), len(content))
