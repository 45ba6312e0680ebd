"""Where an export is: a path, or the URL of a database."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Final
from urllib.parse import urlsplit

from audit.errors import AuditError

# A single letter is a drive of Windows. One slash is enough: a mistyped URL may hold a password too.
_URL: Final = re.compile(r"[A-Za-z][A-Za-z0-9+.-]+:/")

BY_A_MAPPING: Final = "another system's export is read by a mapping, which `deicer-audit map EXPORT` drafts"
"""What to do where an export isn't in the canonical form."""

Location = Path | str
"""A path of a file or folder, or a database URL, which is text and never shown."""


def location(text: str) -> Location:
    """What a user means by EXPORT; AuditError if nothing was written, which would mean the working folder."""
    if not text:
        raise AuditError("EXPORT is blank: expected a folder, a file or the URL of a database")
    return text if _URL.match(text) else Path(text)


def location_name(export: Location) -> str:
    """What to call an export: the name of its folder, file or database, never a host, a user or a password."""
    if isinstance(export, Path):
        return export.resolve().name
    try:
        return Path(urlsplit(export).path).name or "database"
    except ValueError:
        return "database"
