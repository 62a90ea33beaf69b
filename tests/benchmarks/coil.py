"""Measure from contact to verdict line for one coil at real time, as a process of its own.

`labbench verify` against a simulated bench in another process, relays instead of a hand: contact is
when the relays have joined the coil to the meter (the journal's first `connect`), the end is the
verdict line on stdout. A person's time at the pedal is not in it. The whole process, with Python's
start, is given as well.
"""

from __future__ import annotations

import json
import subprocess
import tempfile
import time
from datetime import datetime
from pathlib import Path

from tests.benchmarks.figures import Figure, median
from tests.benchmarks.simulated import LABBENCH, simulated_bench

COILS = 3
GOAL_S = 10.0


def measure() -> list[Figure]:
    """Verify the same coil several times; the compensation is taken before."""
    whole: list[float] = []
    from_contact: list[float] = []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        data = folder / "data"
        where = ["--data", str(data)]
        with simulated_bench("one-coil", folder) as bench:
            subprocess.run(
                [str(LABBENCH), "compensate", "--bench", str(bench), *where],
                check=True, capture_output=True, stdin=subprocess.DEVNULL,
            )  # fmt: skip
            for _ in range(COILS):
                seconds, ended = _verify(bench, where)
                whole.append(seconds)
                newest = max((data / "journals").glob("*-D1-*.jsonl"))
                from_contact.append(ended - _contact(newest))
    return [
        Figure("contact to verdict line, one coil, real time", median(from_contact), "s", GOAL_S),
        Figure("the whole `labbench verify`, one coil, real time", median(whole), "s"),
    ]


def _verify(bench: Path, where: list[str]) -> tuple[float, float]:
    """Give the seconds from start to verdict line, and when that was (s since 1970)."""
    begun = time.perf_counter()
    with subprocess.Popen(
        [str(LABBENCH), "verify", "coil-470n", "--specimen", "D1", "--look", "fine",
         "--bench", str(bench), *where],
        stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        encoding="utf-8",
    ) as process:  # fmt: skip
        assert process.stdout is not None
        assert process.stderr is not None
        line = process.stdout.readline()
        seconds, ended = time.perf_counter() - begun, time.time()
        said = process.stderr.read()
    if not line.startswith("D1 "):
        raise RuntimeError(f"labbench verify gave no verdict line: {said}")
    return seconds, ended


def _contact(journal: Path) -> float:
    """Give when the relays had joined the coil to the meter (s since 1970)."""
    for text in journal.read_text(encoding="utf-8").splitlines():
        event = json.loads(text)
        if event["kind"] == "connect":
            return datetime.fromisoformat(event["utc"]).timestamp()
    raise RuntimeError(f"{journal} has no contact")
