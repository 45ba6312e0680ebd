"""deicer-audit: audits the maintenance records of pneumatic de-icers against declarative rules.

`run_audit` is the whole audit as a function. It is loaded when first requested: `--help` must not wait for pandas.
"""

from __future__ import annotations

from audit.version import __version__

TYPE_CHECKING = False  # `typing` takes time to load, in which Ctrl-C is not listened for yet
if TYPE_CHECKING:
    from typing import Any

    from audit.pipeline import run_audit

__all__ = ["__version__", "run_audit"]


def __getattr__(name: str) -> Any:
    if name == "run_audit":
        from audit.pipeline import run_audit

        return run_audit
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
