"""Notices what a careless change does to instruments and parts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from sim.bias_network import SUPPLY_BIAS_RELAYS
from sim.instruments.output_stage import Load, OutputStage, pass_time
from sim.operating_point import OperatingPoint
from sim.wiring import CORE_RELAYS, METER_RELAYS, SUPPLY_RELAYS

# A relay contact that moves under more than this burns a little; on a bench nothing is moved
# while current flows (common practice, no source).
HOT_MOVE_A = 10e-3
# The energy that the supply's output capacitor may put into a part.
DUMP_J = 20e-6
# What takes longer than this warms the part through; it is not a pulse.
_PULSE_S = 0.1
_SETTLING_S = 0.1
# What brings the supply to the jig, whichever way: the meter's own leads never join it there.
_DRIVEN = (*SUPPLY_RELAYS, *SUPPLY_BIAS_RELAYS, *CORE_RELAYS)
# A current that is broken above this is no longer run down but cut off.
_KICK_A = 0.1


@dataclass(frozen=True, slots=True)
class State:
    """The circuit just before or just after a change."""

    closed: frozenset[int]
    point: OperatingPoint
    stage: OutputStage | None
    terminal_v: float
    joined: bool
    names: Mapping[int, str]
    #: energy of a bias current in choke and part
    stored_j: float = 0.0

    def load(self) -> Load:
        """Give what the supply drives."""
        return self.point.load if self.joined else Load()

    def current_v(self) -> float:
        """Give the voltage that drives the jig."""
        return self.terminal_v if self.joined else 0.0


class DamageWatch:
    """Compare the circuit before and after each change and write down what went wrong."""

    def __init__(self) -> None:
        self.sentences: list[str] = []
        self.kicks: list[str] = []

    def look(self, what: str, before: State, after: State) -> None:
        """Look at one change; `what` says in words what was changed."""
        self.cut_off(what, before, after)
        if before.closed == after.closed and before.point is after.point:
            return
        self._meter_on_supply(what, before, after)
        self._moved_under_current(what, before, after)
        self._energy_dumped(what, before, after)

    def cut_off(self, what: str, before: State, after: State) -> None:
        """Note a bias current that an output, going off, did not run down before."""
        was_on = before.stage is not None and before.stage.on
        choke = before.point.relay_a.get(SUPPLY_BIAS_RELAYS[0])
        if not was_on or after.stage is None or after.stage.on or choke is None:
            return
        current_a = abs(choke.at(before.current_v()))
        if current_a > _KICK_A:
            self.kicks.append(
                f"{what}: {current_a:.3g} A was cut off, {1e3 * before.stored_j:.3g} mJ kicked back"
            )

    def _meter_on_supply(self, what: str, before: State, after: State) -> None:
        def both(state: State) -> bool:
            return bool(
                state.closed.intersection(METER_RELAYS) and state.closed.intersection(_DRIVEN)
            )

        if after.stage is not None and both(after) and not both(before):
            self.sentences.append(
                f"{what}: the LCR meter and the supply ({after.terminal_v:.3g} V at its output) "
                "are joined to the jig at the same time, which destroys the meter's input"
            )

    def _moved_under_current(self, what: str, before: State, after: State) -> None:
        for relay in sorted(before.closed - after.closed):
            current = before.point.relay_a.get(relay)
            through_a = current.at(before.current_v()) if current else 0.0
            self._hot(what, relay, through_a)
            if before.stored_j > 0.0 and abs(through_a) > HOT_MOVE_A:
                self.sentences.append(
                    f"{what}: a bias current of {abs(through_a):.3g} A was opened at contact "
                    f"{relay}; {1e3 * before.stored_j:.3g} mJ kicked back"
                )
        if after.stage is None or not after.stage.on:
            return
        settled = pass_time(after.stage, after.load(), after.terminal_v, _SETTLING_S)
        steady_v = settled.voltage_v if after.joined else 0.0
        for relay in sorted(after.closed - before.closed):
            current = after.point.relay_a.get(relay)
            self._hot(what, relay, current.at(steady_v) if current else 0.0)

    def _hot(self, what: str, relay: int, current_a: float) -> None:
        if abs(current_a) > HOT_MOVE_A:
            self.sentences.append(
                f"{what}: {abs(current_a):.3g} A flowed through contact {relay} as it moved"
            )

    def _energy_dumped(self, what: str, before: State, after: State) -> None:
        if after.stage is None or not after.joined or before.closed == after.closed:
            return
        start_v = after.terminal_v
        total_a = after.load().offset_a + after.load().siemens * start_v
        if total_a <= HOT_MOVE_A or after.stage.farad * start_v / total_a > _PULSE_S:
            return
        end_v = pass_time(after.stage, after.load(), start_v, _SETTLING_S).voltage_v
        energy_j = 0.5 * after.stage.farad * (start_v**2 - end_v**2)
        for relay, current in after.point.part_a.items():
            then_a = current.at(start_v)
            earlier = before.point.part_a.get(relay)
            if earlier is not None and abs(earlier.at(before.current_v())) > 0.5 * abs(then_a):
                continue
            part_j = energy_j * after.point.part_ohm[relay] * then_a**2 / (start_v * total_a)
            if part_j > DUMP_J:
                self.sentences.append(
                    f"{what}: the supply's output capacitor put {1e6 * part_j:.3g} uJ "
                    f"into {after.names[relay]}"
                )
