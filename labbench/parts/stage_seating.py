"""Tell how a power stage lies in its jig, from the resistances between its terminals at 0.2 V.

A stage is, unpowered and at 0.2 V, a network of resistors between its terminals; its type says how
large most of them are. The pattern read through the jig is compared with that network as it looks
when the part lies as marked, turned by half a turn, or shifted: by a terminal of the jig, and by a
pin of the package where the type gives its pins. A part may be faulty as well, so each way of lying
is given the resistor somewhere that suits it best, and a few readings may be off altogether; what
counts is which way explains the readings best. Own method; no source.
"""

from __future__ import annotations

__all__ = ["TERMINALS", "Array", "How", "PairReading", "Seating", "all_pairs", "seating"]

import math
from collections.abc import Mapping, Sequence
from itertools import combinations
from typing import Final, Literal

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from labbench.parts.stage_steps import SHORT
from labbench.parts.stage_type import StageType

Array = NDArray[np.float64]
How = Literal["as-marked", "turned", "shifted"]

#: the terminals of the jig in the order in which they lie in it
TERMINALS: Final = ("vin", "sw", "pgnd", "vdrv", "boot", "pwm", "en")
#: pins that are a terminal under another name
_SAME: Final[Mapping[str, str]] = {"agnd": "pgnd", "phase": "sw"}
#: resistors that the network has; those between vin and sw, or of unknown types, follow from these
_BRANCHES: Final = (
    ("vin", "pgnd"), ("sw", "pgnd"), ("vdrv", "pgnd"), ("boot", "sw"), ("pwm", "pgnd"),
    ("en", "pgnd"),
)  # fmt: skip
#: what an unpowered input or supply may have where the type gives a minimum only, or nothing (ohm)
_LEAST_OHM, _MOST_OHM = 10e3, 10e6
_UNKNOWN_STEPS = 7
#: from vdrv to boot and to pwm inside the driver (ohm; assumed, as no type says it)
_INSIDE: Final[Mapping[tuple[str, str], float]] = {("vdrv", "boot"): 1e6, ("vdrv", "pwm"): 450e3}
#: one resistor more, for a part that is faulty as well
_FAULT_OHM: Final = tuple(10.0**e for e in (-2, 0, 2, 3, 4, 4.5, 5, 5.5, 6))
_Fault = tuple[int, int, float]
_NO_FAULT: Final[_Fault] = (0, 1, 1e12)
#: both switches often melt together
_MOST_FAULTS: Final = 2
#: logarithmic scatter of readings about a network that fits (assumed: no network of resistors is
#: quite what a driver does at 0.2 V), and of two lines on one terminal
_SCATTER, _JOINED_SCATTER = 0.15, 2.0
#: a resistor that the type names lies within its tolerance, which is so many standard deviations
_TOLERANCE_SIGMAS = 2.0
_DEFAULT_TOLERANCE = 0.6
_CONTACT_OHM = 0.1
#: share of readings that fit nothing, and the width over which they lie (natural logarithm)
_STRAY_SHARE, _STRAY_WIDTH = 0.02, 28.0
#: a fault is rarer than none: it has to explain this much (natural logarithm)
_FAULT_COST = 6.0
#: lying as marked has to be likelier than any other way by this (natural logarithm)
_CLEARLY = 4.0
_SWEEPS, _CLOSER = 4, 0.35


@frozen
class PairReading:
    """Hold the resistance from one terminal to another (ohm); infinite beyond `greater_than_ohm`.

    `relative_u` is the standard uncertainty as a share.
    """

    one: str
    other: str
    ohm: float
    greater_than_ohm: float
    relative_u: float = 0.05


@frozen
class Seating:
    """Hold how a part lies: the likeliest way and by how much it is likelier than as marked.

    `margin` is a difference of natural logarithms of likelihoods: as marked less the best other
    way. `known` is False where the type says too little to tell.
    """

    how: How
    margin: float
    known: bool = True


def all_pairs() -> tuple[tuple[str, str], ...]:
    """Give every pair of terminals, in the direction in which the steps name it."""
    named = {frozenset(path.split("-")): path for path in SHORT.paths}
    return tuple(
        (one, other) if (path := named.get(frozenset((one, other)))) is None
        else (path.split("-")[0], path.split("-")[1])
        for one, other in combinations(TERMINALS, 2)
    )  # fmt: skip


def seating(readings: Sequence[PairReading], part: StageType) -> Seating:
    """Tell how a part lies from what was read between its terminals.

    Needs nominal resistances of at least two paths in the type's `[limits] short`, and three
    readings; else `known` is False.
    """
    nominal = {
        limit.path: limit.nominal
        for limit in part.limits_of(SHORT.name)
        if limit.nominal is not None and limit.state.get("polarity", "+") == "+"
    }
    if len(nominal) < 2 or len(readings) < 3:
        return Seating("as-marked", 0.0, known=False)
    ways = _ways(part)
    scores = [
        (_Fit(readings, touched, part).best(), how) for how, touched in ways
    ]  # fmt: skip
    as_marked = scores[0][0]
    best, how = max(scores[1:], key=lambda each: each[0])
    margin = as_marked - best
    return Seating("as-marked" if margin > _CLEARLY else how, margin)


def _ways(part: StageType) -> list[tuple[How, tuple[frozenset[str], ...]]]:
    """Give for each way of lying which terminals of the part each line of the jig touches."""
    order = [frozenset({name}) for name in TERMINALS]
    nothing: frozenset[str] = frozenset()
    ways: list[tuple[How, tuple[frozenset[str], ...]]] = [
        ("as-marked", tuple(order)),
        ("turned", tuple(reversed(order))),
        ("shifted", (nothing, *order[:-1])),
        ("shifted", (*order[1:], nothing)),
    ]
    if not all(name in part.pins for name in TERMINALS):
        return ways
    role = {
        pin: _SAME.get(name, name) for name, numbers in part.pins.items() for pin in numbers
    }  # fmt: skip
    count = max(role) + max(role) % 2

    def touched(moved: int) -> tuple[frozenset[str], ...]:
        return tuple(
            frozenset(
                found
                for pin in part.pins[name]
                if (found := role.get((pin - 1 + moved) % count + 1)) in TERMINALS
            )
            for name in TERMINALS
        )

    return [
        *ways, ("turned", touched(count // 2)), ("shifted", touched(1)), ("shifted", touched(-1)),
    ]  # fmt: skip


class _Fit:
    """Fit what the type leaves open, and one fault, to the readings for one way of lying."""

    def __init__(
        self,
        readings: Sequence[PairReading],
        touched: tuple[frozenset[str], ...],
        part: StageType,
    ) -> None:
        self._readings = readings
        self._branches = [*_BRANCHES, *_INSIDE]
        self._ranges: list[tuple[float, float, float]] = [
            _range(part, one, other) for one, other in _BRANCHES
        ]
        self._ranges += [(ohm / 30.0, ohm * 10.0, math.inf) for ohm in _INSIDE.values()]
        self._pairs = list(combinations(range(len(TERMINALS)), 2))
        # lines of the jig that touch the same terminal are one node, and so are the terminals
        lines = dict(zip(TERMINALS, touched, strict=True))
        self._of_line = {name: _joined(name, lines) for name in TERMINALS}
        places = {name: place for place, name in enumerate(TERMINALS)}
        self._place = places
        node = list(range(len(TERMINALS)))
        for names in self._of_line.values():
            members = sorted(places[name] for name in names)
            for member in members[1:]:
                first, second = node[members[0]], node[member]
                node = [first if each == second else each for each in node]
        self._node = node

    def best(self) -> float:
        """Return the largest logarithm of the likelihood, with up to two faults."""
        ohms = np.array([math.sqrt(low * high) for low, high, _ in self._ranges])
        candidates = [_NO_FAULT] + [(a, b, ohm) for a, b in self._pairs for ohm in _FAULT_OHM]
        faults = [_NO_FAULT] * _MOST_FAULTS
        score = -math.inf
        for sweep in range(_SWEEPS):
            for place, (low, high, _) in enumerate(self._ranges):
                # each sweep looks closer about what the one before found
                near = (high / low) ** (0.5 * _CLOSER**sweep)
                here = float(ohms[place])
                tries = np.geomspace(
                    max(low, here / near), min(high, here * near), _UNKNOWN_STEPS
                )  # fmt: skip
                many = np.repeat(ohms[None, :], len(tries), axis=0)
                many[:, place] = tries
                scores = self._scores(many, [faults] * len(tries))
                ohms = many[int(np.argmax(scores))]
            for which in range(_MOST_FAULTS):
                sets = [[*faults[:which], one, *faults[which + 1 :]] for one in candidates]
                scores = self._scores(np.repeat(ohms[None, :], len(sets), axis=0), sets)
                costs = [sum(_FAULT_COST for one in each if one != _NO_FAULT) for each in sets]
                scores -= np.array(costs)
                best = int(np.argmax(scores))
                faults, score = sets[best], float(scores[best])
        return score

    def _scores(self, ohms: Array, faults: Sequence[Sequence[_Fault]]) -> Array:
        """Return the logarithm of the likelihood of each set of resistors."""
        count, size = len(ohms), len(TERMINALS)
        matrix = np.zeros((count, size, size))

        def join(a: int, b: int, siemens: Array) -> None:
            a, b = self._node[a], self._node[b]
            if a == b:
                return
            matrix[:, a, a] += siemens
            matrix[:, b, b] += siemens
            matrix[:, a, b] -= siemens
            matrix[:, b, a] -= siemens

        for place, (one, other) in enumerate(self._branches):
            join(self._place[one], self._place[other], 1.0 / ohms[:, place])
        for number, each in enumerate(faults):
            for first, second, ohm in each:
                a, b = self._node[first], self._node[second]
                if a != b:
                    matrix[number, [a, b], [a, b]] += 1.0 / ohm
                    matrix[number, [a, b], [b, a]] -= 1.0 / ohm
        # a little to a common point keeps a network with loose ends solvable
        matrix[:, range(size), range(size)] += 1e-13
        inverse: Array = np.asarray(np.linalg.inv(matrix), dtype=np.float64)
        total = np.zeros(count)
        for place, (low, high, sd) in enumerate(self._ranges):
            total -= 0.5 * (np.log(ohms[:, place] / math.sqrt(low * high)) / sd) ** 2
        for reading in self._readings:
            total += self._likelihood(reading, inverse)
        return total

    def _likelihood(self, reading: PairReading, inverse: Array) -> Array:
        one, other = self._of_line[reading.one], self._of_line[reading.other]
        if not one or not other:
            expected = np.full(len(inverse), 1e12)
            scatter = _JOINED_SCATTER
        else:
            a = self._node[self._place[min(one)]]
            b = self._node[self._place[min(other)]]
            expected = inverse[:, a, a] + inverse[:, b, b] - 2.0 * inverse[:, a, b]
            scatter = _JOINED_SCATTER if a == b else _SCATTER
        mean = np.log(np.maximum(expected, 0.0) + _CONTACT_OHM)
        sd = math.hypot(scatter, reading.relative_u)
        if math.isfinite(reading.ohm) and reading.ohm < reading.greater_than_ohm:
            z = (math.log(max(reading.ohm, _CONTACT_OHM)) - mean) / sd
            found = np.exp(-0.5 * z**2) / (sd * math.sqrt(2.0 * math.pi))
            stray = 1.0 / _STRAY_WIDTH
        else:
            from scipy.special import ndtr

            found = ndtr((mean - math.log(reading.greater_than_ohm)) / sd)
            stray = 0.5
        return np.asarray(np.log((1.0 - _STRAY_SHARE) * found + _STRAY_SHARE * stray))


def _range(part: StageType, one: str, other: str) -> tuple[float, float, float]:
    """Give where a resistor may lie (ohm), and the logarithmic spread about its middle."""
    limits = [
        limit
        for limit in part.limits_of(SHORT.name, f"{one}-{other}")
        if limit.state.get("polarity", "+") == "+"
    ]
    for limit in limits:
        if limit.nominal is not None:
            share = (limit.upper or 0.0) / limit.nominal - 1.0
            wide = 1.0 + (share if share > 0.0 else _DEFAULT_TOLERANCE)
            spread = math.log(wide) / _TOLERANCE_SIGMAS
            return limit.nominal / wide, limit.nominal * wide, spread
    low = max((limit.lower for limit in limits if limit.lower is not None), default=_LEAST_OHM)
    high = min((limit.upper for limit in limits if limit.upper is not None), default=_MOST_OHM)
    return low, max(high, low), math.inf


def _joined(line: str, touched: Mapping[str, frozenset[str]]) -> frozenset[str]:
    """Give all terminals of the part that a line is joined to, by way of other lines too."""
    found = touched[line]
    while True:
        more = found.union(*(names for names in touched.values() if names & found))
        if more == found:
            return found
        found = more
