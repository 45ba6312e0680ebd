"""Findings: what was found. Stable identity, evidence, one sentence with the figures."""
