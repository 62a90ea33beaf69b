"""The virtual bench for switches, stages and rails: one nonlinear circuit moving in time."""

from __future__ import annotations

import math
import threading
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager

from sim.circuit import GROUND, CurrentSource, Element, Impedance, Series, Shunt, solve
from sim.clock import Clock
from sim.instruments import ImpedanceMeter, Multimeter, RelaySwitch, Supply
from sim.instruments.multimeter import COMPLIANCE_V, SOURCE_SIEMENS, VOLTAGE
from sim.instruments.supply import Channel
from sim.monitor import Feed, Flow, Monitor, Violation
from sim.physics.devices.cooling import Cooling
from sim.physics.devices.device import Device
from sim.physics.devices.elements import Conduction
from sim.scenario import Scenario
from sim.streams import Streams
from sim.switch_elements import Regulator, source_of_ohms
from sim.switch_hookups import JOINS, relays
from sim.switch_jig import HOOKUP_RELAYS, SwitchJig
from sim.switch_truth import DeviceTruth, draw_devices, p_channel, truths
from sim.text import did_you_mean
from sim.transient import Capacitor, Transient
from sim.wiring import OPEN_RELAY, SHORT_RELAY

_CAPACITOR_ESR_OHM = 5e-3
_MULTIMETER_F = 100e-12
_DESTROYED_ABOVE_C = 155.0
# The circuit is made anew when a part has warmed by this much, or by this share of what it is
# above the room, and when the contacts' thermal voltages have had time to move.
_WARMED_K, _WARMED_SHARE = 0.02, 0.02
_EMF_FOR_S, _EMF_SHARE = 1.0, 0.2
_GENTLE_S = 1e-3  # first step after a change that moves nothing suddenly
_MOST_FLIPS = 40

__all__ = ["SwitchBench"]


class PlacedDevice:
    """A part on the bench: the device, how warm it is, and what is smeared over it."""

    def __init__(
        self, name: str, device: Device, cooling: Cooling, contamination_ohm: float
    ) -> None:
        self.name = name
        self.device = device
        self.cooling = cooling
        self.contamination_ohm = contamination_ohm
        self.lifted_c = cooling.temperature_c(0.0)


class SwitchBench:
    """The instruments of a scenario on one circuit; an instrument it does not have is None."""

    def __init__(
        self,
        scenario: Scenario,
        *,
        seed: int | None = None,
        clock: Clock,
        devices: Mapping[str, Device] | None = None,
    ) -> None:
        """Set up the scenario; `devices` lays these parts out instead of drawing them, by name."""
        self.scenario = scenario
        self.seed = scenario.seed if seed is None else seed
        self.clock = clock
        self.streams = Streams(self.seed)
        self.lock = threading.RLock()
        self._now_s = clock.now_s()
        self._changes = 0
        self._meter_integral_vs = 0.0
        self._meter_v = 0.0
        self._devices = draw_devices(scenario, self.streams) if devices is None else devices
        self._parts = {
            spec.position: PlacedDevice(
                spec.name,
                self._devices[spec.name],
                Cooling(
                    ambient_c=scenario.ambient_c,
                    start_c=(
                        spec.temperature_c if spec.just_lifted_c is None else spec.just_lifted_c
                    ),
                    now_s=self._now_s,
                ),
                spec.contamination_ohm,
            )
            for spec in scenario.specimens
        }
        families = {spec.position: scenario.family(spec) for spec in scenario.specimens}
        self.wiring = SwitchJig(
            scenario.fixture,
            families,
            self.streams,
            channels=scenario.supply.channels if scenario.supply else 0,
            by_hand=not scenario.has_switch,
            turned=[spec.position for spec in scenario.specimens if spec.turned],
            shifted=[spec.position for spec in scenario.specimens if spec.shifted],
            not_touching={
                spec.position: spec.not_touching for spec in scenario.specimens if spec.not_touching
            },
        )
        self._monitor = Monitor(
            self.wiring,
            {spec.position: spec.name for spec in scenario.specimens},
            [position for position, part in self._parts.items() if p_channel(part.device)],
        )
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
        self._volts: dict[str, float] = {}
        self._key: object = None
        self._built_s = self._now_s
        self._built_c: dict[int, float] = {}
        self._device_elements: list[Element] = []
        self._regulator_a: dict[int, float] = {}
        self._circuit = self._built()

    # What a person does where there is no relay switch

    def place(self, position: str | None) -> None:
        """Put a specimen, "open" (tips apart) or "short" (the strip) into the jig by hand.

        None takes out what is there. Raise ValueError for an unknown name or where a relay switch
        does this.
        """
        self._by_hand()
        known = {spec.name: spec.position for spec in self.scenario.specimens}
        known |= {"open": OPEN_RELAY, "short": SHORT_RELAY}
        if position is not None and position not in known:
            raise ValueError(f'there is no "{position}" to place; {did_you_mean(position, known)}')
        what = "the jig was emptied" if position is None else f"{position} was put into the jig"
        with self.changing(what):
            for relay in sorted(self.wiring.closed.difference(HOOKUP_RELAYS)):
                self.wiring.open(relay)
            if position is not None:
                self.wiring.close(known[position], self._now_s)

    def join(self, hookup_relays: Iterable[int]) -> None:
        """Make exactly these joints by hand, named by the relays they stand for.

        Raise ValueError for an unknown joint or where a relay switch does this.
        """
        self._by_hand()
        wanted = set(hookup_relays)
        unknown = sorted(wanted.difference(HOOKUP_RELAYS))
        if unknown:
            raise ValueError(f"there is no joint {unknown}")
        with self.changing("the leads were moved"):
            for relay in sorted(self.wiring.closed.intersection(HOOKUP_RELAYS) - wanted):
                self.wiring.open(relay)
            for relay in sorted(wanted - self.wiring.closed):
                self.wiring.close(relay, self._now_s)

    def hook_up(self, name: str) -> None:
        """Make a hookup by hand, by its name; raise ValueError for a name that there is not."""
        for family, known in JOINS.items():
            if name in known:
                self.join(relays(family, known[name]))
                return
        names = [each for known in JOINS.values() for each in known]
        raise ValueError(f'there is no hookup "{name}"; {did_you_mean(name, names)}')

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
                f"{part.name} was overheated by the current through it"
                for part in self._parts.values()
                if part.cooling.hottest_c > max(_DESTROYED_ABOVE_C, part.lifted_c)
            ]
            return [*self._monitor.sentences, *hot]

    @property
    def violations(self) -> list[Violation]:
        """Every rule of the bench that was broken so far, by its name."""
        with self.lock:
            self.settle()
            return list(self._monitor.violations)

    @property
    def nearest(self) -> dict[str, float]:
        """How near each rule was to being broken: the largest share of what it allows."""
        with self.lock:
            self.settle()
            return dict(self._monitor.largest)

    def truth(self) -> dict[str, DeviceTruth]:
        """Give what each specimen really is, by name."""
        return truths(self.scenario, self._devices)

    def temperature_c(self, specimen: str) -> float:
        """Give a specimen's temperature now, as a thermometer on it would."""
        with self.lock:
            self.settle()
            position = self.scenario.specimen(specimen).position
            return self._parts[position].cooling.temperature_c(self._now_s)

    # What instruments ask of the bench (sim.instruments.world.World)

    def settle(self) -> None:
        """Bring charges, temperatures and integrals up to the clock's time.

        The clock is held meanwhile: a bench that is slower than its time must not fall behind.
        """
        with self.lock, self.clock.held():
            end_s = self.clock.now_s()
            if end_s <= self._now_s:
                return
            expiry_s = math.inf if self.supply is None else self.supply.watchdog_expires_s()
            if expiry_s <= end_s:
                self._pass_until(expiry_s)
                assert self.supply is not None
                self._monitor.what = "the supply's watchdog expired"
                self.supply.expire_watchdog()
                self._changes += 1
            self._pass_until(end_s)

    def settled_s(self) -> float:
        """Give the time up to which everything has been brought."""
        return self._now_s

    @contextmanager
    def changing(self, what: str = "") -> Iterator[None]:
        """Hold the circuit while something changes, and look for damage."""
        with self.lock:
            self.settle()
            before = set(self.wiring.closed)
            supplied = self.wiring.supplied()
            currents = self._relay_currents()
            part_v = self._spans()
            yield
            self._changes += 1
            after = self.wiring.closed
            self._monitor.what = what
            if before != after:
                self._monitor.moving(
                    what, before - after, after - before, currents, part_v, self._feeds(),
                    supplied or self.wiring.supplied(),
                )  # fmt: skip
                for relay in after - before:
                    self._forget_charge(relay)
            self._refresh()

    def disturbances(self) -> int:
        """Count the changes of contacts, relays and settings so far."""
        return self._changes

    def meter_integral_vs(self) -> float:
        """Give the time integral of the multimeter's input voltage."""
        return self._meter_integral_vs

    def meter_voltage_v(self) -> float:
        """Give the multimeter's input voltage."""
        return self._circuit.voltage_v("MH", "ML")

    def terminal_voltage_v(self, channel: int) -> float:
        """Give the voltage at a supply channel's terminals."""
        return self._circuit.voltage_v(*_POLES[channel])

    def regulator_current_a(self, channel: int) -> float:
        """Give the current that a supply channel's regulator delivers."""
        return self._regulator_a.get(channel, 0.0)

    def impedance_ohm(self, frequency_hz: float) -> complex:
        """Give the small-signal impedance at the LCR meter's terminals.

        Devices count with their slopes and capacitances where the circuit now stands; infinite
        when a terminal is not joined.
        """
        if not self.wiring.meter_joined():
            return complex(math.inf)
        self._refresh()
        elements: list[Element] = [*self.wiring.elements(self._now_s), *self._device_elements]
        for number, capacitor in enumerate(self._device_capacitors()):
            volts = self._circuit.voltage_v(capacitor.plus, capacitor.minus)
            farad = capacitor.farad(volts) if callable(capacitor.farad) else capacitor.farad
            elements.append(Shunt(f"charge-{number}", capacitor.plus, capacitor.minus, 0.0, farad))
        elements.append(CurrentSource("drive", "LH", "LL", 1.0))
        for number, output in enumerate(self._outputs(), start=1):
            reactance = -1.0 / (2.0 * math.pi * frequency_hz * output.farad)
            elements.append(
                Impedance(
                    f"capacitor-{number}", *_POLES[number], complex(_CAPACITOR_ESR_OHM, reactance)
                )
            )
        if self.multimeter is not None:
            elements.extend(self.multimeter.ac_elements())
        return solve(elements, frequency_hz).voltage_v("LH", "LL")

    # Time

    def _pass_until(self, end_s: float) -> None:
        flips = 0
        while self._now_s < end_s:
            self._refresh()
            until_s = end_s
            if self._live():
                until_s = min(end_s, self._built_s + self._emf_span_s())
            if until_s > self._now_s:
                stopped = self._pass(until_s - self._now_s, watch_logic=flips < _MOST_FLIPS)
                flips += stopped
            if self._now_s >= end_s - 1e-15:
                self._now_s = end_s
        self._keep()

    def _pass(self, duration_s: float, *, watch_logic: bool) -> bool:
        """Carry the circuit on; say whether something in it asked to be looked at again."""
        circuit = self._circuit
        begin_s, elapsed_s, stopped = self._now_s, 0.0, False
        meter_v = circuit.voltage_v("MH", "ML")
        feed_v = [circuit.voltage_v(*_POLES[n]) for n in range(1, len(self._outputs()) + 1)]
        powers = self._powers_w()

        def seen(step_s: float) -> bool:
            nonlocal meter_v, elapsed_s, stopped, powers
            elapsed_s += step_s
            self._now_s = begin_s + elapsed_s
            now_v = circuit.voltage_v("MH", "ML")
            self._meter_integral_vs += 0.5 * (meter_v + now_v) * step_s
            meter_v = now_v
            before, powers = powers, self._powers_w()
            means = {position: 0.5 * (before[position] + powers[position]) for position in powers}
            volts = self._terminal_volts()
            self._monitor.step(
                step_s, volts, means, self._currents_a(), self._flows(step_s, feed_v),
                self._hot_relays(),
            )  # fmt: skip
            stopped = self._warm(means, step_s) or self._tripped()
            if watch_logic:
                for position, at in volts.items():
                    device = self._parts[position].device
                    was = device.state
                    device.advance({**at, **self._inner_volts(device)})
                    stopped |= device.state != was
            return stopped

        circuit.pass_time(duration_s, seen)
        return stopped

    def _warm(self, powers_w: Mapping[int, float], step_s: float) -> bool:
        warmed = False
        for position, power_w in powers_w.items():
            cooling = self._parts[position].cooling
            if power_w > 1e-6:
                cooling.heat(power_w, self._now_s - step_s, self._now_s)
            warmed |= self._too_warm(position)
        return warmed and self._live()

    def _too_warm(self, position: int) -> bool:
        now_c = self._parts[position].cooling.temperature_c(self._now_s)
        allowed = max(_WARMED_K, _WARMED_SHARE * abs(now_c - self.scenario.ambient_c))
        return abs(now_c - self._built_c.get(position, -math.inf)) > allowed

    def _live(self) -> bool:
        """Say whether any supply drives the circuit, so that its details matter as time passes."""
        return any(output.on for output in self._outputs())

    def _emf_span_s(self) -> float:
        placed = self.wiring.placements.values()
        if not placed:
            return math.inf
        youngest_s = min(self._built_s - each.placed_s for each in placed)
        span_s = _EMF_FOR_S + _EMF_SHARE * max(youngest_s, 0.0)
        if any(
            abs(self._built_c.get(p, 0.0) - self.scenario.ambient_c) > 0.1 for p in self._built_c
        ):
            return min(span_s, 0.5)
        return span_s

    def _tripped(self) -> bool:
        tripped = False
        for number, output in enumerate(self._outputs(), start=1):
            output.terminal_v = self._circuit.voltage_v(*_POLES[number])
            if output.on and output.terminal_v > output.trip_v:
                output.on, output.tripped, tripped = False, True, True
        return tripped

    # The circuit

    def _refresh(self) -> None:
        """Make the circuit anew if anything has changed that it was made of."""
        key = self._circuit_key()
        if key == self._key:
            old = self._now_s >= self._built_s + self._emf_span_s()
            if not old and not any(self._too_warm(position) for position in self._built_c):
                return
            self._keep()
            self._circuit = self._built(first_s=_GENTLE_S)
            return
        self._keep()
        self._circuit = self._built()

    def _circuit_key(self) -> object:
        meter = self.multimeter
        function = "" if meter is None else meter.function
        return (
            frozenset(self.wiring.closed),
            tuple(placed for _, placed in sorted(self.wiring.placements.items())),
            # What an output is set to matters once it is on.
            tuple(output.stage() if output.on else None for output in self._outputs()),
            function,
            meter.test_current_a() if meter is not None and function != VOLTAGE else 0.0,
            tuple(self._parts[position].device.state for position in self.wiring.parts()),
        )

    def _built(self, first_s: float | None = None) -> Transient:
        self._key, self._built_s = self._circuit_key(), self._now_s
        self._built_c = {
            position: self._parts[position].cooling.temperature_c(self._now_s)
            for position in self.wiring.parts()
        }
        self._device_elements = []
        for position, temperature_c in self._built_c.items():
            nodes = self._nodes(position)
            part = self._parts[position]
            self._device_elements += part.device.elements(nodes, temperature_c)
            self._device_elements += _smeared(
                position, self.wiring.nodes(position), part.contamination_ohm
            )
        elements = [
            *self.wiring.elements(self._now_s), *self._device_elements, *self._instruments(),
        ]  # fmt: skip
        capacitors = [*self.wiring.capacitors(), *self._device_capacitors()]
        for number, output in enumerate(self._outputs(), start=1):
            capacitors.append(Capacitor(*_POLES[number], output.farad))
        if self.multimeter is not None:
            capacitors.append(Capacitor("MH", "ML", _MULTIMETER_F))
        circuit = Transient(elements, capacitors, self._volts)
        if first_s is not None:
            circuit.begin_with(first_s)
        self._monitor.wired(self._feeds())
        return circuit

    def _nodes(self, position: int) -> dict[str, str]:
        """Name the nodes of a device: its terminals, and inside a board what has no line."""
        inner = getattr(self._parts[position].device, "inner", {})
        return {**self.wiring.nodes(position), **inner}

    def _device_capacitors(self) -> list[Capacitor]:
        found = []
        for position in self._built_c:
            nodes = self._nodes(position)
            for plus, minus, farad in self._parts[position].device.capacitances():
                found.append(Capacitor(nodes[plus], nodes[minus], farad))
        return found

    def _instruments(self) -> list[Element]:
        found: list[Element] = []
        for number, output in enumerate(self._outputs(), start=1):
            plus, minus = _POLES[number]
            stage = output.stage()
            if stage.on:
                found.append(Regulator(f"regulator-{number}", plus, minus, stage))
            else:
                found.append(Series(f"bleeder-{number}", plus, minus, stage.bleeder_ohm))
        meter = self.multimeter
        if meter is not None and meter.function == VOLTAGE:
            found.append(Shunt("multimeter-input", "MH", "ML", 1.0 / meter.input_ohm))
            found.append(CurrentSource("multimeter-bias", "MH", "ML", meter.bias_a))
        elif meter is not None:
            law = source_of_ohms(meter.test_current_a(), SOURCE_SIEMENS, COMPLIANCE_V)
            found.append(Conduction("multimeter-source", "MH", "ML", law))
        return found

    def _keep(self) -> None:
        """Remember the charges, and what instruments may ask between two circuits."""
        self._volts.update(self._circuit.voltages_v())
        for number, output in enumerate(self._outputs(), start=1):
            output.terminal_v = self._circuit.voltage_v(*_POLES[number])
            name = f"regulator-{number}"
            self._regulator_a[number] = (
                -self._circuit.current_a(name) if self._circuit.has_branch(name) else 0.0
            )

    def _forget_charge(self, relay: int) -> None:
        """Let a part that comes into the jig come discharged: it lay on a conductive mat."""
        part = self._parts.get(relay)
        own = (f"{relay}:",) if part is None else (f"{relay}:", f"{part.name}.")
        for node in [node for node in self._volts if node.startswith(own)]:
            del self._volts[node]
        if part is not None:
            part.device.advance(dict.fromkeys(part.device.terminals, 0.0))

    # What the monitor asks

    def _feeds(self) -> list[Feed]:
        return [
            Feed(number, *_POLES[number], output.stage(), output.terminal_v)
            for number, output in enumerate(self._outputs(), start=1)
        ]

    def _flows(self, step_s: float, feed_v: list[float]) -> list[Flow]:
        found = []
        for place, output in enumerate(self._outputs()):
            volts = self._circuit.voltage_v(*_POLES[place + 1])
            capacitor_a = output.farad * (feed_v[place] - volts) / step_s
            feed_v[place] = volts
            name = f"regulator-{place + 1}"
            if self._circuit.has_branch(name):
                flow = Flow(volts, capacitor_a, -self._circuit.current_a(name), 0.0)
            else:
                flow = Flow(volts, capacitor_a, 0.0, volts / output.figures.bleeder_ohm)
            found.append(flow)
        return found

    def _terminal_volts(self) -> dict[int, dict[str, float]]:
        return {
            position: {
                name: self._circuit.voltage_v(node)
                for name, node in self.wiring.nodes(position).items()
            }
            for position in self._built_c
        }

    def _inner_volts(self, device: Device) -> dict[str, float]:
        inner: Mapping[str, str] = getattr(device, "inner", {})
        return {name: self._circuit.voltage_v(node) for name, node in inner.items()}

    def _spans(self) -> dict[int, float]:
        """Give the largest voltage between two terminals of each part in the jig."""
        return {
            position: max(volts.values()) - min(volts.values())
            for position, volts in self._terminal_volts().items()
        }

    def _powers_w(self) -> dict[int, float]:
        circuit = self._circuit
        return {
            position: math.fsum(
                circuit.voltage_v(node) * circuit.current_a(self.wiring.contact(position, name))
                for name, node in self.wiring.nodes(position).items()
            )
            for position in self._built_c
        }

    def _currents_a(self) -> dict[int, float]:
        """Give the largest current through a terminal of each part in the jig."""
        circuit, contact = self._circuit, self.wiring.contact
        return {
            position: max(
                abs(circuit.current_a(contact(position, name)))
                for name in self.wiring.nodes(position)
            )
            for position in self._built_c
        }

    def _relay_currents(self) -> dict[int, float]:
        found = {}
        for relay in self.wiring.closed:
            name = f"relay-{relay}"
            if self._circuit.has_branch(name):
                found[relay] = self._circuit.current_a(name)
            elif relay in self._built_c:
                found[relay] = max(
                    abs(self._circuit.current_a(self.wiring.contact(relay, terminal)))
                    for terminal in self.wiring.nodes(relay)
                )
        return found

    def _hot_relays(self) -> dict[int, float]:
        """Give the relay currents while somebody looks at them, just after a change."""
        return self._relay_currents() if self._monitor.closing() else {}

    def _outputs(self) -> Sequence[Channel]:
        return self.supply.outputs if self.supply is not None else ()


_POLES = {1: ("P1", GROUND), 2: ("P2", "N2")}


def _smeared(position: int, nodes: Mapping[str, str], ohm: float) -> list[Element]:
    """Give the film of flux or water over a part: a resistance between each two neighbours."""
    if not math.isfinite(ohm):
        return []
    named = list(nodes.values())
    return [
        Shunt(f"film-{position}-{number}", first, second, 1.0 / ohm)
        for number, (first, second) in enumerate(zip(named, named[1:] + named[:1], strict=True))
        if len(named) > 2 or number == 0
    ]
