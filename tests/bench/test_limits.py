"""Check what may be asked of the supply.

Not covered: whether the supply keeps to it (test_guarded_supply), the hardware itself.
"""

from __future__ import annotations

import math

import pytest

from labbench.bench.bench_file import BenchLimits
from labbench.bench.limits import Maximum, Need, check_request, compliance_v, surge_j
from labbench.errors import LimitExceeded

BENCH = BenchLimits(voltage_v=30.0, current_a=10.0)
NEED = Need("a test", voltage_v=5.0, current_a=3.0)


def check(volts: float, amps: float, **changes: object) -> None:
    arguments: dict[str, object] = {
        "bench": BENCH, "need": NEED, "part": None, "output_capacitance_f": 1e-6,
    }  # fmt: skip
    check_request(volts=volts, amps=amps, **{**arguments, **changes})  # type: ignore[arg-type]


def test_what_every_limit_allows_is_allowed_up_to_the_limit_itself() -> None:
    check(5.0, 3.0)
    check(5.0 * (1 + 1e-12), 3.0)


@pytest.mark.parametrize(
    ("bench", "part", "need", "volts", "amps", "said"),
    [
        ((4.0, 10.0), None, (5.0, 3.0), 4.5, 1.0, "bench file"),
        ((30.0, 2.0), None, (5.0, 3.0), 1.0, 2.5, "bench file"),
        ((30.0, 10.0), ("coil", None, 2.0), (5.0, 3.0), 1.0, 2.5, "absolute maximum of coil"),
        ((30.0, 10.0), ("coil", 2.0, None), (5.0, 3.0), 2.5, 1.0, "absolute maximum of coil"),
        ((30.0, 10.0), None, (0.5, 3.0), 0.6, 1.0, "need of a test"),
        ((30.0, 10.0), None, (5.0, 0.5), 1.0, 0.6, "need of a test"),
    ],
)
def test_the_smallest_limit_holds_and_is_named(
    bench: tuple[float, float],
    part: tuple[str, float | None, float | None] | None,
    need: tuple[float, float],
    volts: float,
    amps: float,
    said: str,
) -> None:
    with pytest.raises(LimitExceeded, match=said):
        check(
            volts,
            amps,
            bench=BenchLimits(voltage_v=bench[0], current_a=bench[1]),
            part=Maximum(*part) if part else None,
            need=Need("a test", voltage_v=need[0], current_a=need[1]),
        )


@pytest.mark.parametrize("asked", [0.0, -1.0, math.nan, math.inf])
def test_what_is_no_voltage_or_current_is_refused(asked: float) -> None:
    with pytest.raises(LimitExceeded, match="voltage"):
        check(asked, 1.0)
    with pytest.raises(LimitExceeded, match="current"):
        check(1.0, asked)


def test_every_limit_that_is_exceeded_is_named_at_once() -> None:
    with pytest.raises(LimitExceeded) as caught:
        check(40.0, 20.0)
    assert caught.value.message.count("exceeds") == 4


def test_without_a_declared_need_only_200_mv_and_20_uj_are_free() -> None:
    free = Need("nothing declared")
    check(0.2, 0.1, need=free)
    with pytest.raises(LimitExceeded):
        check(0.21, 0.1, need=free)
    with pytest.raises(LimitExceeded, match="output capacitor"):
        check(0.2, 0.1, need=free, output_capacitance_f=2e-3)


def test_the_energy_of_the_output_capacitor_is_half_c_v_squared() -> None:
    assert surge_j(220e-6, 0.3) == pytest.approx(9.9e-6)
    # 1000 µF at 0.2 V: exactly 20 µJ, at the limit; a hair more is refused
    check(0.2, 0.1, need=Need("x"), output_capacitance_f=1.0e-3)
    with pytest.raises(LimitExceeded, match="µJ"):
        check(0.2, 0.1, need=Need("x"), output_capacitance_f=1.01e-3)


def test_an_unknown_capacitance_is_taken_as_a_large_one_and_that_is_said() -> None:
    with pytest.raises(LimitExceeded, match="1000 µF, assumed"):
        check(1.0, 0.1, output_capacitance_f=None)


def test_a_step_may_declare_a_larger_energy_of_its_own() -> None:
    check(1.0, 0.1, output_capacitance_f=None, need=Need("coil", 1.0, 0.1, surge_j=1e-3))


def test_the_compliance_is_the_drop_of_leads_and_part_plus_200_mv() -> None:
    assert compliance_v(3.0, 0.03, 1.65e-3) == pytest.approx(0.29495)
