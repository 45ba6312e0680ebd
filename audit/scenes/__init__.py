"""Scenes: what happened around a finding, and what of it is worth drawing."""
