"""New rule files to fill in: a small rule of each form that loads, with examples that hold as they are."""

from __future__ import annotations

from collections.abc import Mapping

FILL_IN = "FILL IN"
"""Stands where a new rule waits for its author."""

_HEAD = f"""\
id: {{id}}
title: {FILL_IN} what is wrong where this is a finding, in a few words
form: {{form}}
level: 2  # 1 lowers safety and may endanger flight, 2 is any other non-compliance; or observation
basis:
  # A published source with its section (and `from`, `to`: the days it was in force), or practice:
  - source: common practice, no source
    note: {FILL_IN} where the requirement is from; the operator's manual governs
why: >
  {FILL_IN} what can come of it.
put_right: >
  {FILL_IN} what licensed staff do or add, by which manual. Record it as a new, dated entry; leave
  the original entry as it is.
caution: >
  {FILL_IN} what can hurt whoever puts it right. The product's safety data sheet, the operator's manual and
  local rules govern.
# Which records the rule is about, and what it asks of them. These are a sample; put yours in their place.
scope:
  action: {{{{is: apply}}}}
  product_class: {{{{is: gloss-coating}}}}
"""

_BODIES: Mapping[str, str] = {
    "record": """\
require:
  component.finish: {is: black}
# What each example leaves out is ordinary: DEVELOPERS.md lists the defaults. Better also show the exact limit.
examples:
  - name: as it should be
    expect: complies
    tasks:
      - {product: gloss-coating, started_at: '2025-06-02T09:00:00Z'}
  - name: as it should not be
    expect: finding
    tasks:
      - {product: gloss-coating, started_at: '2025-06-02T09:00:00Z'}
    components:
      - {finish: silver}
  - name: the records don't say
    expect: unjudged
    tasks:
      - {product: gloss-coating, started_at: '2025-06-02T09:00:00Z'}
    components:
      - {finish: null}
  - name: the rule is not about this
    expect: out-of-scope
    tasks:
      - {product: cleaner, action: clean, started_at: '2025-06-02T09:00:00Z'}
""",
    "hold": """\
forbid: {event: takeoff}
for: PT2H
examples:
  - name: takeoff exactly 2 hours after the end of the work
    expect: complies
    tasks:
      - {product: gloss-coating, started_at: '2025-06-02T09:00:00Z', finished_at: '2025-06-02T10:00:00Z'}
    flights:
      - {takeoff_at: '2025-06-02T12:00:00Z'}
  - name: takeoff a second too early
    expect: finding
    tasks:
      - {product: gloss-coating, started_at: '2025-06-02T09:00:00Z', finished_at: '2025-06-02T10:00:00Z'}
    flights:
      - {takeoff_at: '2025-06-02T11:59:59Z'}
  - name: the records don't say which product it was
    expect: unjudged
    tasks:
      - {product: null, started_at: '2025-06-02T09:00:00Z'}
    flights:
      - {takeoff_at: '2025-06-02T10:00:00Z'}
""",
    "order": """\
must_be: last
among:
  product: {present: true}
  product_class: {not: gloss-coating}
examples:
  - name: last of the work order
    expect: complies
    tasks:
      - {product: surface-prep, action: prepare, started_at: '2025-06-02T09:00:00Z'}
      - {product: gloss-coating, started_at: '2025-06-02T10:00:00Z'}
  - name: another product a minute later
    expect: finding
    tasks:
      - {product: gloss-coating, started_at: '2025-06-02T10:00:00Z'}
      - {product: surface-prep, action: prepare, started_at: '2025-06-02T10:01:00Z'}
  - name: both started at the same time
    expect: unjudged
    tasks:
      - {product: gloss-coating, started_at: '2025-06-02T10:00:00Z'}
      - {product: surface-prep, action: prepare, started_at: '2025-06-02T10:00:00Z'}
""",
    "precede": """\
needs:
  product_class: {is: surface-prep}
within: PT24H
broken_by:
  - {event: takeoff}
examples:
  - name: the boot was prepared exactly 24 hours before
    expect: complies
    tasks:
      - product: surface-prep
        action: prepare
        started_at: '2025-06-02T09:00:00Z'
        finished_at: '2025-06-02T10:00:00Z'
      - {product: gloss-coating, started_at: '2025-06-03T10:00:00Z'}
  - name: never prepared
    expect: finding
    tasks:
      - {product: gloss-coating, started_at: '2025-06-03T10:00:00Z'}
  - name: flown in between
    expect: finding
    tasks:
      - {product: surface-prep, action: prepare, started_at: '2025-06-02T09:00:00Z'}
      - {product: gloss-coating, started_at: '2025-06-02T15:00:00Z'}
    flights:
      - {takeoff_at: '2025-06-02T12:00:00Z'}
  - name: the records don't say what was used before
    expect: unjudged
    tasks:
      - {product: unheard-of, action: prepare, started_at: '2025-06-02T09:00:00Z'}
      - {product: gloss-coating, started_at: '2025-06-02T10:00:00Z'}
""",
    "interval": """\
at_most: {flight_hours: 10}
# season: {from: 10-01, to: 04-30}
examples:
  - name: exactly 10 hours flown since
    expect: complies
    as_of: '2025-06-20T00:00:00Z'
    tasks:
      - {product: gloss-coating, started_at: '2025-06-02T09:00:00Z'}
    flights:
      - {takeoff_at: '2025-06-03T09:00:00Z', flight_hours: 4}
      - {takeoff_at: '2025-06-04T09:00:00Z', flight_hours: 6}
  - name: six minutes more
    expect: finding
    as_of: '2025-06-20T00:00:00Z'
    tasks:
      - {product: gloss-coating, started_at: '2025-06-02T09:00:00Z'}
    flights:
      - {takeoff_at: '2025-06-03T09:00:00Z', flight_hours: 4}
      - {takeoff_at: '2025-06-04T09:00:00Z', flight_hours: 6.1}
  - name: a record that may have been the treatment
    expect: unjudged
    as_of: '2025-06-20T00:00:00Z'
    tasks:
      - {product: gloss-coating, started_at: '2025-06-02T09:00:00Z'}
      - {product: unheard-of, work_order: W2, started_at: '2025-06-03T12:00:00Z'}
    flights:
      - {takeoff_at: '2025-06-03T09:00:00Z', flight_hours: 4}
      - {takeoff_at: '2025-06-04T09:00:00Z', flight_hours: 7}
""",
    "count": """\
coats: {at_least: 2, at_most: 3}
examples:
  - name: two coats
    expect: complies
    tasks:
      - {product: gloss-coating, coat: 1, started_at: '2025-06-02T09:00:00Z'}
      - {product: gloss-coating, coat: 2, started_at: '2025-06-02T10:00:00Z'}
  - name: one coat
    expect: finding
    tasks:
      - {product: gloss-coating, coat: 1, started_at: '2025-06-02T09:00:00Z'}
  - name: four coats in one record
    expect: finding
    tasks:
      - {product: gloss-coating, coats: 4, started_at: '2025-06-02T09:00:00Z'}
  - name: the record doesn't say how many
    expect: unjudged
    tasks:
      - {product: gloss-coating, started_at: '2025-06-02T09:00:00Z'}
""",
    "spacing": """\
pause: {at_least: PT5M, at_most: PT15M}
examples:
  - name: exactly 5 minutes
    expect: complies
    tasks:
      - {product: gloss-coating, coat: 1, started_at: '2025-06-02T09:00:00Z', finished_at: '2025-06-02T09:10:00Z'}
      - {product: gloss-coating, coat: 2, started_at: '2025-06-02T09:15:00Z'}
  - name: a second too soon
    expect: finding
    tasks:
      - {product: gloss-coating, coat: 1, started_at: '2025-06-02T09:00:00Z', finished_at: '2025-06-02T09:10:00Z'}
      - {product: gloss-coating, coat: 2, started_at: '2025-06-02T09:14:59Z'}
  - name: a second too late
    expect: finding
    tasks:
      - {product: gloss-coating, coat: 1, started_at: '2025-06-02T09:00:00Z', finished_at: '2025-06-02T09:10:00Z'}
      - {product: gloss-coating, coat: 2, started_at: '2025-06-02T09:25:01Z'}
  - name: the second coat is not recorded
    expect: unjudged
    tasks:
      - {product: gloss-coating, coat: 1, started_at: '2025-06-02T09:00:00Z', finished_at: '2025-06-02T09:10:00Z'}
      - {product: gloss-coating, coat: 3, started_at: '2025-06-02T09:30:00Z'}
""",
    "overlap": """\
between: [tasks, flights]
same: [aircraft]
examples:
  - name: takeoff as the work ends
    expect: complies
    tasks:
      - {product: gloss-coating, started_at: '2025-06-02T09:00:00Z', finished_at: '2025-06-02T10:00:00Z'}
    flights:
      - {takeoff_at: '2025-06-02T10:00:00Z'}
  - name: takeoff a second before
    expect: finding
    tasks:
      - {product: gloss-coating, started_at: '2025-06-02T09:00:00Z', finished_at: '2025-06-02T10:00:00Z'}
    flights:
      - {takeoff_at: '2025-06-02T09:59:59Z'}
  - name: no flights to compare with
    expect: unjudged
    tasks:
      - {product: gloss-coating, started_at: '2025-06-02T09:00:00Z'}
    not_supplied: [flights]
""",
}


def skeleton(rule_id: str, form: str, schema: str | None) -> str:
    """The text of a new rule file; `schema` is where an editor finds the schema of rule files, if anywhere."""
    comment = "" if schema is None else f"# yaml-language-server: $schema={schema}\n"
    return comment + _HEAD.format(id=rule_id, form=form) + _BODIES[form]
