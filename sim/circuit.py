"""Solves one circuit: node voltages and branch currents, DC or at a single frequency.

Modified nodal analysis (the textbook method: Ho, Ruehli and Brennan 1975, from memory). An
element knows how to stamp itself; a linear element stamps the same whatever the present solution
is, so the Newton loop is done after one pass, and a nonlinear one can join without a change here.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

GROUND = "0"

# An impedance below this is stamped as a branch with a current of its own, one above it as an
# admittance. Were a milliohm put on the diagonal as 1000 S, the picosiemens of an open fixture
# beside it would drown in rounding.
BRANCH_BELOW_OHM = 1.0

_TOLERANCE = 1e-9
_MOST_PASSES = 60

Array = NDArray[Any]


class CircuitError(Exception):
    """The circuit has no unique solution, or the Newton loop did not settle."""


@dataclass(frozen=True, slots=True)
class Solution:
    """Node voltages and branch currents of one solve (rms phasors for AC)."""

    voltages_v: Mapping[str, complex]
    currents_a: Mapping[str, complex]

    def voltage_v(self, node: str, reference: str = GROUND) -> complex:
        """Give the voltage from `reference` to `node`; nodes that nothing touches are at zero."""
        return self.voltages_v.get(node, 0j) - self.voltages_v.get(reference, 0j)

    def current_a(self, name: str) -> complex:
        """Give the current through a named branch, from its first node to its second."""
        return self.currents_a[name]


class System:
    """The equations while elements stamp into them."""

    def __init__(self, index: Mapping[str, int], branches: Mapping[str, int], size: int) -> None:
        self._index = index
        self._branches = branches
        self.matrix: Array = np.zeros((size, size), dtype=complex)
        self.right: Array = np.zeros(size, dtype=complex)
        self.present: Array = np.zeros(size, dtype=complex)
        # Set by a nonlinear element that linearised elsewhere than at the present estimate,
        # because the step was too far to be trusted: then the pass cannot be the last.
        self.limited = False

    def row(self, node: str) -> int:
        """Give the row of a node, -1 for a reference."""
        return self._index[node]

    def branch(self, name: str) -> int:
        """Give the row of a branch."""
        return self._branches[name]

    def present_v(self, plus: str, minus: str) -> complex:
        """Give the voltage between two nodes at the present Newton estimate."""
        a, b = self.row(plus), self.row(minus)
        high = complex(self.present[a]) if a >= 0 else 0j
        low = complex(self.present[b]) if b >= 0 else 0j
        return high - low

    def admit(self, plus: str, minus: str, siemens: complex) -> None:
        """Stamp an admittance between two nodes."""
        a, b = self.row(plus), self.row(minus)
        matrix = self.matrix
        if a >= 0:
            matrix[a, a] += siemens
        if b >= 0:
            matrix[b, b] += siemens
        if a >= 0 and b >= 0:
            matrix[a, b] -= siemens
            matrix[b, a] -= siemens

    def transfer(
        self, plus: str, minus: str, control_plus: str, control_minus: str, siemens: complex
    ) -> None:
        """Stamp a current from `plus` to `minus` of so much per volt between the controls."""
        for node, sign in ((plus, 1.0), (minus, -1.0)):
            row = self.row(node)
            if row < 0:
                continue
            for control, side in ((control_plus, 1.0), (control_minus, -1.0)):
                column = self.row(control)
                if column >= 0:
                    self.matrix[row, column] += sign * side * siemens

    def inject(self, plus: str, minus: str, amperes: complex) -> None:
        """Stamp a current that a source pushes out of its plus node and takes back at minus."""
        a, b = self.row(plus), self.row(minus)
        if a >= 0:
            self.right[a] += amperes
        if b >= 0:
            self.right[b] -= amperes

    def present_a(self, name: str) -> float:
        """Give the current of a branch at the present Newton estimate."""
        return float(self.present[self.branch(name)].real)

    def fix_current(self, name: str, plus: str, minus: str, amperes: float) -> None:
        """Stamp a branch that carries this current from `plus` to `minus`."""
        k = self.branch(name)
        for node, sign in ((plus, 1.0), (minus, -1.0)):
            row = self.row(node)
            if row >= 0:
                self.matrix[row, k] += sign
        self.matrix[k, k] += 1.0
        self.right[k] += amperes

    def tangent(
        self, name: str, plus: str, minus: str, slopes: Sequence[tuple[str, float]], rest_a: float
    ) -> None:
        """Stamp a branch whose current is the sum of slope times node voltage, plus a rest.

        It has a current of its own, and its row is scaled by its slope: hundreds of siemens put
        on the diagonal would drown the picosiemens of a fixture there.
        """
        scale = self.scale_of(slopes)
        a, b, k, matrix = self.row(plus), self.row(minus), self.branch(name), self.matrix
        if a >= 0:
            matrix[a, k] += 1.0
        if b >= 0:
            matrix[b, k] -= 1.0
        matrix[k, k] -= scale
        for node, siemens in slopes:
            row = self.row(node)
            if row >= 0:
                matrix[k, row] += siemens * scale
        self.right[k] -= rest_a * scale

    @staticmethod
    def scale_of(slopes: Sequence[tuple[str, float]]) -> float:
        """Give what a row of these slopes is divided by, as its inverse."""
        return 1.0 / max(1.0, *[abs(siemens) for _, siemens in slopes])

    def constrain(self, name: str, plus: str, minus: str, ohm: complex, volts: complex) -> None:
        """Stamp a branch with V(plus) - V(minus) = ohm * current + volts."""
        k, a, b = self.branch(name), self.row(plus), self.row(minus)
        matrix = self.matrix
        if a >= 0:
            matrix[a, k] += 1.0
            matrix[k, a] += 1.0
        if b >= 0:
            matrix[b, k] -= 1.0
            matrix[k, b] -= 1.0
        matrix[k, k] -= ohm
        self.right[k] += volts


class Element(Protocol):
    """What the solver asks of an element. `frequency_hz` is 0 for DC."""

    @property
    def name(self) -> str:
        """Name of the element, unique in its circuit."""

    @property
    def nodes(self) -> tuple[str, ...]:
        """Nodes that the element joins galvanically."""

    @property
    def nonlinear(self) -> bool:
        """Say whether the stamp depends on the present solution."""

    def has_branch(self, frequency_hz: float) -> bool:
        """Say whether the element wants a current of its own in the equations."""

    def joins(self, frequency_hz: float) -> bool:
        """Say whether any current can pass, so that the nodes share a reference."""

    def stamp(self, system: System, frequency_hz: float) -> None:
        """Add the element to the equations."""


@dataclass(frozen=True, slots=True)
class Series:
    """A branch with resistance and inductance in series, and perhaps a voltage (an EMF).

    The voltage is a rise from `minus` to `plus` at no current; it counts at DC only.
    """

    name: str
    plus: str
    minus: str
    ohm: float
    henry: float = 0.0
    volts: float = 0.0
    nonlinear: bool = False

    @property
    def nodes(self) -> tuple[str, ...]:
        """Both ends."""
        return (self.plus, self.minus)

    def has_branch(self, frequency_hz: float) -> bool:
        """Always: branch currents are asked for, and the voltage may be there."""
        return True

    def joins(self, frequency_hz: float) -> bool:
        """Always: this is a conductor."""
        return True

    def stamp(self, system: System, frequency_hz: float) -> None:
        """Add the branch equation."""
        ohm = complex(self.ohm, 2.0 * math.pi * frequency_hz * self.henry)
        volts = self.volts if frequency_hz == 0.0 else 0.0
        system.constrain(self.name, self.plus, self.minus, ohm, volts)


@dataclass(frozen=True, slots=True)
class Shunt:
    """Conductance and capacitance in parallel between two nodes; the capacitor is open at DC."""

    name: str
    plus: str
    minus: str
    siemens: float
    farad: float = 0.0
    loss_tangent: float = 0.0
    nonlinear: bool = False

    @property
    def nodes(self) -> tuple[str, ...]:
        """Both ends."""
        return (self.plus, self.minus)

    def has_branch(self, frequency_hz: float) -> bool:
        """Never."""
        return False

    def joins(self, frequency_hz: float) -> bool:
        """Only if something passes at this frequency."""
        return self.siemens > 0.0 or (self.farad > 0.0 and frequency_hz > 0.0)

    def stamp(self, system: System, frequency_hz: float) -> None:
        """Add the admittance."""
        susceptance = 2.0 * math.pi * frequency_hz * self.farad
        total = complex(self.siemens + self.loss_tangent * susceptance, susceptance)
        system.admit(self.plus, self.minus, total)


@dataclass(frozen=True, slots=True)
class Impedance:
    """A two-terminal thing known by its impedance at this frequency; may be infinite."""

    name: str
    plus: str
    minus: str
    ohm: complex
    nonlinear: bool = False

    @property
    def nodes(self) -> tuple[str, ...]:
        """Both ends."""
        return (self.plus, self.minus)

    def has_branch(self, frequency_hz: float) -> bool:
        """Only when it is small: see BRANCH_BELOW_OHM."""
        return abs(self.ohm) < BRANCH_BELOW_OHM

    def joins(self, frequency_hz: float) -> bool:
        """Not if it is infinite."""
        return math.isfinite(abs(self.ohm))

    def stamp(self, system: System, frequency_hz: float) -> None:
        """Add the branch or the admittance."""
        if self.has_branch(frequency_hz):
            system.constrain(self.name, self.plus, self.minus, self.ohm, 0.0)
        elif self.joins(frequency_hz):
            system.admit(self.plus, self.minus, 1.0 / self.ohm)


@dataclass(frozen=True, slots=True)
class CurrentSource:
    """A current pushed out of `plus`, taken back at `minus`, whatever the voltage."""

    name: str
    plus: str
    minus: str
    amperes: complex
    nonlinear: bool = False

    @property
    def nodes(self) -> tuple[str, ...]:
        """Both ends."""
        return (self.plus, self.minus)

    def has_branch(self, frequency_hz: float) -> bool:
        """Never."""
        return False

    def joins(self, frequency_hz: float) -> bool:
        """Never: a source of current fixes no voltage."""
        return False

    def stamp(self, system: System, frequency_hz: float) -> None:
        """Add the current."""
        system.inject(self.plus, self.minus, self.amperes)


def solve(elements: Sequence[Element], frequency_hz: float = 0.0) -> Solution:
    """Solve the circuit; raise CircuitError when it has no unique solution.

    Parts of the circuit that nothing joins to ground float as they do on a bench where every
    instrument is isolated: the first node of each such part is taken as its zero, so voltages
    between nodes of one part are right and its voltage to other parts means nothing.
    """
    references = _references(elements, frequency_hz)
    index: dict[str, int] = {}
    unknowns = 0
    for element in elements:
        for node in element.nodes:
            if node not in index:
                if node in references:
                    index[node] = -1
                else:
                    index[node] = unknowns
                    unknowns += 1
    branches: dict[str, int] = {}
    for element in elements:
        if element.has_branch(frequency_hz):
            if element.name in branches:
                raise CircuitError(f'two branches are called "{element.name}"')
            branches[element.name] = unknowns
            unknowns += 1
    nonlinear = any(element.nonlinear for element in elements)
    present: Array = np.zeros(unknowns, dtype=complex)
    for _ in range(_MOST_PASSES if nonlinear else 1):
        system = System(index, branches, unknowns)
        system.present = present
        for element in elements:
            element.stamp(system, frequency_hz)
        try:
            found = _solved(system, refined=nonlinear)
        except np.linalg.LinAlgError as error:
            raise CircuitError("the circuit has no unique solution") from error
        moved = float(np.max(np.abs(found - present), initial=0.0))
        scale = 1.0 + float(np.max(np.abs(found), initial=0.0))
        present = found
        if not nonlinear or (moved <= _TOLERANCE * scale and not system.limited):
            break
    else:
        raise CircuitError(f"no solution after {_MOST_PASSES} Newton passes")
    values = present.tolist()
    voltages = {node: (values[row] if row >= 0 else 0j) for node, row in index.items()}
    currents = {name: values[row] for name, row in branches.items()}
    return Solution(voltages, currents)


def _solved(system: System, *, refined: bool) -> Array:
    """Solve the linear system.

    A nonlinear one may join amperes and the femtoamperes of a floating gate: its rows are made
    equally large and the solution is refined once, so that each equation holds to the rounding of
    its own terms (Skeel 1980, from memory), whichever equations it was eliminated with.
    """
    if not refined:
        return np.linalg.solve(system.matrix, system.right)
    size = np.max(np.abs(system.matrix), axis=1, initial=0.0)
    size[size == 0.0] = 1.0
    matrix, right = system.matrix / size[:, np.newaxis], system.right / size
    found = np.linalg.solve(matrix, right)
    return found + np.linalg.solve(matrix, right - matrix @ found)


def _references(elements: Iterable[Element], frequency_hz: float) -> set[str]:
    """Pick one reference node for each part of the circuit that hangs together."""
    parent: dict[str, str] = {}

    def root(node: str) -> str:
        while parent[node] != node:
            parent[node] = parent[parent[node]]
            node = parent[node]
        return node

    for element in elements:
        nodes = element.nodes
        for node in nodes:
            parent.setdefault(node, node)
        if element.joins(frequency_hz):
            first = root(nodes[0])
            for node in nodes[1:]:
                other = root(node)
                if other != first:
                    # Ground stays the root of its own part.
                    if other == GROUND:
                        parent[first] = other
                        first = other
                    else:
                        parent[other] = first
    return {node for node in parent if root(node) == node}
