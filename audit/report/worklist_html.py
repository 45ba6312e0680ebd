"""worklist.html: the work list on paper, in one file that loads nothing."""

from __future__ import annotations

import base64
import hashlib
from functools import cache
from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined, Template
from markupsafe import Markup

from audit.findings.result import AuditResult
from audit.report.answers import ANSWERS
from audit.report.rows import level_name
from audit.report.visible import shortened, visible
from audit.report.worklist import NEVER, NOT_THE_BOOT, leave_alone, until_when, work_list

LONGEST_CELL = 2_000
"""Characters of one value that are shown."""

_TEMPLATES = Path(__file__).with_name("templates")


def work_list_page(result: AuditResult) -> str:
    """Return the work list of every station as a page to be printed: A4, a station begins on a new sheet."""
    listed = work_list(result)
    style = Markup((_TEMPLATES / "worklist.css").read_text(encoding="utf-8"))  # our own, no data in it
    return _template().render(
        listed=listed,
        style=style,
        style_hash=base64.b64encode(hashlib.sha256(style.encode()).digest()).decode(),
        answers=ANSWERS,
        never=NEVER,
        not_the_boot=NOT_THE_BOOT,
        until_when=until_when(listed.last_day),
        leave_alone=leave_alone,
    )


@cache
def _template() -> Template:
    environment = Environment(
        loader=FileSystemLoader(_TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        # Every value passes here, so no place in the template can forget it.
        finalize=lambda value: (
            visible(shortened(value, LONGEST_CELL))
            if isinstance(value, str) and not isinstance(value, Markup)
            else value
        ),
    )
    environment.filters |= {"grouped": lambda number: f"{number:,}", "level_name": level_name}
    return environment.get_template("worklist.html.j2")
