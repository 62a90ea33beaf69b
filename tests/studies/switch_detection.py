"""Measure how often simulated MOSFETs are judged right, per type, fault and severity.

Run it with `python -m tests.studies.switch_detection --write`. Lots of six come from the
simulator's populations; each part is measured in the loop of the bench (`switch_loop`) with the
errors of one session, and judged with its five lot-mates as siblings. A faulty part is one of the
six that a fault befell; its siblings are the sound ones. No threshold was set on these parts: they
follow from the false-reject rate and what is assumed of spreads. Rules and shares were tried out on
lots of other seeds of the same populations.

Beside it: no siblings, one of the five bad, a coarser multimeter, no multimeter, three methods by
hand, whose limits are set on sound parts that are not scored, and the edges of the goals at wider
spreads (`switch_edges`). Does not cover: procedures in time, drivers, people, dirt; siblings of
another session.
"""

from __future__ import annotations

import argparse
import math
import sys
import time
from collections.abc import Sequence
from functools import cache
from pathlib import Path

import numpy as np
from attrs import frozen

from labbench.judging.judge import judge
from labbench.judging.switch import NEEDED_BLOCKS
from labbench.parts.mosfet_type import MosfetType
from labbench.results import Readings
from sim.physics.devices.device import told
from sim.physics.devices.mosfet import Mosfet
from sim.physics.devices.mosfet_faults import (
    DRAIN_SOURCE,
    GATE_SOURCE,
    MosfetFault,
    OhmicLeak,
)
from sim.physics.devices.mosfet_truth import drain_leakage_a, gate_leakage_a
from tests.studies.switch_edges import SPREADS_SHOWN, EdgeStudy, study_edges
from tests.studies.switch_loop import SwitchLoop
from tests.studies.switch_lots import (
    LOT,
    TYPES,
    Lot,
    construction_of,
    draw_lot,
    draw_parts,
    part_type_of,
)
from tests.studies.switch_report import report
from tests.studies.switch_severities import BANDS, SMALL_LEAKS_OHM, Band
from tests.studies.tally import Tally, named_right

RESULTS = Path(__file__).parent / "results" / "switches.md"
SEED = 20261127
#: coarser benches are shown for these
_ALSO_COARSE = ("nfet-30v-5m", "nfet-30v-schottky")
_NOT_READ = tuple(block for block in NEEDED_BLOCKS if block != "short_check")

_HAND_RANGE_OHM, _HAND_GATE_OHM, _DIODE_TEST_OHM, _READBACK_A = 40e6, 0.83e6, 2e3, 2e-3
_HAND_V = 0.5
_UNSCORED_SEED, _UNSCORED = 9_000_001, 60


@frozen
class ByHand:
    """Hold how a type is checked by hand: the ohms at 0.5 V below which a drain counts as bad."""

    drain_ohm: float

    def flags(self, part: Mosfet, test_v: float) -> dict[str, bool]:
        """Tell what an ohmmeter, a diode test and a supply's readback find."""
        drain = _HAND_V / max(abs(drain_leakage_a(part, _HAND_V)), 1e-15)
        gate = _HAND_V / max(abs(gate_leakage_a(part, _HAND_V)), 1e-15)
        return {
            "ohmmeter": drain < self.drain_ohm or gate < _HAND_GATE_OHM,
            "diode test": min(drain, gate) < _DIODE_TEST_OHM,
            "readback": abs(drain_leakage_a(part, test_v)) > _READBACK_A,
        }


@cache
def by_hand(type_name: str) -> ByHand:
    """Set the ohmmeter's limit on sound parts that are not scored: half of the least seen."""
    construction = construction_of(type_name)
    rng = np.random.default_rng(_UNSCORED_SEED)
    least = math.inf
    for _ in range(_UNSCORED):
        part = draw_parts(construction, rng, 1)[0]
        least = min(least, _HAND_V / drain_leakage_a(part, _HAND_V))
    return ByHand(min(_HAND_RANGE_OHM, 0.5 * least))


def _judged_hot(lot: Lot, k: int, part_type: MosfetType, rng: np.random.Generator) -> str:
    """Judge a part that came warm, by up to 20 K above 25 degrees, and nobody said so."""
    hot = float(rng.uniform(25.0, 45.0))
    line = lot.loop.measure(lot.parts[k], f"Q{k}", celsius=max(hot, lot.loop.session.room_c))
    return judge(line, part_type, siblings=lot.siblings_of(k)).disposition


def healthy_row(type_name: str, count: int, seed: int, *, roads: bool = True) -> Tally:
    """Judge sound parts; `roads` also without siblings, with a bad one, hot, on other benches."""
    rng = np.random.default_rng(seed)
    part_type, construction = part_type_of(type_name), construction_of(type_name)
    hand = by_hand(type_name) if roads else None
    tally = Tally()
    for _ in range(-(-count // LOT)):
        lot = draw_lot(construction, part_type, rng)
        for k, line in enumerate(lot.lines):
            siblings = lot.siblings_of(k)
            tally.add(judge(line, part_type, siblings=siblings))
            if not roads:
                continue
            tally.also("none", judge(line, part_type).disposition == "unfit")
            if k % 2:
                continue
            spoiled = _spoiled(lot, siblings, rng)
            found = judge(line, part_type, siblings=spoiled)
            tally.also("1 of 5", found.disposition == "unfit")
            tally.also("1 of 5 undecided", found.disposition == "undecided")
            word = _judged_hot(lot, k, part_type, rng)
            tally.also("hot", word == "unfit")
            tally.also("hot undecided", word == "undecided")
            if hand is not None and k == 0:
                for road, flag in hand.flags(lot.parts[k], lot.loop.conditions.drain_v).items():
                    tally.also(road, flag)
            if k == 0:
                tally.also("no meter", without_meter(lot, k, None) == "unfit")
    return tally


def _spoiled(lot: Lot, siblings: Sequence[Readings], rng: np.random.Generator) -> list[Readings]:
    """Replace one sibling by a part of the lot that some fault befell."""
    band = BANDS[int(rng.integers(len(BANDS)))]
    bad = lot.parts[0].with_fault(band.draw(rng))
    line = lot.loop.measure(bad, "bad", celsius=lot.celsius[0])
    return [*siblings[:-1], line]


def without_meter(lot: Lot, k: int, fault: MosfetFault | None) -> str:
    """Judge a part on a bench with a supply only."""
    loop = SwitchLoop(lot.loop.session, lot.loop.part_type, with_multimeter=False)
    part = lot.parts[k] if fault is None else lot.parts[k].with_fault(fault)
    line = loop.measure(part, f"Q{k}", celsius=lot.celsius[k])
    return judge(line, lot.loop.part_type, beyond=_NOT_READ).disposition


def fault_rows(
    type_name: str, bands: Sequence[Band], count: int, seed: int, *, roads: bool = True,
    multimeter: str = "6.5-digit",
) -> dict[str, Tally]:  # fmt: skip
    """Judge faulty parts of every band; lots are shared by the bands."""
    rng = np.random.default_rng(seed)
    part_type, construction = part_type_of(type_name), construction_of(type_name)
    hand = by_hand(type_name) if roads else None
    tallies = {band.name: Tally() for band in bands}
    for _ in range(-(-count // LOT)):
        lot = draw_lot(construction, part_type, rng, multimeter=multimeter)
        for band in bands:
            for k in range(LOT):
                fault = band.draw(rng)
                part = lot.parts[k].with_fault(fault)
                line = lot.loop.measure(part, f"Q{k}", celsius=lot.celsius[k])
                siblings = lot.siblings_of(k)
                judgement = judge(line, part_type, siblings=siblings)
                truth = told(fault)
                tally = tallies[band.name]
                tally.add(judgement, named=named_right(judgement, truth["fault"], truth["paths"]))
                if not roads:
                    continue
                tally.also("none", judge(line, part_type).disposition == "unfit")
                if k % 2 == 0:
                    found = judge(line, part_type, siblings=_spoiled(lot, siblings, rng))
                    tally.also("1 of 5", found.disposition == "unfit")
                else:
                    tally.also("no meter", without_meter(lot, k, fault) == "unfit")
                    assert hand is not None
                    for road, flag in hand.flags(part, lot.loop.conditions.drain_v).items():
                        tally.also(road, flag)
    return tallies


def small_leaks(type_name: str, count: int, seed: int) -> list[tuple[str, float, Tally]]:
    """Judge parts with one ohmic leak of each size, drain and gate."""
    found = []
    for path in (DRAIN_SOURCE, GATE_SOURCE):
        bands = [
            Band(path, f"{ohm:g}", lambda rng, p=path, r=ohm: OhmicLeak(p, r))
            for ohm in SMALL_LEAKS_OHM
        ]
        rows = fault_rows(type_name, bands, count, seed, roads=False)
        alone = _alone(type_name, bands, count, seed)
        for band, ohm in zip(bands, SMALL_LEAKS_OHM, strict=True):
            tally = rows[band.name]
            tally.unfit_by["none"], tally.asked_by["none"] = alone[band.name]
            found.append((path, ohm, tally))
    return found


def _alone(
    type_name: str, bands: Sequence[Band], count: int, seed: int
) -> dict[str, tuple[int, int]]:
    rng = np.random.default_rng(seed + 1)
    part_type, construction = part_type_of(type_name), construction_of(type_name)
    found = {band.name: (0, 0) for band in bands}
    for _ in range(-(-count // LOT)):
        lot = draw_lot(construction, part_type, rng, count=LOT)
        for band in bands:
            for k in range(LOT):
                part = lot.parts[k].with_fault(band.draw(rng))
                line = lot.loop.measure(part, f"Q{k}", celsius=lot.celsius[k])
                hits, asked = found[band.name]
                found[band.name] = (
                    hits + (judge(line, part_type).disposition == "unfit"), asked + 1
                )  # fmt: skip
    return found


def run(*, healthy_count: int, fault_count: int, seed: int = SEED) -> str:
    """Run the study and give its page."""
    healthy, faults, coarse, hand_ohm = {}, {}, {}, {}
    edges: dict[str, dict[str, EdgeStudy]] = {}
    for k, name in enumerate(TYPES):
        hand_ohm[name] = by_hand(name).drain_ohm
        healthy[name] = healthy_row(name, healthy_count, seed + 10 * k)
        faults[name] = fault_rows(name, BANDS, fault_count, seed + 10 * k + 1)
        if name in _ALSO_COARSE:
            coarse[name] = fault_rows(
                name, BANDS, fault_count // 2, seed + 10 * k + 2, roads=False,
                multimeter="4.5-digit",
            )  # fmt: skip
        edges[name] = {
            words: study_edges(
                name, spread, sound=0 if spread is None else healthy_count * 3 // 5,
                faulty=(4 if spread is None else 2) * fault_count, seed=seed + 10 * k + 3 + n,
            )
            for n, (words, spread) in enumerate(SPREADS_SHOWN.items())
        }  # fmt: skip
        print(f"{name} done after {time.process_time():.0f} s", file=sys.stderr, flush=True)
    small = small_leaks("nfet-30v-5m", 2 * fault_count, seed + 77)
    return report(healthy, faults, coarse, edges, small, hand_ohm, seed=seed)


def main() -> None:
    """Run the study; `--write` keeps its page, `--healthy` and `--faulty` set the counts."""
    parser = argparse.ArgumentParser(description=main.__doc__)
    parser.add_argument("--write", action="store_true")
    parser.add_argument("--healthy", type=int, default=1002)
    parser.add_argument("--faulty", type=int, default=60)
    options = parser.parse_args()
    text = run(healthy_count=options.healthy, fault_count=options.faulty)
    if options.write:
        RESULTS.parent.mkdir(exist_ok=True)
        RESULTS.write_text(text, encoding="utf-8")
    sys.stdout.write(text)


if __name__ == "__main__":
    main()
