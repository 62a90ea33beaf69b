"""The equations of a moving circuit in real numbers, and what of them never changes taken out.

A contact, a lead and a plug in a row are one resistance to whatever lies at their ends: each node
between them is taken out together with one of its currents, once for a circuit and not in each
Newton pass. A current stays for each way, so that no conductance of hundreds of siemens is added
to the picosiemens of a fixture: the pivots are currents that join at a node, plus or minus one.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sim.circuit import GROUND, CircuitError, Element, Series, System

Array = NDArray[np.float64]


class RealSystem(System):
    """The equations in real numbers: nothing here is at a frequency.

    `cells` is the matrix column by column and `side` the right-hand side, as memory: elements
    add to single places thousands of times, which is quicker there than in an array.
    """

    def __init__(self, index: Mapping[str, int], branches: Mapping[str, int], size: int) -> None:
        super().__init__(index, branches, 0)
        self.size = size
        self.estimate: Sequence[float] = [0.0] * size
        self.matrix: NDArray[Any] = np.zeros((size, size), order="F")
        self.right: NDArray[Any] = np.zeros(size)
        # mypy knows memory of integers only.
        self.cells: Any = self.matrix.reshape(-1, order="F").data
        self.side: Any = self.right.data

    def begin(self, matrix: Array, right: Array, estimate: Sequence[float]) -> None:
        """Start a Newton pass from the linear part, at an estimate."""
        self.matrix[...] = matrix
        self.right[...] = right
        self.estimate = estimate
        self.limited = False

    def present_v(self, plus: str, minus: str) -> complex:
        """Give the voltage between two nodes at the present Newton estimate."""
        a, b, present = self._index[plus], self._index[minus], self.estimate
        return (present[a] if a >= 0 else 0.0) - (present[b] if b >= 0 else 0.0)

    def present_a(self, name: str) -> float:
        """Give the current of a branch at the present Newton estimate."""
        return self.estimate[self._branches[name]]

    def constrain(self, name: str, plus: str, minus: str, ohm: complex, volts: complex) -> None:
        """Stamp a branch with V(plus) - V(minus) = ohm * current + volts."""
        k, a, b, size, cells = (
            self._branches[name], self._index[plus], self._index[minus], self.size, self.cells,
        )  # fmt: skip
        if a >= 0:
            cells[a + k * size] += 1.0
            cells[k + a * size] += 1.0
        if b >= 0:
            cells[b + k * size] -= 1.0
            cells[k + b * size] -= 1.0
        cells[k + k * size] -= ohm.real
        self.side[k] += volts.real

    def admit(self, plus: str, minus: str, siemens: complex) -> None:
        """Stamp a conductance between two nodes."""
        self.conduct(self._index[plus], self._index[minus], siemens.real)

    def conduct(self, a: int, b: int, siemens: float) -> None:
        """Stamp a conductance between two rows, -1 for a reference."""
        size, cells = self.size, self.cells
        if a >= 0:
            cells[a + a * size] += siemens
        if b >= 0:
            cells[b + b * size] += siemens
            if a >= 0:
                cells[a + b * size] -= siemens
                cells[b + a * size] -= siemens

    def inject(self, plus: str, minus: str, amperes: complex) -> None:
        """Stamp a current that a source pushes out of its plus node and takes back at minus."""
        self.push(self._index[plus], self._index[minus], amperes.real)

    def push(self, a: int, b: int, amperes: float) -> None:
        """Stamp a current into one row and out of another, -1 for a reference."""
        if a >= 0:
            self.side[a] += amperes
        if b >= 0:
            self.side[b] -= amperes

    def transfer(
        self, plus: str, minus: str, control_plus: str, control_minus: str, siemens: complex
    ) -> None:
        """Stamp a current from `plus` to `minus` of so much per volt between the controls."""
        super().transfer(plus, minus, control_plus, control_minus, siemens.real)

    def fix_current(self, name: str, plus: str, minus: str, amperes: float) -> None:
        """Stamp a branch that carries this current from `plus` to `minus`."""
        k, size, cells = self._branches[name], self.size, self.cells
        for node, sign in ((plus, 1.0), (minus, -1.0)):
            a = self._index[node]
            if a >= 0:
                cells[a + k * size] += sign
        cells[k + k * size] += 1.0
        self.side[k] += amperes

    def tangent(
        self, name: str, plus: str, minus: str, slopes: Sequence[tuple[str, float]], rest_a: float
    ) -> None:
        """Stamp a branch whose current is the sum of slope times node voltage, plus a rest."""
        k, size, cells, index = self._branches[name], self.size, self.cells, self._index
        steepest = 1.0
        for _, siemens in slopes:
            steepest = max(steepest, siemens, -siemens)
        scale = 1.0 / steepest
        a, b = index[plus], index[minus]
        if a >= 0:
            cells[a + k * size] += 1.0
        if b >= 0:
            cells[b + k * size] -= 1.0
        cells[k + k * size] -= scale
        for node, siemens in slopes:
            row = index[node]
            if row >= 0:
                cells[k + row * size] += siemens * scale
        self.side[k] -= rest_a * scale


class Equations:
    """The linear part of a circuit, without what never changes, and the way back to the whole."""

    def __init__(self, elements: Sequence[Element], charged: Iterable[str]) -> None:
        """Take the elements, and the nodes at which capacitances stand.

        Raise CircuitError when two branches have one name.
        """
        nodes: dict[str, None] = {}
        for element in elements:
            nodes.update(dict.fromkeys(element.nodes))
        charged = list(charged)
        nodes.update(dict.fromkeys(charged))
        nodes.pop(GROUND, None)
        branches: list[str] = []
        for element in elements:
            if element.has_branch(0.0):
                branches.append(element.name)
        if len(set(branches)) < len(branches):
            twice = next(name for name in branches if branches.count(name) > 1)
            raise CircuitError(f'two branches are called "{twice}"')
        free = set(nodes) - set(charged)
        for element in elements:
            if element.nonlinear:
                free.difference_update(element.nodes)
        between, carried = _taken_out(elements, free)
        kept_nodes = [node for node in nodes if node not in between]
        kept_branches = [name for name in branches if name not in carried]
        order = [*kept_nodes, *kept_branches, *between, *carried]
        self.nodes = len(kept_nodes)
        self.size = size = self.nodes + len(kept_branches)
        place = {name: number for number, name in enumerate(kept_nodes)}
        # Where every node and branch lies in the whole; what is kept comes first.
        self.index: dict[str, int] = {GROUND: -1, **place}
        self.index.update({node: size + number for number, node in enumerate(between)})
        self.branches = {name: self.nodes + number for number, name in enumerate(kept_branches)}
        after = size + len(between)
        self.branches.update({name: after + number for number, name in enumerate(carried)})
        whole = RealSystem(self.index, self.branches, len(order))
        for element in elements:
            if not element.nonlinear:
                element.stamp(whole, 0.0)
        matrix, right = whole.matrix, whole.right
        self._back = np.zeros((len(order) - size, size))
        self._rest = np.zeros(len(order) - size)
        if len(order) > size:
            inner = matrix[size:, size:]
            try:
                found = np.linalg.solve(
                    inner, np.column_stack((matrix[size:, :size], right[size:]))
                )
            except np.linalg.LinAlgError as error:
                raise CircuitError("the circuit has no unique solution") from error
            self._back, self._rest = found[:, :-1], found[:, -1]
            right = right[:size] - matrix[:size, size:] @ self._rest
            matrix = matrix[:size, :size] - matrix[:size, size:] @ self._back
        self.matrix: Array = np.asfortranarray(matrix)
        self.right: Array = right

    def system(self) -> RealSystem:
        """Make a system for the Newton passes over what is kept."""
        return RealSystem(self.index, self.branches, self.size)

    def whole(self, kept: Array) -> list[float]:
        """Give every voltage and current from those that are kept."""
        values: list[float] = kept.tolist()
        values += (self._rest - self._back @ kept).tolist()
        return values


def _taken_out(elements: Sequence[Element], free: set[str]) -> tuple[list[str], list[str]]:
    """Pick nodes that only lie between, and for each a current that its balance gives.

    The picked branches form a forest that hangs on the nodes that stay (Kruskal: smallest
    resistance first), so each node's balance gives the current of its own branch.
    """
    kept = "\0kept"
    parent = {node: node for node in free}
    parent[kept] = kept

    def root(node: str) -> str:
        node = node if node in free else kept
        while parent[node] != node:
            parent[node] = parent[parent[node]]
            node = parent[node]
        return node

    carried: list[Series] = []
    for element in sorted((e for e in elements if isinstance(e, Series)), key=lambda e: e.ohm):
        one, other = root(element.plus), root(element.minus)
        if one == other:
            continue
        if one == kept:
            one, other = other, one
        parent[one] = other
        carried.append(element)
    between = [node for node in sorted(free) if root(node) == kept]
    names = [e.name for e in carried if root(e.plus) == kept and root(e.minus) == kept]
    return between, names
