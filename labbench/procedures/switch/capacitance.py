"""Read the capacitances of a switch with the impedance meter: 0 V bias, at most 0.3 V of signal.

Gate to source with the drain at the source, drain to source with the gate at the source. At 100 Hz
an ohmic leak shows in the dissipation; a leak that only conducts at volts does not.
"""

from __future__ import annotations

__all__ = ["FREQUENCIES_HZ", "PATHS", "capacitances", "no_gate_seen"]

from collections.abc import Sequence

from labbench.bench.bench import Bench
from labbench.procedures.switch.hookups import hookup
from labbench.procedures.switch.live import tie
from labbench.procedures.switch.taken import CapacitanceTaken

FREQUENCIES_HZ = (100.0, 100e3)
#: hookup and path
PATHS = (("fet-impedance-gs", "gate-source"), ("fet-impedance-ds", "drain-source"))
#: half of what may be: an AC voltage of 0.3 V bends nothing yet
_LEVEL_V, _APERTURE_S, _AVERAGES = 0.3, 0.2, 1
#: the gate of any power switch has more; an empty jig has less (common practice, no source)
_LEAST_GATE_F = 100e-12


def capacitances(
    bench: Bench, *, mirrored: bool, position: str | None = None
) -> tuple[CapacitanceTaken, ...]:
    """Read both paths at 100 Hz and 100 kHz, those that the meter reaches.

    Raises what the bench raises.
    """
    lowest, highest = bench.impedance_range_hz
    taken: list[CapacitanceTaken] = []
    for name, path in PATHS:
        tie(bench, hookup(name, mirrored=mirrored), position)

        def read(path: str = path) -> list[CapacitanceTaken]:
            bench.prepare_impedance()
            found = []
            for frequency_hz in FREQUENCIES_HZ:
                if lowest <= frequency_hz <= highest:
                    bench.set_impedance_point(
                        frequency_hz=frequency_hz, level_v=_LEVEL_V, aperture_s=_APERTURE_S,
                        averages=_AVERAGES,
                    )  # fmt: skip
                    found.append(CapacitanceTaken(path, bench.take_impedance()))
            return found

        taken += bench.repeatable("capacitance", read, path=path)
    return tuple(taken)


def no_gate_seen(taken: Sequence[CapacitanceTaken]) -> bool:
    """Tell whether nothing is at the gate's contact: no part, or one that is not touched."""
    seen = [
        one.capacitance_f
        for one in taken
        if one.path == "gate-source" and one.capacitance_f is not None
    ]
    over = any(one.reading.status == "over-range" for one in taken if one.path == "gate-source")
    return (bool(seen) or over) and all(each < _LEAST_GATE_F for each in seen)
