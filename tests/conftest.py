"""What all tests share: how property tests draw their examples."""

from __future__ import annotations

from hypothesis import settings

# No test is judged by its duration: the first example of a run imports heavy libraries. The suite draws the same
# examples every time, so that a green run can be repeated; `pytest --hypothesis-profile=thorough` draws new ones.
settings.register_profile("repeatable", deadline=None, derandomize=True)
settings.register_profile("thorough", deadline=None, max_examples=3000)
settings.load_profile("repeatable")
