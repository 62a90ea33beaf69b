"""The jig for switches, stages and rails: a relay matrix, series resistors, contacts, leakage.

Ten rows of instrument lines cross ten columns of jig lines; relay 300 + 10 * row + column joins
one to the other. README.md lists the relays. Supply channel 1 minus is the circuit's ground;
instruments are insulated from each other and from earth.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from sim.circuit import GROUND, Element, Series, Shunt
from sim.instruments.session_errors import within_limits
from sim.streams import Streams
from sim.transient import Capacitor
from sim.wiring import OPEN_RELAY, SHORT_RELAY, Fixture

CHECK_RELAY = 197  # the check resistor across columns 0 and 1
CHECK_OHM, CHECK_TOLERANCE = 1e6, 1e-3

ROWS = ("R", "P1+", "P1-", "Q", "P2-", "MH", "ML", "LH", "LL", "TIE")
R_ROW, PLUS_ROW, MINUS_ROW, Q_ROW, MINUS_2_ROW = 0, 1, 2, 3, 4
HIGH_ROW, LOW_ROW, METER_HIGH_ROW, METER_LOW_ROW, TIE_ROW = 5, 6, 7, 8, 9
COLUMNS = 10
NOWHERE = 10  # where a pin lies that touches nothing

# Relay, ohm, tolerance: between supply 1 plus and row R.
RESISTORS: Mapping[int, tuple[float, float]] = {
    400: (4.7, 1e-2),
    401: (22.0, 1e-2),
    402: (100.0, 1e-2),
    403: (430.0, 1e-2),
    404: (1e3, 1e-3),
    405: (3e3, 1e-3),
    406: (4.3e3, 1e-2),
    407: (10e3, 1e-3),
    408: (100e3, 1e-3),
    409: (1e6, 1e-3),
}
# And between supply 2 plus and row Q; 410 is a plain contact.
SECOND_RESISTORS: Mapping[int, tuple[float, float]] = {
    410: (0.0, 0.0),
    411: (22.0, 1e-2),
    412: (1e3, 1e-3),
}
CHANGEOVER = 413
# As a bench file lists them.
SERIES_RESISTORS = (
    "4.7 Ω 1 %", "22 Ω 1 %", "100 Ω 1 %", "430 Ω 1 %", "1 kΩ 0.1 %", "3 kΩ 0.1 %", "4.3 kΩ 1 %",
    "10 kΩ 0.1 %", "100 kΩ 0.1 %", "1 MΩ 0.1 %",
)  # fmt: skip
# Relay: the two nodes that it joins.
_METER_TAPS: Mapping[int, tuple[str, str]] = {
    420: ("P1+", "MH"),
    421: ("R", "ML"),
    422: ("Q", "MH"),
    423: ("P2+", "MH"),
}
_BLEEDERS: Mapping[int, tuple[int, int]] = {430: (0, 1), 431: (2, 1), 435: (4, 1)}
_BLEEDER_OHM = 1e3
# A resistor from column 1 to column 2: what leaves a stage's switch node is measured across it.
RETURN_RELAY, RETURN_OHM, RETURN_TOLERANCE = 432, 10e3, 1e-3
# From column 3 to column 4: VDRV to BOOT, for a stage whose bootstrap is a switch.
BOOT_RELAY, BOOT_OHM = 433, 10.0
# From column 0 to column 1: a low resistance across a rail, which holds it down.
HOLD_RELAY, HOLD_OHM = 434, 1.0
CROSSPOINTS = tuple(range(300, 400))
HOOKUP_RELAYS = (
    *CROSSPOINTS, *RESISTORS, *SECOND_RESISTORS, CHANGEOVER, *_METER_TAPS, *_BLEEDERS,
    RETURN_RELAY, BOOT_RELAY, HOLD_RELAY,
)  # fmt: skip
METER_ONLY_RELAYS = frozenset(
    {
        *_METER_TAPS,
        *(300 + 10 * row + column for row in (HIGH_ROW, LOW_ROW) for column in range(10)),
    }
)
BLEEDER_RELAYS = frozenset(_BLEEDERS)

# Terminal: its force column, its sense column if it has one.
TERMINALS: Mapping[str, Mapping[str, tuple[int, int | None]]] = {
    "mosfet": {"D": (0, 3), "S": (1, 4), "G": (2, None)},
    "stage": {
        "VIN": (0, 7), "SW": (1, 8), "PGND": (2, 9), "VDRV": (3, None), "BOOT": (4, None),
        "PWM": (5, None), "EN": (6, None),
    },
    "load": {"RAIL": (0, 3), "GND": (1, 4)},
    "board": {
        "RAIL": (0, 3), "GND": (1, 4), "VIN": (2, 5), "SW1": (6, 7), "SW2": (8, 9),
    },
}  # fmt: skip
_TWO_POLE: Mapping[str, tuple[int, int | None]] = {"A": (0, 3), "B": (1, 4)}

BOOTSTRAP_F = 1e-6
_BOOTSTRAP_OHM = 10e9

_RELAY_OHM, _RELAY_SCATTER = 30e-3, 0.05
_PLUG_OHM, _PLUG_SCATTER = 4e-3, 0.2
_RELAY_EMF_V = 1.5e-6
_CONTACT_EMF_V = 5e-6
_EMF_DECAY_S = 60.0
_CONTACT_OHM, _CONTACT_SCATTER = 8e-3, 0.25
_LEAD_OHM = 0.1e-3  # of the part's lead between force and sense contact
# What lies between the sense contact and where the part's own figures begin: the same jig puts
# it in the same place every time, nearly.
_KELVIN_OHM, _KELVIN_SD_OHM = 30e-6, 5e-6
# Between two lines at 24 V: the three force lines of a switch lie open, the others are guarded.
_LEAK_AT_V, _OPEN_A, _GUARDED_A = 24.0, (10e-12, 50e-12), (1e-12, 5e-12)
_LEAKING = ((0, 1), (1, 2), (0, 2), (2, 3), (3, 4), (4, 5), (5, 6), (6, 7), (7, 8), (8, 9))
_LEAKING_OPENLY = 3
_LINE_F, _BETWEEN_F = 30e-12, 1.5e-12
_METER_LEAD_OHM = 1e-3  # the LCR meter senses up to the relays
_DIELECTRIC_LOSS = 5e-3


def column(number: int) -> str:
    """Name the node of a column."""
    return f"C{number}"


def crosspoint(row: int, number: int) -> int:
    """Give the relay that joins a row to a column."""
    return 300 + 10 * row + number


@dataclass(frozen=True, slots=True)
class Placed:
    """What one placement drew for each of its columns: resistances and thermal voltages."""

    placed_s: float
    contact_ohm: tuple[float, ...]
    kelvin_ohm: tuple[float, ...]
    emf_v: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Conductor:
    """A way for current outside the part, as the safety monitor sees it."""

    plus: str
    minus: str
    ohm: float


class SwitchJig:
    """Which relays are closed, and the circuit from the instruments' terminals to the parts'."""

    def __init__(
        self,
        fixture: Fixture,
        families: Mapping[int, str],
        streams: Streams,
        *,
        channels: int,
        by_hand: bool,
        turned: Iterable[int] = (),
        shifted: Iterable[int] = (),
        not_touching: Mapping[int, str] | None = None,
    ) -> None:
        """Take the family of the part at each position, and which lie turned or shifted.

        `not_touching` names a terminal that no contact reaches.
        """
        self.turned, self.shifted = frozenset(turned), frozenset(shifted)
        self.not_touching = dict(not_touching or {})
        self.fixture = fixture
        self.families = families
        self.by_hand = by_hand
        self.relays = frozenset({*families, CHECK_RELAY, OPEN_RELAY, SHORT_RELAY, *HOOKUP_RELAYS})
        self.closed: set[int] = set()
        self.placements: dict[int, Placed] = {}
        self._channels = channels
        self._streams = streams
        self._placed = self._closures = 0
        self._relay_ohm: dict[int, float] = {}
        emf = streams.stream("matrix-emf").uniform(-_RELAY_EMF_V, _RELAY_EMF_V, 200).tolist()
        self._relay_emf_v = dict(zip(range(300, 500), emf, strict=True))
        self.resistor_ohm = {
            relay: ohm * (1.0 + within_limits(streams, tolerance, "series-resistor", relay))
            for relay, (ohm, tolerance) in {**RESISTORS, **SECOND_RESISTORS}.items()
        }
        self.return_ohm = RETURN_OHM * (
            1.0 + within_limits(streams, RETURN_TOLERANCE, "series-resistor", RETURN_RELAY)
        )
        self.check_ohm = CHECK_OHM * (
            1.0 + within_limits(streams, CHECK_TOLERANCE, "check-resistor")
        )
        leak = streams.stream("jig-leakage")
        self._leak_ohm = [
            _LEAK_AT_V / float(leak.uniform(*(_OPEN_A if n < _LEAKING_OPENLY else _GUARDED_A)))
            for n in range(len(_LEAKING))
        ]
        self._kelvin_ohm = streams.stream("kelvin").uniform(0.0, _KELVIN_OHM, COLUMNS).tolist()

    # Moving

    def close(self, relay: int, now_s: float) -> None:
        """Close a relay, or make that joint by hand; a position is placed afresh."""
        self.closed.add(relay)
        if relay in HOOKUP_RELAYS:
            self._closures += 1
            rng = self._streams.stream("closure", self._closures)
            ohm, scatter = (
                (_PLUG_OHM, _PLUG_SCATTER) if self.by_hand else (_RELAY_OHM, _RELAY_SCATTER)
            )
            self._relay_ohm[relay] = ohm * math.exp(scatter * float(rng.standard_normal()))
        elif relay != OPEN_RELAY:
            self._placed += 1
            rng = self._streams.stream("contact", self._placed)
            contact = (
                _CONTACT_OHM * np.exp(_CONTACT_SCATTER * rng.standard_normal(COLUMNS))
            ).tolist()
            kelvin = (_KELVIN_SD_OHM * abs(rng.standard_normal(COLUMNS))).tolist()
            emf = rng.uniform(-_CONTACT_EMF_V, _CONTACT_EMF_V, COLUMNS).tolist()
            self.placements[relay] = Placed(now_s, tuple(contact), tuple(kelvin), tuple(emf))

    def open(self, relay: int) -> None:
        """Open a relay; what was in that position leaves the jig."""
        self.closed.discard(relay)
        self.placements.pop(relay, None)

    # What the bench and the monitor ask

    def parts(self) -> list[int]:
        """Give the positions whose parts are in the jig, in order."""
        return sorted(relay for relay in self.closed if relay in self.families)

    def terminals(self, position: int) -> Mapping[str, tuple[int, int | None]]:
        """Give the columns of each terminal of what is in a position, force and sense."""
        if position not in self.families:
            return _TWO_POLE
        own = TERMINALS[self.families[position]]
        if position in self.turned:
            # Put in the other way round: the first pin lies where the last belongs.
            return dict(zip(own, reversed(list(own.values())), strict=True))
        if position in self.shifted:
            # One place along: the last pin lies beside the jig.
            return dict(zip(own, [*list(own.values())[1:], (NOWHERE, None)], strict=True))
        if position in self.not_touching:
            return {**own, self.not_touching[position]: (NOWHERE, None)}
        return own

    def node(self, position: int, terminal: str) -> str:
        """Name the node at a part's terminal."""
        return f"{position}:{terminal}"

    def nodes(self, position: int) -> dict[str, str]:
        """Name the nodes of all terminals of a part."""
        return {name: self.node(position, name) for name in TERMINALS[self.families[position]]}

    def crossed(self, rows: Iterable[int]) -> list[int]:
        """Give the closed crosspoints of these rows."""
        wanted = set(rows)
        return sorted(r for r in self.closed if 300 <= r < 400 and (r - 300) // 10 in wanted)

    def meter_joined(self) -> bool:
        """Say whether both terminals of the LCR meter reach the jig."""
        return bool(self.crossed([METER_HIGH_ROW]) and self.crossed([METER_LOW_ROW]))

    def supplied(self) -> bool:
        """Say whether any line of a supply reaches the jig."""
        return bool(self.crossed([R_ROW, PLUS_ROW, Q_ROW]))

    def conductors(self) -> list[Conductor]:
        """Give the ways that current can take outside the parts, without leakage."""
        return [Conductor(element.plus, element.minus, element.ohm) for element in self._switched()]

    # The circuit

    def elements(self, now_s: float) -> list[Element]:
        """Give the circuit from the instruments' terminals to those of what is in the jig."""
        found: list[Element] = list(self._switched())
        for (a, b), ohm in zip(_LEAKING, self._leak_ohm, strict=True):
            found.append(
                Shunt(
                    f"leak-{a}-{b}", column(a), column(b), 1.0 / ohm, _BETWEEN_F, _DIELECTRIC_LOSS
                )
            )
        for position in sorted(self.placements):
            found += self._seated(position, now_s)
        return found

    def capacitors(self) -> list[Capacitor]:
        """Give the capacitances of the jig's lines, and the bootstrap capacitor of a stage."""
        found = [Capacitor(column(number), GROUND, _LINE_F) for number in range(COLUMNS)]
        found += [Capacitor(column(a), column(b), _BETWEEN_F) for a, b in _LEAKING]
        found += [
            Capacitor(self.node(position, "BOOT"), self.node(position, "SW"), BOOTSTRAP_F)
            for position in self.parts()
            if self.families[position] == "stage"
        ]
        return found

    def contact(self, position: int, terminal: str) -> str:
        """Name the branch through which a terminal's current flows."""
        return f"contact-{position}-{terminal}"

    def _switched(self) -> list[Series]:
        leads_ohm = 0.5 * self.fixture.supply_leads_ohm
        found = [
            Series("lead-P1+", "P1", "P1+", leads_ohm),
            Series("lead-P1-", GROUND, "P1-", leads_ohm),
        ]
        if self._channels > 1:
            found.append(Series("lead-P2+", "P2", "P2+", leads_ohm))
            found.append(Series("lead-P2-", "N2", "P2-", leads_ohm))
        for relay in sorted(self.closed):
            if relay in CROSSPOINTS:
                row, number = divmod(relay - 300, 10)
                found.append(self._contact(relay, ROWS[row], column(number), row))
            elif relay in RESISTORS:
                ohm = self._relay_ohm[relay] + self.resistor_ohm[relay]
                found.append(Series(f"relay-{relay}", "P1+", "R", ohm))
            elif relay in SECOND_RESISTORS:
                ohm = self._relay_ohm[relay] + self.resistor_ohm[relay]
                first = "P1+" if CHANGEOVER in self.closed else "P2+"
                found.append(Series(f"relay-{relay}", first, "Q", ohm))
            elif relay in _METER_TAPS:
                found.append(self._contact(relay, *_METER_TAPS[relay], HIGH_ROW))
            elif relay in _BLEEDERS:
                a, b = _BLEEDERS[relay]
                found.append(Series(f"relay-{relay}", column(a), column(b), _BLEEDER_OHM))
            elif relay == BOOT_RELAY:
                ohm = self._relay_ohm[relay] + BOOT_OHM
                found.append(Series(f"relay-{relay}", column(3), column(4), ohm))
            elif relay == HOLD_RELAY:
                ohm = self._relay_ohm[relay] + HOLD_OHM
                found.append(Series(f"relay-{relay}", column(0), column(1), ohm))
            elif relay == RETURN_RELAY:
                found.append(Series(f"relay-{relay}", column(1), column(2), self.return_ohm))
        return found

    def _contact(self, relay: int, plus: str, minus: str, row: int) -> Series:
        ohm = self._relay_ohm[relay]
        if row in (METER_HIGH_ROW, METER_LOW_ROW):
            ohm = _METER_LEAD_OHM
        return Series(f"relay-{relay}", plus, minus, ohm, 0.0, self._relay_emf_v[relay])

    def _seated(self, position: int, now_s: float) -> list[Element]:
        if position == SHORT_RELAY:
            return self._strip(now_s)
        found: list[Element] = []
        for name, (force, sense) in self.terminals(position).items():
            inside = self.node(position, name)
            landing = f"{inside}^"
            found.append(self._touch(position, name, force, landing, now_s))
            if sense is None:
                found.append(Series(f"lead-{position}-{name}", landing, inside, _LEAD_OHM))
                continue
            found.append(Series(f"lead-{position}-{name}", landing, f"{inside}'", _LEAD_OHM))
            found.append(self._touch(position, f"{name}'", sense, f"{inside}'", now_s))
            kelvin_ohm = self._kelvin_ohm[force] + self.placements[position].kelvin_ohm[force]
            found.append(Series(f"kelvin-{position}-{name}", f"{inside}'", inside, kelvin_ohm))
        if position == CHECK_RELAY:
            found.append(
                Series("check", self.node(position, "A"), self.node(position, "B"), self.check_ohm)
            )
        elif self.families[position] == "stage":
            found.append(
                Shunt(
                    f"bootstrap-{position}", self.node(position, "BOOT"), self.node(position, "SW"),
                    1.0 / _BOOTSTRAP_OHM, BOOTSTRAP_F,
                )
            )  # fmt: skip
        return found

    def _strip(self, now_s: float) -> list[Element]:
        """Give the copper strip: every line lies on it, one strip's length apart at most."""
        found: list[Element] = []
        for number in range(COLUMNS):
            landing = f"strip{number}"
            found.append(self._touch(SHORT_RELAY, str(number), number, landing, now_s))
            found.append(Series(f"strip-{number}", landing, "strip", 0.5 * self.fixture.strip_ohm))
        return found

    def _touch(self, position: int, name: str, number: int, landing: str, now_s: float) -> Series:
        placed = self.placements[position]
        warmth = math.exp(-(now_s - placed.placed_s) / _EMF_DECAY_S)
        return Series(
            self.contact(position, name), column(number), landing,
            placed.contact_ohm[number % COLUMNS], 0.5 * self.fixture.series_h,
            placed.emf_v[number % COLUMNS] * warmth,
        )  # fmt: skip
