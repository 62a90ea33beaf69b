"""Instruments as the moving circuit sees them: a regulator with three limits, a source of ohms."""

from __future__ import annotations

from collections.abc import Callable

from sim.circuit import System
from sim.instruments.output_stage import OutputStage

_CV, _CC, _SINK = "cv", "cc", "sink"


class Regulator:
    """A supply's regulator between two nodes: constant voltage, constant current, or sinking.

    The branch current runs from `plus` to `minus` inside: what is delivered is its negative.
    Which of the three holds is found by complementarity: each yields where its limit is passed.
    """

    nonlinear = True

    def __init__(self, name: str, plus: str, minus: str, stage: OutputStage) -> None:
        self.name = name
        self._plus = plus
        self._minus = minus
        self._stage = stage
        self._mode = _CV

    @property
    def nodes(self) -> tuple[str, ...]:
        """Both ends."""
        return (self._plus, self._minus)

    def has_branch(self, frequency_hz: float) -> bool:
        """Always: its current is asked for."""
        return True

    def joins(self, frequency_hz: float) -> bool:
        """Always."""
        return True

    def stamp(self, system: System, frequency_hz: float) -> None:
        """Add the equation of the mode that holds at the present estimate."""
        stage = self._stage
        low_v, high_v = stage.corners_v()
        volts = system.present_v(self._plus, self._minus).real
        delivered_a = -system.present_a(self.name)
        mode = self._mode
        if mode == _CV:
            if delivered_a > stage.limit_a:
                mode = _CC
            elif delivered_a < -stage.sink_a:
                mode = _SINK
        elif (mode == _CC and volts > low_v) or (mode == _SINK and volts < high_v):
            mode = _CV
        if mode != self._mode:
            self._mode = mode
            system.limited = True
        if mode == _CV:
            system.constrain(self.name, self._plus, self._minus, stage.output_ohm, stage.target_v)
            return
        # The branch current is the one that is taken in.
        fixed_a = -stage.limit_a if mode == _CC else stage.sink_a
        system.fix_current(self.name, self._plus, self._minus, fixed_a)


def source_of_ohms(
    current_a: float, siemens: float, compliance_v: float
) -> Callable[[float], tuple[float, float]]:
    """Make the law of a multimeter's ohms source, from its high to its low terminal inside.

    It pushes `current_a` out of the high terminal, and gives way over the compliance voltage.
    """
    steep = current_a / (0.01 * compliance_v)

    def law(volts: float) -> tuple[float, float]:
        if volts <= compliance_v:
            return siemens * volts - current_a, siemens
        over = volts - compliance_v
        return siemens * compliance_v + steep * over - current_a, steep

    return law
