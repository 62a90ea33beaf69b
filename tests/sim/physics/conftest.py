"""Runs ngspice on a netlist. Nothing here skips: without the program the tests fail."""

from __future__ import annotations

import re
import subprocess
from collections.abc import Callable

import pytest


@pytest.fixture
def ngspice() -> Callable[[str], complex]:
    """Give a function that runs a netlist in batch mode and gives the voltage that it prints."""

    def run(netlist: str) -> complex:
        done = subprocess.run(
            ["ngspice", "-b", "-n", "/dev/stdin"],
            input=netlist,
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )
        found = re.findall(r"^v\(\S+\) = (\S+),\s*(\S+)$", done.stdout, flags=re.MULTILINE)
        said = f"{done.stdout}\n{done.stderr}"
        assert len(found) == 1, said
        for complaint in ("singular", "not positive definite", "error"):
            assert complaint not in said.lower(), said
        return complex(float(found[0][0]), float(found[0][1]))

    return run
