"""Merkle trees as RFC 6962, section 2.1, has them: one hash for any number of leaves in their order."""

from __future__ import annotations

from collections.abc import Sequence
from hashlib import sha256


def merkle_root(leaves: Sequence[bytes]) -> bytes:
    """The SHA-256 Merkle tree hash of leaves in their order; that of no leaves is the hash of nothing.

    A level at a time: a node without a neighbour is carried up, which gives the tree of the RFC, whose left side holds
    the largest power of two of leaves below their number.
    """
    if not leaves:
        return sha256().digest()
    level = [sha256(b"\x00" + leaf).digest() for leaf in leaves]
    while len(level) > 1:
        pairs = zip(level[::2], level[1::2], strict=False)
        level = [sha256(b"\x01" + left + right).digest() for left, right in pairs] + level[len(level) & ~1 :]
    return level[0]
