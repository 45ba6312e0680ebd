"""Reading the small files that people write: rules, tables, settings, mappings, the suite of export health."""

from __future__ import annotations

import hashlib
from pathlib import Path

from audit.errors import AuditError
from audit.intake.export import InputFile
from audit.yaml.source import LONGEST


def read_file(path: Path, name: str, what: str = "") -> tuple[bytes, InputFile]:
    """The content of a file, cut where it is longer than allowed, and its sum; `what` names the file in a fault."""
    try:
        with path.open("rb") as file:
            content = file.read(LONGEST + 1)
    except OSError as error:
        raise AuditError(f"{path}: {what}can't be read: {error.strerror}") from None
    return content, InputFile(name, hashlib.sha256(content).hexdigest(), len(content))
