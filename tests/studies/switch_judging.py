"""Measure how often MOSFETs are judged right, per type and fault.

Run it with `python -m tests.studies.switch_judging`. Parts come from closed forms
(`switch_populations`), not from the simulator; siblings are five parts of the same lot, in one
column one of them is bad. No threshold was set on these parts: they follow from the false-reject
rate, the assumed spreads and Student's tail. Beside it what is found by hand, from a study with
device models: an ohmmeter at 0.5 V, gate tied to source (a drain leak below 20 to 40 Mohm, 16 kohm
of a Schottky type; a gate leak below 0.83 Mohm, because fingers conduct) and a diode test at 1 mA
(below 2 kohm). Does not cover: measuring errors that are common to a session, procedures, warm
parts.
"""

from __future__ import annotations

import sys
from collections import Counter
from pathlib import Path

import numpy as np
from attrs import frozen

from labbench.judging.switch import judge_mosfet
from labbench.parts.library import find_part_type
from labbench.parts.mosfet_type import MosfetType
from labbench.results import Judgement
from tests.studies.switch_populations import (
    FAULTS,
    KINDS,
    Kind,
    draw_lot,
    draw_part,
    faulty,
    measured,
)

SEED = 20261125
HEALTHY, FAULTY = 1000, 150
RESULTS = Path(__file__).parent / "results" / "switches-closed-forms.md"
#: largest leak (ohm) that an ohmmeter finds with gate tied to source; by a diode test
_HAND_OHM = {"nfet-30v-5m": 40e6, "nfet-25v-1m5": 20e6, "nfet-30v-schottky": 16e3}
_HAND_GATE_OHM, _DIODE_TEST_OHM = 0.83e6, 2e3


@frozen
class Row:
    """Hold the rates of one type and fault (None: healthy)."""

    kind: str
    fault: str | None
    count: int
    words: Counter[str]
    named: int
    contaminated_unfit: int
    by_ohmmeter: int
    by_diode_test: int


def named_right(judgement: Judgement, fault: str) -> bool:
    """Tell whether the first finding, or one of its alternatives, is the truth."""
    if not judgement.findings:
        return False
    first, (word, path) = judgement.findings[0], FAULTS[fault]
    return (first.fault, first.path) == (word, path) or any(
        other in (word, f"{word} {path}") for other in first.alternatives
    )


def study(kind: Kind, fault: str | None, count: int, seed: int) -> Row:
    """Judge `count` parts of a type, each with siblings of its own lot."""
    rng = np.random.default_rng(seed)
    part_type = find_part_type(kind.name)
    assert isinstance(part_type, MosfetType)
    words: Counter[str] = Counter()
    named = contaminated = ohmmeter = diode_test = 0
    for _ in range(count):
        lot = draw_lot(rng, kind)
        siblings = [measured(rng, draw_part(rng, lot), f"S{k}", role="sibling") for k in range(5)]
        part = draw_part(rng, lot)
        if fault is not None:
            part = faulty(rng, part, fault)
        line = measured(rng, part, "Q")
        judgement = judge_mosfet(line, part_type, siblings=siblings)
        words[judgement.disposition] += 1
        if fault is not None:
            named += named_right(judgement, fault)
        bad = faulty(rng, draw_part(rng, lot), str(rng.choice(list(FAULTS))))
        spoiled = [*siblings[:4], measured(rng, bad, "S4", role="sibling")]
        contaminated += judge_mosfet(line, part_type, siblings=spoiled).disposition == "unfit"
        drain_ohm, gate_ohm = _ohms(part.drain_s), _ohms(part.gate_s)
        ohmmeter += drain_ohm < _HAND_OHM[kind.name] or gate_ohm < _HAND_GATE_OHM
        diode_test += min(drain_ohm, gate_ohm) < _DIODE_TEST_OHM
    return Row(kind.name, fault, count, words, named, contaminated, ohmmeter, diode_test)


def _ohms(conductance_s: float) -> float:
    return 1.0 / conductance_s if conductance_s > 0.0 else float("inf")


def table(rows: list[Row]) -> str:
    """Put the rows into a table."""
    lines = [
        "# MOSFETs judged from readings of closed forms",
        "",
        f"Seed {SEED}; {HEALTHY} healthy and {FAULTY} faulty parts a row, five siblings of the",
        "same lot each, total false reject 1 %. Populations are invented, drawn from closed forms",
        "(`tests/studies/switch_populations.py`); no threshold was set on them. Per cent of parts.",
        "`1 of 5 bad`: unfit, with one sibling replaced by a faulty part.",
        "",
        "| type | part | unfit | undecided | plausible | fit | named right | 1 of 5 bad "
        "| ohmmeter | diode test |",
        "|---|---|---|---|---|---|---|---|---|---|",
    ]
    for row in rows:
        share = [f"{100 * row.words[w] / row.count:.1f}"
                 for w in ("unfit", "undecided", "plausible", "fit")]  # fmt: skip
        named = "" if row.fault is None else f"{100 * row.named / row.count:.0f}"
        lines.append(
            f"| {row.kind} | {row.fault or 'healthy'} | {' | '.join(share)} | {named} | "
            f"{100 * row.contaminated_unfit / row.count:.1f} | "
            f"{100 * row.by_ohmmeter / row.count:.0f} | {100 * row.by_diode_test / row.count:.0f} |"
        )
    return "\n".join(lines) + "\n"


def main() -> None:
    """Run the study and write its table."""
    rows = []
    for k, kind in enumerate(KINDS):
        for f, fault in enumerate((None, *FAULTS)):
            count = HEALTHY if fault is None else FAULTY
            rows.append(study(kind, fault, count, SEED + 100 * k + f))
    text = table(rows)
    RESULTS.parent.mkdir(exist_ok=True)
    RESULTS.write_text(text, encoding="utf-8")
    sys.stdout.write(text)


if __name__ == "__main__":
    main()
