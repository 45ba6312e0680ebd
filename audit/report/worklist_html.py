"""worklist.html: the work list on paper, in one file that loads nothing."""

from __future__ import annotations

from audit.findings.result import AuditResult
from audit.report.answers import ANSWERS
from audit.report.pages import content_hash, own_text, page_template
from audit.report.worklist import NEVER, NOT_THE_BOOT, UNTIL_WHEN, leave_alone, work_list


def work_list_page(result: AuditResult) -> str:
    """Return the work list of every station as a page to be printed: A4, a station begins on a new sheet."""
    listed = work_list(result)
    style = own_text("worklist.css")
    return page_template("worklist.html.j2").render(
        listed=listed,
        style=style,
        style_hash=content_hash(style),
        answers=ANSWERS,
        never=NEVER,
        not_the_boot=NOT_THE_BOOT,
        until_when=UNTIL_WHEN,
        leave_alone=leave_alone,
    )
