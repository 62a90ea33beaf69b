"""Print the figures of speed, one a line with its goal: `python tests/benchmarks/run.py`.

Exit code 0 also where a goal is missed: a busy computer is no fault of the code. Anything else
means that a benchmark could not run.
"""

from __future__ import annotations

import importlib
import os
import platform
import sys
import time
from pathlib import Path

#: those that the computer's load disturbs most go first
BENCHMARKS = ("exchange", "stop", "start", "sweep", "coil", "switch", "judge", "judge_switches",
              "deciding")  # fmt: skip


def main() -> int:
    """Run all, or those named."""
    # a script has its own folder on the path, not the project's
    sys.path[0] = str(Path(__file__).resolve().parents[2])
    chosen = sys.argv[1:] or BENCHMARKS
    if unknown := [name for name in chosen if name not in BENCHMARKS]:
        print(f"no benchmark {', '.join(unknown)}; there are {', '.join(BENCHMARKS)}")
        return 2
    load = os.getloadavg()[0] if hasattr(os, "getloadavg") else float("nan")
    print(
        f"Python {platform.python_version()}, {os.cpu_count()} processors, load {load:.1f} "
        "(figures on a loaded computer say little)"
    )
    begun = time.monotonic()
    missed = 0
    for name in chosen:
        for figure in importlib.import_module(f"tests.benchmarks.{name}").measure():
            missed += not figure.met
            print(figure.line(), flush=True)
    print(f"{missed or 'no'} goal{'s' * (missed != 1)} missed; {time.monotonic() - begun:.0f} s")
    return 0


if __name__ == "__main__":
    sys.exit(main())
