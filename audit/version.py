"""The version of the auditor, which every result says."""

__version__ = "0.1.0"
