"""Make estimates with labelled influences and turn them into plain data.

The arithmetic is done by GTC (GUM, JCGM 100:2008; complex quantities by JCGM 102:2011): an
influence is created once and used wherever it acts, so what two results share stays shared, and
the effective degrees of freedom follow from Welch and Satterthwaite (GUM G.4) with Willink's
extension to correlated inputs of one set of readings.

Uncertain numbers are GTC's own objects and live only inside a calculation. `to_estimate` turns
them into `labbench.results.Estimate`, which is what everybody else sees.

Where linear propagation is not to be trusted. Everything here is first order (GUM 5.1.2). That is
right for resistance and reactance, which are nearly linear in the readings, and wrong for
magnitude and phase of a quantity that is small against its uncertainty: in the coordinate
transformation example of JCGM 102:2011 (Tables 6 and 7) a quantity of 0.001 with u = 0.010 gets a
phase uncertainty of 10 rad where the distribution has 1.7 rad, and a magnitude of 0.001 where its
mean is 0.013. So no magnitude, phase, Q or tan delta is derived here with an uncertainty; whoever
needs one near zero must sample (JCGM 101:2008).
"""

from __future__ import annotations

__all__ = [
    "Uncertain",
    "UncertainComplex",
    "complex_reading",
    "constant",
    "coverage_factor",
    "expanded_uncertainty",
    "influence",
    "limits",
    "related_readings",
    "repeated",
    "to_estimate",
]

import math
from collections.abc import Mapping, Sequence
from typing import Any

from labbench.results import Estimate, Influence

#: GTC's uncertain real and complex numbers; the package has no type hints of its own
Uncertain = Any
UncertainComplex = Any


def influence(value: float, u: float, label: str, *, dof: float = math.inf) -> Uncertain:
    """Create an influence with a standard uncertainty (type B, or type A already evaluated).

    A zero `u` gives a constant. `dof` is at least 1. Raises ValueError for a number that is not
    finite.
    """
    from GTC import ureal

    return ureal(value, u, dof, label)


def limits(value: float, half_width: float, label: str, *, dof: float = math.inf) -> Uncertain:
    """Create an influence of which only limits are known: rectangular, u = a/sqrt 3, GUM 4.3.7."""
    return influence(value, half_width / math.sqrt(3.0), label, dof=dof)


def complex_reading(
    value: complex, u: tuple[float, float], label: str, *, dof: float = math.inf
) -> UncertainComplex:
    """Create a complex influence from standard uncertainties of real and imaginary part."""
    from GTC import ucomplex

    return ucomplex(value, u, dof, label)


def constant(value: complex) -> UncertainComplex:
    """Create a complex number without uncertainty, to start a complex calculation with."""
    from GTC import constant as gtc_constant

    return gtc_constant(complex(value))


def repeated(readings: Sequence[float], label: str, *, least_u: float = 0.0) -> Uncertain:
    """Create an influence from repeated readings: mean, s / sqrt n, n - 1 (type A, GUM 4.2).

    `least_u` is the smallest standard uncertainty of one reading that is believed (from the
    resolution or the known noise): a few readings that happen to agree, or that are all rounded
    to one digit, say nothing about their scatter. Where it decides, it stands with infinite
    degrees of freedom. Raises ValueError for no reading, and for a single one without `least_u`.
    """
    n = len(readings)
    if n == 0:
        raise ValueError(f"{label}: no reading to average")
    mean = math.fsum(readings) / n
    expected = least_u / math.sqrt(n)
    if n == 1:
        if expected <= 0.0:
            raise ValueError(f"{label}: one reading shows no scatter and no noise figure is given")
        return influence(mean, expected, label)
    seen = math.sqrt(math.fsum((x - mean) ** 2 for x in readings) / (n * (n - 1)))
    if seen <= expected:
        return influence(mean, expected, label)
    return influence(mean, seen, label, dof=n - 1)


def related_readings(readings: Mapping[str, Sequence[float]]) -> dict[str, Uncertain]:
    """Create influences from quantities read together, with their correlations (GUM 5.2.3).

    `readings` has one sequence a label, all of the same length of at least 2; the k-th values
    were read at the same time. Raises ValueError otherwise.
    """
    from GTC import type_a

    lengths = {label: len(values) for label, values in readings.items()}
    if len(set(lengths.values())) != 1 or min(lengths.values()) < 2:
        raise ValueError(
            f"quantities read together need equally many readings, at least 2: {lengths}"
        )
    labels = list(readings)
    sets = [list(values) for values in readings.values()]
    return dict(zip(labels, type_a.multi_estimate_real(sets, labels), strict=True))


def to_estimate(number: Uncertain, unit: str) -> Estimate:
    """Turn an uncertain real number into plain data with one line an influence, largest first.

    Influences with the same label make one line, the root of the sum of their squares: real and
    imaginary part of a complex influence, several of one kind. Where labels are correlated with
    each other (`related_readings`) the lines do not add up in squares to `u`.

    Degrees of freedom that Welch and Satterthwaite cannot give (no variance at all) are infinite.
    """
    import GTC

    squares: dict[str, float] = {}
    for line in GTC.reporting.budget(number, trim=0):
        label = line.label.removesuffix("_re").removesuffix("_im")
        squares[label] = squares.get(label, 0.0) + line.u**2
    lines = sorted(
        (Influence(label, math.sqrt(square)) for label, square in squares.items() if square > 0.0),
        key=lambda line: (-line.u, line.label),
    )
    dof = float(GTC.dof(number))
    return Estimate(
        value=float(GTC.value(number)),
        u=float(GTC.uncertainty(number)),
        unit=unit,
        dof=math.inf if math.isnan(dof) else dof,
        influences=tuple(lines),
    )


def coverage_factor(dof: float, coverage: float = 0.95) -> float:
    """Return Student's two-sided factor for degrees of freedom cut to an integer (GUM G.4.1).

    `coverage` lies between 0 and 1, `dof` is at least 1 (infinite: normal); ValueError otherwise.
    """
    if not 0.0 < coverage < 1.0:
        raise ValueError(f"a coverage of {coverage} does not lie between 0 and 1")
    if not dof >= 1.0:
        raise ValueError(f"{dof} degrees of freedom: at least 1 is needed")
    from GTC import reporting

    whole = dof if math.isinf(dof) else math.floor(dof)
    return float(reporting.k_factor(whole, 100.0 * coverage))


def expanded_uncertainty(estimate: Estimate, coverage: float = 0.95) -> float:
    """Return the half-width of the coverage interval, in the estimate's unit.

    Fewer than one degree of freedom (possible with Welch and Satterthwaite) count as one.
    """
    return coverage_factor(max(1.0, estimate.dof), coverage) * estimate.u
