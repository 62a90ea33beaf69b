"""Turn the readings of a MOSFET into comparable quantities, corrected to 25 °C.

Leakages and resistances are compared by their logarithm, voltages as they are.
"""

from __future__ import annotations

__all__ = [
    "REFERENCE_C",
    "SPREADS",
    "PartTemperature",
    "Quantity",
    "SwitchSiblings",
    "part_temperature",
    "quantities",
    "same",
]

import math
from collections.abc import Iterator, Sequence

from attrs import evolve, field, frozen

from labbench.judging.leak_separation import GateSiblings, drain_pair, gate_split
from labbench.judging.robust_scale import Reference, learn
from labbench.metrology.semiconductor import (
    LEAKAGE_DOUBLING_K,
    ON_RESISTANCE_PER_K,
    THRESHOLD_V_PER_K,
    diode_v_per_k,
    leakage_factor,
)
from labbench.results import Readings

REFERENCE_C = 25.0
#: spread between the parts of one lot, as known beforehand; assumed. ln A, V, ln ohm, ratio
SPREADS = {
    "drain-leakage": 0.35,
    "gate-leakage": 0.7,
    "threshold": 0.04,
    "on-resistance": 0.025,
    "body-diode": 3e-3,
    "leakage-ratio": 0.03,
    "gate-ratio": 0.02,
}
#: how well these are known (standard deviation of the logarithm); assumed. Within a fifth: where
#: parts of a lot spread 1.4 times as much, false rejects stay below 3 %
_SPREAD_DOUBT = 0.2
# A part that lies on the bench and the thermometer beside it differ by as much; common practice.
_U_ROOM_K = 2.0
# Two parts beside the same thermometer differ by less: what that shows wrongly is the same for
# both, and a part is read when its diode no longer moves (0.13 K in 10 s, some 0.8 K to go at a
# time constant of 60 s).
_U_BESIDE_K = 1.0
#: warmer than the room by more than this, a part is warm
_WARM_K = 6.0
_CONDITIONS_AGREE = 0.05
#: so many sigmas less on-resistance than a part as warm as its diode says would have
_NOT_WARM_Z = 4.0
#: leakage read so is seen no better than a milliampere: nothing to compare
_BLIND = "supply-readback"


@frozen
class PartTemperature:
    """Hold the temperature of a part (°C), and whether it is known or proved warm.

    `of_room`: it is that of the thermometer beside the part.
    """

    celsius: float
    u_k: float
    known: bool = True
    warm: bool = False
    of_room: bool = False

    def beside(self, siblings: SwitchSiblings) -> PartTemperature:
        """Return how well it is known against siblings beside the same thermometer."""
        if not self.of_room or any(s.temperature_c is None for s in siblings.readings):
            return self
        return evolve(self, u_k=min(self.u_k, _U_BESIDE_K))


@frozen
class Quantity:
    """Hold one quantity at 25 °C: its name, its condition (V or A), and standard uncertainty."""

    name: str
    at: float
    value: float
    u: float


def same(one: float, other: float) -> bool:
    """Tell whether two conditions are the same within 5 %, sign included."""
    return abs(one - other) <= _CONDITIONS_AGREE * abs(other)


def part_temperature(readings: Readings, siblings: SwitchSiblings | None) -> PartTemperature:
    """Tell a part's temperature from the readings, checked by its body diode against siblings."""
    by_diode = _by_diode(readings, siblings) if siblings is not None else None
    if readings.temperature_c is None:
        if by_diode is not None:
            celsius, u = by_diode
            return PartTemperature(celsius, u, warm=celsius - REFERENCE_C > max(_WARM_K, 3.0 * u))
        return PartTemperature(REFERENCE_C, _U_ROOM_K, known=False)
    room = readings.temperature_c
    if by_diode is not None:
        celsius, u = by_diode
        if celsius - room > max(_WARM_K, 3.0 * math.hypot(u, _U_ROOM_K)):
            return PartTemperature(celsius, u, warm=True)
    return PartTemperature(room, _U_ROOM_K, of_room=True)


def _by_diode(readings: Readings, siblings: SwitchSiblings) -> tuple[float, float] | None:
    for diode in sorted(readings.body_diode, key=lambda d: d.current_a):
        if diode.voltage_v is None or diode.u_voltage_v is None:
            continue
        reference = siblings.reference("body-diode", diode.current_a)
        if reference is None:
            return None
        slope = diode_v_per_k(diode.current_a)
        celsius = REFERENCE_C + (diode.voltage_v - reference.centre) / slope
        u = math.hypot(reference.scale, diode.u_voltage_v) / abs(slope)
        return None if _channel_helps(readings, siblings, celsius, u) else (celsius, u)
    return None


def _channel_helps(
    readings: Readings, siblings: SwitchSiblings, celsius: float, u_k: float
) -> bool:
    """Tell whether a low forward voltage is not warmth but a channel that carries some current.

    Gate tied to source, a channel whose threshold has come down to the forward voltage conducts
    beside the diode. Warm silicon has more on-resistance, such a channel less.
    """
    excess = celsius - REFERENCE_C
    for ohms in readings.on_resistance:
        reference = siblings.reference("on-resistance", ohms.gate_source_v)
        if reference is None or not ohms.value_ohm or ohms.u_ohm is None:
            continue
        cold = math.log(ohms.value_ohm) - math.log1p(max(-0.5, ON_RESISTANCE_PER_K * excess))
        u = math.hypot(ohms.u_ohm / ohms.value_ohm, ON_RESISTANCE_PER_K * u_k)
        if reference.z(cold, u) < -_NOT_WARM_Z:
            return True
    return False


def quantities(readings: Readings, temperature: PartTemperature) -> Iterator[Quantity]:
    """Yield every comparable quantity of a part; what has no value is passed over."""
    excess = temperature.celsius - REFERENCE_C
    to_cold = leakage_factor(temperature.celsius, REFERENCE_C)
    u_doubling = math.log(2.0) / LEAKAGE_DOUBLING_K * temperature.u_k
    for leak in readings.drain_leakage:
        if leak.current_a is None or leak.u_current_a is None or leak.repeat:
            continue
        if leak.method == _BLIND:
            continue
        value, u = _log(leak.current_a, leak.u_current_a)
        yield Quantity(
            "drain-leakage", leak.voltage_v, value + math.log(to_cold), math.hypot(u, u_doubling)
        )
    for gate in readings.gate_leakage:
        if gate.current_a is None or gate.u_current_a is None or gate.repeat:
            continue
        if gate.method == _BLIND:
            continue
        yield Quantity("gate-leakage", gate.voltage_v, *_log(gate.current_a, gate.u_current_a))
    for threshold in readings.threshold:
        if threshold.voltage_v is not None and threshold.u_voltage_v is not None:
            yield Quantity(
                "threshold", threshold.current_a,
                threshold.voltage_v - THRESHOLD_V_PER_K * excess,
                math.hypot(threshold.u_voltage_v, THRESHOLD_V_PER_K * temperature.u_k),
            )  # fmt: skip
    for diode in readings.body_diode:
        if diode.voltage_v is not None and diode.u_voltage_v is not None:
            slope = diode_v_per_k(diode.current_a)
            yield Quantity(
                "body-diode", diode.current_a, diode.voltage_v - slope * excess,
                math.hypot(diode.u_voltage_v, slope * temperature.u_k),
            )  # fmt: skip
    for ohms in readings.on_resistance:
        if ohms.value_ohm is not None and ohms.u_ohm is not None and ohms.value_ohm > 0.0:
            yield Quantity(
                "on-resistance", ohms.gate_source_v,
                math.log(ohms.value_ohm) - math.log1p(ON_RESISTANCE_PER_K * excess),
                math.hypot(ohms.u_ohm / ohms.value_ohm, ON_RESISTANCE_PER_K * temperature.u_k),
            )  # fmt: skip
    yield from _ratios(readings)


def _ratios(readings: Readings) -> Iterator[Quantity]:
    """Yield ratios within one part, from which temperature and lot cancel."""
    pair = drain_pair(readings.drain_leakage)
    if pair is not None:
        (low, u_low), (high, u_high) = (_log(amps, u) for _, amps, u in pair)
        yield Quantity("leakage-ratio", pair[1][0], high - low, math.hypot(u_low, u_high))
    ohms = sorted(
        (o for o in readings.on_resistance if o.value_ohm and o.u_ohm),
        key=lambda o: o.gate_source_v,
    )
    if len(ohms) >= 2 and ohms[0].value_ohm and ohms[-1].value_ohm:
        u = math.hypot(
            (ohms[0].u_ohm or 0.0) / ohms[0].value_ohm, (ohms[-1].u_ohm or 0.0) / ohms[-1].value_ohm
        )
        yield Quantity(
            "gate-ratio", ohms[-1].gate_source_v,
            math.log(ohms[-1].value_ohm / ohms[0].value_ohm), u,
        )  # fmt: skip


def _log(current_a: float, u_a: float) -> tuple[float, float]:
    """Return the logarithm of a current's magnitude; one that drowns in its uncertainty has u 1."""
    size = max(abs(current_a), u_a)
    return math.log(size), min(1.0, u_a / size)


@frozen
class SwitchSiblings:
    """Hold the quantities of siblings of one type and lot, learned once for many test parts."""

    readings: tuple[Readings, ...]
    _found: dict[str, list[Quantity]] = field(factory=dict, eq=False, repr=False)
    _known: dict[tuple[str, float, float], Reference | None] = field(
        factory=dict, eq=False, repr=False
    )
    _gates: dict[float, GateSiblings | None] = field(factory=dict, eq=False, repr=False)

    @classmethod
    def of(cls, readings: Sequence[Readings]) -> SwitchSiblings:
        """Gather siblings; the temperature of one that has none is taken to be 25 °C."""
        found: dict[str, list[Quantity]] = {}
        for each in readings:
            for quantity in quantities(each, part_temperature(each, None)):
                found.setdefault(quantity.name, []).append(quantity)
        return cls(tuple(readings), found)

    def voltages(self, name: str) -> tuple[float, ...]:
        """Return at which conditions a quantity was read, smallest first, like ones once."""
        found: list[float] = []
        for q in sorted(self._found.get(name, ()), key=lambda q: abs(q.at)):
            if not any(same(q.at, known) for known in found):
                found.append(q.at)
        return tuple(found)

    def reference(self, name: str, at: float, *, spread: float | None = None) -> Reference | None:
        """Return what the siblings say of a quantity at a condition; None where fewer than 3.

        `spread` between the parts of one lot where it is not that of `SPREADS`.
        """
        s0 = SPREADS[name] if spread is None else spread
        key = (name, at, s0)
        if key not in self._known:
            values = [q.value for q in self._found.get(name, ()) if same(q.at, at)]
            self._known[key] = learn(values, s0, doubt=_SPREAD_DOUBT)
        return self._known[key]

    def gate(self, at: float) -> GateSiblings | None:
        """Return what siblings say of a sound gate's conductance at a voltage; None of too few."""
        if at not in self._gates:
            splits = [gate_split(each.gate_leakage) for each in self.readings]
            self._gates[at] = GateSiblings.of(
                [s for s in splits if s is not None and same(s.at, at)], doubt=_SPREAD_DOUBT
            )
        return self._gates[at]
