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
from scipy.linalg.lapack import dgesv

from sim.circuit import GROUND, CircuitError, Element, Series
from sim.equations import Array, Equations, RealSystem

Farad = float | Callable[[float], float]

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
        closed = getattr(farad, "charge_c", None)
        if closed is not None:
            return float(closed(begin_v, end_v))
        if begin_v * end_v < 0.0:  # a junction's law has a corner at zero
            return self.charge_c(begin_v, 0.0) + self.charge_c(0.0, end_v)
        half, middle = 0.5 * (end_v - begin_v), 0.5 * (end_v + begin_v)
        return half * math.fsum(
            weight * farad(middle + half * point)
            for weight, point in zip(_WEIGHTS, _POINTS, strict=True)
        )


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
        equations = Equations(
            elements, [node for each in capacitors for node in (each.plus, each.minus)]
        )
        self._equations = equations
        self._nodes = nodes = equations.nodes
        self._index, self._branches = equations.index, equations.branches
        self._matrix, self._right = equations.matrix, equations.right
        charged = equations.system()
        self._bent: list[tuple[Capacitor, int, int]] = []
        for capacitor in capacitors:
            constant_f = getattr(capacitor.farad, "constant_f", capacitor.farad)
            if callable(constant_f):
                row = (self._index[capacitor.plus], self._index[capacitor.minus])
                self._bent.append((capacitor, *row))
            else:
                charged.admit(capacitor.plus, capacitor.minus, constant_f)
        charged.matrix[range(nodes), range(nodes)] += _STRAY_F
        self._farad = charged.matrix
        self._nonlinear = [element for element in elements if element.nonlinear]
        self._system = equations.system()
        self._one_pass = not self._nonlinear and not self._bent
        self.steps = 0
        self.passes = 0
        self._x: Array = np.zeros(equations.size)
        for node, place in self._index.items():
            if 0 <= place < nodes:
                self._x[place] = voltages_v.get(node, 0.0)
        # Before the first step nothing flows, and every node has the voltage it is given.
        self._whole: list[float] | None = [0.0] * (len(self._index) + len(self._branches))
        for node, place in self._index.items():
            if place >= 0:
                self._whole[place] = voltages_v.get(node, 0.0)
        self.disturbed()

    # What the circuit shows

    def voltage_v(self, plus: str, minus: str = GROUND) -> float:
        """Give the voltage from `minus` to `plus`; a node that nothing touches is at zero."""
        values, index = self._values(), self._index
        high, low = index.get(plus, -1), index.get(minus, -1)
        return (values[high] if high >= 0 else 0.0) - (values[low] if low >= 0 else 0.0)

    def current_a(self, name: str) -> float:
        """Give the current through a named branch, from its first node to its second."""
        return self._values()[self._branches[name]]

    def has_branch(self, name: str) -> bool:
        """Say whether there is a branch of that name."""
        return name in self._branches

    def voltages_v(self) -> dict[str, float]:
        """Give every node's voltage."""
        values = self._values()
        return {node: values[row] for node, row in self._index.items() if row >= 0}

    def _values(self) -> list[float]:
        if self._whole is None:
            self._whole = self._equations.whole(self._x)
        return self._whole

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
                share = float((away / (_ABSOLUTE_V + _RELATIVE * size)).max(initial=0.0))
            if share > 2.0 and step_s > 1e-12:
                self._shorten(step_s, max(0.9 / math.sqrt(share), 0.1))
                continue
            break
        self._x, self._whole = found, None
        self.steps += 1
        largest = float(moved.max(initial=0.0))
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
        scale = 1.0 + float(np.abs(start[:nodes]).max(initial=0.0))
        begun = [
            (capacitor, a, b, (start[a] if a >= 0 else 0.0) - (start[b] if b >= 0 else 0.0))
            for capacitor, a, b in self._bent
        ]
        for _ in range(_PASSES):
            self.passes += 1
            system.begin(matrix, right, present.tolist())
            for element in self._nonlinear:
                element.stamp(system, 0.0)
            for capacitor, a, b, begin_v in begun:
                _stamp_charge(system, capacitor, a, b, begin_v, step_s)
            # The routine behind numpy's own solve, without what numpy does around it.
            _, _, found, singular = dgesv(system.matrix, system.right, overwrite_a=1, overwrite_b=0)
            if singular:
                return None
            moved = float(np.abs(found - present)[:nodes].max(initial=0.0))
            if not math.isfinite(moved):
                return None
            present = found
            if moved <= _SETTLED_V * scale and not system.limited:
                return np.asarray(found)
        return None


def _stamp_charge(
    system: RealSystem, capacitor: Capacitor, a: int, b: int, begin_v: float, step_s: float
) -> None:
    """Stamp what a bent capacitance takes in a step, as its tangent at the present estimate."""
    present = system.estimate
    end_v = (present[a] if a >= 0 else 0.0) - (present[b] if b >= 0 else 0.0)
    assert callable(capacitor.farad)
    siemens = capacitor.farad(end_v) / step_s
    rest_a = siemens * end_v - capacitor.charge_c(begin_v, end_v) / step_s
    system.conduct(a, b, siemens)
    system.push(a, b, rest_a)


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
