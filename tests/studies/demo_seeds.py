"""Run `labbench demo` as a user would, over many seeds, and count where it disagrees with truth.

    python tests/studies/demo_seeds.py --seeds 20

Most seeds run with --no-wait (simulated time jumps, the same numbers); the first few at the default
clock, where the computer's own time plays a part. Each is a process of its own. Exit code 1 when
more than 1 % of the healthy coils are called unfit, for any other disagreement, and for a demo that
breaks off; 0 otherwise.

A check against our own simulator: it shows that core, drivers and simulator hold together over
chance, not that the physics is right.
"""

from __future__ import annotations

import argparse
import json
import os
import re
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

#: one demo takes some 15 s at the default clock; far beyond that it hangs
LONGEST_S = 120.0
HEALTHY_UNFIT_SHARE = 0.01

#: how the demo tells a disagreement, after the last verdict is closed
_DISAGREEMENT = re.compile(
    r"^(?P<name>\S+) was called (?P<word>\w+) and is (?P<truth>\w+)(?: \((?P<fault>[\w-]+)\))?$"
)
_AGREE = re.compile(r"^(?P<agree>\d+) of (?P<all>\d+) agree with what the parts really are")

HEALTHY_UNFIT = "healthy called unfit"
HEALTHY_OPEN = "healthy undecided"
FAULT_OPEN = "fault undecided"
FAULT_MISSED = "fault missed"
BROKE_OFF = "demo broke off"
KINDS = (HEALTHY_UNFIT, HEALTHY_OPEN, FAULT_OPEN, FAULT_MISSED, BROKE_OFF)


@dataclass(frozen=True)
class Run:
    """Hold what one demo said."""

    seed: int
    waits: bool
    seconds: float
    coils: int
    #: (kind, sentence)
    disagreements: tuple[tuple[str, str], ...]


def kind_of(word: str, truth: str) -> str:
    """Name the kind of a disagreement; `plausible` leaves a coil open as `undecided` does."""
    if truth == "fit":
        return HEALTHY_UNFIT if word == "unfit" else HEALTHY_OPEN
    return FAULT_MISSED if word == "fit" else FAULT_OPEN


def run_demo(seed: int, *, waits: bool) -> Run:
    """Run one demo in a process of its own and read what it says."""
    labbench = Path(sys.executable).with_name("labbench")
    with tempfile.TemporaryDirectory() as folder:
        command = [
            str(labbench), "demo", "--seed", str(seed), "--json", "--no-report",
            "--folder", str(Path(folder) / "demo"),
        ]  # fmt: skip
        if not waits:
            command.append("--no-wait")
        # two demos at once on two cores: more threads would only wait for each other
        environment = {**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
        begun = time.monotonic()
        try:
            done = subprocess.run(
                command,
                cwd=folder,
                env=environment,
                capture_output=True,
                encoding="utf-8",
                timeout=LONGEST_S,
                check=False,
            )
        except subprocess.TimeoutExpired:
            said = f"no end after {LONGEST_S:g} s"
            return Run(seed, waits, LONGEST_S, 0, ((BROKE_OFF, said),))
        seconds = time.monotonic() - begun
    return read_demo(seed, waits, seconds, code=done.returncode, out=done.stdout, err=done.stderr)


def read_demo(seed: int, waits: bool, seconds: float, *, code: int, out: str, err: str) -> Run:
    """Read the output of one demo; what is not as it should be counts as broken off."""
    verdicts = [json.loads(line) for line in out.splitlines()]
    wrong = []
    counts: tuple[int, int] | None = None
    for line in err.splitlines():
        if found := _DISAGREEMENT.match(line):
            wrong.append((kind_of(found["word"], found["truth"]), line))
        elif found := _AGREE.match(line):
            counts = int(found["agree"]), int(found["all"])
    whole = (
        counts is not None
        and counts[1] == len(verdicts) > 0
        and counts[0] + len(wrong) == counts[1]
        and code == (1 if wrong else 0)
    )
    if not whole:
        lines = [line for line in err.splitlines() if line.strip()] or ["it said nothing"]
        said = [line for line in lines if line.startswith("labbench: ")] or lines[-1:]
        wrong.append((BROKE_OFF, f"exit code {code}: {said[0]}"))
    return Run(seed, waits, seconds, len(verdicts), tuple(wrong))


def healthy_in_the_scenario() -> int:
    """Count the healthy coils of the demo's scenario."""
    from sim.scenario import load_scenario

    return sum(
        spec.fault is None and not spec.not_as_marked
        for spec in load_scenario("harbour-buoys").specimens
    )


def report(runs: Sequence[Run], seconds: float) -> int:
    """Print the table's foot; return the exit code."""
    healthy = healthy_in_the_scenario() * len(runs)
    coils = sum(run.coils for run in runs)
    counts = Counter(kind for run in runs for kind, _ in run.disagreements)
    print(f"{len(runs)} seeds, {coils} coils ({healthy} healthy) in {seconds:.0f} s")
    for kind in KINDS:
        print(f"  {kind:<22}{counts[kind]:>4}")
    worst = counts[HEALTHY_UNFIT] > HEALTHY_UNFIT_SHARE * healthy
    others = sum(number for kind, number in counts.items() if kind != HEALTHY_UNFIT)
    print("all within the goal" if not worst and not others else "NOT within the goal", end="")
    print(f" (healthy called unfit at most {HEALTHY_UNFIT_SHARE:.0%}, others none)")
    return 1 if worst or others else 0


def main() -> int:
    """Run the study and return the exit code."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n", 1)[0])
    parser.add_argument("--seeds", type=int, default=20, help="how many [20]")
    parser.add_argument("--first", type=int, default=1, help="the first seed [1]")
    parser.add_argument("--at-once", type=int, default=2, help="processes at once [2]")
    parser.add_argument(
        "--real-clock", type=int, default=3, metavar="N",
        help="how many of them run at the default clock, the rest with --no-wait [3]",
    )  # fmt: skip
    options = parser.parse_args()
    if options.seeds < 1 or options.at_once < 1:
        parser.error("at least one seed, and one process at once")
    seeds = range(options.first, options.first + options.seeds)
    waiting = set(seeds[: options.real_clock])
    print(
        f"seeds {seeds[0]} to {seeds[-1]}: {len(waiting)} at the default clock, the rest with "
        "simulated time that jumps (--no-wait)"
    )
    print(f"{'seed':>6}  {'clock':<8}{'time':>7}  disagreements")
    begun = time.monotonic()
    runs = []
    with ThreadPoolExecutor(options.at_once) as pool:
        for run in pool.map(lambda seed: run_demo(seed, waits=seed in waiting), seeds):
            runs.append(run)
            told = "; ".join(f"{kind}: {text}" for kind, text in run.disagreements) or "none"
            clock = "default" if run.waits else "jumps"
            print(f"{run.seed:>6}  {clock:<8}{run.seconds:>5.1f} s  {told}", flush=True)
    return report(runs, time.monotonic() - begun)


if __name__ == "__main__":
    sys.exit(main())
