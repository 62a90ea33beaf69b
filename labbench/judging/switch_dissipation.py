"""Compare what a switch loses at 0 V and a low frequency with its siblings.

A resistor across a terminal pair raises the dissipation at 100 Hz: 0.01 is 100 MΩ across 1.6 nF. It
counts only where no multimeter has read the leakage itself, which sees far more.
"""

from __future__ import annotations

__all__ = ["lossier_than_siblings"]

import math
import statistics
from collections.abc import Iterator, Sequence

from labbench.quantities import format_si
from labbench.results import Capacitance, Finding, Readings

#: beyond the siblings' median by more than this, uncertainties apart
_MARGIN = 0.01
_HIGHEST_HZ = 1e3
_FEWEST = 3
#: two-sided 95 %, and the uncertainty of a median beside that of a mean (1.2533, normal)
_COVERAGE, _MEDIAN = 2.0, 1.2533


def lossier_than_siblings(readings: Readings, siblings: Sequence[Readings]) -> Iterator[Finding]:
    """Yield a suspected leak for each path that loses more than its siblings do."""
    for one in readings.capacitance:
        if one.frequency_hz > _HIGHEST_HZ or _leakage_was_read(readings, one.path):
            continue
        others = [found for s in siblings if (found := _same(s, one)) is not None]
        if len(others) < _FEWEST:
            continue
        middle = statistics.median(c.dissipation for c in others)
        spread = statistics.stdev(c.dissipation for c in others)
        u_middle = _MEDIAN * max(spread, others[0].u_dissipation) / math.sqrt(len(others))
        more = one.dissipation - middle
        if more - _COVERAGE * math.hypot(one.u_dissipation, u_middle) <= _MARGIN:
            continue
        ohm = 1.0 / (2.0 * math.pi * one.frequency_hz * one.capacitance_f * more)
        yield Finding(
            fault="leak", path=one.path, grade="suspect", probability=0.05, alternatives=(),
            because=(
                f"dissipation {one.dissipation:.2g} at {format_si(one.frequency_hz, 'Hz')}, of its "
                f"siblings {middle:.2g}: {format_si(ohm, 'Ω', 2)} across it"
            ),
        )  # fmt: skip


def _leakage_was_read(readings: Readings, path: str) -> bool:
    block = readings.gate_leakage if path == "gate-source" else readings.drain_leakage
    return any(each.current_a is not None and each.method != "supply-readback" for each in block)


def _same(readings: Readings, one: Capacitance) -> Capacitance | None:
    for other in readings.capacitance:
        if other.path == one.path and math.isclose(
            other.frequency_hz, one.frequency_hz, rel_tol=0.05
        ):
            return other
    return None
