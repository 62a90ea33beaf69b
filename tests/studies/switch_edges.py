"""Measure what is found at the edges of the goals, and what could be found there at all.

Beside the judging stands an oracle: it knows the population that the parts come from, spreads and
errors of measurement included, and that all five siblings are sound; it looks for this one fault of
this one size and spends all of the false rejects on it. It is the best linear test of readings
beside the siblings' mean (Fisher's discriminant, which is Neyman and Pearson's test where the
readings are normal), learned on every other lot and counted on the rest. Where a goal lies above
the oracle no judging reaches it. One oracle has the compared reading alone. The other has all that
bear on the fault, and gains from what the simulator leaves out: its lots spread channel and leads
alike, so that the ratio of two on-resistances shows a lifted clip; those of real lots need not.

Three spreads between the parts of a lot: the simulator's own, what judging assumes, and 1.4 times
that. Does not cover: what the oracle would lose by not knowing.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence

import numpy as np
from attrs import define, field, frozen
from numpy.typing import NDArray
from scipy.stats import norm

from labbench.judging.judge import judge
from labbench.results import Readings
from sim.physics.devices.mosfet_faults import (
    DRAIN_SOURCE,
    GATE_SOURCE,
    HighOnResistance,
    MosfetFault,
    OhmicLeak,
    ThresholdShift,
)
from tests.studies.switch_lots import LOT, construction_of, draw_lot, part_type_of
from tests.studies.tally import Tally

#: name of a spread -> times what judging assumes (None: the simulator's own)
SPREADS_SHOWN: Mapping[str, float | None] = {
    "simulator's": None, "as assumed": 1.0, "1.4 times": 1.4,
}  # fmt: skip
_LEAST_A = 1e-13

Array = NDArray[np.float64]


@frozen
class Edge:
    """Hold one edge: its words, the goal (per cent), its faults, and for which types.

    `features` of a part's readings, the compared one first.
    """

    name: str
    goal: float
    faults: tuple[MosfetFault, ...]
    features: Callable[[Readings], list[float]]
    only: tuple[str, ...] = ()

    def of(self, type_name: str) -> bool:
        """Tell whether the goal is one for this type."""
        return not self.only or type_name in self.only


def _ohms_first(line: Readings) -> list[float]:
    ohms = [math.log(o.value_ohm) for o in line.on_resistance if o.value_ohm]
    return [*ohms[::-1], *_volts(line)]


def _threshold_first(line: Readings) -> list[float]:
    ohms = [math.log(o.value_ohm) for o in line.on_resistance if o.value_ohm]
    return [*_volts(line), *ohms]


def _volts(line: Readings) -> list[float]:
    volts = [t.voltage_v for t in line.threshold if t.voltage_v is not None]
    return [*volts, line.body_diode[0].voltage_v or 0.0]


def _gate(line: Readings) -> list[float]:
    logs = [math.log(max(_LEAST_A, abs(g.current_a or 0.0))) for g in line.gate_leakage]
    return [*(high - low for low, high in zip(logs[::2], logs[1::2], strict=True)), *logs[1::2]]


def _drain(line: Readings) -> list[float]:
    low, high = (
        math.log(max(_LEAST_A, e.current_a or 0.0)) for e in line.drain_leakage if not e.repeat
    )
    return [high - low, high, line.body_diode[0].voltage_v or 0.0]


EDGES = (
    Edge("on-resistance +15 %", 98.0, (HighOnResistance(1.15),), _ohms_first),
    Edge("threshold ±0.25 V", 98.0, (ThresholdShift(0.25), ThresholdShift(-0.25)),
         _threshold_first),
    Edge("gate leak 10 GΩ", 95.0, (OhmicLeak(GATE_SOURCE, 10e9),), _gate,
         only=("nfet-30v-5m",)),
    Edge("drain leak 3 GΩ", 95.0, (OhmicLeak(DRAIN_SOURCE, 3e9),), _drain,
         only=("nfet-30v-5m",)),
    Edge("drain leak 500 kΩ", 95.0, (OhmicLeak(DRAIN_SOURCE, 500e3),), _drain,
         only=("nfet-30v-schottky",)),
)  # fmt: skip


@define
class EdgeRow:
    """Count what was found of one edge, with five siblings and with none, and by the oracle."""

    edge: Edge
    found: Tally = field(factory=Tally)
    alone: int = 0
    _sound: list[list[Array]] = field(factory=list)
    _faulty: list[list[list[Array]]] = field(factory=list)

    def add_lot(self, sound: list[Array], faulty: list[list[Array]]) -> None:
        """Keep a lot's features beside the siblings' mean: sound parts, and those of each fault."""
        self._sound.append(sound)
        self._faulty.append(faulty)

    def oracle(self, false_reject: float, *, of_all: bool) -> float:
        """Return the per cent that the oracle finds, by the compared reading or by all."""
        features = slice(None) if of_all else slice(0, 1)
        sides = len(self.edge.faults)
        found = []
        for side in range(sides):
            hits, asked = 0, 0
            for half in (0, 1):
                learned = np.array([x for lot in self._sound[half::2] for x in lot])[:, features]
                shifted = np.array([x for lot in self._faulty[half::2] for x in lot[side]])
                shifted = shifted[:, features]
                direction = np.linalg.solve(
                    np.atleast_2d(np.cov(learned, rowvar=False)),
                    shifted.mean(axis=0) - learned.mean(axis=0),
                )
                scores = learned @ direction
                limit = scores.mean() + norm.isf(false_reject / sides) * scores.std(ddof=1)
                other = np.array([x for lot in self._faulty[1 - half :: 2] for x in lot[side]])
                hits += int((other[:, features] @ direction > limit).sum())
                asked += len(other)
            found.append(hits / asked)
        return 100.0 * float(np.mean(found))


@define
class EdgeStudy:
    """Hold the rows of one type at one spread, and what its sound parts were called."""

    sound: Tally
    rows: dict[str, EdgeRow]


def study_edges(
    type_name: str, spread: float | None, *, sound: int, faulty: int, seed: int,
    edges: Sequence[Edge] = EDGES,
) -> EdgeStudy:  # fmt: skip
    """Judge `sound` sound parts and, of the first lots, `faulty` parts of every edge."""
    rng = np.random.default_rng(seed)
    part_type, construction = part_type_of(type_name), construction_of(type_name, spread)
    study = EdgeStudy(Tally(), {e.name: EdgeRow(e) for e in edges if e.of(type_name)})
    for n in range(-(-max(sound, faulty) // LOT)):
        lot = draw_lot(construction, part_type, rng)
        if n < -(-sound // LOT):
            for k, line in enumerate(lot.lines):
                study.sound.add(judge(line, part_type, siblings=lot.siblings_of(k)))
        for row in study.rows.values() if n < -(-faulty // LOT) else ():
            means = [
                np.mean([row.edge.features(s) for s in lot.siblings_of(k)], axis=0)
                for k in range(LOT)
            ]
            sound_ones = [
                np.array(row.edge.features(line)) - means[k] for k, line in enumerate(lot.lines)
            ]
            per_side: list[list[Array]] = [[] for _ in row.edge.faults]
            for k, part in enumerate(lot.parts):
                for side, fault in enumerate(row.edge.faults):
                    line = lot.loop.measure(part.with_fault(fault), f"Q{k}", celsius=lot.celsius[k])
                    per_side[side].append(np.array(row.edge.features(line)) - means[k])
                    # one side a part, so that the count is one of parts
                    if (k + n) % len(row.edge.faults) == side:
                        row.found.add(judge(line, part_type, siblings=lot.siblings_of(k)))
                        row.alone += judge(line, part_type).disposition == "unfit"
            row.add_lot(sound_ones, per_side)
    return study
