"""Say what would lower the uncertainty of a coil's inductance and dc resistance, and to how much.

The easiest first. Each is computed as the measurement itself would be
(`labbench.metrology.expected`) and never taken from a list of sayings.
"""

from __future__ import annotations

__all__ = ["Fix", "inductance_fixes", "resistance_fixes", "would_help"]

import math
from collections.abc import Iterator

from attrs import evolve, frozen

from labbench.judging.expected_sound import PAIRS, SWEEP_S, expected_inductance
from labbench.metrology.accuracy import IMPEDANCE_CLASSES, MULTIMETER_CLASSES, SUPPLY_CLASSES
from labbench.metrology.estimates import expanded_uncertainty
from labbench.metrology.expected import BenchAccuracies, expected_resistance
from labbench.parts.coil_type import CoilType
from labbench.quantities import format_si
from labbench.results import WouldDecide

#: what a longer average takes a point, and how many placements are averaged
_LONGER_S = 3.2
_PLACEMENTS = 4
#: what any bench of this kind may drive through a coil
_HIGHEST_CURRENT_A = 3.0
#: leads of a usual size, once they are known at all
_LEADS_OHM = 30e-3


@frozen
class Fix:
    """Hold something that could be done, and the expanded uncertainty that it would bring."""

    action: str
    text: str
    expanded_uncertainty: float


def would_help(
    needed_expanded: float, now_expanded: float, fixes: Iterator[Fix], unit: str
) -> WouldDecide | None:
    """Return the first fix that brings the uncertainty that a value needs; None without one."""
    for fix in fixes:
        if fix.expanded_uncertainty <= needed_expanded:
            return WouldDecide(
                fix.action,
                f"{fix.text}: ± {format_si(fix.expanded_uncertainty, unit, 2)} instead of "
                f"± {format_si(now_expanded, unit, 2)}",
            )
    return None


def resistance_fixes(
    ohms: float,
    bench: BenchAccuracies,
    *,
    current_a: float,
    to_c: float = 25.0,
    u_temperature_c: float = 2.0,
) -> Iterator[Fix]:
    """Yield what could lower the uncertainty of a dc resistance, the easiest first."""

    def fix(action: str, text: str, other: BenchAccuracies, **changed: float) -> Iterator[Fix]:
        method = other.resistance_method
        if method is None:
            return
        known = expected_resistance(
            ohms, other, method=method, pairs=PAIRS, to_c=to_c,
            current_a=changed.get("current_a", current_a),
            u_temperature_c=changed.get("u_temperature_c", u_temperature_c),
        )  # fmt: skip
        if known is not None:
            yield Fix(action, text, expanded_uncertainty(known))

    if u_temperature_c > 0.5:
        yield from fix(
            "measure-temperature", "measure the temperature of the part to 0.5 K", bench,
            u_temperature_c=0.5,
        )  # fmt: skip
    if bench.supply is not None and bench.multimeter is None and bench.supply_leads_ohm is None:
        yield from fix(
            "measure-leads", "short the jig once and enter the resistance of the supply leads",
            evolve(bench, supply_leads_ohm=_LEADS_OHM),
        )  # fmt: skip
    gentle_a = max(current_a, min(_HIGHEST_CURRENT_A, math.sqrt(30e-3 / ohms)))
    if bench.supply is not None and gentle_a > 1.05 * current_a:
        yield from fix(
            "higher-current", f"measure at {format_si(gentle_a, 'A', 2)}", bench,
            current_a=gentle_a,
        )  # fmt: skip
    if bench.supply is not None:
        names = list(MULTIMETER_CLASSES)
        have = bench.multimeter.class_name if bench.multimeter is not None else ""
        better = names[names.index(have) + 1 :] if have in names else names
        for name in better:
            yield from fix(
                "use-multimeter", f"measure with a {name} multimeter at the part's own terminals",
                evolve(bench, multimeter=MULTIMETER_CLASSES[name]), current_a=gentle_a,
            )  # fmt: skip
    if bench.supply is None:
        yield from fix(
            "use-multimeter",
            f"measure at {format_si(gentle_a, 'A', 2)} from a bench supply, with a multimeter at "
            "the part's own terminals",
            evolve(
                bench, supply=SUPPLY_CLASSES["1mV-1mA"],
                multimeter=bench.multimeter or MULTIMETER_CLASSES["5.5-digit"],
            ),
            current_a=gentle_a,
        )  # fmt: skip
        for name in _better_meters(bench):
            yield from fix(
                "better-meter", f"measure with an LCR meter of class {name}",
                evolve(bench, impedance=IMPEDANCE_CLASSES[name]),
            )  # fmt: skip


def inductance_fixes(part: CoilType, frequency_hz: float, bench: BenchAccuracies) -> Iterator[Fix]:
    """Yield what could lower the uncertainty of an inductance, the easiest first."""

    def fix(
        action: str, text: str, other: BenchAccuracies, time_s: float = SWEEP_S
    ) -> Iterator[Fix]:
        known = expected_inductance(part, frequency_hz, other, time_s)
        if known is not None:
            yield Fix(action, text, expanded_uncertainty(known))

    meter = bench.impedance
    if meter is not None:
        yield from fix("repeat", f"average {_LONGER_S:g} s a point", bench, _LONGER_S)
        root = math.sqrt(_PLACEMENTS)
        yield from fix(
            "repeat-placements",
            f"place the part and take the sweep {_PLACEMENTS} times, and average",
            evolve(
                bench,
                impedance=evolve(
                    meter,
                    contact_resistance_ohm=meter.contact_resistance_ohm / root,
                    contact_inductance_h=meter.contact_inductance_h / root,
                ),
            ),
        )
    for name in _better_meters(bench):
        yield from fix(
            "better-meter", f"measure with an LCR meter of class {name}",
            evolve(bench, impedance=IMPEDANCE_CLASSES[name]),
        )  # fmt: skip


def _better_meters(bench: BenchAccuracies) -> list[str]:
    names = list(IMPEDANCE_CLASSES)
    have = bench.impedance.class_name if bench.impedance is not None else ""
    return names[names.index(have) + 1 :] if have in names else names
