"""Separate what a resistor draws from what a sound junction or gate does, by two voltages.

Ohmic part of the drain leakage. A junction's leakage grows as (1 + V/0.7)^m - 1, m about 0.5, a
resistor's as V. From two voltages G = (I2 - k I1) / (V2 - k V1), with k = I2/I1 of the siblings, or
that of the law where there are none. Temperature cancels: both currents double together.

Gate. A healthy gate's current grows as V^1.5 and is the same in both directions; a resistor's
doubles with the voltage, and is told apart as in the drain; a gate that was weakened by a discharge
has a power of 2.5 to 6, and often one direction.

What is assumed of a law counts as if eight parts had told it. The readings' own uncertainty is made
of limits and noise and needs no such allowance: where it leads, the tail is nearly the normal one.
Degrees of freedom of both together: Welch and Satterthwaite (JCGM 100 G.4.1).
"""

from __future__ import annotations

__all__ = [
    "GateSiblings", "GateSplit", "Weighed", "drain_ohmic", "drain_pair", "gate_ohmic",
    "gate_shape", "gate_split", "ratio_by_law",
]  # fmt: skip

import math
from collections.abc import Iterator, Sequence
from statistics import median

from attrs import field, frozen

from labbench.judging.robust_scale import LEAST_SIBLINGS, Reference, learn, tail
from labbench.results import DrainLeakage, GateLeakage

_BUILT_IN_V = 0.7
#: exponent of the junction's law: over all lots, and its spread (assumed)
_EXPONENT, _EXPONENT_SD = 0.5, 0.045
#: the same where a Schottky diode carries the leakage: the field lowers its barrier (image force,
#: textbook), so it rises more steeply and by how much differs between designs (assumed)
_SCHOTTKY_EXPONENT, _SCHOTTKY_EXPONENT_SD = 0.6, 0.10
#: relative change of a leakage by 0.1 K between the two readings
_DRIFT = 0.007
#: what the gains of two ranges differ by, relative
_GAINS = 2e-3
#: power of a healthy gate's current, its spread, and the spread of ln(I+/I-); assumed
_GATE_POWER, _GATE_POWER_SD, _GATE_SYMMETRY_SD = 1.5, 0.15, 0.3
#: the same between the parts of one lot, whose oxide is one: a third of it (assumed)
_GATE_POWER_SD_IN_LOT = 0.05
#: so many standard uncertainties explain what all siblings' gates show (95 %)
_EXPLAINED_US = 2.0
#: how many parts the assumed spread of a law is worth
_ASSUMED_DOF = 8.0
#: leakage read so is seen no better than a milliampere: nothing to separate
_BLIND = "supply-readback"
#: two voltages this far apart tell a law
_DRAIN_APART, _GATE_APART = 2.0, 1.5


@frozen
class Weighed:
    """Hold one test: its name, voltage (V), sigmas, and the share of sound parts that far off.

    `at` is 0 where both directions of the gate are compared. `value` and `expected` are siemens,
    a power or a ratio, by the test; `details` are for what is said of it.
    """

    test: str
    at: float
    z: float
    p: float
    value: float
    expected: float
    details: dict[str, float] = field(factory=dict)


def drain_ohmic(
    entries: Sequence[DrainLeakage], siblings: Reference | None, *, schottky: bool
) -> Weighed | None:
    """Test for a resistor across the drain; None where the voltages tell none.

    `siblings` say what ln(I2/I1) is between the same two voltages; None: the law does.
    """
    pair = drain_pair(entries)
    if pair is None:
        return None
    (v1, i1, u1), (v2, i2, u2) = pair
    if siblings is not None:
        ln_k, u_ln_k = siblings.centre, siblings.scale
    else:
        ln_k, u_ln_k = ratio_by_law(v1, v2, schottky=schottky)
    if math.exp(ln_k) >= 0.9 * v2 / v1:
        return None  # the siblings leak ohmically themselves: nothing to separate

    def split(ln_k: float, u_ln_k: float) -> tuple[float, float, float]:
        """Return conductance (S), its uncertainty, and that part of it which the law brings."""
        k = math.exp(ln_k)
        over = v2 - k * v1
        conductance = (i2 - k * i1) / over
        # the junction's own part of the low current, which a strong leak would hide
        junction = max(0.0, i1 - max(0.0, conductance) * v1)
        by_law = k * junction * u_ln_k / over
        by_readings = math.hypot(u2, k * u1, _DRIFT * k * junction, _GAINS * i2) / over
        return conductance, math.hypot(by_law, by_readings), by_law

    conductance, u, by_law = split(ln_k, u_ln_k)
    z = conductance / u
    if siblings is None:
        p = tail(z, _dof(u, by_law))
    else:
        p = 0.0
        for weight, centre, sd in zip(
            siblings.weights, siblings.centres, siblings.sds, strict=True
        ):
            g, u_g, _ = split(min(centre, math.log(0.95 * v2 / v1)), sd)
            p += weight * 0.5 * math.erfc(g / u_g / math.sqrt(2.0))
    details = {
        "conductance_s": conductance, "u_s": u, "ratio": i2 / i1 if i1 > 0.0 else math.inf,
        "voltage_ratio": v2 / v1, "expected_ratio": math.exp(ln_k), "high_v": v2, "low_v": v1,
    }  # fmt: skip
    return Weighed("ohmic", v2, z, p, conductance, 0.0, details)


def drain_pair(
    entries: Sequence[DrainLeakage],
) -> tuple[tuple[float, float, float], tuple[float, float, float]] | None:
    """Return lowest and highest voltage with current and u (V, A, A); None where too near."""
    valued = sorted(
        (e.voltage_v, e.current_a, e.u_current_a)
        for e in entries
        if e.current_a is not None
        and e.u_current_a is not None
        and not e.repeat
        and e.method != _BLIND
    )
    if len(valued) < 2 or valued[-1][0] < _DRAIN_APART * valued[0][0]:
        return None
    return valued[0], valued[-1]


def ratio_by_law(v1: float, v2: float, *, schottky: bool) -> tuple[float, float]:
    """Return ln(I2/I1) of a healthy junction and its spread over lots and parts."""

    def rise(volts: float, m: float) -> float:
        return float((1.0 + volts / _BUILT_IN_V) ** m - 1.0)

    def ln_k(m: float) -> float:
        return math.log(rise(v2, m) / rise(v1, m))

    m, sd = (_SCHOTTKY_EXPONENT, _SCHOTTKY_EXPONENT_SD) if schottky else (_EXPONENT, _EXPONENT_SD)
    slope = (ln_k(m + 0.01) - ln_k(m - 0.01)) / 0.02
    return ln_k(m), abs(slope) * sd


def _dof(u: float, by_law: float) -> float:
    """Return the degrees of freedom where a part of `u` rests on an assumed law."""
    if by_law <= 0.0:
        return math.inf
    return _ASSUMED_DOF * (u / by_law) ** 4


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
            and e.method != _BLIND
            and e.voltage_v * sign > 0.0
        )
        if valued:
            yield sign, valued


@frozen
class GateSplit:
    """Hold a gate's current split into a resistor's and its own, both directions together.

    `conductance_s` and what the readings leave open of it (standard uncertainty, `by_readings_s`);
    `per_power_s`: by how much it changes with the assumed power of the gate's own current. `at` is
    the higher voltage (V).
    """

    at: float
    conductance_s: float
    by_readings_s: float
    per_power_s: float


def gate_split(entries: Sequence[GateLeakage]) -> GateSplit | None:
    """Split a gate's current; None where the voltages tell nothing.

    G = (k I1 - I2) / (k V1 - V2), k = (V2/V1)^1.5.
    """
    found: list[GateSplit] = []
    for _, valued in _sides(entries):
        (v1, i1, u1), (v2, i2, u2) = valued[0], valued[-1]
        if v2 < _GATE_APART * v1:
            continue
        k = (v2 / v1) ** _GATE_POWER
        over = k * v1 - v2
        conductance = (k * i1 - i2) / over
        own = max(0.0, i1 - max(0.0, conductance) * v1)
        found.append(
            GateSplit(v2, conductance, math.hypot(u2, k * u1, _GAINS * i2) / over,
                      k * own * math.log(v2 / v1) / over)
        )  # fmt: skip
    if not found:
        return None
    count = len(found)
    # of the readings' u only half averages out; the power is the same in both directions
    by_readings = math.sqrt(
        math.fsum(s.by_readings_s**2 for s in found) / count / (1.0 + 0.5 * (count - 1))
    )
    return GateSplit(
        max(s.at for s in found),
        math.fsum(s.conductance_s for s in found) / count,
        by_readings,
        math.fsum(s.per_power_s for s in found) / count,
    )


@frozen
class GateSiblings:
    """Hold what siblings say of a sound gate's conductance, and what a typical one's is made of.

    What is wrong for all of them (the power of the lot, the meter, the fixture) is in the centre
    and so drops out; the `reference` spreads as the readings and the parts of one lot do.
    """

    reference: Reference
    by_readings_s: float
    per_power_s: float

    @classmethod
    def of(cls, splits: Sequence[GateSplit], *, doubt: float) -> GateSiblings | None:
        """Learn from siblings; None from fewer than three, and where they leak themselves.

        That is where their centre lies higher than law and readings explain: what all of them
        have, as a film of flux, must not make a leak sound.
        """
        if len(splits) < LEAST_SIBLINGS:
            return None
        by_readings = median(s.by_readings_s for s in splits)
        per_power = median(s.per_power_s for s in splits)
        spread = math.hypot(by_readings, _GATE_POWER_SD_IN_LOT * per_power)
        reference = learn([s.conductance_s for s in splits], spread, doubt=doubt)
        explained = _EXPLAINED_US * math.hypot(by_readings, _GATE_POWER_SD * per_power)
        if reference is None or reference.centre > explained:
            return None
        return cls(reference, by_readings, per_power)

    def open_s(self, split: GateSplit) -> float:
        """Return what stays open of a part beyond that, where it is no typical one (S).

        The power of the lot drops out only as far as the part's own current is like its siblings'.
        """
        return math.hypot(
            math.sqrt(max(0.0, split.by_readings_s**2 - self.by_readings_s**2)),
            _GATE_POWER_SD_IN_LOT * math.sqrt(max(0.0, split.per_power_s**2 - self.per_power_s**2)),
            _GATE_POWER_SD * (split.per_power_s - self.per_power_s),
        )


def gate_ohmic(split: GateSplit | None, siblings: GateSiblings | None) -> Weighed | None:
    """Test for a resistor at the gate; None where the voltages told nothing."""
    if split is None:
        return None
    g = split.conductance_s
    if siblings is not None:
        open_s, reference = siblings.open_s(split), siblings.reference
        z, p = reference.z(g, open_s), reference.above(g, open_s)
        u = math.hypot(reference.scale, open_s)
    else:
        by_law = _GATE_POWER_SD * split.per_power_s
        u = math.hypot(split.by_readings_s, by_law)
        z = g / u
        p = tail(z, _dof(u, by_law))
    return Weighed("gate-ohmic", split.at, z, p, g, 0.0, {"conductance_s": g, "u_s": u})


def gate_shape(entries: Sequence[GateLeakage]) -> list[Weighed]:
    """Test the power of the gate's current in each direction, and both against each other."""
    found: list[Weighed] = []
    ends: dict[float, tuple[float, float]] = {}
    for sign, signed in _sides(entries):
        valued = [(volts, abs(amps), u) for volts, amps, u in signed]
        v2, i2, u2 = valued[-1]
        ends[sign] = (i2, u2)
        v1, i1, u1 = valued[0]
        if v2 < _GATE_APART * v1 or i2 < 3.0 * u2:
            continue
        low = max(i1, u1)
        power = math.log(i2 / low) / math.log(v2 / v1)
        u = math.hypot(u2 / i2, min(1.0, u1 / low)) / math.log(v2 / v1)
        z = (power - _GATE_POWER) / math.hypot(_GATE_POWER_SD, u)
        found.append(
            Weighed("gate-shape", sign * v2, z, tail(z, _ASSUMED_DOF), power, _GATE_POWER,
                           {"current_a": i2})
        )  # fmt: skip
    if len(ends) == 2:
        (plus, u_plus), (minus, u_minus) = ends[1.0], ends[-1.0]
        plus, minus = max(plus, u_plus), max(minus, u_minus)
        ratio = math.log(plus / minus)
        u = math.hypot(min(1.0, u_plus / plus), min(1.0, u_minus / minus))
        z = ratio / math.hypot(_GATE_SYMMETRY_SD, u)
        found.append(
            Weighed("gate-shape", 0.0, z, 2.0 * tail(abs(z), _ASSUMED_DOF),
                           math.exp(ratio), 1.0,
                           {"current_a": max(plus, minus), "symmetry": 1.0})
        )  # fmt: skip
    return found
