"""Check the risks of decisions: at the limit with stopping, and over a population.

    python tests/studies/decisions.py --runs 5000 --write

Readings are drawn from the declared accuracy of the instruments (the model that the budgets are
made from, run forwards), each run in a session of its own, and go through the real stop rule,
budget and decision. Three questions:

1. A part exactly at its limit: how often is it accepted? At most the stated risk, stopping
   included. Beside it what looking after every pair at the full risk would do: the study must be
   able to see a rule that breaks its promise.
2. A population: how many of all parts are accepted and out of limits, how many are good and not
   accepted? As `labbench.judging.risks` foretells from u alone, within sampling error.
3. How many pairs does it take, against fixed averaging?

Not an outside check: the draws share the tool's model of its instruments. That the simulated
instruments keep to it is what coverage.py shows.
"""

from __future__ import annotations

import argparse
import math
import sys
import time
from dataclasses import dataclass
from functools import partial
from pathlib import Path

if __name__ == "__main__":
    sys.path[0] = str(Path(__file__).resolve().parents[2])

import numpy as np
from scipy import stats

from labbench.jobs.until_decided import (
    MOST_PAIRS,
    REJECTION_TESTS,
    final_risks,
    resistance_enough,
)
from labbench.judging.conformity import decide
from labbench.judging.risks import GlobalRisks, acceptance_limits, global_risks
from labbench.metrology.accuracy import multimeter_accuracy, supply_accuracy
from labbench.metrology.expected import BenchAccuracies, expected_resistance
from labbench.metrology.resistance import at_temperature, dc_resistance
from labbench.metrology.temperature import copper_resistance_at
from labbench.parts.coil_type import CoilType, ResistanceLimit
from labbench.results import OnOffPair, ResistanceMeasurement
from tests.studies.in_process import wilson

RESULTS = Path(__file__).parent / "results" / "decisions.md"
RISK, FALSE_REJECT = 0.05, 0.01
TOLERANCE = 0.10
#: spread of the population, relative: some 5 % of it lies out of limits
SPREAD = 0.051
ROOM_C, U_ROOM_K = 23.0, 0.5
PAIRS = 4


@dataclass(frozen=True)
class Plan:
    """Hold one way to measure a resistance."""

    name: str
    nominal_ohm: float
    current_a: float
    bench: BenchAccuracies
    #: noise of one voltage reading against that of the class
    noise: float = 1.0

    @property
    def part(self) -> CoilType:
        """Return the type: plus and minus a tenth."""
        low, high = self.nominal_ohm * (1 - TOLERANCE), self.nominal_ohm * (1 + TOLERANCE)
        return CoilType(
            name="study", dc_resistance=(ResistanceLimit(self.nominal_ohm, low, high, 25.0),)
        )

    @property
    def method(self) -> str:
        """Name the method."""
        method = self.bench.resistance_method
        assert method is not None
        return method


def _bench(multimeter: str | None, supply: str = "1mV-1mA") -> BenchAccuracies:
    return BenchAccuracies(
        multimeter=multimeter_accuracy(multimeter) if multimeter else None,
        supply=supply_accuracy(supply),
        supply_leads_ohm=0.05,
    )


PLANS = (
    Plan("multimeter 6.5 digits, 1.5 mΩ at 3 A", 1.5e-3, 3.0, _bench("6.5-digit")),
    Plan("multimeter 4.5 digits, 1.5 mΩ at 0.3 A", 1.5e-3, 0.3, _bench("4.5-digit")),
    Plan("multimeter 4.5 digits, 1.5 mΩ at 0.3 A, noisy", 1.5e-3, 0.3, _bench("4.5-digit"), 4.0),
    Plan("supply readback, 60 mΩ at 1.5 A", 60e-3, 1.5, _bench(None)),
)


class Drawn:
    """Draw one session: the errors that stay, then pair after pair."""

    def __init__(self, plan: Plan, true_25_ohm: float, rng: np.random.Generator) -> None:
        self._plan, self._rng = plan, rng
        supply, meter = plan.bench.supply, plan.bench.multimeter
        assert supply is not None
        true_c = ROOM_C + rng.normal(0.0, U_ROOM_K)
        true_ohm = copper_resistance_at(true_25_ohm, 25.0, true_c)
        self._amps = (
            plan.current_a * (1.0 + _even(rng, supply.current_gain_relative))
            + _even(rng, supply.current_offset_a)
            + _even(rng, supply.current_step_a / 2.0)
        )
        if meter is not None:
            seen = true_ohm * (1.0 + rng.normal(0.0, 6e-3)) + rng.normal(0.0, 5e-6)
            self._gain = 1.0 + _even(rng, meter.gain_relative)
            self._noise_v = plan.noise * math.hypot(
                meter.noise_of_range * 0.1, meter.resolution_of_range * 0.1 / math.sqrt(12.0)
            )
            self._offset_v = rng.normal(0.0, meter.thermal_drift_v)
        else:
            leads = plan.bench.supply_leads_ohm or 0.0
            path = leads * (1.0 + rng.normal(0.0, supply.lead_relative))
            seen = true_ohm + path + rng.normal(0.0, supply.lead_contact_ohm)
            self._gain = 1.0 + _even(rng, supply.voltage_gain_relative)
            self._noise_v = supply.voltage_step_v / math.sqrt(12.0)
            self._offset_v = _even(rng, supply.voltage_offset_v) + _even(
                rng, supply.voltage_step_v / 2.0
            )
        self._seen_ohm = seen
        self._pairs: tuple[OnOffPair, ...] = ()

    def one_more(self) -> ResistanceMeasurement:
        """Take one more pair and return all so far."""
        noise = self._rng.normal(0.0, self._noise_v, 3)
        volts = self._gain * self._amps * self._seen_ohm + self._offset_v
        pair = OnOffPair(
            float(noise[0]), float(volts + noise[1]), float(noise[2]), self._plan.current_a
        )
        self._pairs = (*self._pairs, pair)
        return ResistanceMeasurement(
            method=self._plan.method, pairs=self._pairs, temperature_c=ROOM_C,
            u_temperature_c=U_ROOM_K, multimeter_range_v=0.1, set_current_a=self._plan.current_a,
        )  # fmt: skip


def _even(rng: np.random.Generator, limit: float) -> float:
    return float(rng.uniform(-limit, limit))


def _known(plan: Plan, measurement: ResistanceMeasurement):  # type: ignore[no-untyped-def]
    return dc_resistance(
        measurement, multimeter=plan.bench.multimeter, supply=plan.bench.supply, impedance=None,
        supply_leads_ohm=plan.bench.supply_leads_ohm,
    )  # fmt: skip


def _word(plan: Plan, measurement: ResistanceMeasurement, risk: float, reject: float) -> str:
    resistance, estimate = _known(plan, measurement)
    at = at_temperature(resistance, 25.0, estimate=estimate)
    limit = plan.part.dc_resistance[0]
    return decide(
        at.value, at.u, limit.lower_ohm, limit.upper_ohm, risk=risk, rejection_risk=reject,
        dof=max(1.0, at.dof),
    ).verdict  # fmt: skip


def until_decided(plan: Plan, true_ohm: float, rng: np.random.Generator) -> tuple[str, int]:
    """Measure until decided and judge; return the word and how many pairs it took."""
    drawn = Drawn(plan, true_ohm, rng)
    enough = resistance_enough(
        plan.part, partial(_known, plan), risk=RISK, rejection_risk=FALSE_REJECT / REJECTION_TESTS
    )
    accept, reject = final_risks(RISK, FALSE_REJECT)
    for _ in range(MOST_PAIRS):
        measurement = drawn.one_more()
        if enough(measurement):
            break
    return _word(plan, measurement, accept, reject / REJECTION_TESTS), len(measurement.pairs)


def fixed(plan: Plan, true_ohm: float, rng: np.random.Generator) -> str:
    """Take the fixed number of pairs and judge."""
    drawn = Drawn(plan, true_ohm, rng)
    for _ in range(PAIRS):
        measurement = drawn.one_more()
    return _word(plan, measurement, RISK, FALSE_REJECT / REJECTION_TESTS)


def until_accepted(plan: Plan, true_ohm: float, rng: np.random.Generator) -> bool:
    """Look after every pair at the full risk and stop at the first acceptance: what not to do."""
    drawn = Drawn(plan, true_ohm, rng)
    return any(_word(plan, drawn.one_more(), RISK, 1e-9) == "conforms" for _ in range(MOST_PAIRS))


@dataclass
class AtLimit:
    """Hold how often a part exactly at its limit was accepted."""

    plan: str
    limit: str
    runs: int
    accepted: int
    naive: int
    naive_runs: int
    pairs: float

    @property
    def holds(self) -> bool:
        """Tell whether the count does not contradict the stated risk."""
        return wilson(self.accepted, self.runs)[0] <= RISK


def at_limit(plan: Plan, side: int, runs: int, seed: int, naive_runs: int) -> AtLimit:
    """Count acceptances of a part exactly at the lower (-1) or upper (+1) limit."""
    rng = np.random.default_rng(seed)
    true_ohm = plan.nominal_ohm * (1 + side * TOLERANCE)
    found = [until_decided(plan, true_ohm, rng) for _ in range(runs)]
    naive = sum(until_accepted(plan, true_ohm, rng) for _ in range(naive_runs))
    return AtLimit(
        plan.name, "upper" if side > 0 else "lower", runs,
        sum(word == "conforms" for word, _ in found), naive, naive_runs,
        sum(n for _, n in found) / runs,
    )  # fmt: skip


@dataclass
class OverPopulation:
    """Hold counts over a population, with what was foretold."""

    plan: str
    how: str
    runs: int
    wrong_accepts: int
    wrong_rejects: int
    failed_good: int
    pairs: float
    foretold: GlobalRisks

    def z(self) -> tuple[float, float]:
        """Tell how many standard deviations the counts lie from what was foretold."""
        found = []
        for count, share in (
            (self.wrong_accepts, self.foretold.consumer),
            (self.wrong_rejects, self.foretold.producer),
        ):
            sd = math.sqrt(max(self.runs * share * (1 - share), 1.0))
            found.append((count - self.runs * share) / sd)
        return found[0], found[1]


def over_population(plan: Plan, runs: int, seed: int, *, stopping: bool) -> OverPopulation:
    """Measure a population and count, until decided or with fixed averaging."""
    rng = np.random.default_rng(seed)
    limit = plan.part.dc_resistance[0]
    lower, upper = limit.lower_ohm, limit.upper_ohm
    assert lower is not None
    assert upper is not None
    wrong_accepts = wrong_rejects = failed = 0
    pairs = 0
    for _ in range(runs):
        true_ohm = plan.nominal_ohm * (1 + SPREAD * rng.standard_normal())
        if stopping:
            word, n = until_decided(plan, true_ohm, rng)
        else:
            word, n = fixed(plan, true_ohm, rng), PAIRS
        pairs += n
        good = lower <= true_ohm <= upper
        wrong_accepts += word == "conforms" and not good
        wrong_rejects += word != "conforms" and good
        failed += word == "fails" and good
    # the plan as the tool foretells it: u at the limits, where decisions are made
    expected = expected_resistance(
        upper, plan.bench, method=plan.method, current_a=plan.current_a,
        pairs=MOST_PAIRS if stopping and plan.noise > 1.0 else PAIRS,
        u_temperature_c=U_ROOM_K,
    )  # fmt: skip
    assert expected is not None
    risk = final_risks(RISK, FALSE_REJECT)[0] if stopping else RISK
    accept_lower, accept_upper = acceptance_limits(lower, upper, expected.u, risk=risk)
    foretold = global_risks(
        stats.norm(plan.nominal_ohm, SPREAD * plan.nominal_ohm), expected.u,
        lower=lower, upper=upper, accept_lower=accept_lower, accept_upper=accept_upper,
    )  # fmt: skip
    return OverPopulation(
        plan.name, "until decided" if stopping else f"{PAIRS} pairs", runs,
        wrong_accepts, wrong_rejects, failed, pairs / runs, foretold,
    )  # fmt: skip


def limit_rows(runs: int, seed: int, naive_runs: int) -> list[AtLimit]:
    """Run every plan at both limits."""
    return [
        at_limit(plan, side, runs, seed + 10 * i + side, naive_runs)
        for i, plan in enumerate(PLANS)
        for side in (-1, 1)
    ]


def population_rows(runs: int, seed: int) -> list[OverPopulation]:
    """Run every plan over the population, with and without stopping."""
    quiet = [plan for plan in PLANS if plan.noise == 1.0]
    return [
        over_population(plan, runs, seed + 10 * i, stopping=stopping)
        for i, plan in enumerate(quiet)
        for stopping in (False, True)
    ]


def table(limits: list[AtLimit], populations: list[OverPopulation], seed: int) -> str:
    """Return the result as Markdown."""
    lines = [
        "# Quality of decisions",
        "",
        f"`python tests/studies/decisions.py --runs {limits[0].runs} --write`, seed {seed}. "
        f"Risk {RISK:.0%}, false reject {FALSE_REJECT:.0%} over {REJECTION_TESTS:g} tests, limits "
        f"± {TOLERANCE:.0%}.",
        "",
        "## A part exactly at its limit",
        "",
        "| plan | limit | runs | accepted | 95 % interval | holds | mean pairs | look after every "
        "pair |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for row in limits:
        low, high = wilson(row.accepted, row.runs)
        lines.append(
            f"| {row.plan} | {row.limit} | {row.runs} | {row.accepted / row.runs:.2%} | "
            f"{low:.2%} to {high:.2%} | {'yes' if row.holds else 'NO'} | {row.pairs:.1f} | "
            f"{row.naive / max(row.naive_runs, 1):.1%} |"
        )
    lines += [
        "",
        f"## A population with a spread of {SPREAD:.1%}",
        "",
        "| plan | how | runs | wrongly accepted | foretold | good, not accepted | foretold | "
        "good, failed | mean pairs |",
        "|---|---|---|---|---|---|---|---|---|",
    ]
    for p in populations:
        lines.append(
            f"| {p.plan} | {p.how} | {p.runs} | {p.wrong_accepts / p.runs:.3%} | "
            f"{p.foretold.consumer:.3%} | {p.wrong_rejects / p.runs:.2%} | "
            f"{p.foretold.producer:.2%} | {p.failed_good / p.runs:.3%} | {p.pairs:.1f} |"
        )
    return "\n".join(lines) + "\n"


def main() -> int:
    """Run from the command line; exit code 1 where a risk is not held."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--runs", type=int, default=500)
    parser.add_argument("--seed", type=int, default=11)
    parser.add_argument("--write", action="store_true", help="keep the table in results/")
    given = parser.parse_args()
    begun = time.monotonic()
    limits = limit_rows(given.runs, given.seed, max(50, given.runs // 10))
    populations = population_rows(given.runs, given.seed + 1000)
    text = table(limits, populations, given.seed)
    print(text)
    print(f"{time.monotonic() - begun:.0f} s")
    if given.write:
        RESULTS.parent.mkdir(exist_ok=True)
        RESULTS.write_text(text, encoding="utf-8")
    return int(not all(row.holds for row in limits))


if __name__ == "__main__":
    sys.exit(main())
