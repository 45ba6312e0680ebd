"""Memory that was freed, handed back to the system."""

from __future__ import annotations

import ctypes
from contextlib import suppress


def hand_back() -> None:
    """Hand back what Arrow and the C library keep of freed memory for later: the next step needs other sizes.

    Only the C library of most Linux systems can be asked.
    """
    import pyarrow as pa

    pa.default_memory_pool().release_unused()
    with suppress(AttributeError, OSError, TypeError):
        ctypes.CDLL(None).malloc_trim(0)
