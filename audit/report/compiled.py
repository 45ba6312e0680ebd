"""Compiled templates, kept beside them as Python keeps its modules: to compile a page takes longer than to fill it."""

from __future__ import annotations

import sys
from contextlib import suppress
from pathlib import Path

from jinja2 import FileSystemBytecodeCache
from jinja2.bccache import Bucket


class Compiled(FileSystemBytecodeCache):
    """What templates were compiled to by this version of Python; a changed template is compiled again."""

    def __init__(self, templates: Path) -> None:
        super().__init__(str(templates / "__pycache__"))

    def dump_bytecode(self, bucket: Bucket) -> None:
        """Keep a template, unless Python may keep nothing either, or nothing can be written there."""
        if not sys.dont_write_bytecode:
            with suppress(OSError):
                Path(self.directory).mkdir(exist_ok=True)
                super().dump_bytecode(bucket)
