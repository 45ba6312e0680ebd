"""Who judges the parts: threads of this process, processes of this machine, or a running Dask cluster. Each is an
executor of the standard library."""

from __future__ import annotations

import logging
import multiprocessing
import os
import signal
from collections.abc import Iterator
from concurrent.futures import CancelledError, Executor, ProcessPoolExecutor, ThreadPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from multiprocessing import util
from threading import Thread
from typing import Any, Final

from audit import interrupts
from audit.errors import AuditError
from audit.options import Spread

SIDE_BY_SIDE: Final = 2
"""Threads that judge: each holds arrays as long as what it judges."""
_PATIENCE: Final = "30s"
"""How long the scheduler of a cluster may take to answer."""


_CLOSED_PIPE: Final = "handle is closed"
"""What `multiprocessing` says of a pipe that it has closed itself."""


class WorkersLost(Exception):
    """Workers died under their work; others may do it."""


@contextmanager
def workers(spread: Spread) -> Iterator[Executor]:
    """An executor for this time; what it runs is stopped where the time ends early.

    Raises WorkersLost where processes die, AuditError where a cluster can't be had or loses too many workers.
    """
    if spread.cluster:
        chosen = _of_cluster(spread.cluster)
    elif spread.workers:
        chosen = _processes(spread.workers)
    else:
        chosen = here()
    with chosen as executor:
        yield executor


@contextmanager
def here(threads: int = SIDE_BY_SIDE) -> Iterator[Executor]:
    """Threads of this process."""
    with ThreadPoolExecutor(threads) as pool:
        try:
            yield pool
        except BaseException:
            # A fault or Ctrl-C: leaving the pool would judge all the rest first.
            pool.shutdown(wait=False, cancel_futures=True)
            raise


@contextmanager
def _processes(number: int) -> Iterator[Executor]:
    # Started afresh: a fork of a process with threads may stand still for ever.
    context = multiprocessing.get_context("spawn")
    others = multiprocessing.active_children()
    pool = ProcessPoolExecutor(number, mp_context=context, initializer=_serve)
    try:
        yield pool
        pool.shutdown()
    except BrokenProcessPool as lost:
        raise WorkersLost from lost
    except OSError as fault:
        # A pool that starts a worker just as another dies hands it a pipe that it has closed by then.
        if str(fault) != _CLOSED_PIPE:
            raise
        raise WorkersLost from fault
    finally:
        pool.shutdown(wait=False, cancel_futures=True)
        for process in multiprocessing.active_children():
            if process not in others:
                process.terminate()
        if interrupts.came():
            # Ctrl-C ends the process at once: what it would tidy up on its way out would be told as left behind.
            util._exit_function()  # type: ignore[attr-defined]


def _serve() -> None:
    """Ctrl-C is the parent's to answer; a worker ends with the parent, however that ends."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    parent = multiprocessing.parent_process()
    assert parent is not None

    def end_with_parent() -> None:
        parent.join()
        os._exit(1)

    Thread(target=end_with_parent, daemon=True).start()


@contextmanager
def _of_cluster(address: str) -> Iterator[Executor]:
    try:
        from distributed import Client, KilledWorker
    except ModuleNotFoundError:
        raise AuditError("--cluster needs more packages: install deicer-audit[cluster].") from None
    # What it logs of a lost connection, traces included, is said here in one sentence.
    for handler in logging.getLogger("distributed").handlers:
        handler.setLevel(logging.CRITICAL + 1)
    try:
        client = Client(address, timeout=_PATIENCE, set_as_default=False)
    except (OSError, TypeError, ValueError) as fault:
        raise AuditError(f"No scheduler of a Dask cluster answers at {address}: {fault}") from None
    try:
        _wait_for_a_worker(client, address)
        yield client.get_executor(pure=False)
    except KilledWorker as lost:
        raise AuditError(f"The cluster lost every worker that was given a part of the export: {lost}") from None
    except ImportError as fault:
        raise AuditError(f"A worker of the cluster lacks this version of deicer-audit: {fault}") from None
    except (OSError, CancelledError) as fault:
        why = f": {fault}" if str(fault) else ""
        raise AuditError(f"The cluster at {address} went away while it judged{why}.") from None
    finally:
        client.close()


def _wait_for_a_worker(client: Any, address: str) -> None:
    """AuditError where a cluster has none: it would wait for one for ever."""
    try:
        client.wait_for_workers(1, timeout=_PATIENCE)
    except TimeoutError:
        raise AuditError(f"The Dask cluster at {address} has no worker.") from None
