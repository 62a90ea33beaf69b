"""The whole circuit moving in simulated time: backward Euler with steps of its own choice.

Backward Euler is the implicit one-step rule that damps every decay however long the step (any
text on stiff equations); its error of a step is half the second difference, and the steps follow
that. At a very long step it is the DC solution, so a long wait costs few steps.
Capacitances give charge, not current: a step moves q(V1) - q(V0), so none is lost.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sim.circuit import GROUND, CircuitError, Element, Series, System

Farad = float | Callable[[float], float]
Array = NDArray[np.float64]

# A share of the step's own voltage and a floor: how far one step may be from the truth.
_RELATIVE = 1.5e-3
_ABSOLUTE_V = 50e-6
_FIRST_S = 1e-7
_SMALLEST_S = 1e-15
# Each step damps what is left of a decay by about this, so a quick start is forgotten on the way.
_GROWTH = 4.0
_PASSES = 40
_SETTLED_V = 1e-9
# Nothing moves by more than this in a step of at least that long: the circuit is at rest, and
# stays so for this many times as long before it is looked at again.
_REST_V = 20e-9
_REST_S = 10e-3
_REST_LASTS = 10.0
# Every node has a little capacitance of its own, so that a short enough step always converges.
_STRAY_F = 1e-13
# A part of the circuit that nothing joins to the rest: the insulation between instruments.
INSULATION_OHM = 1e12
INSULATION_F = 10e-12

_POINTS, _WEIGHTS = (each.tolist() for each in np.polynomial.legendre.leggauss(5))


@dataclass(frozen=True, slots=True)
class Capacitor:
    """A capacitance between two nodes: a number, or a function of V(plus) - V(minus)."""

    plus: str
    minus: str
    farad: Farad

    def charge_c(self, begin_v: float, end_v: float) -> float:
        """Give the charge that a change of the voltage moves."""
        farad = self.farad
        if not callable(farad):
            return farad * (end_v - begin_v)
        if begin_v * end_v < 0.0:  # a junction's law has a corner at zero
            return self.charge_c(begin_v, 0.0) + self.charge_c(0.0, end_v)
        half, middle = 0.5 * (end_v - begin_v), 0.5 * (end_v + begin_v)
        return half * math.fsum(
            weight * farad(middle + half * point)
            for weight, point in zip(_WEIGHTS, _POINTS, strict=True)
        )


class _RealSystem(System):
    """The equations in real numbers: nothing here is at a frequency."""

    def __init__(self, index: Mapping[str, int], branches: Mapping[str, int], size: int) -> None:
        super().__init__(index, branches, 0)
        self.matrix: NDArray[Any] = np.zeros((size, size))
        self.right: NDArray[Any] = np.zeros(size)
        self.present: NDArray[Any] = np.zeros(size)

    def constrain(self, name: str, plus: str, minus: str, ohm: complex, volts: complex) -> None:
        super().constrain(name, plus, minus, ohm.real, volts.real)

    def admit(self, plus: str, minus: str, siemens: complex) -> None:
        super().admit(plus, minus, siemens.real)

    def transfer(
        self, plus: str, minus: str, control_plus: str, control_minus: str, siemens: complex
    ) -> None:
        super().transfer(plus, minus, control_plus, control_minus, siemens.real)

    def inject(self, plus: str, minus: str, amperes: complex) -> None:
        super().inject(plus, minus, amperes.real)


class Transient:
    """A circuit with its charges, ready to be carried on in time.

    `voltages_v` are the node voltages at the start; a node not named starts at zero.
    """

    def __init__(
        self,
        elements: Sequence[Element],
        capacitors: Sequence[Capacitor],
        voltages_v: Mapping[str, float],
    ) -> None:
        joined = _joined(elements, capacitors)
        elements = [*elements, *joined[0]]
        capacitors = [*capacitors, *joined[1]]
        index: dict[str, int] = {GROUND: -1}
        for node in [n for e in elements for n in e.nodes] + [
            n for c in capacitors for n in (c.plus, c.minus)
        ]:
            index.setdefault(node, len(index) - 1)
        self._nodes = nodes = len(index) - 1
        branches: dict[str, int] = {}
        for element in elements:
            if element.has_branch(0.0):
                if element.name in branches:
                    raise CircuitError(f'two branches are called "{element.name}"')
                branches[element.name] = nodes + len(branches)
        size = nodes + len(branches)
        self._index, self._branches = index, branches
        linear = _RealSystem(index, branches, size)
        for element in elements:
            if not element.nonlinear:
                element.stamp(linear, 0.0)
        self._matrix, self._right = linear.matrix, linear.right
        charged = _RealSystem(index, branches, size)
        self._bent: list[tuple[Capacitor, int, int]] = []
        for capacitor in capacitors:
            if callable(capacitor.farad):
                row = (index[capacitor.plus], index[capacitor.minus])
                self._bent.append((capacitor, *row))
            else:
                charged.admit(capacitor.plus, capacitor.minus, capacitor.farad)
        charged.matrix[range(nodes), range(nodes)] += _STRAY_F
        self._farad = charged.matrix
        self._nonlinear = [element for element in elements if element.nonlinear]
        self._system = _RealSystem(index, branches, size)
        self._one_pass = not self._nonlinear and not self._bent
        self.steps = 0
        self.passes = 0
        self._x: Array = np.zeros(size)
        for node, place in index.items():
            if place >= 0:
                self._x[place] = voltages_v.get(node, 0.0)
        self.disturbed()

    # What the circuit shows

    def voltage_v(self, plus: str, minus: str = GROUND) -> float:
        """Give the voltage from `minus` to `plus`; a node that nothing touches is at zero."""
        return self._at(plus) - self._at(minus)

    def _at(self, node: str) -> float:
        row = self._index.get(node, -1)
        return float(self._x[row]) if row >= 0 else 0.0

    def current_a(self, name: str) -> float:
        """Give the current through a named branch, from its first node to its second."""
        return float(self._x[self._branches[name]])

    def has_branch(self, name: str) -> bool:
        """Say whether there is a branch of that name."""
        return name in self._branches

    def voltages_v(self) -> dict[str, float]:
        """Give every node's voltage."""
        values = self._x.tolist()
        return {node: values[row] for node, row in self._index.items() if row >= 0}

    # Time

    def disturbed(self) -> None:
        """Forget how it moved: something has just changed."""
        self._step_s = _FIRST_S
        self._slope: Array | None = None
        self._fresh = 2
        self._rest_s = 0.0

    def begin_with(self, first_s: float) -> None:
        """Take the first step this long: what has changed moves nothing suddenly."""
        self._step_s = first_s

    def pass_time(self, duration_s: float, seen: Callable[[float], bool]) -> float:
        """Carry the circuit on; give how far it came.

        `seen(step_s)` is called after each step and stops the passage by giving True. Raise
        CircuitError when a step does not converge however short.
        """
        left_s = duration_s
        while left_s > 0.0:
            if self._rest_s > 0.0:
                # Time passes, nothing moves: one look for the whole stretch.
                step_s = min(left_s, self._rest_s)
                self._rest_s -= step_s
                left_s -= step_s
                if seen(step_s):
                    break
                continue
            step_s = self._step(left_s)
            left_s = left_s - step_s if step_s < left_s else 0.0
            if seen(step_s):
                break
        return duration_s - left_s

    def _step(self, left_s: float) -> float:
        """Take one step of at most `left_s` and give how long it was."""
        nodes = self._nodes
        while True:
            step_s = min(self._step_s, left_s)
            # No crumbs: a remainder of less than a step is taken along.
            if step_s > 0.7 * left_s:
                step_s = left_s
            start = self._x
            guess = start if self._slope is None else start + step_s * self._slope
            found = self._solve(step_s, start, guess)
            if found is None and self._slope is not None:
                found = self._solve(step_s, start, start)
            if found is None:
                self._shorten(step_s, 0.125)
                continue
            moved = np.abs(found - start)[:nodes]
            if self._fresh == 2:
                share = 0.0  # the first step after a change may jump where there is no charge
            else:
                away = np.abs(found - guess)[:nodes] * 0.5
                size = np.maximum(np.abs(found), np.abs(start))[:nodes]
                share = float(np.max(away / (_ABSOLUTE_V + _RELATIVE * size), initial=0.0))
            if share > 2.0 and step_s > 1e-12:
                self._shorten(step_s, max(0.9 / math.sqrt(share), 0.1))
                continue
            break
        self._x = found
        self.steps += 1
        largest = float(np.max(moved, initial=0.0))
        if self._fresh:
            self._fresh -= 1
        if self._fresh == 0:
            self._slope = (found - start) / step_s
            self._slope[nodes:] = 0.0
        growth = _GROWTH if share < 1e-3 else min(_GROWTH, 0.9 / math.sqrt(share))
        self._step_s = step_s * max(growth, 0.3)
        if largest < _REST_V and step_s >= _REST_S:
            self._rest_s = _REST_LASTS * step_s
        return step_s

    def _shorten(self, step_s: float, factor: float) -> None:
        self._step_s = step_s * factor
        if self._step_s < _SMALLEST_S:
            raise CircuitError(f"a step of {step_s:.3g} s does not converge")

    def _solve(self, step_s: float, start: Array, guess: Array) -> Array | None:
        nodes, system = self._nodes, self._system
        per_step = self._farad / step_s
        matrix: NDArray[Any] = self._matrix + per_step
        right: NDArray[Any] = self._right + per_step @ start
        if self._one_pass:
            self.passes += 1
            return np.asarray(np.linalg.solve(matrix, right))
        present: NDArray[Any] = guess
        scale = 1.0 + float(np.max(np.abs(start[:nodes]), initial=0.0))
        for _ in range(_PASSES):
            self.passes += 1
            system.matrix = matrix.copy()
            system.right = right.copy()
            system.present = present
            system.limited = False
            for element in self._nonlinear:
                element.stamp(system, 0.0)
            self._stamp_charges(system, step_s, start, present)
            try:
                found = np.linalg.solve(system.matrix, system.right)
            except np.linalg.LinAlgError:
                return None
            moved = float(np.max(np.abs(found - present)[:nodes], initial=0.0))
            if not math.isfinite(moved):
                return None
            present = found
            if moved <= _SETTLED_V * scale and not system.limited:
                return np.asarray(found)
        return None

    def _stamp_charges(self, system: System, step_s: float, start: Array, present: Array) -> None:
        matrix, right = system.matrix, system.right
        for capacitor, a, b in self._bent:
            begin_v = (start[a] if a >= 0 else 0.0) - (start[b] if b >= 0 else 0.0)
            end_v = (present[a] if a >= 0 else 0.0) - (present[b] if b >= 0 else 0.0)
            begin_v, end_v = float(begin_v), float(end_v)
            assert callable(capacitor.farad)
            siemens = capacitor.farad(end_v) / step_s
            rest_a = siemens * end_v - capacitor.charge_c(begin_v, end_v) / step_s
            if a >= 0:
                matrix[a, a] += siemens
                right[a] += rest_a
            if b >= 0:
                matrix[b, b] += siemens
                right[b] -= rest_a
            if a >= 0 and b >= 0:
                matrix[a, b] -= siemens
                matrix[b, a] -= siemens


def _joined(
    elements: Sequence[Element], capacitors: Sequence[Capacitor]
) -> tuple[list[Element], list[Capacitor]]:
    """Join each part of the circuit that hangs in the air to ground through its insulation."""
    parent: dict[str, str] = {GROUND: GROUND}

    def root(node: str) -> str:
        while parent[node] != node:
            parent[node] = parent[parent[node]]
            node = parent[node]
        return node

    for element in elements:
        for node in element.nodes:
            parent.setdefault(node, node)
        if element.joins(0.0):
            first = root(element.nodes[0])
            for node in element.nodes[1:]:
                parent[root(node)] = first
    for capacitor in capacitors:
        for node in (capacitor.plus, capacitor.minus):
            parent.setdefault(node, node)
    found: list[Element] = []
    charges: list[Capacitor] = []
    for node in list(parent):
        if root(node) != root(GROUND):
            found.append(Series(f"insulation-{node}", node, GROUND, INSULATION_OHM))
            charges.append(Capacitor(node, GROUND, INSULATION_F))
            parent[root(node)] = root(GROUND)
    return found, charges
