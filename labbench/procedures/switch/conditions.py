"""Say at which voltages and currents a switch is measured, from its type or by cautious rules.

Of a p-channel part all voltages are magnitudes, as of its n-channel mirror image.
"""

from __future__ import annotations

__all__ = ["SwitchConditions", "switch_conditions"]

from attrs import field, frozen

from labbench.parts.mosfet_type import MosfetType

#: share of the drain-source rating that a leak is read at where the type says no voltage
_DRAIN_SHARE = 0.8
#: share of the gate-source rating that the gate is ever given (own rule, no source)
_GATE_SHARE = 0.6
#: nothing known: 1.25 times the rail that the part worked on, the gate up to 5 V (own rules)
_RAIL_FACTOR = 1.25
_UNKNOWN_GATE_V = 5.0
_UNKNOWN_RAIL_V = 5.0
_THRESHOLD_A = 250e-6
_GATE_STEPS_V = (5.0, 10.0)
_ON_STEPS = ((4.5, 3.0), (10.0, 3.0))
#: more than this through a gate stops before the drain sees volts
_GATE_STOP_A = 1e-6
#: a clamp between gate and source conducts microamperes by design
_CLAMP_STOP_A = 100e-6


@frozen(kw_only=True)
class SwitchConditions:
    """Hold the conditions of every step (V, A), and what stops the sequence.

    `assumed` says in words what was chosen for want of a rating.
    """

    name: str
    mirrored: bool
    schottky: bool
    drain_v: float
    gate_v: tuple[float, ...]
    on: tuple[tuple[float, float], ...]
    gate_stop_a: float
    threshold_v: float
    #: current (A) of the type's threshold limit
    threshold_a: float
    maximum_drain_source_v: float | None
    maximum_gate_source_v: float | None
    maximum_current_a: float | None
    assumed: tuple[str, ...] = field(default=())

    @property
    def low_drain_v(self) -> float:
        """Give the lower voltage of the two-voltage leakage reading (V)."""
        return self.drain_v / 8.0


def switch_conditions(part: MosfetType, *, rail_v: float | None = None) -> SwitchConditions:
    """Choose the conditions of every step; `rail_v` is the rail that the part worked on.

    The limits' own conditions come first, then shares of the ratings, then what is safe for a part
    of which nothing is known.
    """
    assumed: list[str] = []
    drain_most = part.maximum_drain_source_v
    limited = [limit.voltage_v for limit in part.drain_leakage]
    if limited:
        drain_v = max(limited)
    elif drain_most is not None:
        drain_v = _DRAIN_SHARE * drain_most
    else:
        drain_v = _RAIL_FACTOR * (rail_v if rail_v is not None else _UNKNOWN_RAIL_V)
        assumed.append(
            f"drain-source rating unknown: leakage read at {drain_v:g} V only "
            f"(1.25 times {'the rail' if rail_v is not None else 'an assumed rail of 5 V'})"
        )
    gate_most = part.maximum_gate_source_v
    if gate_most is None:
        allowed_gate_v = _UNKNOWN_GATE_V
        assumed.append(f"gate-source rating unknown: the gate is given {_UNKNOWN_GATE_V:g} V only")
    else:
        allowed_gate_v = _GATE_SHARE * gate_most
    gate_limits = {
        limit.voltage_v for limit in part.gate_leakage if limit.voltage_v <= allowed_gate_v
    }
    if len(gate_limits) < len({limit.voltage_v for limit in part.gate_leakage}):
        # as near to the limit's own voltage as the gate is given
        gate_limits.add(allowed_gate_v)
    gate_v = sorted({v for v in _GATE_STEPS_V if v <= allowed_gate_v} | gate_limits)
    on = [
        (limit.gate_source_v, limit.current_a or 3.0)
        for limit in part.on_resistance
        if limit.gate_source_v <= allowed_gate_v
    ] or [(volts, amps) for volts, amps in _ON_STEPS if volts <= allowed_gate_v]
    clamp = "gate-clamp" in part.features
    upper = [limit.upper_v for limit in part.threshold if limit.upper_v is not None]
    gate_stop = max([limit.upper_a for limit in part.gate_leakage], default=_GATE_STOP_A)
    return SwitchConditions(
        name=part.name,
        mirrored=part.polarity == "p",
        schottky="schottky" in part.features,
        drain_v=drain_v,
        gate_v=tuple(gate_v or [allowed_gate_v]),
        on=tuple(sorted(set(on))),
        gate_stop_a=max(gate_stop, _CLAMP_STOP_A if clamp else _GATE_STOP_A),
        threshold_v=max(upper, default=3.0),
        threshold_a=part.threshold[0].current_a if part.threshold else _THRESHOLD_A,
        maximum_drain_source_v=drain_most,
        maximum_gate_source_v=gate_most,
        maximum_current_a=part.maximum_current_a,
        assumed=tuple(assumed),
    )
