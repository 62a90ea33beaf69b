"""Watches every node at every step and writes down what would harm a part or an instrument.

The rules are those of a careful bench: nothing above 0.2 V without a resistor in the loop but the
named exceptions, no gate or driver input left floating beside a biased path, little energy from
the supply's output capacitor, little power and energy in the part for what the step is, large
currents for a moment only, dead circuits at every re-tie, dry contacts. Nothing changes by being
written down.

What counts as the capacitor's is what flows beyond the current limit: that comes from it and from
nothing else. Within the limit it gives what the regulator would give, and the step's own allowance
for power and energy holds.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from sim.instruments.output_stage import OutputStage
from sim.switch_jig import (
    BLEEDER_RELAYS,
    METER_HIGH_ROW,
    METER_LOW_ROW,
    METER_ONLY_RELAYS,
    Conductor,
    SwitchJig,
)

HOT_MOVE_A = 10e-3
RETIE_V = 25e-3  # what must read below 20 mV, and the error of a readback
BIASED_V = 0.25
# A path of more than this does not hold a gate or an input.
HELD_OHM = 200e3
FREE_V = 0.22  # needs no resistor: 0.2 V and the error of the setting
CAPACITOR_J, DIRECT_CAPACITOR_J = 20.5e-6, 25.5e-6
# A driver behind its 22 ohm: C V^2 / 2 of 1 mF at 5 V, each time that the capacitor empties; the
# power in the part has its own limit meanwhile.
DRIVER_CAPACITOR_J, _DRIVER_OHM = 12.5e-3, 20.0
_POWER_FOR_S = 1e-3
# What a bare package takes for any time: some kelvin at 100 K/W (an estimate). Not counted.
_WARMING_W = 20e-3
# Large currents, and how long they may flow: a single switch on its own supply, and what has
# 4.7 ohm before it or the copper of a power stage under it.
_HEAVY_A, _HEAVY_S, _LONG_S = 0.5, 0.3, 1.0
# The capacitor is not current limited: what flows beyond the limit that was set comes from it.
_BEYOND, _BEYOND_A = 1.05, 2e-3
_LOAD_V, _REVERSE_V = 0.33, 0.05
# With the input fed, charge of its capacitors may reach the rail: no more than it has in service.
_POWERED_RAIL_V = 0.9
# A way of less has no resistor in it; of less than the other, one that lets amperes through.
_DIRECT_OHM, _SERIES_OHM = 4.0, 20.0
_CLOSING_S = (1e-4, 1e-3)  # when the current through a relay that has just closed counts
_MILLI = 0.97  # a resistor of its nominal value less its tolerance is that resistor

_GATES = {"mosfet": ("G",), "stage": ("VDRV", "EN"), "load": (), "board": ()}
_GROUNDS = {"mosfet": "S", "stage": "PGND", "load": "GND", "board": "GND"}
_POWER = {
    "mosfet": ("D", "S"), "stage": ("VIN", "SW", "PGND"), "load": ("RAIL", "GND"),
    "board": ("VIN", "RAIL", "GND"),
}  # fmt: skip
# Of a board: what its input is fed through, and what holds its rail down meanwhile.
BOARD_SERIES_OHM, BOARD_HOLD_OHM, _BOARD_V = 21.0, 1.3, 5.5


@dataclass(frozen=True, slots=True)
class Feed:
    """A supply channel as the monitor sees it: its terminals, its setting, what it holds."""

    number: int
    plus: str
    minus: str
    stage: OutputStage
    terminal_v: float

    def reach_v(self) -> float:
        """Give the highest voltage that can stand at the terminals now."""
        target_v = self.stage.target_v if self.stage.on and self.stage.limit_a > 0.0 else 0.0
        return max(self.terminal_v, target_v)


@dataclass(frozen=True, slots=True)
class Flow:
    """What one feed did in a step: from its capacitor, from its regulator, through the bleeder."""

    terminal_v: float
    capacitor_a: float
    regulator_a: float
    bleeder_a: float

    @property
    def load_a(self) -> float:
        """The current that leaves the terminals."""
        return self.capacitor_a + self.regulator_a - self.bleeder_a


@dataclass(frozen=True, slots=True)
class Allowance:
    """What a step may do to a part, by the way it is joined: continuous power, energy, time."""

    power_w: float
    energy_j: float
    heavy_s: float = _HEAVY_S


# A switch that is on: 45 mW, one that is not quite on 1.5 W for 0.3 s until it is given up.
_ON = Allowance(2.0, 0.5)
_ON_FOR_LONG = Allowance(2.0, 0.5, _LONG_S)
# The body diode at 0.1 A, a driver at its 15 mA, and all that hangs behind a resistor.
_QUIET = Allowance(0.16, math.inf)
_LOAD = Allowance(1.0, math.inf, math.inf)


@dataclass(frozen=True, slots=True)
class Violation:
    """A rule that was broken, and what happened."""

    rule: str
    sentence: str


@dataclass(slots=True)
class Watched:
    """A part in the jig with what has been put into it since the last re-tie."""

    position: int
    name: str
    family: str
    # By supply: since the last re-tie, and of a driver's supply since its capacitor last filled.
    capacitor_j: dict[int, float] = field(default_factory=dict)
    drivers: frozenset[int] = frozenset()
    total_j: float = 0.0
    hot_s: float = 0.0
    fed: bool = False
    heavy_s: float = 0.0
    floating: tuple[str, ...] = ()
    allowed: Allowance = _QUIET


class Monitor:
    """Collects sentences; each kind once between two changes of the wiring."""

    def __init__(
        self, jig: SwitchJig, names: Mapping[int, str], p_channel: Iterable[int] = ()
    ) -> None:
        """Take the names of the parts by position, and which of them are p-channel."""
        self.violations: list[Violation] = []
        # By rule, the largest that was seen as a share of what is allowed.
        self.largest: dict[str, float] = {}
        self._jig = jig
        self._names = names
        self._p_channel = frozenset(p_channel)
        self._parts: dict[int, Watched] = {}
        self._said: set[tuple[str, int]] = set()
        self._feeds: Sequence[Feed] = ()
        self._direct = False
        self._closing: frozenset[int] = frozenset()
        self._since_s = 0.0
        self.what = ""

    @property
    def sentences(self) -> list[str]:
        """What happened, in order."""
        return [each.sentence for each in self.violations]

    # Changes

    def moving(
        self,
        what: str,
        opened: Iterable[int],
        closed: Iterable[int],
        currents_a: Mapping[int, float],
        part_v: Mapping[int, float],
        feeds: Sequence[Feed],
        supplied: bool,
    ) -> None:
        """Look at relays that move: `currents_a` and `part_v` are from just before."""
        opened, closed = set(opened), set(closed)
        moved = opened | closed
        self.what = what
        for relay in sorted(opened):
            self._moved_dry(what, relay, currents_a.get(relay, 0.0))
        retied = moved - METER_ONLY_RELAYS - BLEEDER_RELAYS
        if retied:
            for feed in feeds:
                if supplied and self._beyond("re-tie", abs(feed.terminal_v), RETIE_V):
                    self._note(
                        "re-tie",
                        f"{what}: supply {feed.number} still had {feed.terminal_v:.3g} V at its "
                        "output at a re-tie, more than 20 mV",
                    )
            for position, volts in part_v.items():
                if self._beyond("re-tie", abs(volts), RETIE_V):
                    self._note(
                        "re-tie",
                        f"{what}: {self._names[position]} still had {abs(volts):.3g} V between "
                        "its terminals at a re-tie, more than 20 mV",
                    )
            self._said.clear()
            self._parts = {
                position: Watched(position, self._names[position], self._jig.families[position])
                for position in self._jig.parts()
            }
        self._closing = frozenset(closed)
        self._since_s = 0.0
        bridge = self._jig.crossed([METER_HIGH_ROW, METER_LOW_ROW])
        highest_v = max((feed.terminal_v for feed in feeds), default=0.0)
        if bridge and self._jig.supplied() and feeds and moved:
            self._say(
                "bridge", 0,
                "the LCR meter and the supply "
                f"({highest_v:.3g} V at its output) are joined to the jig at the same time, which "
                "destroys the meter's input",
            )  # fmt: skip
        elif bridge and any(abs(volts) > 0.1 for volts in part_v.values()):
            self._say("bridge", 0, "the LCR meter was joined to a part that was charged")

    def wired(self, feeds: Sequence[Feed]) -> None:
        """Look at wiring and settings as they are now, before time goes on."""
        self._feeds = feeds
        if not self._parts:
            return
        network = _Network(self._jig.conductors())
        held = _Network(
            [
                *self._jig.conductors(),
                *(
                    Conductor(
                        feed.plus, feed.minus, 0.0 if feed.stage.on else feed.stage.bleeder_ohm
                    )
                    for feed in feeds
                ),
            ]
        )
        self._direct = False
        for part in self._parts.values():
            part.allowed = _LOAD if part.family in ("load", "board") else _QUIET
            columns = {
                name: f"C{force}" for name, (force, _) in self._jig.terminals(part.position).items()
            }
            ground = held.from_node(columns[_GROUNDS[part.family]])
            part.floating = tuple(
                name
                for name in _GATES[part.family]
                if ground.get(columns[name], math.inf) > HELD_OHM
            )
            apart = {name: network.from_node(node) for name, node in columns.items()}
            part.drivers = frozenset(
                feed.number for feed in feeds if _feeds_driver(part.family, feed, network, columns)
            )
            for feed in feeds:
                self._look_for_resistor(part, feed, network, columns, apart)
                if part.family == "board":
                    self._look_for_hold_down(part, feed, network, columns)

    def _look_for_resistor(
        self,
        part: Watched,
        feed: Feed,
        network: _Network,
        columns: Mapping[str, str],
        apart: Mapping[str, Mapping[str, float]],
    ) -> None:
        plus, minus = network.from_node(feed.plus), network.from_node(feed.minus)
        driven = self._driven(part.family, columns, apart, network)
        if driven and part.allowed is not _ON:
            part.allowed = self._allowed_on(part, columns, plus, minus)
        for one, first in columns.items():
            for other, second in columns.items():
                # Terminals that are tied together outside have no voltage between them.
                if one == other or apart[one].get(second, math.inf) < 2.0:
                    continue
                # What is tied to a power terminal is that terminal, and looked at as it.
                if self._stands_for_another(part.family, one, other, columns, apart):
                    continue
                loop_ohm = plus.get(first, math.inf) + minus.get(second, math.inf)
                if not loop_ohm < math.inf:
                    continue
                self._direct |= loop_ohm < 2.0
                forward = ("D", "S") if part.position in self._p_channel else ("S", "D")
                diode = part.family == "mosfet" and (one, other) == forward
                needed = _needed_ohm(
                    part.family, {one, other}, loop_ohm, feed, driven=driven, diode=diode
                )
                if needed > 0.0 and self._beyond("resistor", needed * _MILLI / loop_ohm, 1.0):
                    self._say(
                        "resistor", part.position,
                        f"supply {feed.number} can put {feed.reach_v():.3g} V on "
                        f"{one}-{other} of {part.name} through only {loop_ohm:.3g} ohm, where "
                        f"{needed:.3g} ohm are wanted",
                    )  # fmt: skip

    def _look_for_hold_down(
        self, part: Watched, feed: Feed, network: _Network, columns: Mapping[str, str]
    ) -> None:
        """Want a low resistance across the rail of a board whose input is fed."""
        fed = network.from_node(feed.plus).get(columns["VIN"], math.inf) < math.inf
        held_ohm = network.from_node(columns["RAIL"]).get(columns["GND"], math.inf)
        if fed and feed.reach_v() > FREE_V and held_ohm > BOARD_HOLD_OHM:
            self._say(
                "hold-down", part.position,
                f"supply {feed.number} can put {feed.reach_v():.3g} V on the input of {part.name} "
                "and nothing holds its rail down",
            )  # fmt: skip

    def _stands_for_another(
        self,
        family: str,
        one: str,
        other: str,
        columns: Mapping[str, str],
        apart: Mapping[str, Mapping[str, float]],
    ) -> bool:
        """Say whether a gate or an input of a pair is tied to a power terminal."""
        power = _POWER[family]
        return any(
            apart[name].get(columns[held], math.inf) < 2.0
            for name in (one, other)
            if name not in power
            for held in power
        )

    def _driven(
        self,
        family: str,
        columns: Mapping[str, str],
        apart: Mapping[str, Mapping[str, float]],
        network: _Network,
    ) -> bool:
        """Say whether a supply drives the gate, or the driver, on a lead of its own."""
        gate = {"mosfet": "G", "stage": "VDRV"}.get(family)
        if gate is None:
            return False
        if any(apart[gate].get(columns[name], math.inf) < 2.0 for name in _POWER[family]):
            return False
        return any(
            network.from_node(pole).get(columns[gate], math.inf) < 2e3
            for feed in self._feeds
            for pole in (feed.plus, feed.minus)
        )

    def _allowed_on(
        self,
        part: Watched,
        columns: Mapping[str, str],
        plus: Mapping[str, float],
        minus: Mapping[str, float],
    ) -> Allowance:
        """Say what a driven part may take from a feed through two of its power terminals."""
        ways = [
            plus.get(columns[one], math.inf) + minus.get(columns[other], math.inf)
            for one in _POWER[part.family]
            for other in _POWER[part.family]
            if one != other
        ]
        if min(ways) < _DIRECT_OHM:
            return _ON if part.family == "mosfet" else _ON_FOR_LONG
        return _ON_FOR_LONG if min(ways) < _SERIES_OHM else part.allowed

    # Steps

    def closing(self) -> bool:
        """Say whether relays have just closed, so that their currents count."""
        return bool(self._closing)

    def step(
        self,
        step_s: float,
        volts: Mapping[int, Mapping[str, float]],
        powers_w: Mapping[int, float],
        currents_a: Mapping[int, float],
        flows: Sequence[Flow],
        relays_a: Mapping[int, float],
    ) -> None:
        """Look at one step of the circuit.

        `volts` are those at each part's terminals, `currents_a` the largest through one of them.
        """
        self._since_s += step_s
        if self._closing and self._since_s >= _CLOSING_S[0]:
            for relay in sorted(self._closing):
                self._moved_dry(self.what, relay, relays_a.get(relay, 0.0))
            if self._since_s >= _CLOSING_S[1]:
                self._closing = frozenset()
            else:
                self._closing = frozenset(
                    r for r in self._closing if abs(relays_a.get(r, 0.0)) <= HOT_MOVE_A
                )
        drawn_w = sum(flow.terminal_v * flow.load_a for flow in flows)
        discharged_w = {
            feed.number: flow.terminal_v * flow.capacitor_a
            for flow, feed in zip(flows, self._feeds, strict=True)
            if flow.capacitor_a > 0.0 and flow.load_a > _BEYOND * feed.stage.limit_a + _BEYOND_A
        }
        filling = {
            feed.number
            for flow, feed in zip(flows, self._feeds, strict=True)
            if flow.capacitor_a < 0.0
        }
        for position, part in self._parts.items():
            at = volts.get(position)
            if at is None:
                continue
            power_w = max(powers_w[position], 0.0)
            for number in filling & part.drivers:
                part.capacitor_j.pop(number, None)
            self._energy(part, step_s, power_w, drawn_w, discharged_w)
            self._time(part, step_s, currents_a.get(position, 0.0))
            self._biased(part, at)

    def _energy(
        self,
        part: Watched,
        step_s: float,
        power_w: float,
        drawn_w: float,
        discharged_w: Mapping[int, float],
    ) -> None:
        if power_w <= 1e-9:
            part.hot_s = 0.0
            return
        for number, by_w in discharged_w.items():
            if drawn_w <= 0.0:
                continue
            # The capacitor also feeds its own bleeder and a sinking regulator.
            share = min(by_w / drawn_w, 1.0)
            put_j = part.capacitor_j.get(number, 0.0) + share * power_w * step_s
            part.capacitor_j[number] = put_j
            limit_j = DIRECT_CAPACITOR_J if self._direct else CAPACITOR_J
            if number in part.drivers:
                limit_j = DRIVER_CAPACITOR_J
            if self._beyond("capacitor", put_j, limit_j):
                self._say(
                    "capacitor", part.position,
                    f"the output capacitor of supply {number} put {1e6 * put_j:.3g} uJ into "
                    f"{part.name}",
                )  # fmt: skip
        if power_w > _WARMING_W:
            part.total_j += power_w * step_s
            if self._beyond("energy", part.total_j, part.allowed.energy_j):
                self._say(
                    "energy", part.position,
                    f"{part.total_j:.3g} J were dissipated in {part.name} since the last re-tie",
                )  # fmt: skip
        most_w = part.allowed.power_w
        part.hot_s = part.hot_s + step_s if power_w > most_w else 0.0
        lasting = part.hot_s > _POWER_FOR_S
        if self._beyond("power", power_w if lasting else min(power_w, most_w), most_w):
            self._say("power", part.position, f"{part.name} dissipated {power_w:.3g} W")

    def _time(self, part: Watched, step_s: float, current_a: float) -> None:
        part.heavy_s = part.heavy_s + step_s if current_a > _HEAVY_A else 0.0
        if self._beyond("time", part.heavy_s, part.allowed.heavy_s):
            self._say(
                "time", part.position,
                f"{current_a:.3g} A flowed through {part.name} for {part.heavy_s:.3g} s, longer "
                f"than {part.allowed.heavy_s:g} s",
            )  # fmt: skip

    def _biased(self, part: Watched, at: Mapping[str, float]) -> None:
        if part.family in ("load", "board"):
            rail_v = at["RAIL"] - at["GND"]
            fed = part.family == "board" and at["VIN"] - at["GND"] > FREE_V
            part.fed |= fed
            most_v = _POWERED_RAIL_V if part.fed else _LOAD_V
            limit_v = most_v if rail_v > 0.0 else _REVERSE_V
            if self._beyond("rail", abs(rail_v), limit_v):
                self._say(
                    "rail", part.position,
                    f"{rail_v:.3g} V were put on {part.name}, where 0 to {most_v:.1f} V "
                    "are allowed",
                )  # fmt: skip
            return
        if not part.floating:
            return
        power = [at[name] for name in _POWER[part.family]]
        if self._beyond("floating", max(power) - min(power), BIASED_V):
            named = " and ".join(part.floating)
            self._say(
                "floating", part.position,
                f"{named} of {part.name} floated with {max(power) - min(power):.3g} V across "
                "its power terminals",
            )  # fmt: skip

    def _moved_dry(self, what: str, relay: int, current_a: float) -> None:
        if self._beyond("contact", abs(current_a), HOT_MOVE_A):
            self._note(
                "contact",
                f"{what}: {abs(current_a):.3g} A flowed through contact {relay} as it moved",
            )

    def _beyond(self, rule: str, value: float, limit: float) -> bool:
        """Note how near a value came to its limit, and say whether it is beyond."""
        share = value / limit
        if share > self.largest.get(rule, 0.0):
            self.largest[rule] = share
        return share > 1.0

    def _say(self, kind: str, position: int, sentence: str) -> None:
        if (kind, position) not in self._said:
            self._said.add((kind, position))
            self._note(kind, f"{self.what}: {sentence}" if self.what else sentence)

    def _note(self, rule: str, sentence: str) -> None:
        self.violations.append(Violation(rule, sentence))


def _needed_ohm(
    family: str, pair: set[str], loop_ohm: float, feed: Feed, *, driven: bool, diode: bool
) -> float:
    """Give the least resistance that must stand in the loop from a supply through two terminals.

    `driven`: the gate or the driver has a supply of its own, so the channel may be on; `diode`:
    the supply's plus is at the anode of the body diode.
    """
    volts, limit_a = feed.reach_v(), feed.stage.limit_a
    if volts <= FREE_V:
        return 0.0
    # With a current limit the voltage may be higher by what the leads take.
    on_the_rail = family == "board" and pair == {"RAIL", "GND"}
    if family == "load" or on_the_rail:
        return 0.0 if volts <= 0.32 + min(limit_a, 3.2) * loop_ohm else 95.0
    if family == "board":
        return BOARD_SERIES_OHM if volts <= _BOARD_V else math.inf
    if not pair <= set(_POWER[family]):
        return 950.0 if family == "mosfet" else 21.0
    if driven:
        if loop_ohm < _DIRECT_OHM:
            return 0.0 if volts <= 0.55 + limit_a * loop_ohm else 4.7
        if volts <= 10.6:
            return 4.7
    if diode and limit_a <= 0.108 and volts <= 5.5:
        return 0.0 if volts <= 1.55 else 22.0
    if family == "stage" and volts <= 5.5:
        return 430.0
    return 1e3 if volts <= (12.6 if family == "stage" else 8.2) else 10e3


def _feeds_driver(family: str, feed: Feed, network: _Network, columns: Mapping[str, str]) -> bool:
    """Say whether a supply reaches a driver's pins, behind its resistor, and nothing else."""
    if family != "stage":
        return False
    plus, minus = network.from_node(feed.plus), network.from_node(feed.minus)
    ways = [
        plus[node]
        for node in columns.values()
        if node in plus and minus.get(node, math.inf) > _DIRECT_OHM
    ]
    return columns["VDRV"] in plus and bool(ways) and min(ways) > _DRIVER_OHM


class _Network:
    """Shortest ways, by resistance, through the conductors outside the parts."""

    def __init__(self, conductors: Iterable[Conductor]) -> None:
        self._near: dict[str, list[tuple[str, float]]] = {}
        for each in conductors:
            self._near.setdefault(each.plus, []).append((each.minus, each.ohm))
            self._near.setdefault(each.minus, []).append((each.plus, each.ohm))
        self._known: dict[str, dict[str, float]] = {}

    def from_node(self, start: str) -> dict[str, float]:
        """Give the resistance of the shortest way to each node that can be reached (Dijkstra)."""
        if start in self._known:
            return self._known[start]
        found: dict[str, float] = {}
        queue = [(0.0, start)]
        while queue:
            ohm, node = heapq.heappop(queue)
            if node in found:
                continue
            found[node] = ohm
            for other, more in self._near.get(node, ()):
                if other not in found:
                    heapq.heappush(queue, (ohm + more, other))
        self._known[start] = found
        return found
