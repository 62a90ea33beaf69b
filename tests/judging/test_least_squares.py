"""The batched least squares: certified values of published problems, and another optimiser.

NIST Statistical Reference Datasets, nonlinear regression (data and certified values in
tests/references/strd, source there). Not covered: problems with fewer data than parameters and no
prior.
"""

from __future__ import annotations

import math
import re
from pathlib import Path

import numpy as np
import pytest
from scipy import optimize

from labbench.judging.least_squares import minimise

STRD = Path(__file__).parents[1] / "references" / "strd"


def misra1a(b, x):
    e = np.exp(-b[:, 1:2] * x)
    return b[:, :1] * (1 - e), np.stack([1 - e, b[:, :1] * x * e], axis=-1)


def mgh09(b, x):
    b1, b2, b3, b4 = (b[:, i : i + 1] for i in range(4))
    top, bottom = x**2 + x * b2, x**2 + x * b3 + b4
    y = b1 * top / bottom
    return y, np.stack([top / bottom, b1 * x / bottom, -y * x / bottom, -y / bottom], axis=-1)


def thurber(b, x):
    top = sum(b[:, i : i + 1] * x**i for i in range(4))
    bottom = 1 + sum(b[:, 3 + i : 4 + i] * x**i for i in range(1, 4))
    y = top / bottom
    by_top = [x**i / bottom for i in range(4)]
    return y, np.stack(by_top + [-y * x**i / bottom for i in range(1, 4)], axis=-1)


MODELS = {"Misra1a": misra1a, "MGH09": mgh09, "Thurber": thurber}


def dataset(name: str):
    """Read starts (2, p), certified values and deviations (p,), sum of squares, x and y."""
    text = (STRD / f"{name}.dat").read_text(encoding="latin-1")
    rows = re.findall(r"^\s*b\d+ =\s+(\S+)\s+(\S+)\s+(\S+)\s+(\S+)\s*$", text, flags=re.MULTILINE)
    table = np.array(rows, dtype=float)
    rss = float(re.search(r"Residual Sum of Squares:\s+(\S+)", text)[1])
    first = int(re.search(r"Data\s+\(lines\s+(\d+) to\s+(\d+)\)", text)[1])
    numbers = [line.split() for line in text.splitlines()[first - 1 :] if line.strip()]
    y, x = np.array(numbers, dtype=float).T
    return table[:, :2].T, table[:, 2], table[:, 3], rss, x, y


def digits(found: np.ndarray, certified: np.ndarray) -> float:
    """Give the number of correct digits of the worst value (log relative error)."""
    return float(np.min(-np.log10(np.maximum(np.abs(found / certified - 1), 1e-16))))


def solved(name: str):
    starts, certified, deviations, rss, x, y = dataset(name)
    model = MODELS[name]

    def linearise(b, rows):
        with np.errstate(over="ignore", invalid="ignore"):
            value, derivative = model(b, x)
        return value - y, derivative

    return minimise(linearise, starts, iterations=3000), certified, deviations, rss, x, y


@pytest.mark.parametrize("name", MODELS)
def test_published_problems_are_solved_to_six_digits_from_both_starts(name: str) -> None:
    found, certified, deviations, rss, x, _ = solved(name)
    assert found.converged.all()
    for i in range(2):
        assert digits(found.x[i], certified) >= 6.0
        assert found.objective[i] == pytest.approx(rss, rel=1e-8)
        spread = found.objective[i] / (len(x) - len(certified))
        sd = np.sqrt(spread * np.diag(np.linalg.inv(found.normal[i])))
        assert digits(sd, deviations) >= 5.0


def test_a_batch_gives_what_its_rows_give_alone() -> None:
    starts, _, _, _, x, y = dataset("MGH09")

    def linearise(b, rows):
        value, derivative = mgh09(b, x)
        return value - y, derivative

    together = minimise(linearise, starts, iterations=3000)
    for i in range(2):
        alone = minimise(linearise, starts[i : i + 1], iterations=3000)
        np.testing.assert_allclose(alone.x[0], together.x[i], rtol=1e-12)


def test_with_a_unit_prior_it_reaches_the_optimum_of_another_optimiser() -> None:
    random = np.random.default_rng(4)
    x = np.linspace(0.1, 3.0, 9)
    data = 2.0 * (1 - np.exp(-0.7 * x)) + 0.05 * random.normal(size=9)

    def residual(b):
        return np.concatenate([(misra1a(b[None, :], x)[0][0] - data) / 0.05, b])

    def linearise(b, rows):
        value, derivative = misra1a(b, x)
        return (value - data) / 0.05, derivative / 0.05

    start = np.array([[0.5, 0.5], [3.0, 0.1]])
    found = minimise(linearise, start, unit_prior=True)
    other = optimize.least_squares(residual, start[0], xtol=1e-14, ftol=1e-14, gtol=1e-14)
    for i in range(2):
        np.testing.assert_allclose(found.x[i], other.x, rtol=1e-6)
        assert found.objective[i] == pytest.approx(2 * other.cost, rel=1e-10)
    np.testing.assert_allclose(found.normal[0], other.jac.T @ other.jac, rtol=1e-4)


def test_a_row_that_overflows_keeps_its_start_and_does_not_disturb_the_others() -> None:
    x = np.array([1.0, 2.0, 3.0])
    data = np.exp(0.5 * x)

    def linearise(b, rows):
        with np.errstate(over="ignore", invalid="ignore"):
            value = np.exp(b * x)
            return value - data, (value * x)[:, :, None]

    found = minimise(linearise, np.array([[0.4], [1e4]]))
    assert found.x[0, 0] == pytest.approx(0.5, rel=1e-9)
    assert math.isinf(found.objective[1])
