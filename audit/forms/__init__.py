"""Forms: how it is judged. One module for each rule form, all with the same signature."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from audit.forms import count, hold, interval, order, overlap, precede, record, spacing
from audit.forms.outcomes import Outcomes
from audit.timeline.timeline import Timeline

FORMS: Mapping[str, Callable[[Any, Timeline], Outcomes]] = {
    "record": record.evaluate,
    "hold": hold.evaluate,
    "order": order.evaluate,
    "precede": precede.evaluate,
    "interval": interval.evaluate,
    "count": count.evaluate,
    "spacing": spacing.evaluate,
    "overlap": overlap.evaluate,
}
"""The eight forms by name: `evaluate(rule, timeline) -> Outcomes`."""
