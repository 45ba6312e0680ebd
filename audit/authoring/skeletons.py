"""New rule files to fill in: a small rule of each form that loads, with examples that hold as they are."""

from __future__ import annotations

from audit.forms import FORMS
from audit.rulebook.blanks import FILL_IN

_HEAD = f"""\
id: {{id}}
title: {FILL_IN} what is wrong where this is a finding, in a few words
form: {{form}}
level: 2  # 1 lowers safety and may endanger flight, 2 is any other non-compliance; or observation
basis:
  # A published source with its section (and `from`, `to`: the days it was in force), or practice:
  - source: common practice, no source
    note: {FILL_IN} where the requirement is from; the operator's manual governs
# What a finding says, with names in braces; rules/README.md lists them. Without it a general sentence stands there.
# message: '{{{{task}}}} ...'
why: >
  {FILL_IN} what can come of it.
put_right: >
  {FILL_IN} what licensed staff do or add, by which manual. Record it as a new, dated entry; leave
  the original entry as it is.
# What can hurt whoever does that; the texts are in tables/warnings.yaml. Left out where nobody goes to the aircraft.
warning: [fire-and-static, skin-eyes-lungs, at-height, data-sheet, local-rules, licensed-staff]
# What later work on the same boot puts it right, where any does, with an example (expect: finding, corrected_by: T2):
# corrected_by:
#   - event: work
#     where: {{{{action: {{{{is: prepare}}}}, product_class: {{{{is: surface-prep}}}}}}}}
#   - {{{{event: removal}}}}
# Which records the rule is about, and what it asks of them. These are a sample; put yours in their place.
scope:
  action: {{{{is: apply}}}}
  product_class: {{{{is: gloss-coating}}}}
"""


def skeleton(rule_id: str, form: str, schema: str | None) -> str:
    """The text of a new rule file; `schema` is where an editor finds the schema of rule files, if anywhere."""
    comment = "" if schema is None else f"# yaml-language-server: $schema={schema}\n"
    return comment + _HEAD.format(id=rule_id, form=form) + FORMS[form].skeleton
