"""Merkle trees against the published vectors of the reference implementation of RFC 6962, and its recursive words."""

from __future__ import annotations

from hashlib import sha256

import pytest
from hypothesis import given
from hypothesis import strategies as st

from audit.register.merkle import merkle_root

LEAVES = [
    bytes.fromhex(leaf)
    for leaf in ("", "00", "10", "2021", "3031", "40414243", "5051525354555657", "606162636465666768696a6b6c6d6e6f")
]


@pytest.mark.parametrize(("count", "begins"), [(0, "e3b0c442"), (1, "6e340b9c"), (2, "fac54203"), (8, "5dc9da79")])
def test_published_roots(count: int, begins: str) -> None:
    """The roots that the reference implementation's tests give for its leaves."""
    assert merkle_root(LEAVES[:count]).hex().startswith(begins)


def as_defined(leaves: list[bytes]) -> bytes:
    """RFC 6962, section 2.1, word by word."""
    if not leaves:
        return sha256(b"").digest()
    if len(leaves) == 1:
        return sha256(b"\x00" + leaves[0]).digest()
    left = 1
    while left * 2 < len(leaves):
        left *= 2
    return sha256(b"\x01" + as_defined(leaves[:left]) + as_defined(leaves[left:])).digest()


@given(st.lists(st.binary(max_size=3), max_size=70))
def test_any_number_of_leaves(leaves: list[bytes]) -> None:
    """A level at a time gives what the recursive definition gives."""
    assert merkle_root(leaves) == as_defined(leaves)
