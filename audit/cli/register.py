"""`register ...`: what is kept from night to night."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from audit.cli.app import app, calendar_day, say
from audit.cli.check import AsOf, ExportArgument, MappingPath, Quiet, Rules, Settings, audit_progress
from audit.exit_codes import ExitCode
from audit.intake.location import Location, location
from audit.options import AuditOptions
from audit.report.visible import visible

if TYPE_CHECKING:
    from audit.report.answers import Answers

register_app = typer.Typer(help="What was found, decided and answered, from night to night.", rich_markup_mode=None)
app.add_typer(register_app, name="register")


def _place(text: str) -> Location:
    if not text:
        raise typer.BadParameter("REGISTER is blank: expected a path, or the URL of a database.")
    return location(text)


RegisterArgument = Annotated[
    str, typer.Argument(metavar="REGISTER", help="The register: a path, or the URL of a PostgreSQL database.")
]


@register_app.command()
def start(
    register: RegisterArgument,
    export: ExportArgument,
    mapping: MappingPath = None,
    rules: Rules = None,
    settings: Settings = None,
    as_of: AsOf = None,
    quiet: Quiet = False,
) -> ExitCode:
    """Audit an export and take what is found as known: no report, and tomorrow only what is more is new."""
    from audit.figures import quantity
    from audit.pipeline import recorded, traced_audit
    from audit.register.opening import open_register

    options = AuditOptions(rules=rules, settings=tuple(settings or ()), mapping=mapping, as_of=as_of, all_text=True)
    with audit_progress(quiet) as step, open_register(_place(register), create=True) as opened:
        result = recorded(opened, traced_audit(location(export), options, step, register=opened), "start")
        opened.commit()
    if not quiet:
        say(f"Known from here on: {quantity(len(result.findings), 'finding')}.")
    return ExitCode.NOTHING_JUDGED if result.nothing_judged else ExitCode.CLEAN


@register_app.command()
def runs(register: RegisterArgument) -> ExitCode:
    """List what was added when, with the seal of each."""
    from audit.register.listing import run_lines
    from audit.register.opening import open_register

    with open_register(_place(register), writing=False) as opened:
        for line in run_lines(opened):
            print(visible(line))
    return ExitCode.CLEAN


@register_app.command()
def decide(
    register: RegisterArgument,
    findings: Annotated[
        list[str], typer.Argument(metavar="FINDING_ID...", help="Findings, by their ids or the beginnings of them.")
    ],
    decision: Annotated[
        Literal["accepted", "deferred", "withdrawn"],
        typer.Option(
            "--as",
            metavar="DECISION",
            help="accepted: it stays as it is; deferred: it is put right later; withdrawn: an earlier decision ends.",
        ),
    ],
    by: Annotated[str, typer.Option(metavar="NAME", help="Who decides.")],
    reason: Annotated[str, typer.Option(metavar="TEXT", help="Why.")],
    until: Annotated[
        date | None,
        typer.Option(
            parser=calendar_day, metavar="DAY", help="The last day on which it holds; then the finding counts again."
        ),
    ] = None,
    approved_by: Annotated[
        str,
        typer.Option(
            metavar="NAME",
            help="Who approves it: somebody else. Required to accept, and to defer level 2 beyond three months from "
            "when it was first found.",
        ),
    ] = "",
) -> ExitCode:
    """Decide on findings. They stay in every list, marked, and don't fail the check until that day."""
    if (until is None) != (decision == "withdrawn"):
        raise typer.BadParameter(
            "--until goes with accepted and deferred only." if until else f"a finding is {decision} --until a day."
        )
    from audit.findings.result import OPEN
    from audit.register.deciding import decide as add_decision
    from audit.register.decisions import Decision
    from audit.register.opening import open_register

    made = Decision("", decision, by, approved_by, reason, until)
    with open_register(_place(register)) as opened:
        for known in add_decision(opened, findings, made, date.today()):
            told = "" if known.state == OPEN else f"; it is {known.state}, and nothing is left to decide"
            print(visible(f"{known.finding[:12]} {known.rule} {known.aircraft} {known.position}: {decision}{told}"))
        opened.commit()
    return ExitCode.CLEAN


@register_app.command("answers")
def add_sheet(
    register: RegisterArgument,
    work_list: Annotated[Path, typer.Argument(metavar="WORKLIST", help="A filled-in worklist.xlsx.")],
) -> ExitCode:
    """Read a filled-in work list into the register. Exit code 1 if some of it lacks something."""
    import hashlib

    from audit.cli.answers import tell
    from audit.figures import quantity
    from audit.findings.result import InputFile
    from audit.register.answers import Answer, add_answers
    from audit.register.opening import open_register
    from audit.report.answers import read_answers

    read: Answers = read_answers(work_list, date.today())
    content = work_list.read_bytes()
    sheet = InputFile(work_list.name, hashlib.sha256(content).hexdigest(), len(content))
    given = [
        Answer(finding, each.answer, each.who, each.day, each.note)
        for finding, each in read.complete.items()
        if each.day is not None
    ]
    with open_register(_place(register)) as opened:
        new = add_answers(opened, given, sheet)
        opened.commit()
    code = tell(read)
    print(f"{quantity(len(new), 'answer')} {'is' if len(new) == 1 else 'are'} new in the register")
    return code


@register_app.command()
def verify(
    register: RegisterArgument,
    seal: Annotated[
        str | None,
        typer.Option(
            metavar="SEAL",
            help="A seal that was printed or signed, or its first 8 digits and more: is it in the chain?",
        ),
    ] = None,
) -> ExitCode:
    """Work out every seal anew. Exit code 1 where a run, which is named, isn't as it was sealed."""
    from audit.errors import AuditError
    from audit.register.opening import open_register
    from audit.register.seal import first_broken, has_runs, seal_digits, sealed_as
    from audit.register.store import refusing

    try:
        digits = None if seal is None else seal_digits(seal)
    except ValueError:
        raise typer.BadParameter(
            f"--seal {seal!r}: expected a seal, 64 digits of 0-9 and a-f, or at least its first 8."
        ) from None
    with open_register(_place(register), writing=False) as opened, refusing(opened.name):
        broken = first_broken(opened.connection)
        run = None if digits is None else sealed_as(opened.connection, digits)
        if broken is None and not has_runs(opened.connection):
            raise AuditError(f"{opened.name} has no run yet: there is nothing to verify")
    if broken is not None:
        print(f"Run {broken[0]} doesn't fit: {broken[1]}.")
        return ExitCode.FINDINGS
    if digits and run is None:
        print(f"All runs fit each other, but none has the seal {digits}: the register is not the one it was.")
        return ExitCode.FINDINGS
    print("All runs are as they were sealed." + (f" That seal is run {run}'s." if digits else ""))
    print(
        "Whoever holds the register could have rewritten all of it: compare a seal that was printed or signed (--seal)."
        if not digits
        else "Later runs are covered by later seals only."
    )
    return ExitCode.CLEAN


@register_app.command()
def records(
    register: RegisterArgument,
    task: Annotated[
        str, typer.Argument(metavar="[TASK_ID]", help="A task record; without one, all that happened to signed ones.")
    ] = "",
) -> ExitCode:
    """List what has happened to task records since they were signed, or every version of one."""
    from audit.register.listing import alteration_lines, version_lines
    from audit.register.opening import open_register

    with open_register(_place(register), writing=False) as opened:
        for line in version_lines(opened, task) if task else alteration_lines(opened):
            print(visible(line))
    return ExitCode.CLEAN
