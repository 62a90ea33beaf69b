"""A linear network of coupled branches: its input impedance, and the same as a netlist."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from sim.physics.conductors import ComplexArray, FloatArray

GROUND = "0"
# ngspice enters a resistor as a conductance. When a turn is broken, the siemens of the turns drown
# the picosiemens of their insulation in its nodal sums: 2e-5 of |Z| measured at 100 Hz and
# 100 Mohm. A source controlled by its own current is a resistor too and enters as a resistance.
_BROKEN_OHM = 1e3


@dataclass(frozen=True)
class Branch:
    """A series branch between two named nodes; its impedance is a row of the branch matrix."""

    name: str
    start: str
    end: str


@dataclass(frozen=True)
class Shunt:
    """A conductance and a capacitance in parallel between two named nodes."""

    name: str
    start: str
    end: str
    conductance_s: float = 0.0
    capacitance_f: float = 0.0


@dataclass(frozen=True)
class Network:
    """Coupled branches that form a tree rooted at ground, and shunts between any nodes.

    The input is the start of the first branch. Nodes that only shunts reach are allowed
    (a floating core). Because the branches form a tree, the node voltages are sums of branch
    voltages and the branch currents can be the unknowns: then a coil that is open at 100 Hz
    (admittances from 1e-13 to 1e4 S) loses no digits, as it does in a nodal solution.
    """

    branches: tuple[Branch, ...]
    shunts: tuple[Shunt, ...]

    @cached_property
    def _tree_nodes(self) -> list[str]:
        return [branch.start for branch in self.branches]

    @cached_property
    def _nodes(self) -> dict[str, int]:
        """Number the nodes: those of the tree first, in the order of the branches."""
        names = [*self._tree_nodes]
        for shunt in self.shunts:
            names += [shunt.start, shunt.end]
        return {name: k for k, name in enumerate(dict.fromkeys(n for n in names if n != GROUND))}

    @cached_property
    def _incidence(self) -> FloatArray:
        """Give +1 where a branch starts, -1 where it ends. Shape (branches, branches)."""
        matrix = np.zeros((len(self.branches), len(self.branches)))
        for k, branch in enumerate(self.branches):
            matrix[self._nodes[branch.start], k] += 1
            if branch.end != GROUND:
                matrix[self._nodes[branch.end], k] -= 1
        return matrix

    @cached_property
    def _paths(self) -> FloatArray:
        """Give 1 where a branch lies on the way from a node to ground."""
        return np.asarray(np.rint(np.linalg.inv(self._incidence.T)))

    @cached_property
    def _shunt_matrices(self) -> tuple[FloatArray, FloatArray]:
        size = len(self._nodes)
        conductance, capacitance = np.zeros((size, size)), np.zeros((size, size))
        for shunt in self.shunts:
            ends = [self._nodes[n] for n in (shunt.start, shunt.end) if n != GROUND]
            for matrix, value in (
                (conductance, shunt.conductance_s),
                (capacitance, shunt.capacitance_f),
            ):
                for i in ends:
                    for j in ends:
                        matrix[i, j] += value if i == j else -value
        return conductance, capacitance

    def currents_a(self, branch_ohm: ComplexArray, frequency_hz: FloatArray) -> ComplexArray:
        """Give the branch currents for 1 A into the input.

        ``branch_ohm`` has shape (frequencies, branches, branches), ``frequency_hz`` shape
        (frequencies,), 0 allowed; the result has shape (frequencies, branches).
        """
        conductance, capacitance = self._shunt_matrices
        omega = 2 * np.pi * frequency_hz
        shunt = conductance + 1j * omega[:, None, None] * capacitance
        count, size = len(self.branches), len(self._nodes)
        drop = self._paths.astype(np.complex128) @ branch_ohm  # node voltages per branch current
        system = np.empty((len(omega), size, size), dtype=np.complex128)
        system[:, :, :count] = shunt[:, :, :count] @ drop
        system[:, :count, :count] += self._incidence
        system[:, :, count:] = shunt[:, :, count:]
        source = np.zeros((size, 1), dtype=np.complex128)
        source[0] = 1
        return np.asarray(np.linalg.solve(system, source)[:, :count, 0])

    def impedance_ohm(self, branch_ohm: ComplexArray, frequency_hz: FloatArray) -> ComplexArray:
        """Give the impedance between the input and ground. Shape (frequencies,)."""
        currents = self.currents_a(branch_ohm, frequency_hz)
        drop = self._paths[0].astype(np.complex128) @ branch_ohm
        return np.asarray((drop * currents).sum(axis=1))

    def netlist(self, branch_ohm: ComplexArray, frequency_hz: float, title: str) -> str:
        """Write the circuit for ngspice at one frequency: 1 A AC into the input.

        ``branch_ohm`` has shape (branches, branches). Its real diagonal becomes resistors,
        its imaginary part inductors and mutual inductances, the rest of its real part
        (losses shared between turns) current-controlled voltage sources. The run prints the
        input voltage, which is the impedance, with 16 digits.
        """
        inductance = branch_ohm.imag / (2 * np.pi * frequency_hz)
        broken = bool((branch_ohm.diagonal().real > _BROKEN_OHM).any())
        lines = [f"* {title}, {frequency_hz:.17g} Hz", f"i1 0 {self.branches[0].start} dc 0 ac 1"]
        for i, branch in enumerate(self.branches):
            name = branch.name
            ohm = float(branch_ohm[i, i].real)
            if broken or ohm == 0:  # ngspice would take 1 mohm for a resistor of 0
                lines.append(f"h{name} {branch.start} {name}_a v{name} {ohm:.17g}")
            else:
                lines.append(f"r{name} {branch.start} {name}_a {ohm:.17g}")
            lines.append(f"v{name} {name}_a {name}_b dc 0")
            lines.append(f"l{name} {name}_b {name}_0 {inductance[i, i]:.17g}")
            sources = [
                (j, float(branch_ohm[i, j].real))
                for j in range(len(self.branches))
                if j != i and branch_ohm[i, j].real != 0
            ]
            for step, (j, shared) in enumerate(sources):
                here, there = f"{name}_{step}", f"{name}_{step + 1}"
                other = self.branches[j].name
                lines.append(f"h{name}_{other} {here} {there} v{other} {shared:.17g}")
            # a resistor-free join of the last inner node to the branch's end
            lines.append(f"ve{name} {name}_{len(sources)} {branch.end} dc 0")
            for j in range(i):
                if inductance[i, j] != 0:
                    factor = inductance[i, j] / np.sqrt(inductance[i, i] * inductance[j, j])
                    other = self.branches[j].name
                    lines.append(f"k{other}_{name} l{other} l{name} {factor:.17g}")
        for shunt in self.shunts:
            if shunt.conductance_s:
                leak = 1 / shunt.conductance_s
                lines.append(f"rs{shunt.name} {shunt.start} {shunt.end} {leak:.17g}")
            if shunt.capacitance_f:
                farad = shunt.capacitance_f
                lines.append(f"cs{shunt.name} {shunt.start} {shunt.end} {farad:.17g}")
        lines += [
            ".control",
            "set numdgt=16",
            f"ac lin 1 {frequency_hz:.17g} {frequency_hz:.17g}",
            f"print v({self.branches[0].start})",
            ".endc",
            ".end",
        ]
        return "\n".join(lines) + "\n"
