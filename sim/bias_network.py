"""A bias network: it brings direct current to a coil and keeps it out of the LCR meter.

    SP --choke-- CH --relay-- AF        supply, through the choke, to the jig
    LH --block-- BH --relay-- AF, AS    meter, through a capacitor in each lead
    LL --block-- BL --relay-- BF, BS

The choke is a coil too: its inductance falls with the current through it, and it has a capacitance
and a loss of its own. The capacitors have a resistance and an inductance. A diode across supply and
choke takes the current over when the supply lets go; it conducts then only and is left out of the
small-signal circuit.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import brentq

from sim.circuit import Element, Impedance, Series

METER_BIAS_RELAYS = (209, 210)
SUPPLY_BIAS_RELAYS = (211, 212)
BIAS_RELAYS = (*METER_BIAS_RELAYS, *SUPPLY_BIAS_RELAYS)

# A choke wound on a powder ring: the slope of arctan-like magnetisation, 1 / (1 + (I/I1)^2), with
# a share that stays when the grains are full (from memory, of the form that such rings show).
_STAYS = 0.08


@dataclass(frozen=True, slots=True)
class BiasNetwork:
    """The parts of a network; `choke_drop` is what the choke has lost at `highest_a`."""

    choke_h: float
    choke_ohm: float
    choke_drop: float
    highest_a: float
    choke_f: float = 120e-12
    choke_loss_ohm: float = 60e3
    block_f: float = 47e-6
    block_ohm: float = 4e-3
    block_h: float = 25e-9

    def choke_share(self, current_a: float) -> float:
        """Give the choke's inductance at a current over that without."""
        return _share(abs(current_a) / self.highest_a, self.choke_drop)

    def choke_at(self, current_a: float) -> float:
        """Give the choke's inductance at a current, in henry."""
        return self.choke_h * self.choke_share(current_a)

    def choke_impedance_ohm(self, frequency_hz: float, current_a: float) -> complex:
        """Give the small-signal impedance of the choke at a direct current."""
        omega = 2.0 * math.pi * frequency_hz
        series = complex(self.choke_ohm, omega * self.choke_at(current_a))
        return 1.0 / (1.0 / series + 1.0 / self.choke_loss_ohm + 1j * omega * self.choke_f)

    def block_impedance_ohm(self, frequency_hz: float) -> complex:
        """Give the impedance of one blocking capacitor."""
        omega = 2.0 * math.pi * frequency_hz
        return complex(self.block_ohm, omega * self.block_h - 1.0 / (omega * self.block_f))

    def stored_j(self, current_a: float, part_h: float = 0.0) -> float:
        """Give the energy in choke and part, which has to go somewhere when the current breaks."""
        return 0.5 * (self.choke_at(current_a) + part_h) * current_a**2

    def elements(self, closed: set[int], frequency_hz: float, choke_a: float) -> list[Element]:
        """Give what lies between the instruments' terminals and the network's relays."""
        found: list[Element] = []
        if closed.intersection(SUPPLY_BIAS_RELAYS):
            found.append(
                Series("choke", "SP", "CH", self.choke_ohm)
                if frequency_hz == 0.0
                else Impedance("choke", "SP", "CH", self.choke_impedance_ohm(frequency_hz, choke_a))
            )
        if frequency_hz > 0.0:
            for terminal, relay in zip(("H", "L"), METER_BIAS_RELAYS, strict=True):
                if relay in closed:
                    found.append(
                        Impedance(
                            f"block-{terminal}", f"L{terminal}", f"B{terminal}",
                            self.block_impedance_ohm(frequency_hz),
                        )
                    )  # fmt: skip
        return found


def usual_network(highest_a: float = 10.0) -> BiasNetwork:
    """Give a network of the size that a workshop builds: 1 mH, 10 A, film capacitors."""
    return BiasNetwork(choke_h=1e-3, choke_ohm=40e-3, choke_drop=0.25, highest_a=highest_a)


def scattered(network: BiasNetwork, rng: np.random.Generator) -> BiasNetwork:
    """Draw the network that really stands there: every part within its tolerance."""
    return replace(
        network,
        choke_h=network.choke_h * float(np.exp(0.07 * rng.standard_normal())),
        # what is written on it is the most that it loses
        choke_drop=network.choke_drop * float(rng.uniform(0.5, 1.0)),
        block_f=network.block_f * float(rng.uniform(0.9, 1.1)),
        block_h=network.block_h * float(rng.uniform(0.7, 1.3)),
    )


def _share(ratio: float, drop: float) -> float:
    """Give _STAYS + (1 - _STAYS) / (1 + k ratio^2), with k so that `drop` is lost at ratio 1."""
    if drop <= 0.0:
        return 1.0
    k = float(brentq(lambda k: (1.0 - _STAYS) * k / (1.0 + k) - drop, 0.0, 1e3))
    return _STAYS + (1.0 - _STAYS) / (1.0 + k * ratio**2)
