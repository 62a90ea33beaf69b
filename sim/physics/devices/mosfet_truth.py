"""What a MOSFET would read on a perfect bench at 25 C: its own circuit, solved."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from sim.circuit import GROUND, CurrentSource, Element, Series, Solution, solve
from sim.physics.devices.laws import REFERENCE_C

if TYPE_CHECKING:
    from sim.physics.devices.mosfet import Mosfet

_SOURCE_OHM = 1e-6
# A perfect current source still lives on some supply: this is what a broken part sees.
_COMPLIANCE_S = 1e-12


def drain_leakage_a(part: Mosfet, volts: float, temperature_c: float = REFERENCE_C) -> float:
    """Give the drain current with the gate tied to the source."""
    return _through(part, {"D": volts, "G": 0.0}, "D", temperature_c)


def gate_leakage_a(part: Mosfet, volts: float, temperature_c: float = REFERENCE_C) -> float:
    """Give the gate current with the drain tied to the source."""
    return _through(part, {"D": 0.0, "G": volts}, "G", temperature_c)


def threshold_v(part: Mosfet, amperes: float, temperature_c: float = REFERENCE_C) -> float:
    """Give the gate-source voltage at a drain current, the gate tied to the drain."""
    sign = _sign(part)
    elements = part.elements({"D": "d", "G": "d", "S": GROUND}, temperature_c)
    return sign * _driven(elements, sign * amperes).voltage_v("d").real


def on_resistance_ohm(
    part: Mosfet, gate_source_v: float, amperes: float, temperature_c: float = REFERENCE_C
) -> float:
    """Give drain-source voltage over drain current, the gate held at a voltage."""
    sign = _sign(part)
    elements = part.elements({"D": "d", "G": "g", "S": GROUND}, temperature_c)
    elements.append(Series("gate", "g", GROUND, 1e3, volts=sign * gate_source_v))
    return sign * _driven(elements, sign * amperes).voltage_v("d").real / amperes


def body_diode_v(part: Mosfet, amperes: float, temperature_c: float = REFERENCE_C) -> float:
    """Give the forward voltage of the body diode, the gate tied to the source."""
    sign = _sign(part)
    elements = part.elements({"D": "d", "G": GROUND, "S": GROUND}, temperature_c)
    return -sign * _driven(elements, -sign * amperes).voltage_v("d").real


def breakdown_v(part: Mosfet, amperes: float, temperature_c: float = REFERENCE_C) -> float:
    """Give the drain-source voltage at a drain current, the gate tied to the source."""
    sign = _sign(part)
    elements = part.elements({"D": "d", "G": GROUND, "S": GROUND}, temperature_c)
    return sign * _driven(elements, sign * amperes).voltage_v("d").real


def true_values(part: Mosfet) -> dict[str, Any]:
    """Give the true values at the conditions of the declared limits, by name."""
    limits = part.construction.limits
    return {
        "drain_leakage_a": drain_leakage_a(part, limits.drain_source_v),
        "gate_leakage_a": gate_leakage_a(part, limits.gate_source_v),
        "gate_leakage_negative_a": gate_leakage_a(part, -limits.gate_source_v),
        "threshold_v": threshold_v(part, limits.threshold_a),
        "on_resistance_ohm": {
            point.gate_source_v: on_resistance_ohm(part, point.gate_source_v, point.current_a)
            for point in limits.on_resistance
        },
        "body_diode_v": {
            amperes: body_diode_v(part, amperes) for amperes in (1e-3, limits.body_diode_a)
        },
        "breakdown_v": breakdown_v(part, 250e-6),
        "leakage_doubling_k": part.parameters.doubling_k,
    }


def _sign(part: Mosfet) -> float:
    return 1.0 if part.construction.polarity == "n" else -1.0


def _driven(elements: list[Element], amperes: float) -> Solution:
    source = CurrentSource("drive", "d", GROUND, amperes)
    compliance = Series("compliance", "d", GROUND, 1.0 / _COMPLIANCE_S)
    return solve([*elements, source, compliance])


def _through(part: Mosfet, volts: dict[str, float], pin: str, temperature_c: float) -> float:
    sign = _sign(part)
    node = {"D": "d", "G": "g", "S": GROUND}
    elements = part.elements(node, temperature_c)
    elements += [
        Series(f"to-{name}", node[name], GROUND, _SOURCE_OHM, volts=sign * value)
        for name, value in volts.items()
    ]
    return -sign * solve(elements).current_a(f"to-{pin}").real
