"""A rule form as one value: all that is particular to it. The form's own module makes it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Generic, TypeVar

import pandas as pd

from audit.forms.coming import coming
from audit.forms.drawing import Drawing
from audit.forms.naming import Keys, Texts, of_treatment
from audit.forms.outcomes import Judgement
from audit.language.condition import Conditions
from audit.language.rule import Rule, conditions_of
from audit.language.wording import Said
from audit.planting.planting import Planter
from audit.timeline.readings import Owner
from audit.timeline.timeline import Timeline
from audit.yaml.source import KeyPath

R = TypeVar("R", bound=Rule)

SESSIONS_READ = ("tasks.product", "products.product_class", "components", "flights")
"""What groups records into sessions, beside what they always have: a takeoff ends one, and a boot is its serial."""
COVERAGE_READ = ("flights.origin", "flights.destination", "stations.icao")
"""What tells where flights are missing, beside what flights, stations and task records always have."""
BOOTS_READ = ("components.removed_at",)
"""What tells how long a boot was installed, beside what components always have."""
FLOWN_READ = ("flights.flight_hours", "flights.cycles")
"""What tells how much was flown, beside what flights always have."""
SEASON_READ = ("stations.timezone", *COVERAGE_READ)
"""What tells in which hemisphere an aircraft works, beside what flights and task records always have."""


@dataclass(frozen=True)
class Never:
    """What makes a rule, or a part of it, find or change nothing: said at `place` of its file.

    With `given` and `asked` it is so only if nothing that meets the one can fail the other.
    """

    place: KeyPath
    message: str
    given: Conditions | None = None
    asked: Conditions | None = None


@dataclass(frozen=True, kw_only=True)
class Form(Generic[R]):
    """Everything that the other rooms ask about a form. `cases` are rows of `Outcomes.cases`, `rule` is of the model.

    How it judges:
    `evaluate`     every subject of a rule with its verdict, in one reading of the ambiguous times
    `reads`        tables (`flights`) and columns (`tasks.position`) that it reads whatever the rule's conditions ask
    `may_read`     such tables and columns that only refine its verdicts, where the export has them
    `selects`      the conditions by which it looks for task records, as subjects or as evidence
    `requires`     the conditions that each record in scope must meet by itself; None where it asks for something else
    `coming`       the holds that still run at the as-of time, and the treatments that fall due (see `coming`)
    `owner`        the key by which a load can be split without changing the rule's findings
    `rows`         the tables whose rows the columns `subject`, `other_subject` and `other` of its cases number: task
                   records, unless it says otherwise
    `plant`        how a fault is planted for a drill, from the rule's own values, without judging: see `planting`

    What it says of a case:
    `identity`     the natural keys of each case's subject, from the cases and their evidence (see `collect`)
    `person`       whom each case is about, where that is not who did the work
    `facts`        the figures and names that the sentence is made of, by name, one for each case: those of a treatment,
                   unless it says otherwise
    `told`         what is wrong, with the figures, from the facts of one case: a part for each thing that is
    `values`       names that a message of its rules may use beside COMMON, each with what it stands for: a fact that is
                   a text, or what `told` gives
    `columns`      further such names: columns of the records that a rule's findings are about
    `kinds`        the kinds of message beside `finding`, each with when it serves
    `more_kinds`   further kinds that a rule of it has, by what it requires
    `drawing`      the picture of a finding; None where a rule's findings are not a matter of time
    `dated_by`     the column of a case with the record whose day decides which source was in force; None: no record's

    What it says of a rule, or of all its rules:
    `pattern`      the published property pattern that it is, with its source; blank: none is known
    `finding`      when something is a finding, in a few words
    `subjects`     what is judged, in a few words
    `named_by`     what names a subject, and so a finding, beside the rule
    `looks_at`     what a rule looks at, a sentence or more
    `demands`      what must hold of that, a phrase each
    `unjudged_when`  what can leave a subject unjudged beside what its conditions can't be decided by, a phrase each
    `never`        what makes the rule find nothing
    `figures`      what the names in a rule's title, reason and corrective action stand for: what settings can change
    `ended_by`     what ends a finding by itself and so puts it right, a phrase each, beside what the rule names
    `settable`     its keys that settings may set, beside the level; of `require` the numbers
    `skeleton`     the rest of a rule file to start from, after a scope of gloss coatings applied, with examples
    """

    name: str
    rule: type[R]
    finding: str
    subjects: str
    named_by: str
    evaluate: Callable[[R, Timeline], Judgement]
    reads: Callable[[R], Iterable[str]]
    may_read: Callable[[R], Iterable[str]] = lambda rule: ()
    selects: Callable[[R], Iterable[Conditions]] = conditions_of
    requires: Callable[[R], Conditions | None] = lambda rule: None
    coming: Callable[[R, Timeline], pd.DataFrame] = lambda rule, timeline: coming()
    owner: Callable[[R], Owner] = lambda rule: "aircraft"
    rows: Callable[[R], Mapping[str, str]] = lambda rule: dict.fromkeys(("subject", "other_subject", "other"), "tasks")
    plant: Callable[[R, Timeline], Planter]
    identity: Callable[[R, pd.DataFrame, pd.DataFrame, Timeline], Keys]
    person: Callable[[R, pd.DataFrame, Timeline], Texts | None] = lambda rule, cases, timeline: None
    facts: Callable[[R, pd.DataFrame, Timeline], Mapping[str, Sequence[Any]]] = of_treatment
    told: Callable[[R, Mapping[str, Any]], Iterable[Said]]
    values: Mapping[str, str] = field(default_factory=dict)
    columns: Callable[[R], Iterable[str]] = lambda rule: ()
    kinds: Mapping[str, str] = field(default_factory=dict)
    more_kinds: Callable[[R], Iterable[str]] = lambda rule: ()
    figures: Callable[[R], Mapping[str, str]] = lambda rule: {}
    drawing: Callable[[R], Drawing | None]
    dated_by: Callable[[R], str | None] = lambda rule: "task"
    looks_at: Callable[[R], str]
    demands: Callable[[R], tuple[str, ...]]
    unjudged_when: Callable[[R], Iterable[str]]
    never: Callable[[R], Iterable[Never]] = lambda rule: ()
    ended_by: Callable[[R], tuple[str, ...]] = lambda rule: ()
    settable: tuple[str, ...] = ()
    pattern: str = ""
    skeleton: str
