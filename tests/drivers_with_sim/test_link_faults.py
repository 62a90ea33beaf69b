"""Let message number N go wrong, for every N of a driver's work, in every way the server knows.

After each: only our errors were raised; a reading that was returned is the right one; the output of
the supply is off, or the emergency off said that it could not be confirmed. The same sweep over
whole procedures belongs to the tests of the bench. A garbled byte is a non-ASCII one here: a digit
garbled into another digit cannot be seen on a plain socket. Does NOT cover links other than TCP.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from drivers import open_impedance_meter, open_supply
from labbench.errors import LabbenchError
from sim.link_faults import FaultKind, FaultSchedule, LinkFault
from sim.links.kinds import KINDS, LinkKind, impossible
from sim.served import ServedBench
from tests.drivers.peers import quick_dialect

SCENARIO = Path(__file__).parents[2] / "sim" / "scenarios" / "harbour-buoys.toml"
#: longer than the deadline of an exchange below
LATE_S = 0.2
QUICK = [
    ('reply = "400 ms"', 'reply = "60 ms"'),
    ('flow_control = "none"', 'flow_control = "none"\nquiet = "30 ms"'),
]
WAYS: list[tuple[FaultKind, float | bytes | None]] = [
    ("refuse", None),
    ("silent", None),
    ("act-but-lose-reply", None),
    ("late", LATE_S),
    ("split", LATE_S),
    ("double", None),
    ("garble", None),
    ("unterminated", None),
    ("disconnect", None),
    ("act-and-disconnect", None),
    ("vanish", 0.1),
    ("deaf", 0.3),
]
#: a pseudo-terminal has no connection that could be closed
CASES = [
    pytest.param(link, kind, parameter, id=f"{link}-{kind}")
    for link in KINDS
    for kind, parameter in WAYS
    if not impossible(link, kind)
]
each_case = pytest.mark.parametrize(("link", "kind", "parameter"), CASES)

# messages of the conversations below, the opening included: the sweeps go some beyond them
METER_MESSAGES = 18
SUPPLY_MESSAGES = 26


def faulty(
    link: LinkKind, role: str, number: int, kind: FaultKind, parameter: float | bytes | None
) -> ServedBench:
    schedule = FaultSchedule([LinkFault(number, kind, parameter)])
    return ServedBench(SCENARIO, manual_clock=True, faults={role: schedule}, links={role: link})


def numbers(link: LinkKind, messages: int) -> range:
    """Give the numbers of the messages that go wrong; the last lies beyond the conversation."""
    return range(messages, 0, -1 if link == "socket" else -5)


@pytest.mark.slow
@each_case
def test_no_wrong_impedance_is_ever_returned(
    tmp_path: Path, link: LinkKind, kind: FaultKind, parameter: float | bytes | None
) -> None:
    dialect = quick_dialect(
        tmp_path,
        "impedance-function-tree",
        changes=[*QUICK, ('reading_margin = "3 s"', 'reading_margin = "60 ms"')],
    )
    clean = 0
    for number in numbers(link, METER_MESSAGES):
        with faulty(link, "impedance_meter", number, kind, parameter) as bench:
            assert bench.bench.switch is not None
            bench.bench.switch.close([101, 201, 202])
            truth = bench.bench.impedance_meter
            try:
                with open_impedance_meter(
                    bench.addresses["impedance_meter"], dialect, lock_directory=tmp_path
                ) as meter:
                    meter.prepare()
                    meter.set_point(frequency_hz=1e5, level_v=0.3, aperture_s=0.05, averages=1)
                    reading = meter.read_impedance()
                    meter.check_errors()
            except LabbenchError:
                continue
            clean += 1
            assert truth is not None
            assert truth.frequency_hz == pytest.approx(1e5)
            assert reading.status == "ok"
            # D1 of this scenario: about 0.30 Ω of reactance at 100 kHz
            assert reading.reactance_ohm == pytest.approx(0.30, rel=0.05)
    assert clean >= 1  # the last ones lie beyond the conversation


@pytest.mark.slow
@each_case
def test_the_output_is_off_or_said_to_be_unconfirmed(
    tmp_path: Path, link: LinkKind, kind: FaultKind, parameter: float | bytes | None
) -> None:
    dialect = quick_dialect(tmp_path, "supply-scpi99", changes=[*QUICK, ('"250 ms"', '"60 ms"')])
    confirmed = 0
    for number in numbers(link, SUPPLY_MESSAGES):
        with faulty(link, "supply", number, kind, parameter) as bench:
            output = bench.bench.supply
            assert output is not None
            try:
                supply = open_supply(bench.addresses["supply"], dialect, lock_directory=tmp_path)
            except LabbenchError:
                assert not output.output(1)
                continue
            with supply:
                try:
                    supply.program(1, voltage_v=0.5, current_a=0.1, over_voltage_v=2.0)
                    supply.switch_on(1)
                    on = supply.is_on(1)
                    supply.read_current(1)
                    supply.check_errors()
                    # a reading counts only when its step ended clean: the end of a doubled reply is
                    # taken for the next answer before anything can show that
                    assert on is output.output(1)
                except LabbenchError:
                    pass
                finally:
                    off = supply.force_off()
                if off:
                    confirmed += 1
                    assert not output.output(1)
    assert confirmed >= len(numbers(link, SUPPLY_MESSAGES)) - 4
