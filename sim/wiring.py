"""The wiring between instruments and jig: relays, leads, contacts, fixture residuals.

Nodes: `AF AS BF BS` are the force and sense lines of the jig; `LH LL` the LCR meter, `SP` and
ground supply channel 1, `MH ML` the multimeter's input, `XH XL` its four-wire sense terminals.
`CH BH BL` lie inside the bias network (`sim.bias_network`), `CP` is a probe on the part's core.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from sim.bias_network import (
    BIAS_RELAYS,
    METER_BIAS_RELAYS,
    SUPPLY_BIAS_RELAYS,
    BiasNetwork,
)
from sim.circuit import GROUND, Element, Impedance, Series, Shunt
from sim.streams import Streams

LOAD_RELAY, OPEN_RELAY, SHORT_RELAY = 197, 198, 199
METER_RELAYS = (201, 202)
SUPPLY_RELAYS = (203, 204)
MULTIMETER_RELAYS = (205, 206)
SENSE_RELAYS = (207, 208)
# A resistor between supply and core probe, with the multimeter across it; the winding to ground.
CORE_RELAYS = (213, 214, 215, 216)
HOOKUP_RELAYS = (
    *METER_RELAYS, *SUPPLY_RELAYS, *MULTIMETER_RELAYS, *SENSE_RELAYS, *BIAS_RELAYS, *CORE_RELAYS,
)  # fmt: skip
# What joins the supply to the part, each pair with both its terminals.
_DRIVES = (SUPPLY_RELAYS, SUPPLY_BIAS_RELAYS, (213, 214))
CORE_SERIES_OHM = 1e6

# Where each hookup relay sits: instrument side and jig side.
_ENDS: Mapping[int, tuple[str, str]] = {
    203: ("SP", "AF"),
    204: ("BF", GROUND),
    205: ("MH", "AS"),
    206: ("BS", "ML"),
    207: ("XH", "AF"),
    208: ("BF", "XL"),
    211: ("CH", "AF"),
    212: ("BF", GROUND),
    213: ("SP", "CR"),
    214: ("BF", GROUND),
    215: ("MH", "CR"),
    216: ("CP", "ML"),
}
_LINES = ("AF", "AS", "BF", "BS")

_RELAY_OHM, _RELAY_SCATTER = 30e-3, 0.05  # a relay contact, redrawn at each closure
_PLUG_OHM, _PLUG_SCATTER = 4e-3, 0.2  # a plug put in by hand
_SENSE_LEAD_OHM = 40e-3
_RELAY_EMF_V = 1.5e-6  # limits, frozen per session
_CONTACT_EMF_V = 5e-6  # fresh contacts are at different temperatures...
_EMF_DECAY_S = 60.0  # ...and come to the same one
# The share of the fixture's resistance that sits in the contacts.
_CONTACT_SHARE = 0.6
# Where the Kelvin contacts touch a terminal: a tenth of a millimetre of it is 4 microhm (a tinned
# copper terminal of 2 mm by 0.2 mm has 43 microhm per millimetre).
_SEAT_SD_OHM = 5e-6
_DIELECTRIC_LOSS = 5e-3


@dataclass(frozen=True, slots=True)
class Fixture:
    """Residuals of the jig as the LCR meter sees them, and the leads of the supply."""

    series_ohm: float
    series_h: float
    shunt_f: float
    leakage_ohm: float
    contact_sd_ohm: float
    contact_sd_h: float
    supply_leads_ohm: float
    strip_ohm: float
    strip_h: float
    #: nominal value of a standard resistor at the position `load`; 0 where there is none
    load_ohm: float = 0.0
    #: what brings a direct current to a coil; None where the bench has none
    bias_network: BiasNetwork | None = None
    #: a third probe touches the core of what lies in the jig
    core_probe: bool = False


def supply_path_ohm(fixture: Fixture, *, by_hand: bool) -> float:
    """Give what usually lies between the supply's terminals and the part, both ways.

    Leads, two relays or plugs, and one line and contact at each end: what shorting the jig shows.
    """
    joint_ohm = _PLUG_OHM if by_hand else _RELAY_OHM
    return fixture.supply_leads_ohm + 2.0 * joint_ohm + 2.0 * fixture.series_ohm


@dataclass(frozen=True, slots=True)
class Moment:
    """A stretch of a placement by hand: until `until_s`, contacts are away or poor."""

    until_s: float
    away: bool
    extra_ohm: tuple[float, float, float, float]


@dataclass(frozen=True, slots=True)
class Placement:
    """What one placement drew: four contacts, the seat, the warmth of the contacts, the bounce."""

    number: int
    placed_s: float
    contact_ohm: tuple[float, float, float, float]
    seat_ohm: float
    seat_h: float
    emf_v: tuple[float, float]
    moments: tuple[Moment, ...]

    def moment(self, now_s: float) -> Moment | None:
        """Give the present stretch of bounce, None once the contact is made."""
        elapsed_s = now_s - self.placed_s
        for moment in self.moments:
            if elapsed_s < moment.until_s:
                return moment
        return None

    def changes_s(self, begin_s: float, end_s: float) -> list[float]:
        """Give the times within an interval at which the bounce changes."""
        times = [self.placed_s + moment.until_s for moment in self.moments]
        return [time for time in times if begin_s < time < end_s]


class Wiring:
    """Which relays are closed, with the contacts that the present closures drew."""

    def __init__(
        self, fixture: Fixture, positions: Iterable[int], streams: Streams, *, by_hand: bool
    ) -> None:
        self.fixture = fixture
        self.by_hand = by_hand
        self.network = fixture.bias_network
        lacking = () if self.network is not None else BIAS_RELAYS
        if not fixture.core_probe:
            lacking = (*lacking, *CORE_RELAYS)
        hookups = set(HOOKUP_RELAYS).difference(lacking)
        self.relays = frozenset({*positions, OPEN_RELAY, SHORT_RELAY, *hookups})
        self.closed: set[int] = set()
        self.placements: dict[int, Placement] = {}
        self._streams = streams
        self._placed = 0
        self._closures = 0
        self._relay_ohm: dict[int, float] = {}
        emf = streams.stream("relay-emf").uniform(-_RELAY_EMF_V, _RELAY_EMF_V, len(HOOKUP_RELAYS))
        self._relay_emf_v = dict(zip(HOOKUP_RELAYS, emf.tolist(), strict=True))

    def close(self, relay: int, now_s: float) -> None:
        """Close a relay, or make that joint by hand; a position is placed afresh."""
        self.closed.add(relay)
        if relay in HOOKUP_RELAYS:
            self._closures += 1
            rng = self._streams.stream("closure", self._closures)
            mean, scatter = (
                (_PLUG_OHM, _PLUG_SCATTER) if self.by_hand else (_RELAY_OHM, _RELAY_SCATTER)
            )
            self._relay_ohm[relay] = _positive(rng, mean, scatter * mean)
        elif relay != OPEN_RELAY:
            self._placed += 1
            self.placements[relay] = self._place(self._placed, now_s)

    def open(self, relay: int) -> None:
        """Open a relay; what was in that position leaves the jig."""
        self.closed.discard(relay)
        self.placements.pop(relay, None)

    def meter_joined(self) -> bool:
        """Say whether both terminals of the LCR meter reach the jig."""
        return any(self.closed.issuperset(pair) for pair in (METER_RELAYS, METER_BIAS_RELAYS))

    def supply_joined(self) -> bool:
        """Say whether both terminals of the supply reach the jig."""
        return any(self.closed.issuperset(pair) for pair in _DRIVES)

    def supply_touches(self) -> bool:
        """Say whether a terminal of the supply reaches the jig."""
        return any(self.closed.intersection(pair) for pair in _DRIVES)

    def changes_s(self, begin_s: float, end_s: float) -> list[float]:
        """Give the times within an interval at which a contact changes by itself."""
        found = {
            time for placed in self.placements.values() for time in placed.changes_s(begin_s, end_s)
        }
        return sorted(found)

    def elements(
        self,
        impedances: Mapping[int, complex],
        now_s: float,
        *,
        dc: bool,
        frequency_hz: float = 0.0,
        choke_a: float = 0.0,
        cores_ohm: Mapping[int, float] | None = None,
    ) -> list[Element]:
        """Give the circuit from the instruments' terminals through the jig.

        `impedances` holds what lies in each closed position at the frequency of the solve, in
        ohm; infinite for an open winding. Shorting strip and open tips are added here.
        `frequency_hz` and `choke_a` are what a bias network depends on besides, `cores_ohm` what
        lies between the core of each part and its winding.
        """
        fixture = self.fixture
        found: list[Element] = []
        line_ohm = (1.0 - _CONTACT_SHARE) * fixture.series_ohm
        for line in _LINES:
            found.append(Series(f"line-{line}", line, f"{line}.", line_ohm, fixture.series_h))
        found.append(
            Shunt(
                "fixture", "AF.", "BF.", 1.0 / fixture.leakage_ohm, fixture.shunt_f,
                _DIELECTRIC_LOSS,
            )
        )  # fmt: skip
        if self.network is not None:
            found += self.network.elements(self.closed, 0.0 if dc else frequency_hz, choke_a)
        if self.closed.intersection(CORE_RELAYS):
            found.append(Impedance("core-series", "CR", "CP", complex(CORE_SERIES_OHM)))
            found.append(Shunt("core-probe", "CP", "BF", 1.0 / self.fixture.leakage_ohm, 20e-12))
            for relay, ohm in (cores_ohm or {}).items():
                if relay in self.closed:
                    found.append(Impedance(f"core-{relay}", "CP", f"B@{relay}", complex(ohm)))
        for relay in sorted(self.closed):
            if relay in METER_BIAS_RELAYS:
                inside, side = ("BH", "A") if relay == METER_BIAS_RELAYS[0] else ("BL", "B")
                # in the leads with the capacitors, so a part of what the short takes out
                found.append(Series(f"relay-{relay}", inside, f"{side}F", _PLUG_OHM))
                found.append(Series(f"relay-{relay}-sense", inside, f"{side}S", _PLUG_OHM))
            elif relay in METER_RELAYS:
                # Force and sense are switched apart, so the meter's Kelvin sensing reaches to
                # where they are tied, behind the relays.
                terminal, side = ("LH", "A") if relay == METER_RELAYS[0] else ("LL", "B")
                found.append(Series(f"relay-{relay}", terminal, f"{side}F", 0.0))
                found.append(Series(f"relay-{relay}-sense", terminal, f"{side}S", 0.0))
            elif relay in HOOKUP_RELAYS:
                found.append(self._joint(relay))
            elif relay != OPEN_RELAY:
                found.extend(self._seated(relay, impedances, now_s, dc=dc))
        return found

    def _joint(self, relay: int) -> Series:
        plus, minus = _ENDS[relay]
        lead_ohm = (
            0.5 * self.fixture.supply_leads_ohm
            if relay in (*SUPPLY_RELAYS, *SUPPLY_BIAS_RELAYS)
            else _SENSE_LEAD_OHM
        )
        ohm = self._relay_ohm[relay] + lead_ohm
        return Series(f"relay-{relay}", plus, minus, ohm, 200e-9, self._relay_emf_v[relay])

    def _seated(
        self, relay: int, impedances: Mapping[int, complex], now_s: float, *, dc: bool
    ) -> list[Element]:
        placed = self.placements[relay]
        moment = placed.moment(now_s)
        if moment is not None and moment.away:
            return []
        found: list[Element] = []
        warmth = math.exp(-(now_s - placed.placed_s) / _EMF_DECAY_S)
        for place, line in enumerate(_LINES):
            extra_ohm = moment.extra_ohm[place] if moment is not None else 0.0
            emf_v = placed.emf_v[place // 2] * warmth if place % 2 else 0.0
            found.append(
                Series(
                    f"contact-{relay}-{line}", f"{line}.", f"{line[0]}@{relay}",
                    placed.contact_ohm[place] + extra_ohm, 0.0, emf_v,
                )
            )  # fmt: skip
        if relay == SHORT_RELAY:
            ohm, henry = self.fixture.strip_ohm, self.fixture.strip_h
        else:
            ohm, henry = 0.0, 0.0
        seat = Series(
            f"seat-{relay}", f"A@{relay}", f"part@{relay}", ohm + placed.seat_ohm,
            henry + placed.seat_h,
        )  # fmt: skip
        inside = (
            Series(f"part-{relay}", f"part@{relay}", f"B@{relay}", 0.0)
            if relay == SHORT_RELAY
            else self._part(relay, impedances[relay], dc=dc)
        )
        return [*found, seat, inside]

    @staticmethod
    def _part(relay: int, impedance: complex, *, dc: bool) -> Element:
        plus, minus, name = f"part@{relay}", f"B@{relay}", f"part-{relay}"
        if dc and math.isfinite(abs(impedance)):
            return Series(name, plus, minus, impedance.real)
        return Impedance(name, plus, minus, impedance)

    def _place(self, number: int, now_s: float) -> Placement:
        fixture, rng = self.fixture, self._streams.stream("contact", number)
        mean_ohm = _CONTACT_SHARE * fixture.series_ohm
        # Two contacts in parallel at each of two terminals: the sum scatters half as much as one.
        contacts = [_positive(rng, mean_ohm, 2.0 * fixture.contact_sd_ohm) for _ in _LINES]
        warm = rng.uniform(-_CONTACT_EMF_V, _CONTACT_EMF_V, 2)
        return Placement(
            number=number,
            placed_s=now_s,
            contact_ohm=(contacts[0], contacts[1], contacts[2], contacts[3]),
            seat_ohm=_SEAT_SD_OHM * float(rng.standard_normal()),
            seat_h=fixture.contact_sd_h * float(rng.standard_normal()),
            emf_v=(float(warm[0]), float(warm[1])),
            moments=self._bounce(number) if self.by_hand else (),
        )

    def _bounce(self, number: int) -> tuple[Moment, ...]:
        """Draw how a hand makes contact: away and back a few times, then not yet pressed home."""
        rng = self._streams.stream("bounce", number)
        moments: list[Moment] = []
        now_s = 0.0
        none = (0.0, 0.0, 0.0, 0.0)
        for _ in range(int(rng.integers(2, 6))):
            for away in (True, False):
                now_s += float(rng.exponential(12e-3)) + 1e-3
                moments.append(Moment(now_s, away, none if away else _poor(rng, 30e-3, 3.0)))
        for low_ohm, high_ohm in ((10e-3, 1.0), (3e-3, 0.1)):
            now_s += float(rng.uniform(0.08, 0.35))
            moments.append(Moment(now_s, False, _poor(rng, low_ohm, high_ohm)))
        return tuple(moments)


def _poor(rng: np.random.Generator, low: float, high: float) -> tuple[float, float, float, float]:
    drawn = np.exp(rng.uniform(math.log(low), math.log(high), 4)).tolist()
    return (drawn[0], drawn[1], drawn[2], drawn[3])


def _positive(rng: np.random.Generator, mean: float, sd: float) -> float:
    """Draw a resistance with this mean and standard deviation; a lognormal is never negative."""
    if sd <= 0.0 or mean <= 0.0:
        return mean
    variance = math.log1p((sd / mean) ** 2)
    return mean * math.exp(math.sqrt(variance) * float(rng.standard_normal()) - 0.5 * variance)
