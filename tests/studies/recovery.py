"""Study how well the resistance of a short and the number of its turns are recovered.

    python tests/studies/recovery.py                 a few minutes
    python tests/studies/recovery.py --write         and into results/recovery.md

Simulated coils of closed cores (coil_lots.py says how they are drawn and read), a 1 MHz meter,
three siblings, the number of turns known. The truth is the resistance of the whole loop: the
contact and the wire of the shorted turns. Scored are: the estimate for one turn within a factor of
1.5 and 3, the interval (does it hold the truth), and the number of turns where one is stated.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
if __package__ in (None, ""):
    sys.path[0] = str(Path(__file__).resolve().parents[2])

import numpy as np

from labbench.judging.coil import Case, judge_coils
from labbench.judging.coil_lot_book import LotBook
from labbench.results import Judgement
from sim.physics.construction_file import construction
from sim.physics.faults import ShortedTurn
from sim.physics.population import draw_coil, draw_lot
from tests.studies.coil_lots import GRID_HZ, Lots, read_lots, study_type

TYPES = (
    "moulded-150n", "moulded-470n", "moulded-1u0", "moulded-4u7", "moulded-22u", "gapped-10u",
)  # fmt: skip
CONTACTS_OHM = (5e-5, 5e-4, 5e-3, 0.05, 0.2, 0.5, 1.0, 3.0)
SEED = 20260417
METER = "bench-1MHz"
RESULTS = Path(__file__).parent / "results"
_SIBLINGS = 3


@dataclass
class Recovered:
    """Count what was said of shorts of one kind."""

    parts: int = 0
    named: int = 0
    ratios: list[float] = field(default_factory=list)
    covered: int = 0
    numbers: int = 0
    stated: int = 0
    right: int = 0

    def add(self, judgement: Judgement, truth_ohm: float, turns: int) -> None:
        """Score one judgement against the loop's true resistance and number of turns."""
        self.parts += 1
        shorts = [f for f in judgement.findings if "short_resistance_ohm" in f.details]
        if not shorts:
            return
        self.named += 1
        said = shorts[0].details["short_resistance_ohm"]
        one = shorts[0].details["if_one_turn_ohm"]["value"]
        self.ratios.append(one / truth_ohm)
        self.covered += said["lower"] <= truth_ohm <= said["upper"]
        self.numbers += said["value"] is not None
        number = shorts[0].details["shorted_turns"]
        if number is not None:
            self.stated += 1
            self.right += number == turns

    def within(self, factor: float) -> float:
        """Return the percentage of named shorts whose one-turn estimate is within a factor."""
        logs = np.abs(np.log(self.ratios))
        return 100.0 * float(np.mean(logs <= np.log(factor))) if len(logs) else float("nan")

    def median(self) -> float:
        """Return the median of estimate over truth."""
        return float(np.median(self.ratios)) if self.ratios else float("nan")


def draw(name: str, count: int, *, seed: int) -> tuple[Lots, list[tuple[int, float]], np.ndarray]:
    """Draw lots with three siblings and one short of each contact and of 1, 2, 3 turns.

    Returns the lots, (turns, contact in ohm) of each faulty part, the true resistance of each loop
    (lots, parts; ohm).
    """
    built = construction(name)
    most = min(3, built.winding.turns - 1)
    kinds = [(m, ohm) for m in range(1, most + 1) for ohm in CONTACTS_OHM]
    parts = _SIBLINGS + len(kinds)
    impedance = np.empty((count, parts, len(GRID_HZ)), dtype=complex)
    dc, truth = np.empty((count, parts)), np.empty((count, len(kinds)))
    for i in range(count):
        rng = np.random.default_rng([seed, i])
        lot = draw_lot(built, rng)
        coils = [draw_coil(built, lot, rng) for _ in range(_SIBLINGS)]
        for k, (turns, ohm) in enumerate(kinds):
            start = int(rng.integers(1, built.winding.turns + 2 - turns))
            sound = draw_coil(built, lot, rng)
            truth[i, k] = ohm + turns * sound.dc_resistance_ohm() / built.winding.turns
            coils.append(sound.with_fault(ShortedTurn((start, start + turns), ohm)))
        for j, coil in enumerate(coils):
            impedance[i, j] = coil.impedance_ohm(GRID_HZ)
            dc[i, j] = coil.dc_resistance_ohm()
    return Lots(name, _SIBLINGS, 0, (), impedance, dc), kinds, truth


def study(types: Sequence[str], lots: int, *, seed: int) -> dict[tuple[str, int, float], Recovered]:
    """Judge every short of every lot beside its siblings; score by type, turns and contact."""
    found: dict[tuple[str, int, float], Recovered] = {}
    for name in types:
        drawn, kinds, truth = draw(name, lots, seed=seed)
        part = study_type(name)
        book = LotBook()
        for i, lot in enumerate(read_lots(drawn, METER, seed=seed + 1)):
            cases = [Case(r, part, lot[:_SIBLINGS]) for r in lot[_SIBLINGS:]]
            for (turns, ohm), true, judgement in zip(
                kinds, truth[i], judge_coils(cases, book=book), strict=True
            ):
                found.setdefault((name, turns, ohm), Recovered()).add(judgement, true, turns)
    return found


def page(found: dict[tuple[str, int, float], Recovered], lots: int, seed: int) -> Iterator[str]:
    """Yield the page of results."""
    yield "# What a short's resistance is, as recovered from the sweep"
    yield ""
    yield (
        f"`python tests/studies/recovery.py --write`, seed {seed}: {lots} simulated lots a type, "
        "three siblings, 1 MHz meter, turns known. Estimate: R2 = 2 pi fc 1.15 L0 / N^2 as for one "
        "turn. The truth is contact plus wire of the shorted turns."
    )
    yield ""
    yield "## One turn"
    yield ""
    yield (
        "| type | contact, ohm | named | median estimate / truth | within x1.5, % | within x3, % | "
        "interval holds the truth, % | number given, % | turns stated | right |"
    )
    yield "|---|" + "---|" * 9
    for (name, turns, ohm), r in found.items():
        if turns == 1:
            yield _row(f"{name} | {ohm:g}", r)
    yield ""
    yield "## Two and three turns"
    yield ""
    yield "| type | turns | contact, ohm | named | interval holds the truth, % | stated | right |"
    yield "|---|" + "---|" * 6
    for (name, turns, ohm), r in found.items():
        if turns > 1:
            yield (
                f"| {name} | {turns} | {ohm:g} | {r.named} of {r.parts} | "
                f"{_percent(r.covered, r.named)} | {r.stated} | {_percent(r.right, r.stated)} |"
            )


def _row(head: str, r: Recovered) -> str:
    return (
        f"| {head} | {r.named} of {r.parts} | {r.median():.2f} | {r.within(1.5):.0f} | "
        f"{r.within(3.0):.0f} | {_percent(r.covered, r.named)} | {_percent(r.numbers, r.named)} | "
        f"{r.stated} | {_percent(r.right, r.stated)} |"
    )


def _percent(count: int, of: int) -> str:
    return f"{100.0 * count / of:.0f}" if of else ""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the study."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--lots", type=int, default=100)
    parser.add_argument("--types", nargs="*", default=TYPES)
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--write", action="store_true", help="write results/recovery.md")
    chosen = parser.parse_args(arguments)
    lines = list(page(study(chosen.types, chosen.lots, seed=chosen.seed), chosen.lots, chosen.seed))
    print("\n".join(lines))
    if chosen.write:
        (RESULTS / "recovery.md").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
