"""Where the rules and sample records are: in the wheel, or beside the package in a source checkout."""

from __future__ import annotations

from pathlib import Path

_PACKAGE = Path(__file__).resolve().parent


def rules_folder() -> Path:
    """The rule files that ship."""
    return _shipped("rules")


def sample_folder() -> Path:
    """The sample export that ships."""
    return _shipped("sample_records/tarnwhistle")


def sample_settings() -> Path:
    """The settings of the operator of the sample export: which season its southern base keeps."""
    return rules_folder() / "settings" / "sample-operator.yaml"


def _shipped(name: str) -> Path:
    installed = _PACKAGE / "shipped_data" / name
    return installed if installed.is_dir() else _PACKAGE.parent / name
