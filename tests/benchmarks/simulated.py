"""Serve a simulated bench in a process of its own, at the pace of real instruments."""

from __future__ import annotations

import contextlib
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

#: simulated seconds in a second
REAL_TIME = 1.0
LABBENCH = Path(sys.executable).with_name("labbench")


@contextlib.contextmanager
def simulated_bench(scenario: str, folder: Path) -> Iterator[Path]:
    """Start `labbench simulate`, give the bench file, and stop it at the end."""
    bench = folder / "bench.toml"
    process = subprocess.Popen(
        [str(LABBENCH), "simulate", scenario, "--write-bench", str(bench), "--clock-rate",
         f"{REAL_TIME:g}"],
        stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, encoding="utf-8",
    )  # fmt: skip
    assert process.stdout is not None
    try:
        ready = process.stdout.readline()
        if not ready.startswith("ready"):
            raise RuntimeError(f"labbench simulate {scenario} did not start: {ready!r}")
        yield bench
    finally:
        process.terminate()
        process.wait(10)
        process.stdout.close()
