"""Name the fault of a MOSFET: fault, path, grade, what else it could be, and why."""

from __future__ import annotations

__all__ = ["name_faults"]

from collections.abc import Sequence

from labbench.judging.switch_channel_faults import name_channel
from labbench.judging.switch_evidence import Deviation
from labbench.judging.switch_gross_faults import name_opens, name_shorts
from labbench.judging.switch_leak_faults import name_dissipation, name_leaks
from labbench.judging.switch_quantities import PartTemperature
from labbench.parts.mosfet_type import MosfetType
from labbench.results import Characteristic, Finding, Readings

_ORDER = (
    "short", "open", "leak", "weak-gate", "low-breakdown", "threshold-shift", "high-on-resistance",
    "not-as-marked",
)  # fmt: skip


def name_faults(
    readings: Readings,
    part: MosfetType,
    found: Sequence[Deviation],
    characteristics: Sequence[Characteristic],
    temperature: PartTemperature,
) -> tuple[tuple[Finding, ...], bool]:
    """Name every fault that the evidence supports, the gravest first.

    Also tells whether a leak may be dirt on a part that was not washed (then it is suspect only).
    """
    leaks, dirty = name_leaks(readings, part, found, characteristics, temperature)
    named: list[Finding] = [
        *name_shorts(readings, part),
        *name_opens(readings),
        *leaks,
        *name_channel(found, characteristics),
        *name_dissipation(readings),
    ]
    merged: dict[tuple[str, str | None], Finding] = {}
    for finding in named:
        key = (finding.fault, finding.path)
        if key not in merged or (finding.grade == "sure" and merged[key].grade == "suspect"):
            merged[key] = finding
    ordered = sorted(merged.values(), key=lambda f: (f.grade != "sure", _ORDER.index(f.fault)))
    return tuple(ordered), dirty
