"""One coil as a circuit: every turn is a branch, and a fault changes the circuit.

Nodes: ``t`` terminal 1; ``n0`` start of turn 1 ... ``nK`` end of turn K; terminal 2 is ground
and the end of the last turn; ``core`` the core, which floats.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import brentq

from sim.physics.conductors import (
    ComplexArray,
    FloatArray,
    copper_ratio,
    copper_resistivity_ohm_m,
    foil_factors,
    round_wire_factor,
    round_wire_proximity_ohm_m,
)
from sim.physics.construction import Construction, Factors
from sim.physics.faults import (
    BadJoint,
    CoreLeak,
    CrackedCore,
    Fault,
    FusedWinding,
    LossyCore,
    OpenWinding,
    ShortedTurn,
    SmallCore,
)
from sim.physics.magnetics import REFERENCE_TEMPERATURE_C
from sim.physics.network import GROUND, Branch, Network, Shunt


@dataclass
class _Changes:
    """What the faults have changed in the circuit."""

    contacts: list[tuple[int, int, float]] = field(default_factory=list)  # turn, turn, ohm
    series_ohm: dict[int, float] = field(default_factory=dict)  # turn: ohm
    joint_ohm: float = 0.0
    core_share: float = 1.0
    flux_share: float = 1.0
    relaxation_share: float = 1.0
    saturation_share: float = 1.0
    core_leaks: list[tuple[int, float]] = field(default_factory=list)  # turn, ohm


class Coil:
    """A coil of a given construction, with its own factors and faults. Immutable."""

    def __init__(
        self,
        construction: Construction,
        factors: Factors | None = None,
        faults: tuple[Fault, ...] = (),
    ) -> None:
        self.construction = construction
        self.factors = Factors() if factors is None else factors
        self.faults = faults
        changes = _Changes()
        for fault in faults:
            self._apply(fault, changes)
        self._changes = changes
        self._material = construction.material
        if self._material is not None:
            self._material = replace(
                self._material,
                relaxation_hz=self._material.relaxation_hz
                * self.factors.relaxation
                * changes.relaxation_share,
                loss_angle_rad=self._material.loss_angle_rad * self.factors.loss_angle,
                saturation_a=self._material.saturation_a
                * self.factors.saturation
                * changes.saturation_share,
            )
        self._turn_ohm = construction.turn_resistance_ohm * self.factors.resistance
        self._air_h, self._core_h = self._inductance_matrices()
        self._near = self._proximity_matrix()
        self._network = self._build_network()

    def with_fault(self, fault: Fault) -> Coil:
        """Give the same coil with one more fault.

        Raises ValueError where the fault does not fit the construction (a turn that it does
        not have, a core fault in an air coil).
        """
        return Coil(self.construction, self.factors, (*self.faults, fault))

    def healthy(self) -> Coil:
        """Give the same coil without its faults."""
        return Coil(self.construction, self.factors)

    # What a person measures

    def impedance_ohm(
        self,
        frequency_hz: ArrayLike,
        *,
        bias_a: float = 0.0,
        temperature_c: float = REFERENCE_TEMPERATURE_C,
    ) -> ComplexArray:
        """Give the complex impedance in ohm between the terminals. Shape: that of the frequency.

        Small signal, at a DC bias in amperes. Raises ValueError unless every frequency is
        finite and above 0.
        """
        frequency = self._checked(frequency_hz)
        flat = np.atleast_1d(frequency).ravel()
        branches = self.branch_impedance_ohm(flat, bias_a=bias_a, temperature_c=temperature_c)
        impedance = self._network.impedance_ohm(branches, flat)
        return np.asarray(impedance.reshape(frequency.shape))

    def inductance_h(
        self,
        frequency_hz: ArrayLike,
        *,
        bias_a: float = 0.0,
        temperature_c: float = REFERENCE_TEMPERATURE_C,
    ) -> FloatArray:
        """Give the series inductance in henry, X / (2 pi f). Shape: that of the frequency."""
        frequency = self._checked(frequency_hz)
        impedance = self.impedance_ohm(frequency, bias_a=bias_a, temperature_c=temperature_c)
        return np.asarray(impedance.imag / (2 * np.pi * frequency))

    def dc_resistance_ohm(self, temperature_c: float = REFERENCE_TEMPERATURE_C) -> float:
        """Give the DC resistance in ohm between the terminals."""
        branches = self._dc_branch_ohm(temperature_c)
        return float(self._network.impedance_ohm(branches, np.zeros(1))[0].real)

    def core_insulation_ohm(self) -> float:
        """Give the DC resistance between core and winding, in ohm; infinite without a core.

        The enamel of all turns lies in parallel, with what leaks beside it; the winding itself has
        milliohms and counts as one node.
        """
        if self._material is None:
            return float(np.inf)
        siemens = self.construction.winding.turns / self.construction.insulation.turn_core_ohm
        siemens += sum(1 / ohm for _, ohm in self._changes.core_leaks)
        return float(1 / siemens)

    def saturated_inductance_h(
        self, bias_a: float, *, temperature_c: float = REFERENCE_TEMPERATURE_C
    ) -> float:
        """Give the inductance in henry at the nominal frequency under a DC bias in amperes."""
        frequency = self.construction.nominal.frequency_hz
        return float(self.inductance_h(frequency, bias_a=bias_a, temperature_c=temperature_c))

    def netlist(
        self,
        frequency_hz: float,
        *,
        bias_a: float = 0.0,
        temperature_c: float = REFERENCE_TEMPERATURE_C,
    ) -> str:
        """Write the circuit at one frequency for ngspice; it prints v(t), the impedance."""
        frequency = np.atleast_1d(self._checked(frequency_hz))
        branches = self.branch_impedance_ohm(frequency, bias_a=bias_a, temperature_c=temperature_c)
        faults = ", ".join(fault.name for fault in self.faults) or "healthy"
        title = f"{self.construction.name}, {faults}"
        return self._network.netlist(branches[0], float(frequency[0]), title)

    # The circuit

    def branch_impedance_ohm(
        self,
        frequency_hz: FloatArray,
        *,
        bias_a: float = 0.0,
        temperature_c: float = REFERENCE_TEMPERATURE_C,
    ) -> ComplexArray:
        """Give the series impedance matrix of the branches, in ohm: the lead, then the turns.

        ``frequency_hz`` has shape (frequencies,), the result (frequencies, branches, branches).
        Without insulation and contacts, which are shunts.
        """
        construction = self.construction
        omega = 2 * np.pi * frequency_hz
        warm = copper_ratio(temperature_c, REFERENCE_TEMPERATURE_C)
        resistivity = copper_resistivity_ohm_m(temperature_c)
        if construction.conductor.form == "foil":
            thickness = construction.conductor.thickness_m * self.factors.thickness
            own, near = foil_factors(frequency_hz, thickness, resistivity)
            near = near * warm
        else:
            radius = construction.wire_radius_m / np.sqrt(self.factors.resistance)
            own = round_wire_factor(frequency_hz, radius, resistivity)
            filling = construction.filling
            near = round_wire_proximity_ohm_m(frequency_hz, radius, resistivity, filling)
        core = np.zeros_like(near)
        if self._material is not None:
            drive_a = self._magnetising_a(bias_a, temperature_c)
            core = self._material.scale(frequency_hz, drive_a, temperature_c)
        size = construction.winding.turns + 1
        branches = np.zeros((len(frequency_hz), size, size), dtype=np.complex128)
        turns = branches[:, 1:, 1:]
        turns += (1j * omega * core)[:, None, None] * self._core_h
        turns += near[:, None, None] * self._near
        turns += 1j * omega[:, None, None] * self._air_h
        diagonal = np.arange(1, size)
        branches[:, diagonal, diagonal] += own[:, None] * (self._turn_ohm * warm)
        lead = round_wire_factor(frequency_hz, construction.lead.diameter_m / 2, resistivity)
        branches[:, 0, 0] = construction.lead.resistance_ohm * warm * lead
        branches[:, 0, 0] += 1j * omega * construction.lead.inductance_h
        every = np.arange(size)
        branches[:, every, every] += self._series_ohm()
        return branches

    @staticmethod
    def _checked(frequency_hz: ArrayLike) -> FloatArray:
        frequency = np.asarray(frequency_hz, dtype=np.float64)
        if not (np.isfinite(frequency) & (frequency > 0)).all():
            raise ValueError(f"frequency {frequency_hz!r}: every one must be finite and above 0 Hz")
        return frequency

    def _apply(self, fault: Fault, changes: _Changes) -> None:
        turns = self.construction.winding.turns
        if self.construction.material is None and isinstance(
            fault, CrackedCore | LossyCore | SmallCore | CoreLeak
        ):
            raise ValueError(f"{fault.name}: {self.construction.name} has no core")
        match fault:
            case ShortedTurn():
                if fault.turns[1] > turns + 1:
                    raise ValueError(
                        f"shorted-turn {fault.turns}: {self.construction.name} has {turns} turns"
                        f" ({turns + 1} is the finish lead)"
                    )
                changes.contacts.append((*fault.turns, fault.contact_ohm))
            case FusedWinding():
                for i, j in self.construction.winding.touching_pairs():
                    changes.contacts.append((i, j, fault.contact_ohm))
                changes.core_share *= 1 - fault.core_lost
            case CrackedCore():
                changes.flux_share *= self._flux_share(fault)
            case LossyCore():
                changes.relaxation_share /= fault.factor
            case BadJoint():
                if fault.extra_ohm is not None:
                    changes.joint_ohm += fault.extra_ohm
                elif fault.factor is not None:
                    healthy_ohm = self.healthy().dc_resistance_ohm()
                    changes.joint_ohm += (fault.factor - 1) * healthy_ohm
            case OpenWinding():
                if fault.turn > turns:
                    raise ValueError(
                        f"open-winding in turn {fault.turn}:"
                        f" {self.construction.name} has {turns} turns"
                    )
                so_far = changes.series_ohm.get(fault.turn, 0.0)
                changes.series_ohm[fault.turn] = so_far + fault.resistance_ohm
            case SmallCore():
                changes.saturation_share *= fault.saturation_share
            case CoreLeak():
                if fault.turn > turns:
                    raise ValueError(
                        f"winding-to-core-leak at turn {fault.turn}:"
                        f" {self.construction.name} has {turns} turns"
                    )
                changes.core_leaks.append((fault.turn, fault.resistance_ohm))

    def _flux_share(self, fault: CrackedCore) -> float:
        """Give the share of common flux that is left, found from the inductance if need be."""
        if fault.flux_share is not None:
            return fault.flux_share
        share = fault.inductance_share or 0.0
        frequency = self.construction.nominal.frequency_hz
        healthy = self.healthy()
        goal = share * float(healthy.inductance_h(frequency))

        def excess(flux: float) -> float:
            cracked = healthy.with_fault(CrackedCore(flux_share=flux))
            return float(cracked.inductance_h(frequency)) - goal

        if share >= 1:
            return 1.0
        least = excess(0.0)
        if least > 0:
            raise ValueError(
                f"cracked-core: {self.construction.name} keeps at least"
                f" {(least + goal) / goal * share:.0%} of its inductance, {share:.0%} was asked"
            )
        return float(brentq(excess, 0.0, 1.0, xtol=1e-9))

    def _inductance_matrices(self) -> tuple[FloatArray, FloatArray]:
        """Give the air and the core part of the inductance of the turns, in henry."""
        construction = self.construction
        loops = construction.winding.loop_matrix_h(construction.equivalent_radius_m)
        path = construction.path
        if path is None:
            return loops * self.factors.inductance, np.zeros_like(loops)
        permeance = (
            construction.turn_permeance_h * self.factors.inductance * self._changes.core_share
        )
        if path.shape == "rod":
            flux = construction.winding.rod_flux(path.rod_length_m, path.rod_decay_m)
            return loops, permeance * self._changes.flux_share * flux
        # around the turns the core is a medium, in which fields keep the shape they have in air
        local = loops / np.sqrt(np.outer(loops.diagonal(), loops.diagonal()))
        leakage = min((1 - path.common_share) * self.factors.leakage, 1.0)
        common = (1 - leakage) * self._changes.flux_share
        return loops, permeance * (common + leakage * local)

    def _proximity_matrix(self) -> FloatArray:
        """Give the form that the field of the other turns takes in the losses.

        Foil: A_i (A_i + I_i), weighted with the DC resistance and summed over the turns i.
        Round wire: length times field squared, summed over the turns; the field is that in
        air, because uniform material around all turns does not change it.
        """
        winding = self.construction.winding
        conductor = self.construction.conductor
        if conductor.form == "foil":
            below = winding.ampere_turns_below(conductor.far_share) * self.factors.proximity
            weighted = self._turn_ohm[:, None] * below
            mixed = (weighted + weighted.T) / 2
            return np.asarray(below.T @ weighted + mixed)
        parts = winding.loop_fields_per_m()
        length = winding.length_m[:, None]
        squared = sum((part.T @ (length * part) for part in parts), np.zeros_like(parts[0]))
        return np.asarray(squared * self.factors.proximity**2)

    def _build_network(self) -> Network:
        turns = self.construction.winding.turns

        def start_of(turn: int) -> str:
            return GROUND if turn == turns + 1 else f"n{turn - 1}"

        branches = [Branch("lead", "t", "n0")]
        branches += [Branch(f"t{k}", start_of(k), start_of(k + 1)) for k in range(1, turns + 1)]
        insulation = self.construction.insulation
        scale = self.factors.capacitance
        shunts = [Shunt("pads", "t", GROUND, 0.0, insulation.terminal_f * scale)]
        for k in range(1, turns + 1):
            # half of a turn's capacitance at each of its ends
            leak, capacitance = 1 / insulation.turn_core_ohm, insulation.turn_core_f * scale
            for end in (k, k + 1):
                shunts.append(
                    Shunt(f"c{k}_{end}", start_of(end), "core", leak / 2, capacitance / 2)
                )
        for i, j in self.construction.winding.touching_pairs():
            shunts.append(
                Shunt(f"p{i}_{j}", start_of(i), start_of(j), 0.0, insulation.turn_turn_f * scale)
            )
        for number, (turn, ohm) in enumerate(self._changes.core_leaks):
            shunts.append(Shunt(f"l{number}", start_of(turn), "core", 1 / ohm))
        for number, (i, j, ohm) in enumerate(self._changes.contacts):
            shunts.append(Shunt(f"f{number}", start_of(i), start_of(j), 1 / ohm))
        return Network(tuple(branches), tuple(shunts))

    def _series_ohm(self) -> FloatArray:
        """Give what joints and breaks add to each branch; it does not follow the copper."""
        series = np.zeros(self.construction.winding.turns + 1)
        series[0] = self._changes.joint_ohm
        for turn, ohm in self._changes.series_ohm.items():
            series[turn] = ohm
        return series

    def _dc_branch_ohm(self, temperature_c: float) -> ComplexArray:
        """Give the branch matrix at zero frequency. Shape (1, branches, branches)."""
        copper = np.concatenate([[self.construction.lead.resistance_ohm], self._turn_ohm])
        copper = copper * copper_ratio(temperature_c, REFERENCE_TEMPERATURE_C)
        return np.diag(copper + self._series_ohm())[None].astype(np.complex128)

    def _magnetising_a(self, bias_a: float, temperature_c: float) -> float:
        """Give the mean turn current: a shorted turn does not carry all of the bias."""
        if bias_a == 0:
            return 0.0
        currents = self._network.currents_a(self._dc_branch_ohm(temperature_c), np.zeros(1))
        return bias_a * float(currents[0, 1:].real.mean())
