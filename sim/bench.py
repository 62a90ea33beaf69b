"""The virtual bench: one circuit, shared by all its instruments, moving on in simulated time."""

from __future__ import annotations

import math
import threading
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace

from sim.bias_network import SUPPLY_BIAS_RELAYS, scattered
from sim.circuit import CurrentSource, Element, Impedance, solve
from sim.clock import Clock
from sim.damage import DamageWatch, State
from sim.instruments import ImpedanceMeter, Multimeter, RelaySwitch, Supply
from sim.instruments.output_stage import Load
from sim.instruments.supply import Channel
from sim.operating_point import OperatingPoint, operating_point
from sim.scenario import Scenario
from sim.specimen import CoilLike, Specimen
from sim.standard import draw_standard
from sim.streams import Streams
from sim.text import did_you_mean
from sim.truth import Truth, draw_coils, truths
from sim.wiring import (
    HOOKUP_RELAYS,
    LOAD_RELAY,
    OPEN_RELAY,
    SHORT_RELAY,
    Wiring,
)

# A solved circuit serves until a part has warmed by this much or the contacts' thermal voltages
# have had this long to move.
_SOLVED_WITHIN_K = 0.01
_SOLVED_FOR_S = 1.0
# Heating is followed in steps while it matters.
_HEATING_W = 1e-3
_HEATING_STEP_S = 0.5
_MOST_STEPS = 40
_FIRST_STEP_S = 1e-3
_CAPACITOR_ESR_OHM = 5e-3

__all__ = ["Truth", "VirtualBench"]


class VirtualBench:
    """The instruments of a scenario on one circuit; an instrument it does not have is None."""

    def __init__(
        self,
        scenario: Scenario,
        *,
        seed: int | None = None,
        clock: Clock,
        coils: Mapping[str, CoilLike] | None = None,
    ) -> None:
        """Set up the scenario; `coils` lays these parts out instead of drawing them, by name."""
        self.scenario = scenario
        self.seed = scenario.seed if seed is None else seed
        self.clock = clock
        self.streams = Streams(self.seed)
        self.lock = threading.RLock()
        self._now_s = clock.now_s()
        self._changes = 0
        self._meter_integral_vs = 0.0
        self._solved: OperatingPoint | None = None
        self._solved_key: object = None
        self._solved_s = -math.inf
        self._solved_c: dict[int, float] = {}
        self._regulator_a: list[float] = []
        self._coils = draw_coils(scenario, self.streams) if coils is None else coils
        self._specimens = {
            spec.position: Specimen(
                spec.name,
                self._coils[spec.name],
                ambient_c=scenario.ambient_c,
                start_c=(spec.temperature_c if spec.just_lifted_c is None else spec.just_lifted_c),
                now_s=self._now_s,
            )
            for spec in scenario.specimens
        }
        if scenario.fixture.load_ohm > 0.0:
            self._specimens[LOAD_RELAY] = Specimen(
                "load",
                draw_standard(scenario.fixture.load_ohm, self.streams),
                ambient_c=scenario.ambient_c,
                start_c=scenario.ambient_c,
                now_s=self._now_s,
            )
        fixture = scenario.fixture
        if fixture.bias_network is not None:
            real = scattered(fixture.bias_network, self.streams.stream("bias-network"))
            fixture = replace(fixture, bias_network=real)
        self.wiring = Wiring(
            fixture, self._specimens, self.streams, by_hand=not scenario.has_switch
        )
        self._watch = DamageWatch()

        meter, supply = scenario.impedance_meter, scenario.supply
        self.impedance_meter = ImpedanceMeter(self, meter.class_name) if meter else None
        self.supply = (
            Supply(
                self,
                supply.class_name,
                channels=supply.channels,
                output_f=supply.output_f,
                highest_v=supply.highest_v,
                highest_a=supply.highest_a,
            )
            if supply
            else None
        )
        self.multimeter = (
            Multimeter(self, scenario.multimeter_class, mains_hz=scenario.mains_hz)
            if scenario.multimeter_class
            else None
        )
        self.switch = RelaySwitch(self, self.wiring) if scenario.has_switch else None
        if self.supply is not None:
            self._regulator_a = [0.0] * self.supply.channels

    # What a person does where there is no relay switch

    def place(self, position: str | None) -> None:
        """Put a specimen, "open" (tips apart) or "short" (the strip) into the jig by hand.

        None takes out what is there. The contacts bounce for a moment and are poor until they are
        pressed home. Raise ValueError for an unknown name or where a relay switch does this.
        """
        self._by_hand()
        known = {spec.name: spec.position for spec in self.scenario.specimens}
        known |= {"open": OPEN_RELAY, "short": SHORT_RELAY}
        if LOAD_RELAY in self._specimens:
            known["load"] = LOAD_RELAY
        if position is not None and position not in known:
            raise ValueError(f'there is no "{position}" to place; {did_you_mean(position, known)}')
        what = "the jig was emptied" if position is None else f"{position} was put into the jig"
        with self.changing(what):
            for relay in sorted(self.wiring.closed.difference(HOOKUP_RELAYS)):
                self.wiring.open(relay)
            if position is not None:
                self.wiring.close(known[position], self.clock.now_s())

    def join(self, hookup_relays: Iterable[int]) -> None:
        """Make exactly these joints of the hookup by hand, named by the relays they stand for.

        Raise ValueError for an unknown joint or where a relay switch does this.
        """
        self._by_hand()
        wanted = set(hookup_relays)
        unknown = sorted(wanted.difference(HOOKUP_RELAYS))
        if unknown:
            raise ValueError(f"there is no joint {unknown}; known: {list(HOOKUP_RELAYS)}")
        with self.changing("the leads were moved"):
            for relay in sorted(self.wiring.closed.intersection(HOOKUP_RELAYS) - wanted):
                self.wiring.open(relay)
            for relay in sorted(wanted - self.wiring.closed):
                self.wiring.close(relay, self.clock.now_s())

    def _by_hand(self) -> None:
        if self.switch is not None:
            raise ValueError("this bench has a relay switch: close its relays instead")

    # What the scenario knows

    @property
    def damage(self) -> list[str]:
        """Sentences about what has been damaged, or would have been, so far."""
        with self.lock:
            self.settle()
            hot = [
                f"{specimen.name} was overheated by the current through it"
                for specimen in self._specimens.values()
                if specimen.overheated
            ]
            return [*self._watch.sentences, *hot]

    @property
    def kicks(self) -> list[str]:
        """Sentences about bias currents that broke instead of being run down.

        The network's diode takes them over, so nothing is damaged; without it they would spark.
        """
        with self.lock:
            self.settle()
            return list(self._watch.kicks)

    def truth(self) -> dict[str, Truth]:
        """Give what each specimen really is, by name."""
        return truths(self.scenario, self._coils)

    def temperature_c(self, specimen: str) -> float:
        """Give a specimen's temperature now, as a thermometer on it would."""
        with self.lock:
            self.settle()
            position = self.scenario.specimen(specimen).position
            return self._specimens[position].temperature_c(self._now_s)

    # What instruments ask of the bench (sim.instruments.world.World)

    def settle(self) -> None:
        """Bring charges, temperatures and integrals up to the clock's time."""
        with self.lock:
            end_s = self.clock.now_s()
            if end_s <= self._now_s:
                return
            expiry_s = math.inf if self.supply is None else self.supply.watchdog_expires_s()
            if expiry_s <= end_s:
                self._settle_until(expiry_s)
                self._expire_watchdog()
            self._settle_until(end_s)

    def _settle_until(self, end_s: float) -> None:
        if end_s <= self._now_s:
            return
        bounces = self.wiring.changes_s(self._now_s, end_s)
        for until_s in [*bounces, end_s]:
            self._pass_until(until_s)
        self._changes += len(bounces)

    def _expire_watchdog(self) -> None:
        assert self.supply is not None
        before = self._state()
        self.supply.expire_watchdog()
        self._changes += 1
        self._refresh_regulators()
        self._watch.look("the supply's watchdog expired", before, self._state())

    def settled_s(self) -> float:
        """Give the time up to which everything has been brought."""
        return self._now_s

    @contextmanager
    def changing(self, what: str = "") -> Iterator[None]:
        """Hold the circuit while something changes, and look for damage afterwards."""
        with self.lock:
            self.settle()
            before = self._state()
            yield
            self._changes += 1
            self._refresh_regulators()
            self._watch.look(what, before, self._state())

    def disturbances(self) -> int:
        """Count the changes of contacts, relays and settings so far."""
        return self._changes

    def meter_integral_vs(self) -> float:
        """Give the time integral of the multimeter's input voltage."""
        return self._meter_integral_vs

    def meter_voltage_v(self) -> float:
        """Give the multimeter's input voltage."""
        return self.dc_point().meter_v.at(self._joined_v())

    def terminal_voltage_v(self, channel: int) -> float:
        """Give the voltage at a supply channel's terminals."""
        return self._supply_outputs()[channel - 1].terminal_v

    def regulator_current_a(self, channel: int) -> float:
        """Give the current that a supply channel's regulator delivers."""
        return self._regulator_a[channel - 1]

    def impedance_ohm(self, frequency_hz: float) -> complex:
        """Give the impedance at the LCR meter's terminals; infinite when one is not joined."""
        wiring = self.wiring
        if not wiring.meter_joined():
            return complex(math.inf)
        point, voltage_v = self.dc_point(), self._joined_v()
        impedances = {
            relay: self._specimens[relay].impedance_ohm(
                frequency_hz, abs(current.at(voltage_v)), self._now_s
            )
            for relay, current in point.part_a.items()
        }
        choke = point.relay_a.get(SUPPLY_BIAS_RELAYS[0])
        elements: list[Element] = wiring.elements(
            impedances, self._now_s, dc=False, frequency_hz=frequency_hz,
            choke_a=choke.at(voltage_v) if choke is not None else 0.0,
        )  # fmt: skip
        elements.append(CurrentSource("drive", "LH", "LL", 1.0))
        if self.supply is not None and wiring.supply_touches():
            reactance = -1.0 / (2.0 * math.pi * frequency_hz * self.supply.outputs[0].farad)
            elements.append(
                Impedance("capacitor", "SP", "0", complex(_CAPACITOR_ESR_OHM, reactance))
            )
        if self.multimeter is not None:
            elements.extend(self.multimeter.ac_elements())
        return solve(elements, frequency_hz).voltage_v("LH", "LL")

    # Time

    def _pass_until(self, end_s: float) -> None:
        # The first millisecond on its own: the output has then settled on most loads, and the
        # power that is heating the part is known.
        first_s = min(end_s, self._now_s + _FIRST_STEP_S)
        self._pass(first_s)
        left_s = end_s - self._now_s
        if left_s <= 0.0:
            return
        steps = 1
        if max(self.dc_point().powers_w(self._joined_v()).values(), default=0.0) > _HEATING_W:
            steps = min(math.ceil(left_s / _HEATING_STEP_S), _MOST_STEPS)
        begin_s = self._now_s
        for step in range(1, steps + 1):
            self._pass(end_s if step == steps else begin_s + left_s * step / steps)

    def _pass(self, end_s: float) -> None:
        duration_s = end_s - self._now_s
        point = self.dc_point()
        outputs = self._supply_outputs()
        mean_v = 0.0
        for number, output in enumerate(outputs):
            joined = number == 0 and self._joins_supply()
            passage = output.pass_time(point.load if joined else Load(), duration_s)
            if joined:
                mean_v = passage.integral_vs / duration_s
        self._refresh_regulators()
        self._meter_integral_vs += point.meter_v.at(mean_v) * duration_s
        for relay, power_w in point.powers_w(mean_v).items():
            if power_w > 0.0:
                self._specimens[relay].heat(power_w, self._now_s, end_s)
        self._now_s = end_s

    # The circuit

    def dc_point(self) -> OperatingPoint:
        """Give the DC state as it is at the last settling, solved again only if it has changed."""
        placements = self.wiring.placements
        moments = tuple((relay, placed.moment(self._now_s)) for relay, placed in placements.items())
        key = (self._changes, moments)
        temperatures = {
            relay: self._specimens[relay].temperature_c(self._now_s)
            for relay in placements
            if relay in self._specimens
        }
        if (
            self._solved is not None
            and key == self._solved_key
            and self._now_s - self._solved_s < _SOLVED_FOR_S
            and all(
                abs(value - self._solved_c[relay]) < _SOLVED_WITHIN_K
                for relay, value in temperatures.items()
            )
        ):
            return self._solved
        resistances = {
            relay: self._specimens[relay].dc_resistance_ohm(self._now_s) for relay in temperatures
        }
        self._solved = operating_point(
            self.wiring,
            resistances,
            self.multimeter,
            with_supply=self._joins_supply(),
            voltage_v=self._joined_v(),
            now_s=self._now_s,
            cores_ohm={relay: self._specimens[relay].core_ohm() for relay in temperatures},
        )
        self._solved_key, self._solved_s, self._solved_c = key, self._now_s, temperatures
        return self._solved

    def _joins_supply(self) -> bool:
        return self.supply is not None and self.wiring.supply_joined()

    def _joined_v(self) -> float:
        """Give the voltage of the supply channel that reaches the jig, 0 if none does."""
        outputs = self._supply_outputs()
        return outputs[0].terminal_v if outputs and self._joins_supply() else 0.0

    def _supply_outputs(self) -> list[Channel]:
        return self.supply.outputs if self.supply is not None else []

    def _refresh_regulators(self) -> None:
        self._regulator_a = [
            output.stage().regulator_a(output.terminal_v) for output in self._supply_outputs()
        ]

    def _stored_j(self) -> float:
        """Give the energy that a bias current holds in choke and part."""
        network = self.wiring.network
        choke = self.dc_point().relay_a.get(SUPPLY_BIAS_RELAYS[0])
        if network is None or choke is None or not self._joins_supply():
            return 0.0
        return network.stored_j(choke.at(self._joined_v()))

    def _state(self) -> State:
        outputs = self._supply_outputs()
        return State(
            closed=frozenset(self.wiring.closed),
            point=self.dc_point(),
            stage=outputs[0].stage() if outputs else None,
            terminal_v=outputs[0].terminal_v if outputs else 0.0,
            joined=self._joins_supply(),
            names={relay: specimen.name for relay, specimen in self._specimens.items()},
            stored_j=self._stored_j(),
        )
