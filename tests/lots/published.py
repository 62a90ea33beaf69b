"""Read the published studies in tests/references."""

from __future__ import annotations

import csv
import re
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

REFERENCES = Path(__file__).parents[1] / "references"


def aiag_study() -> NDArray[np.float64]:
    """Read the AIAG study: axes part, operator, trial."""
    y = np.full((10, 3, 3), np.nan)
    with (REFERENCES / "aiag_msa_10x3x3.csv").open(encoding="utf-8") as file:
        for row in csv.DictReader(file):
            y[int(row["part"]), "ABC".index(row["op"]), int(row["trial"])] = float(row["y"])
    return y


def strd_groups(name: str) -> list[list[float]]:
    """Read a StRD one-way set: the data lines named in its own heading."""
    text = (REFERENCES / f"{name}.dat").read_text(encoding="ascii")
    found = re.search(r"Data\s+\(lines (\d+) to (\d+)\)", text)
    assert found is not None
    groups: dict[str, list[float]] = {}
    for line in text.splitlines()[int(found[1]) - 1 : int(found[2])]:
        group, value = line.split()
        groups.setdefault(group, []).append(float(value))
    return list(groups.values())


def probe_days(
    probe: str, *, wafer: str | None = None
) -> dict[tuple[str, str], list[tuple[float, float, int]]]:
    """Read the days of a probe from the NIST study: (run, wafer) to average, sd, 6 readings."""
    days: dict[tuple[str, str], list[tuple[float, float, int]]] = {}
    for line in (REFERENCES / "MPC61.DAT").read_text(encoding="ascii").splitlines():
        if not line.strip():
            continue
        run, of, name, *_, average, sd = line.replace(".  ", "  ").split()
        if name.rstrip(".") == probe and wafer in (None, of.rstrip(".")):
            days.setdefault((run, of.rstrip(".")), []).append((float(average), float(sd), 6))
    return days


def check_standard_137() -> list[float]:
    """Read the 25 measurements of check standard 137 (column 11)."""
    lines = (REFERENCES / "100ohm.dat").read_text(encoding="ascii").splitlines()
    rows = [line.split() for line in lines if line.startswith("51939")]
    return [float(row[10]) for row in rows[:25]]
