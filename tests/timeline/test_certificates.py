"""Certificates in lists."""

from __future__ import annotations

from audit.timeline.certificates import certificates


def test_a_certificate_in_a_list() -> None:
    """A number without a kind, or a kind without a number, makes none."""
    assert certificates("7", "airframe") == "7 (airframe)"
    assert certificates("", "airframe") == certificates("7", "") == certificates("", "") == ""


def test_several_certificates_in_one_entry() -> None:
    """Numbers and kinds go together by their places; where these are not as many, which do is not told."""
    assert certificates("7; 8", "airframe; repairman") == "7 (airframe); 8 (repairman)"
    assert certificates("7", "airframe; powerplant") == "7 (airframe); 7 (powerplant)"
    assert certificates("7;8", "airframe") == "7 (airframe); 8 (airframe)"
    assert certificates("7; 8; 9", "airframe; repairman") == "7, 8, 9 (airframe, repairman)"
