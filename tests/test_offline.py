"""The tests, and with them the audit, do without a network."""

from __future__ import annotations

import socket
import warnings

import pytest
from pytest_socket import SocketConnectBlockedError


def test_tests_cannot_leave_this_machine() -> None:
    """An outside address can't be called: 192.0.2.1 is reserved for documentation (RFC 5737 section 3)."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the guard warns too, which fails every other test
        with pytest.raises(SocketConnectBlockedError):
            socket.create_connection(("192.0.2.1", 80), timeout=0.1)
