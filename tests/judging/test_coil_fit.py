"""The batched fit: against another optimiser, and the evidence against direct integration.

Not covered: whether the priors are those of real populations. That needs real parts.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from attrs import evolve
from scipy import integrate, optimize

from labbench.judging import coil_model as model
from labbench.judging.coil_fit import CoilData, coil_data, fit_hypotheses, log_evidence
from labbench.judging.coil_priors import (
    HEALTHY,
    Hypothesis,
    Prior,
    fault_hypotheses,
    healthy_prior,
    loop_hypothesis,
)
from tests.judging.closed_forms import (
    BENCH_HZ,
    LARGE,
    LARGE_TYPE,
    SMALL,
    SMALL_TYPE,
    ClosedFormCoil,
    sweep,
)

COILS = {
    "healthy": SMALL,
    "short of 5 mohm": evolve(SMALL, short_ohm=5e-3),
    "short of 0.5 ohm": evolve(SMALL, short_ohm=0.5),
    "larger, healthy": LARGE,
    "larger, short of 50 mohm": evolve(LARGE, short_ohm=50e-3),
}


def prepared(coil: ClosedFormCoil, seed: int = 3) -> tuple[CoilData, Prior]:
    part = SMALL_TYPE if coil.turns == 4 else LARGE_TYPE
    random = np.random.default_rng(seed)
    impedance, contact = sweep(coil.impedance_ohm(np.array(BENCH_HZ)), BENCH_HZ, random=random)
    columns = [
        np.array(c, dtype=float)
        for c in (
            impedance.frequency_hz, impedance.resistance_ohm, impedance.reactance_ohm,
            impedance.u_resistance_ohm, impedance.u_reactance_ohm,
        )
    ]  # fmt: skip
    dc = coil.dc_resistance_ohm()
    data = coil_data(
        *columns,
        contact_resistance_ohm=contact.u_resistance_ohm,
        contact_inductance_h=contact.u_inductance_h,
        dc_resistance_ohm=dc,
        u_dc_ohm=0.01 * dc,
    )
    prior = healthy_prior(
        part,
        temperature_c=25.0,
        contact_resistance_ohm=contact.u_resistance_ohm,
        contact_inductance_h=contact.u_inductance_h,
        guess_inductance_h=1e-6,
        guess_resistance_ohm=1e-3,
    )
    return data, prior


def residuals(z: np.ndarray, data: CoilData, hypothesis: Hypothesis) -> np.ndarray:
    """Data and prior as one residual vector, written anew for the other optimiser."""
    prior = hypothesis.prior
    theta = prior.mean + prior.sd * z
    zm = model.impedance(theta[None, :], data.frequency_hz, hypothesis.loop)[0]
    assert data.dc_resistance_ohm is not None
    assert data.sigma_dc_ohm is not None
    return np.concatenate([
        (zm.real - data.resistance_ohm) / data.sigma_resistance_ohm,
        (zm.imag - data.reactance_ohm) / data.sigma_reactance_ohm,
        [(math.exp(theta[model.R0]) - data.dc_resistance_ohm) / data.sigma_dc_ohm],
        z,
    ])  # fmt: skip


@pytest.mark.parametrize("name", COILS)
def test_the_map_of_every_hypothesis_is_a_minimum_that_another_optimiser_does_not_leave(
    name: str,
) -> None:
    data, prior = prepared(COILS[name])
    hypotheses = (
        Hypothesis(HEALTHY, prior, loop=False),
        loop_hypothesis(prior),
        *fault_hypotheses(prior, COILS[name].turns),
    )
    for fit in fit_hypotheses(data, hypotheses):
        z = (fit.theta - fit.hypothesis.prior.mean) / fit.hypothesis.prior.sd
        found = optimize.least_squares(
            residuals, z, args=(data, fit.hypothesis), method="lm", xtol=1e-12, ftol=1e-12
        )
        assert fit.chi2 == pytest.approx(np.sum(residuals(z, data, fit.hypothesis) ** 2), rel=1e-9)
        assert fit.chi2 <= 2 * found.cost * 1.003 + 0.02, fit.hypothesis.name


@pytest.mark.parametrize("name", COILS)
def test_healthy_and_loop_are_found_as_well_as_from_twenty_random_starts(name: str) -> None:
    data, prior = prepared(COILS[name])
    random = np.random.default_rng(11)
    for fit in fit_hypotheses(
        data, (Hypothesis(HEALTHY, prior, loop=False), loop_hypothesis(prior))
    ):
        best = min(
            2
            * optimize.least_squares(
                residuals, 0.7 * random.normal(size=13), args=(data, fit.hypothesis),
                method="trf", max_nfev=300,
            ).cost
            for _ in range(20)
        )  # fmt: skip
        # the start with most evidence is kept, which may lie a little above the deepest
        assert fit.chi2 <= best * 1.001 + 1.0, fit.hypothesis.name


def test_a_loop_is_recovered_from_a_coil_of_coupled_inductors() -> None:
    coil = evolve(LARGE, short_ohm=50e-3)
    data, prior = prepared(coil)
    loop = fit_hypotheses(data, (loop_hypothesis(prior),))[0]
    turn_h = 1.1 * coil.inductance_h / coil.turns**2
    true_corner = (0.05 + coil.resistance_ohm / coil.turns) / (2 * math.pi * turn_h)
    assert math.exp(loop.theta[model.FC]) == pytest.approx(true_corner, rel=0.1)
    assert 1 / (1 + math.exp(-loop.theta[model.K2])) == pytest.approx(0.945**2, abs=0.03)
    # the field inside the wire adds a little to the inductance of the closed form
    assert math.exp(loop.theta[model.L0]) == pytest.approx(coil.inductance_h, rel=0.04)


def test_the_evidence_agrees_with_direct_integration_where_one_parameter_is_free() -> None:
    data, prior = prepared(SMALL)
    # all but the inductance fixed where they fit: the integral is one-dimensional
    best = fit_hypotheses(data, (Hypothesis(HEALTHY, prior, loop=False),))[0].theta
    narrow = Prior(best, np.full(13, 1e-9)).moved(model.L0, prior.mean[model.L0], 0.08)
    hypothesis = Hypothesis(HEALTHY, narrow, loop=False)
    fit = fit_hypotheses(data, (hypothesis,))[0]

    def integrand(z0: float) -> float:
        z = np.zeros(13)
        z[model.L0] = z0
        chi2 = float(np.sum(residuals(z, data, hypothesis) ** 2))
        return math.exp(-0.5 * (chi2 - fit.chi2)) / math.sqrt(2 * math.pi)

    centre = float((fit.theta[model.L0] - narrow.mean[model.L0]) / 0.08)
    exact, _ = integrate.quad(integrand, centre - 1.0, centre + 1.0, points=[centre], epsabs=1e-12)
    assert log_evidence(fit) == pytest.approx(math.log(exact) - 0.5 * fit.chi2, abs=0.02)


def test_the_bayes_factor_equals_the_published_form_in_natural_units() -> None:
    # ln B = (chi2_H - chi2_S)/2 - (ln|A_S| - ln|A_H|)/2 - ln sd(logit k2) - ln sd(ln fc) - ...,
    # with A = J'J over data and prior in natural units (Laplace's method)
    data, prior = prepared(evolve(SMALL, short_ohm=0.05))
    fits = fit_hypotheses(
        data, (Hypothesis(HEALTHY, prior, loop=False), Hypothesis("shorted-turn", prior, loop=True))
    )
    natural = []
    for fit in fits:
        keep = np.arange(13) if fit.hypothesis.loop else np.arange(model.K2)
        z = (fit.theta - prior.mean) / prior.sd
        jacobian = np.empty((data.count + 13, 13))
        for i in range(13):
            step = np.zeros(13)
            step[i] = 1e-5
            jacobian[:, i] = (
                residuals(z + step, data, fit.hypothesis)
                - residuals(z - step, data, fit.hypothesis)
            ) / (2e-5 * prior.sd[i])
        a = (jacobian.T @ jacobian)[np.ix_(keep, keep)]
        natural.append(-0.5 * fit.chi2 - 0.5 * np.linalg.slogdet(a)[1])
    widths = float(np.sum(np.log(prior.sd[model.K2 :])))
    assert log_evidence(fits[1]) - log_evidence(fits[0]) == pytest.approx(
        natural[1] - natural[0] - widths, abs=1e-3
    )


def test_the_contact_is_not_counted_twice() -> None:
    f = np.array([1e5])
    data = coil_data(
        f, np.array([0.01]), np.array([0.3]), np.array([5e-4]), np.array([1e-3]),
        contact_resistance_ohm=4e-4, contact_inductance_h=1e-9,
        model_resistance=0.0, model_reactance=0.0,
    )  # fmt: skip
    assert data.sigma_resistance_ohm[0] == pytest.approx(3e-4, rel=1e-3)
    assert data.sigma_reactance_ohm[0] == pytest.approx(
        math.sqrt(1e-6 - (2e5 * math.pi * 1e-9) ** 2), rel=1e-3
    )


def test_a_sweep_of_one_frequency_can_be_fitted() -> None:
    data, prior = prepared(SMALL)
    one = CoilData(
        data.frequency_hz[2:3], data.resistance_ohm[2:3], data.reactance_ohm[2:3],
        data.sigma_resistance_ohm[2:3], data.sigma_reactance_ohm[2:3], None, None,
    )  # fmt: skip
    fits = fit_hypotheses(one, (Hypothesis(HEALTHY, prior, loop=False), loop_hypothesis(prior)))
    assert all(math.isfinite(log_evidence(fit)) for fit in fits)
