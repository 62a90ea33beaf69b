"""Fail exchanges of the procedures for switches and rails, as many as there is time for, and count.

    python -m tests.studies.switch_exchanges [--rounds N] [--hours H] [--seed S] [--write]

In each round every exchange of every procedure fails once, in a way that it did not fail in before
(the order of its ways is drawn from the seed): after one round each exchange has failed, after the
tenth in every way. What is looked at after each case, and what is not, stands in
tests/faults/test_every_exchange.py and test_switch_exchanges.py.
"""

from __future__ import annotations

import argparse
import random
import tempfile
import time
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor, wait
from pathlib import Path

from attrs import Factory, define

from tests.faults.bench_under_fault import KINDS, Case, Found, Site
from tests.faults.switch_procedures import BY_SCENARIO
from tests.faults.test_switch_exchanges import SEED
from tests.studies.safety import MEMORY_DISK

TABLE = Path(__file__).parent / "results" / "switch-exchanges.md"
_KEEP_EVERY_S = 60.0


@define
class Counted:
    """Count what one procedure has been through."""

    procedure: str
    exchanges: int
    ways: int
    found: Found = Factory(Found)


def rounds(site: Site, procedure: str, seed: int) -> list[list[Case]]:
    """Deal the cases of a procedure out: in round n each exchange fails in its nth way."""
    chance = random.Random(f"{seed} {procedure}")
    by_exchange: dict[tuple[str, int], list[Case]] = {}
    for case in site.cases(procedure):
        by_exchange.setdefault((case.role, case.number), []).append(case)
    dealt: list[list[Case]] = [[] for _ in KINDS]
    for cases in by_exchange.values():
        for number, case in enumerate(chance.sample(cases, len(cases))):
            dealt[number].append(case)
    return dealt


@define
class Bench:
    """Hold one served bench, and what its procedures have been through."""

    site: Site
    counted: list[Counted] = Factory(list)


def sweep(bench: Bench, most_rounds: int, until_s: float, seed: int) -> None:
    """Try round after round on one bench until the time is up, and count."""
    dealt: list[tuple[Counted, list[list[Case]]]] = []
    for procedure in bench.site.procedures:
        if procedure != "next":
            cases = rounds(bench.site, procedure, seed)
            dealt.append((Counted(procedure, len(cases[0]), sum(map(len, cases))), cases))
    bench.counted = [one for one, _ in dealt]
    for number in range(most_rounds):
        for one, cases in dealt:
            for case in cases[number]:
                if time.monotonic() > until_s:
                    return
                bench.site.try_until_reached(case, one.found)


def table(counted: Sequence[Counted], seconds: float, seed: int) -> str:
    """Write what was counted: a line for each procedure, and every trouble."""
    total = Counted("all", sum(c.exchanges for c in counted), sum(c.ways for c in counted))
    for one in counted:
        total.found.add(one.found)
    lines = [
        "# Failing exchanges in the procedures for switches and rails",
        "",
        "Each case is one exchange with one instrument, over real sockets, that goes wrong in one "
        f"of {len(KINDS)} ways; then output, journal, readings in force, the monitor in the "
        "circuit and the next run are looked at. In each round every exchange fails once, in a "
        f"way drawn without putting back. `python -m tests.studies.switch_exchanges`, seed {seed}. "
        "The instruments are our simulator's: this is no outside check.",
        "",
        f"**{len(total.found.troubles)} troubles in {total.found.cases} cases** of "
        f"{total.ways} that there are, over {total.exchanges} exchanges ({seconds / 60:.0f} min).",
        "",
        "| procedure | exchanges | cases | tried | went on to its end | ended with an error "
        "| never opened | not reached | state said to be unknown | readings in force | void "
        "| troubles |",
        "|---|---|---|---|---|---|---|---|---|---|---|---|",
    ]
    for one in (*counted, total):
        found = one.found
        cells = (
            one.procedure, one.exchanges, one.ways, found.cases, found.completed,
            found.ended_with_an_error, found.nothing_opened, found.never_reached,
            found.state_unknown_and_said, found.readings_in_force, found.readings_void,
            len(found.troubles),
        )  # fmt: skip
        lines.append("| " + " | ".join(map(str, cells)) + " |")
    lines += [
        "",
        f"{total.found.tried_again} runs ended before their exchange, because the computer was too "
        "slow to answer in time; each was tried again with more time.",
        "",
    ]
    if total.found.troubles:
        lines += ["Troubles:", "", *(f"- {said}" for said in total.found.troubles), ""]
    return "\n".join(lines)


def main() -> None:
    """Run it, print what was found, and keep it where that is asked for."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])  # type: ignore[union-attr]
    options.add_argument("--rounds", type=int, default=len(KINDS))
    options.add_argument("--hours", type=float, default=24.0, help="stop after so many")
    options.add_argument("--seed", type=int, default=SEED)
    options.add_argument("--write", action="store_true", help="keep what was found in results/")
    asked = options.parse_args()
    begun = time.monotonic()
    where = MEMORY_DISK if MEMORY_DISK.is_dir() else None
    with tempfile.TemporaryDirectory(dir=where) as folder, ThreadPoolExecutor() as pool:
        benches = [
            Bench(Site(Path(tempfile.mkdtemp(dir=folder)), name, BY_SCENARIO[name]))
            for name in BY_SCENARIO
        ]
        # most of a case is waiting for an answer that does not come: the benches wait side by side
        running = [
            pool.submit(sweep, each, asked.rounds, begun + 3600.0 * asked.hours, asked.seed)
            for each in benches
        ]
        while wait(running, timeout=_KEEP_EVERY_S).not_done:
            _keep(benches, time.monotonic() - begun, asked)
        for each, done in zip(benches, running, strict=True):
            each.site.close()
            done.result()
        _keep(benches, time.monotonic() - begun, asked)


def _keep(benches: Sequence[Bench], seconds: float, asked: argparse.Namespace) -> None:
    """Print where it stands, and keep it: what was counted is there when somebody stops it."""
    counted = [one for bench in benches for one in bench.counted]
    text = table(counted, seconds, asked.seed)
    print(text, flush=True)
    if asked.write:
        TABLE.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
