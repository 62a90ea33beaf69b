"""Weigh what the readings of a MOSFET say against siblings, and against themselves.

Each test gives a probability: how often a healthy part would look as bad. The false-reject rate is
shared over the tests that were made, most of it to threshold and on-resistance, whose faults stand
against the spread of sound parts; a leak changes a reading by decades and needs little.

Two readings of one thing are one test. The threshold at two currents is one threshold: the one at
the type's current is compared. Of the on-resistance the reading at the highest gate voltage is
compared, where what a lifted clip adds is the largest share; the lower gate voltage stands in the
ratio of the two. Too little on-resistance is no damage, so it gets a tenth of that test's share.

Ohmic part of the drain leakage. A junction's leakage grows as (1 + V/0.7)^m - 1, m about 0.5, a
resistor's as V. From two voltages G = (I2 - k I1) / (V2 - k V1), with k = I2/I1 of the siblings, or
that of the law where there are none. Temperature cancels: both currents double together.

Gate. A healthy gate's current grows as V^1.5 and is the same in both directions; a resistor's
doubles with the voltage, and is told apart as in the drain; a gate that was weakened by a discharge
has a power of 2.5 to 6, and often one direction.
"""

from __future__ import annotations

__all__ = ["SUSPECT_FACTOR", "Deviation", "deviations", "ratio_by_law", "shares_of"]

import math
from collections.abc import Iterator, Sequence

from attrs import field, frozen

from labbench.judging.robust_scale import PRIOR_DOF, Reference, tail
from labbench.judging.switch_quantities import (
    PartTemperature,
    Quantity,
    SwitchSiblings,
    quantities,
)
from labbench.parts.mosfet_type import MosfetType
from labbench.results import DrainLeakage, GateLeakage, Readings

#: share of the false-reject rate by kind of test; limits reject healthy parts almost never
_WEIGHTS = {
    "limits": 0.05, "drain-leakage": 0.04, "ohmic": 0.12, "gate-leakage": 0.03, "gate-ohmic": 0.10,
    "gate-shape": 0.03, "threshold": 0.29, "on-resistance": 0.29, "gate-ratio": 0.03,
    "body-diode": 0.02,
}  # fmt: skip
#: of the share of the on-resistance: what goes to too much of it
_HIGHER_SHARE = 0.9
#: beyond this many times its share a deviation is no longer suspect
SUSPECT_FACTOR = 2.5

#: the threshold is compared at this current where the type names none
_THRESHOLD_A = 250e-6
_BUILT_IN_V = 0.7
#: exponent of the junction's law: over all lots, and its spread (assumed)
_EXPONENT, _EXPONENT_SD = 0.5, 0.045
#: the same where a Schottky diode carries the leakage: the field lowers its barrier (image force,
#: textbook), so it rises more steeply and by how much differs between designs (assumed)
_SCHOTTKY_EXPONENT, _SCHOTTKY_EXPONENT_SD = 0.6, 0.10
#: relative change of a leakage by 0.1 K between the two readings
_DRIFT = 0.007
#: power of a healthy gate's current, its spread, and the spread of ln(I+/I-); assumed
_GATE_POWER, _GATE_POWER_SD, _GATE_SYMMETRY_SD = 1.5, 0.15, 0.3
_TWO_SIDED = ("threshold", "gate-ratio", "body-diode")
#: voltages of siblings that far apart tell a power; and how it may change outside of them (assumed)
_LEAST_LN_APART, _U_GATE_POWER = 0.15, 0.5
#: a clamp between gate and source is a junction: it spreads as one, not as an oxide does (assumed)
_CLAMP_SPREAD = 0.35


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
    raw: list[tuple[str, float, float, float, float, float, dict[str, float]]] = []
    clamp = "gate-clamp" in part.features
    for q, reference in _compared(readings, part, temperature, siblings):
        z = reference.z(q.value, q.u)
        p = tail(z, reference.dof)
        if q.name in _TWO_SIDED:
            p = 2.0 * tail(abs(z), reference.dof)
        elif q.name == "on-resistance":
            share = _HIGHER_SHARE if z > 0.0 else 1.0 - _HIGHER_SHARE
            p = min(1.0, tail(abs(z), reference.dof) / share)
        logarithmic = q.name not in ("threshold", "body-diode")
        value, expected = q.value, reference.centre
        if logarithmic:
            value, expected = math.exp(value), math.exp(expected)
        raw.append((q.name, q.at, z, p, value, expected, {}))
    ohmic = _ohmic(readings.drain_leakage, siblings, schottky="schottky" in part.features)
    if ohmic is not None:
        raw.append(ohmic)
    if not clamp and (gate_ohmic := _gate_ohmic(readings.gate_leakage)) is not None:
        raw.append(gate_ohmic)
    # which power the current of a clamp has is the design's; that both directions agree is not
    raw += [s for s in _gate_shape(readings.gate_leakage) if not clamp or s[1] == 0.0]
    made = [entry[0] for entry in raw] + ["limits"] * max(1, limits)
    shares = shares_of(false_reject, made)
    return (
        tuple(
            Deviation(test, at, z, p, shares[test], value, expected, details)
            for test, at, z, p, value, expected, details in raw
        ),
        shares["limits"],
    )


def _compared(
    readings: Readings, part: MosfetType, temperature: PartTemperature, siblings: SwitchSiblings
) -> Iterator[tuple[Quantity, Reference]]:
    """Yield what is compared with siblings: one reading of what is read twice."""
    spread = _CLAMP_SPREAD if "gate-clamp" in part.features else None
    single: dict[str, tuple[float, Quantity, Reference]] = {}
    for q in quantities(readings, temperature):
        if q.name == "leakage-ratio":
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
    scale = math.hypot(max(first.scale, last.scale), _U_GATE_POWER * outside)
    return Reference(centre, scale, min(first.dof, last.dof), min(first.count, last.count))


def _ohmic(
    entries: Sequence[DrainLeakage], siblings: SwitchSiblings, *, schottky: bool
) -> tuple[str, float, float, float, float, float, dict[str, float]] | None:
    valued = sorted(
        (
            (e.voltage_v, e.current_a, e.u_current_a)
            for e in entries
            if e.current_a is not None
            and e.u_current_a is not None
            and not e.repeat
            and e.method != "supply-readback"
        ),
        key=lambda entry: entry[0],
    )
    if len(valued) < 2:
        return None
    (v1, i1, u1), (v2, i2, u2) = valued[0], valued[-1]
    if v2 < 2.0 * v1:
        return None
    reference = siblings.reference("leakage-ratio", v2)
    if reference is not None:
        ln_k, dof = reference.centre, reference.dof
        u_ln_k = reference.scale * math.sqrt(1.0 + math.pi / (2.0 * reference.count))
    else:
        ln_k, u_ln_k, dof = *ratio_by_law(v1, v2, schottky=schottky), PRIOR_DOF
    k = math.exp(ln_k)
    if k >= 0.9 * v2 / v1:
        return None  # the siblings leak ohmically themselves: nothing to separate
    # the junction's own part of the low current, which a strong leak would hide
    over = v2 - k * v1
    conductance = (i2 - k * i1) / over
    junction = max(0.0, i1 - max(0.0, conductance) * v1)
    u = math.sqrt(
        u2**2
        + (k * u1) ** 2
        + (k * junction * u_ln_k) ** 2
        + (_DRIFT * k * junction) ** 2
        + (2e-3 * abs(i2)) ** 2
    ) / over  # fmt: skip
    z = conductance / u
    details = {
        "conductance_s": conductance, "u_s": u, "ratio": i2 / i1 if i1 > 0.0 else math.inf,
        "voltage_ratio": v2 / v1, "expected_ratio": k, "high_v": v2, "low_v": v1,
    }  # fmt: skip
    return ("ohmic", v2, z, tail(z, dof), conductance, 0.0, details)


def ratio_by_law(v1: float, v2: float, *, schottky: bool) -> tuple[float, float]:
    """Return ln(I2/I1) of a healthy junction and its spread over lots and parts."""

    def rise(volts: float, m: float) -> float:
        return float((1.0 + volts / _BUILT_IN_V) ** m - 1.0)

    def ln_k(m: float) -> float:
        return math.log(rise(v2, m) / rise(v1, m))

    m, sd = (_SCHOTTKY_EXPONENT, _SCHOTTKY_EXPONENT_SD) if schottky else (_EXPONENT, _EXPONENT_SD)
    slope = (ln_k(m + 0.01) - ln_k(m - 0.01)) / 0.02
    return ln_k(m), abs(slope) * sd


def _sides(
    entries: Sequence[GateLeakage],
) -> Iterator[tuple[float, list[tuple[float, float, float]]]]:
    """Yield the direction and its valued readings (V, A, u), magnitudes, the lowest voltage first.

    Magnitudes of the voltage; a current that flows the other way than it should stays negative.
    """
    for sign in (1.0, -1.0):
        valued = sorted(
            (abs(e.voltage_v), sign * e.current_a, e.u_current_a)
            for e in entries
            if e.current_a is not None
            and e.u_current_a is not None
            and not e.repeat
            and e.method != "supply-readback"
            and e.voltage_v * sign > 0.0
        )
        if valued:
            yield sign, valued


def _gate_ohmic(
    entries: Sequence[GateLeakage],
) -> tuple[str, float, float, float, float, float, dict[str, float]] | None:
    """Separate what a resistor draws from a sound gate's own current; both directions together.

    G = (k I1 - I2) / (k V1 - V2), k = (V2/V1)^1.5.
    """
    found: list[tuple[float, float]] = []
    at = 0.0
    for _, valued in _sides(entries):
        (v1, i1, u1), (v2, i2, u2) = valued[0], valued[-1]
        if v2 < 1.5 * v1:
            continue
        k = (v2 / v1) ** _GATE_POWER
        over = k * v1 - v2
        conductance = (k * i1 - i2) / over
        own = max(0.0, i1 - max(0.0, conductance) * v1)
        u = math.sqrt(
            u2**2 + (k * u1) ** 2 + (k * own * math.log(v2 / v1) * _GATE_POWER_SD) ** 2
            + (2e-3 * i2) ** 2
        ) / over  # fmt: skip
        found.append((conductance, u))
        at = max(at, v2)
    if not found:
        return None
    conductance = math.fsum(g for g, _ in found) / len(found)
    # the power of the gate is the same in both directions: only half of it averages out
    u = math.sqrt(math.fsum(u**2 for _, u in found) / len(found)) / math.sqrt(
        1.0 + 0.5 * (len(found) - 1)
    )
    z = conductance / u
    details = {"conductance_s": conductance, "u_s": u}
    return ("gate-ohmic", at, z, tail(z, PRIOR_DOF), conductance, 0.0, details)


def _gate_shape(
    entries: Sequence[GateLeakage],
) -> list[tuple[str, float, float, float, float, float, dict[str, float]]]:
    found: list[tuple[str, float, float, float, float, float, dict[str, float]]] = []
    ends: dict[float, tuple[float, float]] = {}
    for sign, signed in _sides(entries):
        valued = [(volts, abs(amps), u) for volts, amps, u in signed]
        v2, i2, u2 = valued[-1]
        ends[sign] = (i2, u2)
        v1, i1, u1 = valued[0]
        if v2 < 1.5 * v1 or i2 < 3.0 * u2:
            continue
        low = max(i1, u1)
        power = math.log(i2 / low) / math.log(v2 / v1)
        u = math.hypot(u2 / i2, min(1.0, u1 / low)) / math.log(v2 / v1)
        z = (power - _GATE_POWER) / math.hypot(_GATE_POWER_SD, u)
        found.append(
            ("gate-shape", sign * v2, z, tail(z, PRIOR_DOF), power, _GATE_POWER, {"current_a": i2})
        )
    if len(ends) == 2:
        (plus, u_plus), (minus, u_minus) = ends[1.0], ends[-1.0]
        plus, minus = max(plus, u_plus), max(minus, u_minus)
        ratio = math.log(plus / minus)
        u = math.hypot(min(1.0, u_plus / plus), min(1.0, u_minus / minus))
        z = ratio / math.hypot(_GATE_SYMMETRY_SD, u)
        details = {"current_a": max(plus, minus), "symmetry": 1.0}
        found.append(
            ("gate-shape", 0.0, z, 2.0 * tail(abs(z), PRIOR_DOF), math.exp(ratio), 1.0, details)
        )
    return found
