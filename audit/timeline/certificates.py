"""Certificates: a number and its kind, as one."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from audit.intake.names import entries
from audit.timeline.codes import MISSING, coded
from audit.timeline.column_values import Values, own, plain, reasoned, shared
from audit.timeline.instants import Bools, Ints
from audit.timeline.timeline import Timeline


def certificate(timeline: Timeline, name: str, rows: Ints) -> Values:
    """Number and kind of the certificate that a record gives, as one; missing where either is."""
    return shared(timeline, name, rows, lambda rows: _number_and_kind(timeline, name, rows))


def _number_and_kind(timeline: Timeline, name: str, rows: Ints) -> Values:
    parts = [own(timeline.tasks, part, rows) for part in ("certificate_number", "certificate_kind")]
    number, kind = parts
    assert number.codes is not None
    assert number.names is not None
    assert kind.codes is not None
    assert kind.names is not None
    several = _lists(number.codes, number.names) | _lists(kind.codes, kind.names)
    missing = number.missing | kind.missing | several
    width = len(kind.names) + 1
    pairs, distinct = pd.factorize(np.where(missing, MISSING, number.codes.astype(np.int64) * width + kind.codes))
    numbers, kinds = number.names.tolist(), kind.names.tolist()
    texts = [
        "" if pair == MISSING else certificates(str(numbers[pair // width]), str(kinds[pair % width]))
        for pair in distinct.tolist()
    ]
    of_pair, names = coded(texts)
    codes = of_pair[pairs]
    [no_number], [no_kind] = number.reasons, kind.reasons
    reasons, why = reasoned(
        (number.missing, no_number),
        (kind.missing, no_kind),
        otherwise="one cell names several: certificate_number or certificate_kind",
    )
    found = plain(name, codes == MISSING, codes=codes, names=names)
    undecidable = number.undecidable | kind.undecidable | several
    return replace(found, undecidable=undecidable, reasons=reasons, why=why)


def _lists(codes: Ints, names: pd.Index) -> Bools:
    """Where a cell has several entries."""
    found: Bools = np.array([*(len(entries(str(name))) > 1 for name in names), False])[codes]
    return found


def certificates(numbers: str, kinds: str) -> str:
    """Certificates as they are written in lists: `TW-7 (airframe); TW-8 (repairman)`.

    Of several numbers and kinds in two cells each goes with the other in its place; one goes with each.
    """
    number, kind = (entries(cell) for cell in (numbers, kinds))
    if not number or not kind:
        return ""
    if len(number) != len(kind) and 1 not in (len(number), len(kind)):
        return f"{numbers} ({kinds})".replace(";", ",")
    longest = max(len(number), len(kind))
    pairs = zip(number * (longest // len(number)), kind * (longest // len(kind)), strict=True)
    return "; ".join(f"{one} ({other})" for one, other in pairs)
