"""Names brought onto one list, by number."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from audit.timeline.codes import MISSING, by_name, coded, codes_in, may_be, names_of


def cells(*values: str | None) -> pd.Series:
    return pd.Series(pd.Categorical(values))


def test_names_of_several_columns() -> None:
    """Sorted, each once; those of one column may be unknown to another, and a blank cell is none."""
    names = names_of((cells("b", None, "a"), cells("c", "b")))
    assert names.tolist() == ["a", "b", "c"]
    assert codes_in(names, cells("c", None, "a", "d", "b")).tolist() == [2, MISSING, 0, MISSING, 1]
    assert names_of([cells(None)]).tolist() == []
    assert codes_in(names_of([cells(None)]), cells(None, "a")).tolist() == [MISSING, MISSING]


def test_texts_by_number() -> None:
    """Blank ones have none, nor has what stands behind the last."""
    codes, names = coded(["b", "", "a", "b"])
    assert (codes.tolist(), names.tolist()) == ([1, MISSING, 0, 1, MISSING], ["a", "b"])
    codes, names = coded(["", ""])
    assert (codes.tolist(), names.tolist()) == ([MISSING] * 3, [])


def test_what_is_made_of_each_name() -> None:
    """Of the chosen rows, and something else of blank cells."""
    rows = np.array([2, 0, 1, 2])
    assert by_name(cells("bb", "a", None), len, -5, rows).tolist() == [-5, 2, 1, -5]


@pytest.mark.parametrize(
    ("cell", "expected"),
    [
        pytest.param("A1", ["A1"], id="itself-alone"),
        pytest.param("A-2", ["A 2", "A2"], id="all-that-it-nearly-equals"),
        pytest.param("A9", [], id="none"),
        pytest.param(None, ["A 2", "A1", "A2", "Ä1"], id="any"),
    ],
)
def test_the_names_that_a_cell_may_stand_for(cell: str | None, expected: list[str]) -> None:
    """Among other cells, each by its own row."""
    names = pd.Index(sorted({"A1", "A2", "A 2", "Ä1"}))
    row, place = may_be(names, cells("A1", cell, "A1"))
    of = [str(names[code]) for code in place[row == 1]]
    assert sorted(of) == expected
    assert names[place[row == 0]].tolist() == names[place[row == 2]].tolist() == ["A1"]
