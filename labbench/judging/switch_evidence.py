"""Weigh what the readings of a MOSFET say against siblings, and against themselves.

Each test gives a probability: how often a healthy part would look as bad. The false-reject rate is
shared over the tests that were made, most of it to threshold and on-resistance, whose faults stand
against the spread of sound parts; a leak changes a reading by decades and needs little.

Two readings of one thing are one test. The threshold at two currents is one threshold: the one at
the type's current is compared. Of the on-resistance the reading at the highest gate voltage is
compared, where what a lifted clip adds is the largest share; the lower gate voltage stands in the
ratio of the two. Too little on-resistance is no damage, so it gets a tenth of that test's share.
"""

from __future__ import annotations

__all__ = ["SUSPECT_FACTOR", "Deviation", "deviations", "shares_of"]

import math
from collections.abc import Iterator, Sequence

from attrs import field, frozen

from labbench.judging.leak_separation import (
    Weighed,
    drain_ohmic,
    drain_pair,
    gate_ohmic,
    gate_shape,
    gate_split,
)
from labbench.judging.robust_scale import Reference
from labbench.judging.switch_quantities import (
    PartTemperature,
    Quantity,
    SwitchSiblings,
    quantities,
)
from labbench.parts.mosfet_type import MosfetType
from labbench.results import Readings

#: share of the false-reject rate by kind of test; limits reject healthy parts almost never
_WEIGHTS = {
    "limits": 0.05, "drain-leakage": 0.04, "ohmic": 0.20, "gate-leakage": 0.03, "gate-ohmic": 0.19,
    "gate-shape": 0.03, "threshold": 0.10, "on-resistance": 0.31, "gate-ratio": 0.03,
    "body-diode": 0.02,
}  # fmt: skip
#: of the share of the on-resistance: what goes to too much of it
_HIGHER_SHARE = 0.9
#: beyond this many times its share a deviation is no longer suspect
SUSPECT_FACTOR = 2.5

#: the threshold is compared at this current where the type names none
_THRESHOLD_A = 250e-6
_TWO_SIDED = ("threshold", "gate-ratio", "body-diode")
#: voltages of siblings that far apart tell a power; and how it may change outside of them (assumed)
_LEAST_LN_APART, _U_GATE_POWER = 0.15, 0.5
#: a clamp between gate and source is a junction: it spreads as one, not as an oxide does (assumed)
_CLAMP_SPREAD = 0.35
#: with gate and source tied a channel carries the threshold's current backwards at the threshold's
#: voltage, and a hundredth of it this far below (four to five times 43 mV, from a device model)
_CHANNEL_BELOW_V = 0.2


@frozen
class Deviation:
    """Hold how far one test lies from what healthy parts show.

    `z` in sigmas (positive: larger), `p` the share of healthy parts that lie as far, `share` of the
    false-reject rate that the test has, `value` and `expected` in the unit of what was read.
    """

    test: str
    at: float
    z: float
    p: float
    share: float
    value: float
    expected: float
    details: dict[str, float] = field(factory=dict)

    @property
    def sure(self) -> bool:
        """Tell whether it is beyond the test's share."""
        return self.p < self.share

    @property
    def suspect(self) -> bool:
        """Tell whether it is close to that."""
        return self.p < SUSPECT_FACTOR * self.share


def shares_of(false_reject: float, made: Sequence[str]) -> dict[str, float]:
    """Share the false-reject rate over the tests made (one entry for each, kinds may repeat)."""
    kinds = set(made)
    total = sum(_WEIGHTS[kind] for kind in kinds)
    return {kind: false_reject * _WEIGHTS[kind] / total / made.count(kind) for kind in kinds}


def deviations(
    readings: Readings,
    part: MosfetType,
    temperature: PartTemperature,
    siblings: SwitchSiblings,
    *,
    limits: int,
    false_reject: float,
) -> tuple[tuple[Deviation, ...], float]:
    """Make every test that the readings allow; give them, and the share of one limit's decision."""
    made: list[Weighed] = []
    clamp = "gate-clamp" in part.features
    for q, reference in _compared(readings, part, temperature, siblings):
        p = reference.above(q.value, q.u)
        if q.name in _TWO_SIDED:
            p = reference.as_far(q.value, q.u)
        elif q.name == "on-resistance":
            share = _HIGHER_SHARE if q.value > reference.centre else 1.0 - _HIGHER_SHARE
            p = min(1.0, reference.as_far(q.value, q.u) / (2.0 * share))
        logarithmic = q.name not in ("threshold", "body-diode")
        value, expected = q.value, reference.centre
        if logarithmic:
            value, expected = math.exp(value), math.exp(expected)
        made.append(Weighed(q.name, q.at, reference.z(q.value, q.u), p, value, expected))
    pair = drain_pair(readings.drain_leakage)
    ratio = None if pair is None else siblings.reference("leakage-ratio", pair[1][0])
    ohmic = drain_ohmic(readings.drain_leakage, ratio, schottky="schottky" in part.features)
    if ohmic is not None:
        made.append(ohmic)
    split = None if clamp else gate_split(readings.gate_leakage)
    at_gate = gate_ohmic(split, None if split is None else siblings.gate(split.at))
    if at_gate is not None:
        made.append(at_gate)
    # which power the current of a clamp has is the design's; that both directions agree is not
    made += [s for s in gate_shape(readings.gate_leakage) if not clamp or s.at == 0.0]
    shares = shares_of(false_reject, [t.test for t in made] + ["limits"] * max(1, limits))
    return (
        tuple(
            Deviation(t.test, t.at, t.z, t.p, shares[t.test], t.value, t.expected, t.details)
            for t in made
        ),
        shares["limits"],
    )


def _compared(
    readings: Readings, part: MosfetType, temperature: PartTemperature, siblings: SwitchSiblings
) -> Iterator[tuple[Quantity, Reference]]:
    """Yield what is compared with siblings: one reading of what is read twice."""
    spread = _CLAMP_SPREAD if "gate-clamp" in part.features else None
    single: dict[str, tuple[float, Quantity, Reference]] = {}
    for q in quantities(readings, temperature.beside(siblings)):
        if q.name == "leakage-ratio" or (
            q.name == "body-diode" and _channel_may_help(readings, siblings, q)
        ):
            continue
        reference = siblings.reference(
            q.name, q.at, spread=spread if q.name == "gate-leakage" else None
        )
        if reference is None and q.name == "gate-leakage":
            reference = _gate_reference(siblings, q.at, spread)
        if reference is None:
            continue
        if q.name == "threshold":
            wanted = part.threshold[0].current_a if part.threshold else _THRESHOLD_A
            order = abs(math.log(q.at / wanted))
        elif q.name == "on-resistance":
            order = -q.at
        else:
            yield q, reference
            continue
        if q.name not in single or order < single[q.name][0]:
            single[q.name] = order, q, reference
    for _, q, reference in single.values():
        yield q, reference


def _channel_may_help(readings: Readings, siblings: SwitchSiblings, diode: Quantity) -> bool:
    """Tell whether a forward voltage is the channel's as well, by threshold of part or siblings.

    Such voltages spread as thresholds do.
    """
    thresholds = [t.voltage_v for t in readings.threshold if t.voltage_v is not None]
    for at in siblings.voltages("threshold"):
        reference = siblings.reference("threshold", at)
        if reference is not None:
            thresholds.append(reference.centre)
    return min(thresholds, default=math.inf) < diode.value + _CHANNEL_BELOW_V


def _gate_reference(siblings: SwitchSiblings, at: float, spread: float | None) -> Reference | None:
    """Lead the siblings' gate current to the voltage that a leaking gate is left with.

    What a gate leaks takes voltage from the series element, so its reading lies at a voltage of its
    own. Straight between the logarithms of the siblings' own two voltages, and beyond.
    """
    known = [
        (math.log(abs(v)), reference)
        for v in siblings.voltages("gate-leakage")
        if v * at > 0.0
        and (reference := siblings.reference("gate-leakage", v, spread=spread)) is not None
    ]
    if len(known) < 2:
        return None
    (low, first), (high, last) = known[0], known[-1]
    if high - low < _LEAST_LN_APART:
        return None
    share = (math.log(abs(at)) - low) / (high - low)
    centre = first.centre + share * (last.centre - first.centre)
    outside = max(0.0, -share, share - 1.0) * (high - low)
    wider = first if first.scale > last.scale else last
    return wider.moved(centre - wider.centre, widened=_U_GATE_POWER * outside)
