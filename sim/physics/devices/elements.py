"""Nonlinear elements of the circuit: each stamps its tangent, found by Newton's method.

A step that is too long to be trusted is shortened, and the system is told so, as circuit
simulators do it (the limiting of SPICE2: Nagel 1975, from memory). An element remembers where it
was linearised last; it is made anew for each circuit and starts at zero volts.
"""

from __future__ import annotations

from collections.abc import Callable

from sim.circuit import Element, Series, Shunt, System
from sim.physics.devices.laws import Law

_BRANCH_BELOW_OHM = 1e3
_NEAR_V = 1.0
_RATIO = 2.0
_TRIODE_V = 4.0
# A voltage that has moved by no more keeps its tangent: what the curve departs from it in between
# is of second order, far below rounding.
_SAME_SHARE, _SAME_V = 1e-9, 1e-12


def resistor(name: str, plus: str, minus: str, ohm: float) -> Element:
    """Make a resistor; a small one gets a current of its own (see sim.circuit)."""
    if ohm < _BRANCH_BELOW_OHM:
        return Series(name, plus, minus, ohm)
    return Shunt(name, plus, minus, 1.0 / ohm)


def shortened(wanted_v: float, last_v: float) -> float:
    """Give the voltage to linearise at: no more than some times farther out than the last."""
    reach = _NEAR_V + _RATIO * abs(last_v)
    return min(max(wanted_v, last_v - reach), last_v + reach)


def _shortened_drain(wanted_v: float, last_v: float) -> float:
    """Let the drain leave saturation by way of its knee, whose slope points to the solution."""
    if last_v >= _TRIODE_V:
        if wanted_v > last_v:
            return min(wanted_v, _RATIO * last_v + _NEAR_V)
        return max(wanted_v, 2.0) if wanted_v < _TRIODE_V else wanted_v
    if wanted_v > last_v:
        return min(wanted_v, _TRIODE_V)
    return max(wanted_v, -0.5) if last_v > -0.5 else shortened(wanted_v, last_v)


class Conduction:
    """A current from `plus` to `minus` that depends on the voltage between them.

    `insulating` is for a law that passes next to nothing, as that of a gate: it stands on the
    diagonal, so that what it carries is not worked out as a difference of large currents.
    """

    nonlinear = True

    def __init__(
        self, name: str, plus: str, minus: str, law: Law, *, insulating: bool = False
    ) -> None:
        self.name = name
        self._insulating = insulating
        self._plus = plus
        self._minus = minus
        self._law = law
        self._last_v = 0.0
        self._tangent: tuple[float, float] | None = None

    @property
    def nodes(self) -> tuple[str, ...]:
        """Both ends."""
        return (self._plus, self._minus)

    def has_branch(self, frequency_hz: float) -> bool:
        """Unless it insulates: see `System.tangent`."""
        return not self._insulating

    def joins(self, frequency_hz: float) -> bool:
        """Always: every law here conducts something, however little."""
        return True

    def stamp(self, system: System, frequency_hz: float) -> None:
        """Add the tangent; above DC the slope where the last DC solution left it."""
        if frequency_hz == 0.0:
            wanted = system.present_v(self._plus, self._minus).real
            last_v = self._last_v
            if self._tangent is None or abs(wanted - last_v) > _SAME_V + _SAME_SHARE * abs(last_v):
                volts = shortened(wanted, last_v)
                if volts != wanted:
                    system.limited = True
                self._last_v = volts
                amperes, siemens = self._law(volts)
                self._tangent = siemens, amperes - siemens * volts
            siemens, rest = self._tangent
        else:
            (_, siemens), rest = self._law(self._last_v), 0.0
        if self._insulating:
            system.admit(self._plus, self._minus, siemens)
            system.inject(self._plus, self._minus, -rest)
            return
        slopes = ((self._plus, siemens), (self._minus, -siemens))
        system.tangent(self.name, self._plus, self._minus, slopes, rest)


ChannelLaw = Callable[[float, float], tuple[float, float, float]]


class Channel:
    """The channel of a MOSFET between drain and source, steered by the gate.

    `polarity` is 1 for an n-channel part, -1 for a p-channel one, its mirror image.
    """

    nonlinear = True

    def __init__(
        self, name: str, drain: str, gate: str, source: str, law: ChannelLaw, polarity: float = 1.0
    ) -> None:
        self.name = name
        self._drain = drain
        self._gate = gate
        self._source = source
        self._law = law
        self._polarity = polarity
        self._last_gate_v = 0.0
        self._last_drain_v = 0.0

    @property
    def nodes(self) -> tuple[str, ...]:
        """Drain and source; the gate only steers."""
        return (self._drain, self._source, self._gate)

    def has_branch(self, frequency_hz: float) -> bool:
        """Always: see `System.tangent`."""
        return True

    def joins(self, frequency_hz: float) -> bool:
        """Never: the gate must not count as joined; the body diode joins drain and source."""
        return False

    def stamp(self, system: System, frequency_hz: float) -> None:
        """Add the tangent in both voltages; above DC at the last DC solution."""
        drain, gate, source, sign = self._drain, self._gate, self._source, self._polarity
        if frequency_hz == 0.0:
            wanted_gate = sign * system.present_v(gate, source).real
            wanted_drain = sign * system.present_v(drain, source).real
            gate_v = shortened(wanted_gate, self._last_gate_v)
            drain_v = _shortened_drain(wanted_drain, self._last_drain_v)
            if gate_v != wanted_gate or drain_v != wanted_drain:
                system.limited = True
            self._last_gate_v, self._last_drain_v = gate_v, drain_v
        gate_v, drain_v = self._last_gate_v, self._last_drain_v
        amperes, by_gate, by_drain = self._law(gate_v, drain_v)
        slopes = ((drain, by_drain), (gate, by_gate), (source, -by_drain - by_gate))
        rest = amperes - by_gate * gate_v - by_drain * drain_v if frequency_hz == 0.0 else 0.0
        system.tangent(self.name, drain, source, slopes, sign * rest)
