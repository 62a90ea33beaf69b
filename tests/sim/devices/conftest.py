"""Runs ngspice on a DC netlist. Nothing here skips: without the program the tests fail."""

from __future__ import annotations

import re
import subprocess
from collections.abc import Callable, Sequence

import pytest

_HEAD = """device against ngspice
.options reltol=1e-12 abstol={abstol} vntol=1e-13 gmin=1e-18 itl1=2000 temp={celsius} tnom={celsius}
"""


@pytest.fixture
def ngspice_dc() -> Callable[..., list[float]]:
    """Give a function that solves a netlist at rest and gives the printed expressions."""

    def run(
        netlist: str, asked: Sequence[str], *, celsius: float = 25.0, abstol: float = 1e-18
    ) -> list[float]:
        prints = "\n".join(f"print {expression}" for expression in asked)
        text = (
            _HEAD.format(celsius=celsius, abstol=abstol)
            + netlist
            + f"\n.control\nset numdgt=15\nop\n{prints}\n.endc\n.end\n"
        )
        done = subprocess.run(
            ["ngspice", "-b", "-n", "/dev/stdin"],
            input=text,
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )
        said = f"{text}\n{done.stdout}\n{done.stderr}"
        for complaint in ("singular", "no convergence", "error", "failed"):
            assert complaint not in f"{done.stdout}{done.stderr}".lower(), said
        found = re.findall(r"^\S+ = (\S+)$", done.stdout, flags=re.MULTILINE)
        assert len(found) == len(asked), said
        return [float(value) for value in found]

    return run
