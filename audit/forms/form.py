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
    """All that other rooms ask about a form. `cases` are rows of `Outcomes.cases`, `rule` is of the model."""

    name: str
    rule: type[R]
    pattern: str = ""
    """The published property pattern that it is, with its source; blank: none is known."""

    # How it judges.
    evaluate: Callable[[R, Timeline], Judgement]
    """Every subject of a rule with its verdict, in one reading of the ambiguous times."""
    reads: Callable[[R], Iterable[str]]
    """Tables (`flights`) and columns (`tasks.position`) that it reads whatever the rule's conditions ask."""
    may_read: Callable[[R], Iterable[str]] = lambda rule: ()
    """Such tables and columns that only refine its verdicts, where the export has them."""
    selects: Callable[[R], Iterable[Conditions]] = conditions_of
    """The conditions by which it looks for task records, as subjects or as evidence."""
    requires: Callable[[R], Conditions | None] = lambda rule: None
    """The conditions that each record in scope must meet by itself; None where it asks for something else."""
    coming: Callable[[R, Timeline], pd.DataFrame] = lambda rule, timeline: coming()
    """The holds that still run at the as-of time, and the treatments that fall due: see `coming`."""
    owner: Callable[[R], Owner] = lambda rule: "aircraft"
    """The key by which a load can be split without changing the rule's findings."""
    rows: Callable[[R], Mapping[str, str]] = lambda rule: dict.fromkeys(("subject", "other_subject", "other"), "tasks")
    """The tables whose rows these columns of its cases number."""
    plant: Callable[[R, Timeline], Planter]
    """How a fault is planted for a drill, from the rule's own values, without judging: see `planting`."""

    # What it says of a case.
    identity: Callable[[R, pd.DataFrame, pd.DataFrame, Timeline], Keys]
    """The natural keys of each case's subject, from the cases and their evidence: see `collect`."""
    person: Callable[[R, pd.DataFrame, Timeline], Texts | None] = lambda rule, cases, timeline: None
    """Whom each case is about, where that is not who did the work."""
    facts: Callable[[R, pd.DataFrame, Timeline], Mapping[str, Sequence[Any]]] = of_treatment
    """The figures and names that the sentence is made of, by name, one for each case."""
    told: Callable[[R, Mapping[str, Any]], Iterable[Said]]
    """What is wrong, with the figures, from the facts of one case: a part for each thing that is."""
    values: Mapping[str, str] = field(default_factory=dict)
    """Names that a message of its rules may use beside COMMON, each with what it stands for: a fact that is a text, or
    what `told` gives."""
    columns: Callable[[R], Iterable[str]] = lambda rule: ()
    """Further such names: columns of the records that a rule's findings are about."""
    kinds: Mapping[str, str] = field(default_factory=dict)
    """The kinds of message beside `finding`, each with when it serves."""
    more_kinds: Callable[[R], Iterable[str]] = lambda rule: ()
    """Further kinds that a rule of it has, by what it requires."""
    drawing: Callable[[R], Drawing | None]
    """The picture of a finding; None where a rule's findings are not a matter of time."""
    dated_by: Callable[[R], str | None] = lambda rule: "task"
    """The column of a case with the record whose day decides which source was in force; None: no record's."""

    # What it says of a rule, or of all its rules.
    finding: str
    """When something is a finding, in a few words."""
    subjects: str
    """What is judged, in a few words."""
    named_by: str
    """What names a subject, and so a finding, beside the rule."""
    looks_at: Callable[[R], str]
    """What a rule looks at, a sentence or more."""
    demands: Callable[[R], tuple[str, ...]]
    """What must hold of that, a phrase each."""
    unjudged_when: Callable[[R], Iterable[str]]
    """What can leave a subject unjudged beside what its conditions can't be decided by, a phrase each."""
    never: Callable[[R], Iterable[Never]] = lambda rule: ()
    """What makes the rule find nothing."""
    figures: Callable[[R], Mapping[str, str]] = lambda rule: {}
    """What the names in a rule's title, reason and corrective action stand for: what settings can change."""
    ended_by: Callable[[R], tuple[str, ...]] = lambda rule: ()
    """What ends a finding by itself and so puts it right, a phrase each, beside what the rule names."""
    settable: tuple[str, ...] = ()
    """Its keys that settings may set, beside the level; of `require` the numbers."""
    skeleton: str
    """The rest of a rule file to start from, after a scope of gloss coatings applied, with examples."""
