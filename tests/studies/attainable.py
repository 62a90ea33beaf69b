"""Study what a population of coils allows: how much one finds who knows the type, not one part.

    python -m tests.studies.attainable                half an hour
    python -m tests.studies.attainable --write        and into results/attainable.md

Three ways are scored on the same parts, each a percent found of the faulty ones:

- the tool, with one limit for every type that there may be (1 % total false reject);
- the tool, with the limit set for this type: as high as lots that are not scored allow, so that at
  most 1 % of *its* sound parts are called unfit. Nobody can set it so without hundreds of sound
  parts, but it tells the test from the care that it takes for types nobody has seen;
- a classifier that was shown 800 lots of this very type, sound and with this very fault
  (gradient-boosted trees and a quadratic discriminant, scikit-learn; the better of both), at 1 % of
  its sound parts. What it does not find is hardly in the readings.

By type data it sees one part, beside siblings the part and three of its lot. Coils and meters are
those of coil_lots.py.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("OMP_NUM_THREADS", "1")

import numpy as np
from numpy.typing import NDArray
from sklearn.discriminant_analysis import QuadraticDiscriminantAnalysis
from sklearn.ensemble import HistGradientBoostingClassifier
from sklearn.pipeline import make_pipeline
from sklearn.preprocessing import StandardScaler

from labbench.judging.coil import Case, judge_coils
from labbench.judging.coil_lot_book import LotBook
from labbench.results import Readings
from tests.studies.coil_lots import Lots, draw_lots, kept_lots, read_lots, study_type

FloatArray = NDArray[np.float64]

TYPES = (
    "moulded-150n", "moulded-470n", "moulded-1u0", "moulded-4u7", "moulded-22u", "moulded-100u",
)  # fmt: skip
FAULTS = {
    ("nominal", "hand-100kHz"): ("short 0.5", "short 1"),
    ("nominal", "bench-1MHz"): ("short 1", "short 3", "short 10", "lossy 4"),
    ("siblings", "hand-100kHz"): ("short 0.5", "short 1", "short 3"),
    ("siblings", "bench-1MHz"): ("short 3", "short 10", "short 30", "lossy 2"),
}
#: what the goals ask of the mean over the six types, percent
GOALS = {
    ("nominal", "hand-100kHz", "short 0.5"): 90.0, ("nominal", "hand-100kHz", "short 1"): 70.0,
    ("nominal", "bench-1MHz", "short 1"): 99.9, ("nominal", "bench-1MHz", "short 3"): 85.0,
    ("nominal", "bench-1MHz", "short 10"): 43.0, ("nominal", "bench-1MHz", "lossy 4"): 85.0,
    ("siblings", "hand-100kHz", "short 0.5"): 99.9, ("siblings", "hand-100kHz", "short 1"): 95.0,
    ("siblings", "hand-100kHz", "short 3"): 73.0, ("siblings", "bench-1MHz", "short 3"): 99.9,
    ("siblings", "bench-1MHz", "short 10"): 96.0, ("siblings", "bench-1MHz", "short 30"): 60.0,
    ("siblings", "bench-1MHz", "lossy 2"): 99.0,
}  # fmt: skip
SEED = 20260705
RESULTS = Path(__file__).parent / "results"
_SIBLINGS = 3
_SHARE = 0.01
#: the limits that are tried for one type
_LIMITS = (0.01, 0.015, 0.02, 0.03, 0.045, 0.07, 0.1, 0.15, 0.2)


@dataclass(frozen=True)
class Found:
    """Hold percents found: by the tool, by the tool with the type's own limit, by who knows it.

    `limit` is the type's own; `sound` the percent of sound scored parts called unfit with it.
    """

    tool: float
    own_limit: float
    classifier: float
    limit: float
    sound: float


def study_type_known(
    name: str, mode: str, meter: str, *, lots: int, sound: int, scored: int, seed: int,
    keep: Path | None = None,
) -> dict[str, Found]:  # fmt: skip
    """Find what the three ways find of one type: {fault: Found}.

    `lots` for the classifier, `sound` lots to set the limit on, `scored` lots are scored.
    """
    faults = FAULTS[(mode, meter)]
    siblings = _SIBLINGS if mode == "siblings" else 0

    def drawn(count: int, more: int, only: tuple[str, ...]) -> Lots:
        return kept_lots(keep, draw_lots, name, count, seed=seed + more, siblings=siblings,
                         healthy=1, only=only)  # fmt: skip

    learn = read_lots(drawn(lots, 1, faults), meter, seed=seed + 11)
    limit = _own_limit(read_lots(drawn(sound, 2, ()), meter, seed=seed + 12), name, siblings)
    score = read_lots(drawn(scored, 3, faults), meter, seed=seed + 13)
    at_usual = _unfit(score, name, siblings, _SHARE)
    at_own = _unfit(score, name, siblings, limit)
    found = {}
    for k, fault in enumerate(faults, start=1):
        found[fault] = Found(
            tool=100.0 * float(at_usual[:, k].mean()),
            own_limit=100.0 * float(at_own[:, k].mean()),
            classifier=100.0 * _classified(learn, score, siblings, k),
            limit=limit,
            sound=100.0 * float(at_own[:, 0].mean()),
        )
    return found


def _unfit(
    measured: Sequence[Sequence[Readings]], name: str, siblings: int, limit: float
) -> NDArray[np.bool_]:
    """Tell which parts are called unfit: (lots, the sound one and one of each fault)."""
    part = study_type(name)
    cases = [Case(r, part, lot[:siblings]) for lot in measured for r in lot[siblings:]]
    book, words = LotBook(), []
    for first in range(0, len(cases), 64):
        block = judge_coils(
            cases[first : first + 64], false_reject=limit, book=book, with_band=False
        )
        words += [j.disposition == "unfit" for j in block]
    return np.array(words).reshape(len(measured), -1)


def _own_limit(measured: Sequence[Sequence[Readings]], name: str, siblings: int) -> float:
    """Find the highest limit at which no more than 1 % of sound parts are called unfit."""
    best = _LIMITS[0]
    for limit in _LIMITS[1:]:
        if _unfit(measured, name, siblings, limit).mean() > _SHARE:
            break
        best = limit
    return best


def _features(lot: Sequence[Readings], siblings: int, index: int) -> FloatArray:
    """Put what was read of a part into numbers that scatter evenly: losses, L, dc resistance."""

    def of(readings: Readings) -> FloatArray:
        block, dc = readings.impedance, readings.dc_resistance
        assert block is not None
        assert dc is not None
        assert dc.value_ohm is not None
        r = np.array(block.resistance_ohm, dtype=float)
        x = np.array(block.reactance_ohm, dtype=float)
        inductance = x / (2.0 * np.pi * np.array(block.frequency_hz))
        return np.concatenate([
            np.arcsinh(1e4 * (r - dc.value_ohm) / x), np.log(np.abs(r)), np.log(np.abs(inductance)),
            10.0 * inductance[1:] / inductance[0], [np.log(dc.value_ohm)],
        ])  # fmt: skip

    own = of(lot[siblings + index])
    if not siblings:
        return own
    others = np.mean([of(s) for s in lot[:siblings]], axis=0)
    return np.concatenate([own - others, others])


def _classified(
    learn: Sequence[Sequence[Readings]],
    score: Sequence[Sequence[Readings]],
    siblings: int,
    index: int,
) -> float:
    """Give the share of the scored faulty parts that a classifier finds at 1 % of sound ones.

    Its threshold is that of the scored sound parts, in its favour.
    """
    table = {
        (k, which): np.array([_features(lot, siblings, k) for lot in lots])
        for which, lots in (("learn", learn), ("score", score))
        for k in (0, index)
    }
    x = np.vstack([table[(0, "learn")], table[(index, "learn")]])
    y = np.repeat([0, 1], [len(learn), len(learn)])
    best = 0.0
    for model in (
        HistGradientBoostingClassifier(
            max_iter=150, learning_rate=0.06, max_leaf_nodes=12, random_state=1
        ),
        make_pipeline(StandardScaler(), QuadraticDiscriminantAnalysis(reg_param=1e-3)),
    ):
        model.fit(x, y)
        sound, faulty = (model.decision_function(table[(k, "score")]) for k in (0, index))
        best = max(best, float(np.mean(faulty > np.quantile(sound, 1.0 - _SHARE))))
    return best


def lines_of_study(
    found: dict[tuple[str, str], dict[str, dict[str, Found]]], types: Sequence[str]
) -> Iterator[str]:
    """Yield the page's tables: the means beside the goals, then every type."""
    short = [t.removeprefix("moulded-") for t in types]
    yield "| readings | meter | fault | goal | tool, any type | tool, limit of the type | who knows the type |"  # noqa: E501
    yield "|---|---|---|---|---|---|---|"
    for (mode, meter), by_type in found.items():
        for fault in FAULTS[(mode, meter)]:
            rows = [by_type[t][fault] for t in types]
            goal = GOALS.get((mode, meter, fault))
            means = (
                np.mean([getattr(r, n) for r in rows]) for n in ("tool", "own_limit", "classifier")
            )
            yield (
                f"| {_words(mode)} | {meter} | {fault} | {goal:g} | "
                + " | ".join(f"{m:.1f}" for m in means) + " |"
            )  # fmt: skip
    for (mode, meter), by_type in found.items():
        yield ""
        yield f"## {_words(mode)}, {meter}"
        yield ""
        yield "| fault | " + " | ".join(short) + " |"
        yield "|---|" + "---|" * len(short)
        for fault in FAULTS[(mode, meter)]:
            cells = (by_type[t][fault] for t in types)
            yield (
                f"| {fault} | "
                + " | ".join(
                    f"{c.tool:.0f} / {c.own_limit:.0f} / {c.classifier:.0f}" for c in cells
                )
                + " |"
            )
        first = [next(iter(by_type[t].values())) for t in types]
        yield "| limit of the type | " + " | ".join(f"{100 * f.limit:g} %" for f in first) + " |"
        yield (
            "| sound, called unfit with it | " + " | ".join(f"{f.sound:.1f}" for f in first) + " |"
        )


def page(
    found: dict[tuple[str, str], dict[str, dict[str, Found]]], chosen: argparse.Namespace
) -> list[str]:
    """Put what was found into the page of results."""
    return [
        "# What could be found",
        "",
        f"`python -m tests.studies.attainable --write`, seed {chosen.seed}: {chosen.scored} lots a "
        f"type scored, {chosen.sound} to set the type's limit on, {chosen.lots} shown to the "
        "classifier. Percent of the faulty parts that are called unfit; means over six types of "
        "closed cores. `tool, any type`: 1 % total false reject for whatever type comes. `limit of "
        "the type`: the limit (--false-reject) that calls 1 % of this type's sound parts unfit, "
        "which is how the goals are stated. `who knows the type`: a classifier that was shown "
        "so many lots of this type with this fault, at 1 % of its sound parts.",
        "",
        *lines_of_study(found, chosen.types),
    ]


def _three(found: Found) -> str:
    return f"{found.tool:.0f} / {found.own_limit:.0f} / {found.classifier:.0f}"


def _words(mode: str) -> str:
    return {"nominal": "type data", "siblings": "three siblings"}[mode]


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the study."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--lots", type=int, default=800, help="lots for the classifier")
    parser.add_argument("--sound", type=int, default=600, help="lots to set the limit on")
    parser.add_argument("--scored", type=int, default=300, help="lots that are scored")
    parser.add_argument("--types", nargs="*", default=TYPES)
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--keep", type=Path, help="a folder for the drawn lots, for other runs")
    parser.add_argument("--write", action="store_true", help="write results/attainable.md")
    chosen = parser.parse_args(arguments)
    begun = time.monotonic()
    found: dict[tuple[str, str], dict[str, dict[str, Found]]] = {}
    for mode, meter in FAULTS:
        for name in chosen.types:
            found.setdefault((mode, meter), {})[name] = study_type_known(
                name, mode, meter, lots=chosen.lots, sound=chosen.sound, scored=chosen.scored,
                seed=chosen.seed, keep=chosen.keep,
            )  # fmt: skip
            spent_s = time.monotonic() - begun
            print(f"{mode} {meter} {name}: {spent_s:.0f} s", file=sys.stderr, flush=True)
    lines = page(found, chosen)
    print("\n".join(lines))
    if chosen.write:
        (RESULTS / "attainable.md").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
