"""Fail exchanges of the procedures for switches and rails, as many as are asked for, and count.

    python -m tests.studies.switch_exchanges [--each N] [--seed S] [--write]

Without --each every exchange fails in every way: hours. What is looked at after each case, and what
is not, stands in tests/faults/test_every_exchange.py and test_switch_exchanges.py.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from pathlib import Path

from tests.faults.bench_under_fault import Found
from tests.faults.switch_procedures import BY_SCENARIO
from tests.faults.test_switch_exchanges import SEED, try_some
from tests.studies.safety import MEMORY_DISK

TABLE = Path(__file__).parent / "results" / "switch-exchanges.md"


def main() -> None:
    """Run it, print what was found, and keep it where that is asked for."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])  # type: ignore[union-attr]
    options.add_argument("--each", type=int, help="cases of each procedure, drawn; all without it")
    options.add_argument("--seed", type=int, default=SEED)
    options.add_argument("--write", action="store_true", help="keep what was found in results/")
    asked = options.parse_args()
    begun, total = time.monotonic(), Found()
    lines = ["# Failing exchanges in the procedures for switches and rails", ""]
    which = "every exchange in every way" if asked.each is None else (
        f"{asked.each} drawn cases of each procedure, seed {asked.seed}"
    )  # fmt: skip
    lines += [
        f"After each case: output, journal, readings in force, monitor, next run; {which}.",
        "",
    ]
    where = MEMORY_DISK if MEMORY_DISK.is_dir() else None
    with tempfile.TemporaryDirectory(dir=where) as folder:
        for scenario, procedures in BY_SCENARIO.items():
            found = try_some(Path(folder) / scenario, scenario, asked.each, asked.seed)
            total.add(found)
            names = ", ".join(name for name in procedures if name != "next")
            lines += [f"## {scenario}: {names}", "", "```", str(found), "```", ""]
            print("\n".join(lines[-6:]), flush=True)
    lines += ["## all", "", "```", str(total), *total.troubles, "```", ""]
    lines += [f"Computed in {time.monotonic() - begun:.0f} s. The instruments are our simulator's: "
              "this is no outside check.", ""]  # fmt: skip
    print("\n".join(lines[-8:]))
    if asked.write:
        TABLE.write_text("\n".join(lines), encoding="utf-8")


if __name__ == "__main__":
    main()
