"""What all tests share: how property tests draw their examples."""

from __future__ import annotations

import pytest
from hypothesis import settings

from audit.health import judge
from tests.judge_here import JudgeHere

# No test is judged by its duration: the first example of a run imports heavy libraries. The suite draws the same
# examples every time, so that a green run can be repeated; `pytest --hypothesis-profile=thorough` draws new ones.
settings.register_profile("repeatable", deadline=None, derandomize=True)
settings.register_profile("thorough", deadline=None, max_examples=3000)
settings.load_profile("repeatable")


@pytest.fixture(autouse=True)
def _judge_here(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Export health is judged in this process, so that its library is imported once and not for each test."""
    if "judge_apart" not in request.fixturenames:
        monkeypatch.setattr(judge, "HealthJudge", JudgeHere)


@pytest.fixture(autouse=True)
def _terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    """Texts for a terminal are as wide as where none is, whatever runs the tests."""
    monkeypatch.setenv("COLUMNS", "80")


@pytest.fixture
def judge_apart() -> None:
    """Export health is judged in a process of its own, as users have it."""
