"""Measure `labbench --help` against a click program without a command, as whole processes."""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.benchmarks.figures import Figure, median

RUNS = 30
GOAL = 1.5

#: what setuptools writes for a program of an installed package, with an empty click group
_EMPTY = """\
import sys
import click

@click.group()
def main():
    "Nothing."

if __name__ == "__main__":
    sys.exit(main())
"""


def measure() -> list[Figure]:
    """Measure both in turns."""
    with tempfile.TemporaryDirectory() as folder:
        empty = Path(folder) / "empty.py"
        empty.write_text(_EMPTY, encoding="utf-8")
        labbench = Path(sys.executable).with_name("labbench")
        taken: dict[str, list[float]] = {"empty": [], "labbench": []}
        for number in range(RUNS + 2):
            for name, script in (("empty", empty), ("labbench", labbench)):
                begun = time.perf_counter()
                subprocess.run(
                    [sys.executable, str(script), "--help"], check=True, capture_output=True
                )
                if number >= 2:  # the first ones read from disk
                    taken[name].append(time.perf_counter() - begun)
    empty_s, labbench_s = median(taken["empty"]), median(taken["labbench"])
    return [
        Figure("an empty click program, --help, median", empty_s * 1e3, "ms"),
        Figure("labbench --help, median", labbench_s * 1e3, "ms"),
        Figure("labbench --help to an empty click program", labbench_s / empty_s, "", GOAL),
    ]
