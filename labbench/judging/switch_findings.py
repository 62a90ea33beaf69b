"""Make findings of MOSFETs, and choose the test that speaks loudest. Shared by those that name."""

from __future__ import annotations

__all__ = ["loudest", "make_finding"]

from collections.abc import Sequence

from labbench.judging.switch_evidence import Deviation
from labbench.results import Finding, Grade


def make_finding(
    fault: str, path: str | None, grade: Grade, p: float, because: str, *alternatives: str
) -> Finding:
    """Return a finding; `p` is the share of sound parts that look as bad."""
    return Finding(fault, path, grade, 1.0 - min(1.0, p), alternatives[:2], because)


def loudest(
    found: Sequence[Deviation], tests: Sequence[str], *, positive: bool = False
) -> Deviation | None:
    """Return of these tests the one farthest beyond its share; None where none is suspect."""
    out = [
        d for d in found
        if d.test in tests and d.suspect and (d.z > 0.0 or not positive)
    ]  # fmt: skip
    return min(out, key=lambda d: d.p / d.share, default=None)
