"""Study lots of which most test parts are faulty, on a second population of coils.

    python tests/studies/mixed_lots.py                some minutes
    python tests/studies/mixed_lots.py --write        and into results/mixed-lots.md

Coils and meters are those of turn_lots.py; the rates of the type-data tests were set on other
seeds of it (and on simulated coils of sim), so it is unseen only in its draws. Every lot has
three siblings and, as test parts in random order, some sound parts and one of each fault: so
the siblings' lot has to be told from test parts of which most are faulty. Then the same test
parts beside siblings of another lot. And sound parts, one a lot, by type data only, with
spreads as assumed and 1.4 times as wide.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
if __package__ in (None, ""):
    sys.path[0] = str(Path(__file__).resolve().parents[2])

import numpy as np
from attrs import evolve
from scipy.special import betaincinv

from labbench.judging.coil import Case, judge_coils
from labbench.judging.coil_lot_book import LotBook
from labbench.results import Readings
from tests.studies.turn_lots import FAULTS, METERS, WINDINGS, draw_lot, read_lot

SEED = 20260609
RESULTS = Path(__file__).parent / "results"
SIBLINGS, SOUND = 3, 2
#: what `judge` takes as companions of a lot's test parts
_COMPANIONS = 24
_BLOCK = 64

#: (mode, meter, type, kind of part) -> how many of each disposition
Counts = dict[tuple[str, str, str, str], Counter[str]]


def study_mixed(counts: Counts, types: Sequence[str], lots: int, *, seed: int) -> None:
    """Judge whole lots beside their own siblings, and beside those of the next lot."""
    kinds = [("sound", 0.0)] * (SIBLINGS + SOUND) + [(kind, size) for _, kind, size in FAULTS]
    names = ["sound"] * SOUND + [name for name, _, _ in FAULTS]
    for type_ in types:
        winding = WINDINGS[type_]
        part = winding.part_type(type_)
        drawn = [draw_lot(winding, kinds, seed=(seed, i)) for i in range(lots)]
        for m, (meter, figures) in enumerate(METERS.items()):
            read = [
                read_lot(
                    lot, figures, type_=type_, lot=f"lot-{i}", siblings=SIBLINGS,
                    seed=(seed, i, m),
                )
                for i, lot in enumerate(drawn)
            ]  # fmt: skip
            for i, lot in enumerate(read):
                order = np.random.default_rng([seed, i, 7]).permutation(len(names))
                tests = [lot[SIBLINGS + k] for k in order]
                for mode, own in (("siblings", lot), ("wrong lot", read[(i + 1) % lots])):
                    beside = [evolve(s, lot=f"lot-{i}") for s in own[:SIBLINGS]]
                    cases = [Case(r, part, beside, tests[:_COMPANIONS]) for r in tests]
                    for k, judged in zip(order, judge_coils(cases, book=LotBook()), strict=True):
                        key = (mode, meter, type_, names[k])
                        counts.setdefault(key, Counter())[judged.disposition] += 1


def study_sound(
    counts: Counts, types: Sequence[str], lots: int, *, seed: int, spread: float = 1.0
) -> None:
    """Judge one sound part of each of many lots by type data only."""
    mode = "type data" if spread == 1.0 else f"type data, spreads x{spread:g}"
    for type_ in types:
        winding = WINDINGS[type_]
        part = winding.part_type(type_)
        for m, (meter, figures) in enumerate(METERS.items()):
            readings: list[Readings] = []
            for i in range(lots):
                drawn = draw_lot(winding, [("sound", 0.0)], seed=(seed, i), spread=spread)
                readings += read_lot(
                    drawn, figures, type_=type_, lot="", siblings=0, seed=(seed, i, m)
                )
            for first in range(0, lots, _BLOCK):
                cases = [Case(r, part) for r in readings[first : first + _BLOCK]]
                for judged in judge_coils(cases):
                    counts.setdefault((mode, meter, type_, "sound"), Counter())[
                        judged.disposition
                    ] += 1


def study_type_data(counts: Counts, types: Sequence[str], lots: int, *, seed: int) -> None:
    """Judge one part of every fault of many lots by type data only."""
    kinds = [(kind, size) for _, kind, size in FAULTS]
    for type_ in types:
        winding = WINDINGS[type_]
        part = winding.part_type(type_)
        for i in range(lots):
            drawn = draw_lot(winding, kinds, seed=(seed, i))
            for m, (meter, figures) in enumerate(METERS.items()):
                read = read_lot(drawn, figures, type_=type_, lot="", siblings=0, seed=(seed, i, m))
                judged = judge_coils([Case(r, part) for r in read])
                for (name, _, _), judgement in zip(FAULTS, judged, strict=True):
                    key = ("type data", meter, type_, name)
                    counts.setdefault(key, Counter())[judgement.disposition] += 1


def share(count: Counter[str], word: str) -> float:
    """Return the percentage of a disposition."""
    return 100.0 * count[word] / count.total()


def upper_unfit(count: Counter[str]) -> float:
    """Return the upper 95 % bound (one-sided, Clopper and Pearson) of the share unfit, percent."""
    unfit, parts = count["unfit"], count.total()
    return 100.0 if unfit == parts else 100.0 * float(betaincinv(unfit + 1, parts - unfit, 0.95))


def page(counts: Counts, seed: int) -> Iterator[str]:
    """Yield the page of results."""
    yield "# Lots of which most parts are faulty"
    yield ""
    yield (
        f"`python tests/studies/mixed_lots.py --write`, seed {seed}: a second population of coils "
        "and meters (tests/studies/turn_lots.py), independent of the simulator. Percent unfit / "
        "undecided, at 1 % total false reject. Siblings: three of the same lot, the lot's other "
        "test parts beside them, of which most are faulty. Wrong lot: siblings of another lot."
    )
    modes = dict.fromkeys(key[0] for key in counts)
    for mode in modes:
        for meter in METERS:
            known = {k[3] for k in counts if k[:2] == (mode, meter)}
            rows = [name for name in ("sound", *(f[0] for f in FAULTS)) if name in known]
            types = list(dict.fromkeys(k[2] for k in counts if k[:2] == (mode, meter)))
            if not rows:
                continue
            yield ""
            yield f"## {mode[0].upper()}{mode[1:]}, meter {meter}"
            yield ""
            yield "| part | " + " | ".join(types) + " |"
            yield "|---|" + "---|" * len(types)
            for name in rows:
                cells = []
                for type_ in types:
                    count = counts[mode, meter, type_, name]
                    bound = f" (< {upper_unfit(count):.2g})" if name == "sound" else ""
                    cells.append(
                        f"{share(count, 'unfit'):.3g}{bound} / {share(count, 'undecided'):.2g}"
                    )
                yield f"| {name} | " + " | ".join(cells) + " |"


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the study."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--lots", type=int, default=60, help="mixed lots a type")
    parser.add_argument("--sound", type=int, default=1500, help="lots with one sound part, a type")
    parser.add_argument("--types", nargs="*", default=tuple(WINDINGS))
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--write", action="store_true", help="write results/mixed-lots.md")
    chosen = parser.parse_args(arguments)
    counts: Counts = {}
    study_sound(counts, chosen.types, chosen.sound, seed=chosen.seed + 1)
    study_type_data(counts, chosen.types, chosen.lots, seed=chosen.seed + 2)
    study_sound(counts, chosen.types, chosen.sound // 3, seed=chosen.seed + 3, spread=1.4)
    study_mixed(counts, chosen.types, chosen.lots, seed=chosen.seed)
    lines = list(page(counts, chosen.seed))
    print("\n".join(lines))
    if chosen.write:
        (RESULTS / "mixed-lots.md").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
