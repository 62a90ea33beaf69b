"""Count for coverage.py how often the stated interval of a switch's reading holds the truth.

Each session draws the instruments' errors, the jig and the part anew, and makes one kind of
measurement by the real procedures on relays (switch_sessions.py); the empty jig is read first where
a session would. The truth is the device's own, solved at the temperature that it has.

The on-resistance is held against the part and the constant share that the jig has between its sense
contacts and the part: that is common to all parts in one jig, so siblings do not see it, and the
budget does not claim to know it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from random import Random

from attrs import evolve, frozen

from labbench.jobs.switch_blocks import switch_blocks
from labbench.metrology.accuracy import multimeter_accuracy, supply_accuracy
from labbench.metrology.budgets import Budget
from labbench.metrology.expected import BenchAccuracies
from labbench.parts.library import find_part_type
from labbench.parts.mosfet_type import MosfetType
from labbench.procedures.switch.body_diode import body_diode
from labbench.procedures.switch.conditions import SwitchConditions, switch_conditions
from labbench.procedures.switch.drain_leakage import drain_leakage
from labbench.procedures.switch.gate_leakage import gate_leakage
from labbench.procedures.switch.on_resistance import on_resistance
from labbench.procedures.switch.sequence import SwitchTaken, open_fixture
from labbench.procedures.switch.threshold import threshold
from labbench.results import Estimate, Influence
from sim.physics.devices.mosfet_faults import OhmicLeak
from sim.physics.devices.mosfet_truth import (
    body_diode_v,
    drain_leakage_a,
    gate_leakage_a,
    on_resistance_ohm,
    threshold_v,
)
from sim.wiring import supply_path_ohm
from tests.studies.switch_sessions import NAME, SwitchSession, switch_scenario

#: takes a kind, what was stated (None: no value) and the truth
Take = Callable[[str, Estimate | None, float], None]

TYPES = (
    ("trench-30v-5m", "nfet-30v-5m"),
    ("trench-25v-1m5", "nfet-25v-1m5"),
    ("trench-p-30v-12m", "pfet-30v-12m"),
    ("trench-30v-schottky", "nfet-30v-schottky"),
)
#: what a leak is made to be (A), by the series element that suits it; 1 kohm is for Schottky types
LEAKS: Mapping[str, tuple[float, float]] = {
    "1k": (8e-5, 1e-3), "10k": (3e-5, 1e-3), "100k": (1e-8, 2e-5), "1M": (1e-10, 6e-9),
    "meter": (1e-10, 4e-7),
}  # fmt: skip
#: one kind of session: what is measured, and on which instruments
SWITCH_KINDS: tuple[tuple[str, ...], ...] = (
    *(("leak", element, "6.5-digit", "1mV-1mA") for element in LEAKS),
    ("leak", "100k", "5.5-digit", "1mV-1mA"),
    ("leak", "meter", "5.5-digit", "1mV-1mA"),
    *(("threshold", m, "1mV-1mA") for m in ("5.5-digit", "6.5-digit")),
    *(("diode", m, "1mV-1mA") for m in ("5.5-digit", "6.5-digit")),
    ("diode", "6.5-digit", "1mV-0.1mA"),
    ("diode-led-on", "6.5-digit", "1mV-1mA"),
    *(("on-two", "6.5-digit", s) for s in ("1mV-1mA", "1mV-0.1mA")),
    ("on-two", "5.5-digit", "1mV-1mA"),
    ("on-one", "6.5-digit", "1mV-1mA"),
)


@frozen
class _Set:
    session: SwitchSession
    part: MosfetType
    conditions: SwitchConditions
    accuracies: BenchAccuracies

    def budgets(self, taken: SwitchTaken) -> tuple[Budget, ...]:
        fixture = {1e3: 1e-3, 3e3: 1e-3, 4.3e3: 1e-2, 1e4: 1e-3, 1e5: 1e-3, 1e6: 1e-3}
        return switch_blocks(taken, self.accuracies, fixture).budgets


def switch_session(kind: tuple[str, ...], seed: int, take: Take) -> None:
    """Measure one kind in a session of its own and count what was stated."""
    what, *more, multimeter, supply = kind
    words = f"{multimeter}, {supply}"
    if what == "leak":
        _leak(more[0], multimeter, supply, words, seed, take)
    elif what == "threshold":
        made = _set(TYPES[seed % 3], multimeter, supply, seed)
        with made.session.open() as bench:
            taken = SwitchTaken(threshold=threshold(bench, made.conditions, position=NAME))
        _count(made, taken, "threshold", words, 2, take)
    elif what.startswith("diode"):
        direct = what == "diode"
        made = _set(TYPES[seed % 4], multimeter, supply, seed, output_f=22e-6 if direct else 220e-6)
        with made.session.open() as bench:
            found = body_diode(
                bench, mirrored=made.conditions.mirrored, position=NAME,
                capacitance_f=22e-6 if direct else 220e-6,
            )  # fmt: skip
        way = "" if direct else ", led on from 20 mA"
        _count(made, SwitchTaken(diode=found), "body-diode", words + way, 2, take)
    else:
        two = what == "on-two"
        types = TYPES[seed % 4] if two else TYPES[seed % 2]
        made = _set(types, multimeter, supply, seed, channels=2 if two else 1)
        with made.session.open() as bench:
            on = on_resistance(bench, made.conditions, position=NAME, capacitance_f=220e-6)
        way = "two channels" if two else "one channel"
        _count(made, SwitchTaken(on=on), "on-resistance", f"{way}, {words}", 2, take)


def _leak(
    element: str, multimeter: str, supply: str, words: str, seed: int, take: Take
) -> None:  # fmt: skip
    """Read a leak of the size that suits an element; it is counted where the ranging ended."""
    rng = Random(seed)
    schottky = element == "1k"
    volts = 6.0 if schottky else 10.0 if element == "meter" else rng.choice((3.0, 24.0))
    low, high = LEAKS[element]
    amps = math.exp(rng.uniform(math.log(low), math.log(high)))
    path = "gate-source" if element == "meter" else "drain-source"
    # at 3 V a tenth of the voltage is reached at an eighth of the current
    amps = amps / 8.0 if volts == 3.0 and element in ("10k", "100k") else amps
    fault = OhmicLeak(path, volts / amps)
    made = _set(
        TYPES[3] if schottky else TYPES[0], multimeter, supply, seed, fault=fault, volts=volts
    )
    with made.session.open() as bench:
        zeros = open_fixture(bench, made.conditions)
        if element == "meter":
            taken = SwitchTaken(gate=gate_leakage(
                bench, made.conditions, position=NAME, open_v=zeros, signs=(1,)
            ))  # fmt: skip
        else:
            taken = SwitchTaken(drain=drain_leakage(
                bench, made.conditions, position=NAME, open_v=zeros, volts=(volts,)
            ))  # fmt: skip
    if element == "meter":
        _count(made, taken, "gate-leakage", f"by the meter, {words}", 1, take)
        return
    through = taken.drain[0].hookup.removeprefix("fet-drain-").removesuffix("-p")
    _count(made, taken, "drain-leakage", f"through {through}, {words}", 1, take)


def _set(
    types: tuple[str, str], multimeter: str, supply: str, seed: int, *, channels: int = 2,
    output_f: float = 220e-6, fault: OhmicLeak | None = None, volts: float | None = None,
) -> _Set:  # fmt: skip
    construction, name = types
    part = find_part_type(name, directories=[])
    assert isinstance(part, MosfetType)
    conditions = switch_conditions(part)
    if volts is not None:
        conditions = evolve(conditions, drain_v=volts, gate_v=(10.0,), gate_stop_a=1.0)
    session = SwitchSession(
        switch_scenario(
            construction, supply=supply, multimeter=multimeter, channels=channels,
            output_f=output_f, fault=fault,
        ),
        seed,
    )  # fmt: skip
    accuracies = BenchAccuracies(
        multimeter=multimeter_accuracy(multimeter), supply=supply_accuracy(supply),
        # as the bench file gives it, from a jig that was shorted
        supply_leads_ohm=supply_path_ohm(session.scenario.fixture, by_hand=False),
    )  # fmt: skip
    return _Set(session, part, conditions, accuracies)


def _count(
    made: _Set, taken: SwitchTaken, name: str, words: str, expected: int, take: Take
) -> None:  # fmt: skip
    budgets = [budget for budget in made.budgets(taken) if budget.name == name]
    for budget in budgets:
        condition, at = next(iter(budget.conditions.items()))
        stated = Estimate(
            budget.value, budget.u, budget.unit, budget.dof,
            tuple(Influence(line.label, line.u) for line in budget.lines),
        )  # fmt: skip
        shown = (
            "" if condition == "voltage_v" else f" at {at:g} {'V' if 'v' in condition[-1] else 'A'}"
        )
        take(f"{name.replace('-', ' ')}{shown}, {words}", stated, _truth(made, budget, at))
    for _ in range(expected - len(budgets)):
        take(f"{name.replace('-', ' ')}, {words}", None, 1.0)


def _truth(made: _Set, budget: Budget, at: float) -> float:
    device, now_c = made.session.device, made.session.temperature_c
    if budget.name == "drain-leakage":
        return drain_leakage_a(device, at, now_c)
    if budget.name == "gate-leakage":
        return gate_leakage_a(device, at, now_c)
    if budget.name == "threshold":
        return threshold_v(device, at, now_c)
    if budget.name == "body-diode":
        return body_diode_v(device, at, now_c)
    amps = budget.conditions["current_a"]
    return on_resistance_ohm(device, at, amps, now_c) + made.session.jig_ohm
