"""Forms: how it is judged. One module for each rule form, which ends with the form as one value."""

from __future__ import annotations

from collections.abc import Mapping
from functools import reduce
from operator import or_
from typing import Annotated, Any

from pydantic import Field

from audit.forms.count import COUNT
from audit.forms.form import Form
from audit.forms.hold import HOLD
from audit.forms.interval import INTERVAL
from audit.forms.order import ORDER
from audit.forms.overlap import OVERLAP
from audit.forms.precede import PRECEDE
from audit.forms.record import RECORD
from audit.forms.spacing import SPACING
from audit.language.rule import Rule

FORMS: Mapping[str, Form[Any]] = {
    form.name: form for form in (RECORD, HOLD, ORDER, PRECEDE, INTERVAL, COUNT, SPACING, OVERLAP)
}
"""The forms by name: the only list of them."""


def form_of(rule: Rule) -> Form[Any]:
    """The form of a rule: whoever wants to know something of it asks this value."""
    return FORMS[rule.form]


def any_rule() -> Any:
    """The type of a rule of any form, told apart by `form`."""
    return Annotated[reduce(or_, (form.rule for form in FORMS.values())), Field(discriminator="form")]
