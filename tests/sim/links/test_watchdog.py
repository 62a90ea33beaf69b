"""The supply's watchdog: when nobody speaks any more, the outputs go off by themselves.

Does not cover whether drivers arm it. That this is how supplies do it is from memory.
"""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from sim.link_faults import FaultSchedule
from sim.scpi.interpreter import Interpreter
from sim.served import ServedBench

DIALECTS = {"supply": "supply-channel-list"}
SUMMARY = "STAT:QUES:INST:ISUM:COND?"
WATCHDOG, VOLTAGE_REGULATED = 1 << 10, 2


def ask(interpreter: Interpreter, message: str) -> str | None:
    reply = interpreter.execute(message.encode("ascii"))
    return None if reply is None else reply.decode("ascii")


@pytest.fixture
def bench() -> Iterator[ServedBench]:
    with ServedBench("one-coil", manual_clock=True, dialects=DIALECTS) as served:
        yield served


@pytest.fixture
def supply(bench: ServedBench) -> Interpreter:
    return bench.servers["supply"].interpreter


def energise(supply: Interpreter, delay_s: float = 5.0) -> None:
    ask(supply, f"OUTP:PROT:WDOG:DEL {delay_s};:OUTP:PROT:WDOG ON;:VOLT 2,(@1);:OUTP ON,(@1)")
    assert ask(supply, "OUTP:PROT:WDOG?;:OUTP? (@1)") == "1;1"


def test_silence_switches_the_output_off_and_sets_the_bit(
    bench: ServedBench, supply: Interpreter
) -> None:
    energise(supply)
    bench.clock.sleep_s(5.1)
    assert ask(supply, f"OUTP? (@1);:{SUMMARY};:STAT:QUES:COND?") == f"0;{WATCHDOG};{1024 + 8192}"


def test_anything_that_is_said_feeds_it(bench: ServedBench, supply: Interpreter) -> None:
    energise(supply)
    for message in ("*IDN?", "OUTP? (@1)", "NONSENSE", "", "VOLT 3,(@7)", "SYST:ERR?"):
        bench.clock.sleep_s(4.9)
        ask(supply, message)
    assert ask(supply, "OUTP? (@1)") == "1"


def test_what_is_said_to_another_instrument_does_not_feed_it(
    bench: ServedBench, supply: Interpreter
) -> None:
    energise(supply)
    for _ in range(4):
        bench.clock.sleep_s(1.5)
        ask(bench.servers["multimeter"].interpreter, "*IDN?")
    assert ask(supply, "OUTP? (@1)") == "0"


def test_the_output_is_off_from_the_moment_of_expiry_for_everyone(
    bench: ServedBench, supply: Interpreter
) -> None:
    multimeter = bench.servers["multimeter"].interpreter
    energise(supply, 2.0)
    bench.clock.sleep_s(1.9)
    ask(multimeter, "READ?")  # brings the circuit up to now without a word to the supply
    assert bench.bench.terminal_voltage_v(1) == pytest.approx(2.0, abs=0.01)
    bench.clock.sleep_s(1.5)
    ask(multimeter, "READ?")
    # 220 uF through the bleeder of 1 kohm: a time constant of 0.22 s.
    assert bench.bench.terminal_voltage_v(1) < 0.02
    assert bench.bench.damage == []


def test_disarmed_it_does_nothing(bench: ServedBench, supply: Interpreter) -> None:
    energise(supply)
    ask(supply, "OUTP:PROT:WDOG OFF")
    bench.clock.sleep_s(100.0)
    assert ask(supply, f"OUTP? (@1);:{SUMMARY}") == f"1;{VOLTAGE_REGULATED}"


def test_while_every_output_is_off_it_does_not_expire(
    bench: ServedBench, supply: Interpreter
) -> None:
    energise(supply)
    ask(supply, "OUTP OFF,(@1)")
    bench.clock.sleep_s(100.0)
    assert ask(supply, f"{SUMMARY};:OUTP ON,(@1);:OUTP? (@1)") == "0;1"


@pytest.mark.parametrize("message", ["OUTP:PROT:WDOG ON", "OUTP:PROT:WDOG OFF", "*RST"])
def test_the_bit_stays_until_the_watchdog_is_set_anew(
    bench: ServedBench, supply: Interpreter, message: str
) -> None:
    energise(supply)
    bench.clock.sleep_s(6.0)
    for _ in range(2):
        assert ask(supply, SUMMARY) == str(WATCHDOG)
    ask(supply, "OUTP ON,(@1)")
    bench.clock.sleep_s(1.0)  # until its capacitor is charged
    assert ask(supply, SUMMARY) == str(WATCHDOG | VOLTAGE_REGULATED)
    ask(supply, message)
    assert int(ask(supply, SUMMARY) or "-1") & WATCHDOG == 0


def test_after_a_reset_it_is_off(bench: ServedBench, supply: Interpreter) -> None:
    energise(supply)
    ask(supply, "*RST")
    assert ask(supply, "OUTP:PROT:WDOG?") == "0"
    assert float(ask(supply, "OUTP:PROT:WDOG:DEL?") or "nan") == 60.0


def test_a_message_that_is_lost_does_not_feed_it() -> None:
    silent = {"supply": FaultSchedule([(3, "silent", None)])}
    with ServedBench("one-coil", manual_clock=True, dialects=DIALECTS, faults=silent) as bench:
        server = bench.servers["supply"]
        for message in ("OUTP:PROT:WDOG:DEL 5;:OUTP:PROT:WDOG ON", "OUTP ON,(@1)"):
            server.carry_out(message.encode("ascii"))
        bench.clock.sleep_s(3.0)
        server.carry_out(b"*IDN?")
        bench.clock.sleep_s(3.0)
        assert ask(server.interpreter, "OUTP? (@1)") == "0"


def test_it_runs_in_simulated_time_while_nobody_is_connected() -> None:
    with ServedBench("one-coil", clock_rate=1000.0, dialects=DIALECTS) as bench:
        supply = bench.servers["supply"].interpreter
        ask(supply, "OUTP:PROT:WDOG:DEL 30;:OUTP:PROT:WDOG ON;:OUTP ON,(@1)")
        bench.clock.sleep_s(60.0)
        assert ask(supply, "OUTP? (@1)") == "0"
