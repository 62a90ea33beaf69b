"""The second command profile of each role, on whole benches with a known seed.

Does not cover the behaviours themselves (tests/sim/bench), what both profiles of a role share
(tests/sim/scpi/test_profiles), nor that every command is documented (test_readme_commands).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import replace

import pytest

from sim.profiles.catalogue import PROFILES
from sim.scenario import load_scenario
from sim.scpi.interpreter import Interpreter
from sim.served import ServedBench

SECOND = {role: list(profiles)[1] for role, profiles in PROFILES.items()}
OVER = 9.9e37


class Instrument:
    """An instrument of a bench, spoken to as text."""

    def __init__(self, interpreter: Interpreter) -> None:
        self.interpreter = interpreter
        self("*CLS")

    def __call__(self, message: str) -> str | None:
        reply = self.interpreter.execute(message.encode("ascii"))
        return None if reply is None else reply.decode("ascii")

    def numbers(self, message: str) -> list[float]:
        reply = self(message)
        assert reply is not None, self.errors()
        return [float(each) for each in reply.replace(";", ",").split(",")]

    def errors(self) -> list[int]:
        codes: list[int] = []
        while (code := int((self("SYST:ERR?") or "").split(",")[0])) != 0:
            codes.append(code)
        return codes


@pytest.fixture
def bench() -> Iterator[ServedBench]:
    with ServedBench("one-coil", manual_clock=True, seed=3, dialects=SECOND) as served:
        yield served


@pytest.fixture
def of(bench: ServedBench) -> Callable[[str], Instrument]:
    return lambda role: Instrument(bench.servers[role].interpreter)


Of = Callable[[str], Instrument]


def test_both_profiles_measure_the_same(bench: ServedBench, of: Of) -> None:
    # Same seed, same sequence of readings: the numbers are the same but for their digits.
    readings: list[list[float]] = []
    for name in ("AVER:COUN 4;:AVER ON;:CALC1:FORM REAL;:CALC2:FORM IMAG", "AVER:COUN 4"):
        first = not readings
        with ServedBench(
            "one-coil", manual_clock=True, seed=3, dialects=SECOND if first else None
        ) as served:
            relays = Instrument(served.servers["switch"].interpreter)
            for number in (101, 201, 202):
                relays(f"OUTP{number} ON" if first else f"ROUT:CLOS (@{number})")
            assert relays.errors() == []
            meter = Instrument(served.servers["impedance_meter"].interpreter)
            meter(f"{name};:FREQ 100KHZ;VOLT 0.1;:VOLT 0.1;:APER 0.05")
            meter.errors()
            readings.append(meter.numbers("READ?")[:2])
    assert readings[0] == pytest.approx(readings[1], rel=1e-5)


# Impedance meter ---------------------------------------------------------------------------------


@pytest.fixture
def lcr(of: Of) -> Instrument:
    relays = of("switch")
    for number in (101, 201, 202):
        relays(f"OUTP{number} ON")
    return of("impedance_meter")


@pytest.mark.parametrize(
    ("command", "query", "reply"),
    [
        ("SOUR:FREQ:CW 100KHZ", "FREQ?", "+1.00000000E+05"),
        ("VOLT 0.3", "SOURce:VOLTage:LEVel?", "+3.00000000E-01"),
        ("APER 20MS", "SENSe:APERture?", "+2.00000000E-02"),
        ("AVER:COUN 16", "SENS:AVERage:COUNt?", "16"),
        ("AVER ON", "AVER:STAT?", "1"),
        ("CALC1:FORM REAL", "CALCulate:FORMat?", "REAL"),
        ("CALCulate2:FORMat IMAGinary", "CALC2:FORM?", "IMAG"),
        ("UNIT:ANGL RAD", "UNIT:ANGLe?", "RAD"),
        ("CORR ON", "SENS:CORR:STAT?", "1"),
        ("IMP:RANG 10", "SENS:IMP:RANG:UPP?", "+1.00000000E+01"),
        ("IMP:RANG:AUTO OFF", "SENS:IMP:RANG:AUTO?", "0"),
        ("TRIG:SOUR BUS", "TRIG:SEQ:SOUR?", "BUS"),
    ],
)
def test_every_setting_of_the_impedance_meter_is_read_back(
    lcr: Instrument, command: str, query: str, reply: str
) -> None:
    assert lcr(command) is None
    assert lcr(query) == reply
    lcr("*RST")
    assert lcr(query) != reply
    assert lcr.errors() == []


def test_the_function_is_impedance_and_nothing_else(lcr: Instrument) -> None:
    assert lcr('SENS:FUNC:ON "IMPedance";:FUNC "IMP";FUNC?') == '"IMP"'
    lcr('FUNC "VOLT"')
    assert lcr.errors() == [-224]


def test_one_reading_is_shown_in_each_form(lcr: Instrument) -> None:
    lcr("FREQ 100 KHZ;:INIT")
    size, degrees = lcr.numbers("FETC?")
    resistance, reactance = lcr.numbers("CALC1:FORM REAL;:CALC2:FORM IMAG;:FETC?")
    assert size == pytest.approx(math.hypot(resistance, reactance), rel=1e-5)
    assert degrees == pytest.approx(math.degrees(math.atan2(reactance, resistance)), rel=1e-5)
    _, radians = lcr.numbers("CALC1:FORM MLIN;:CALC2:FORM PHAS;:UNIT:ANGL RAD;:FETC?")
    assert radians == pytest.approx(math.radians(degrees), rel=1e-5)
    assert lcr.errors() == []


def test_a_word_of_the_other_block_is_refused(lcr: Instrument) -> None:
    lcr("CALC1:FORM PHAS")
    lcr("CALC2:FORM MLIN")
    lcr("CALC3:FORM MLIN")
    assert lcr("CALC1:FORM?;:CALC2:FORM?") == "MLIN;PHAS"
    assert lcr.errors() == [-224, -224, -114]


def test_averages_take_their_time_only_while_averaging_is_on(
    bench: ServedBench, lcr: Instrument
) -> None:
    lcr("APER 0.1;AVER:COUN 10")

    def time_taken_s() -> float:
        began = bench.clock.now_s()
        lcr("READ?")
        return bench.clock.now_s() - began

    assert time_taken_s() < 0.2
    lcr("AVER ON")
    assert time_taken_s() > 1.0
    lcr("AVER:COUN 20")
    assert time_taken_s() > 2.0
    lcr("AVER 0")
    assert time_taken_s() < 0.2
    assert lcr("AVER:COUN?") == "20"
    lcr("AVER:COUN 257;:AVER:COUN 0")
    assert lcr.errors() == [-222, -222]


def test_over_range_both_numbers_say_so(of: Of) -> None:
    meter = of("impedance_meter")  # nothing is connected
    assert meter.numbers("READ?") == [OVER, OVER]
    assert meter.numbers("CALC1:FORM REAL;:CALC2:FORM IMAG;:READ?") == [OVER, OVER]


# Supply ------------------------------------------------------------------------------------------


@pytest.fixture
def power(of: Of) -> Instrument:
    return of("supply")


def test_each_setting_of_the_supply_is_of_the_channels_in_its_list() -> None:
    with ServedBench("harbour-buoys", manual_clock=True, dialects=SECOND) as bench:
        power = Instrument(bench.servers["supply"].interpreter)
        power("VOLT 1.5,(@1);VOLT 2.5,(@2);:CURR 0.2,(@1,2);:VOLT:PROT 4,(@2:1)")
        assert power.numbers("VOLT? (@1,2)") == [1.5, 2.5]
        assert power.numbers("VOLT? (@2,1)") == [2.5, 1.5]
        assert power.numbers("SOURce:CURRent:LEVel:IMMediate:AMPLitude? (@1,2)") == [0.2, 0.2]
        assert power.numbers("VOLT:PROT:LEV? (@1,2)") == [4.0, 4.0]
        power("OUTP ON,(@2)")
        assert power("OUTP:STAT? (@1,2)") == "0,1"
        bench.clock.sleep_s(1.0)
        low, high = power.numbers("MEAS:VOLT:DC? (@1,2)")
        assert low == pytest.approx(0.0, abs=0.01)
        assert high == pytest.approx(2.5, abs=0.01)
        assert power.numbers("MEAS:CURR? (@1,2)") == pytest.approx([0.0, 0.0], abs=2e-3)
        assert (
            power("STAT:QUES:INST:ISUM1:COND?;:STAT:QUES:INST:ISUM2:COND?;:STAT:QUES:COND?")
            == "0;2;8192"
        )
        assert power.errors() == []


def test_the_supply_tells_its_limits(power: Instrument) -> None:
    assert power.numbers("VOLT? MAX,(@1);:CURR? MIN,(@1);:OUTP:PROT:WDOG:DEL? DEF") == [30, 0, 60]
    power("VOLT MAX,(@1)")
    assert power.numbers("VOLT? (@1)") == [30]


@pytest.mark.parametrize(
    ("message", "code"),
    [
        ("VOLT 5", -109),
        ("VOLT? MAX", -109),
        ("VOLT? (@1),(@1)", -108),
        ("VOLT (@1),5", -178),
        ("VOLT 5,(@2)", -222),  # this supply has one channel
        ("VOLT 5,(@1,2)", -222),
        ("VOLT 5,(@)", -222),
        ("VOLT 31,(@1)", -222),
        ("OUTP ON", -109),
        ("OUTP? (@3)", -222),
        ("MEAS:VOLT?", -109),
        ("STAT:QUES:INST:ISUM2:COND?", -114),
        ("OUTP:PROT:WDOG:DEL 0.1", -222),
        ("INST:NSEL 1", -113),
    ],
)
def test_what_the_supply_refuses_changes_nothing(
    power: Instrument, message: str, code: int
) -> None:
    power("VOLT 1,(@1)")
    assert power(message) is None
    assert power.errors() == [code]
    assert power.numbers("VOLT? (@1)") == [1.0]
    assert power("OUTP? (@1)") == "0"


def test_an_over_voltage_trip_shows_in_the_summary_until_it_is_cleared(
    bench: ServedBench, power: Instrument
) -> None:
    power("VOLT:PROT 2,(@1);:VOLT 3,(@1);:OUTP ON,(@1)")
    bench.clock.sleep_s(1.0)
    assert power("OUTP? (@1);:VOLT:PROT:TRIP? (@1);:STAT:QUES:INST:ISUM:COND?") == "0;1;512"
    power("OUTP ON,(@1)")
    assert power.errors() == [-221]
    power("VOLT:PROT:CLE (@1);:VOLT 1,(@1);:OUTP ON,(@1)")
    assert power("OUTP? (@1);:VOLT:PROT:TRIP? (@1)") == "1;0"


# Multimeter --------------------------------------------------------------------------------------


@pytest.fixture
def dmm(of: Of) -> Instrument:
    return of("multimeter")


@pytest.mark.parametrize(
    ("command", "query", "reply"),
    [
        ('FUNC "RESistance"', "SENSe:FUNCtion?", '"RES"'),
        ("SENS:VOLT:DC:APER 0.2", "VOLTage:APERture?", "+2.00000000E-01"),
        ("VOLT:RANG 1", "VOLT:DC:RANG:UPP?", "+1.00000000E+00"),
        ("VOLT:RANG:AUTO OFF", "VOLT:RANG:AUTO?", "0"),
        ("RES:RANG 10 KOHM", "RES:RANG?", "+1.00000000E+04"),
        ("FRES:APER MAX", "FRES:APER?", "+2.00000000E+00"),
    ],
)
def test_every_setting_of_the_multimeter_is_read_back(
    dmm: Instrument, command: str, query: str, reply: str
) -> None:
    assert dmm(command) is None
    assert dmm(query) == reply
    dmm("*RST")
    assert dmm(query) != reply
    assert dmm.errors() == []


def test_the_multimeter_is_started_and_then_fetched(bench: ServedBench, dmm: Instrument) -> None:
    assert dmm("FETC?") is None
    assert dmm.errors() == [-230]
    dmm('FUNC "VOLT:DC";:VOLT:APER 0.1;:INIT')
    began = bench.clock.now_s()
    assert abs(dmm.numbers("FETC?")[0]) < 1e-3
    assert dmm("FETC?") == dmm("FETC?")
    assert bench.clock.now_s() - began <= 0.2 + 1e-9  # the input and the zero
    dmm("READ?;:CONF:VOLT")
    assert dmm.errors() == [-113]


@pytest.mark.parametrize("mains_hz", [50.0, 60.0])
def test_the_limits_of_the_integration_time_are_in_seconds_and_can_be_set(
    mains_hz: float,
) -> None:
    scenario = replace(load_scenario("one-coil"), mains_hz=mains_hz)
    with ServedBench(scenario, manual_clock=True, dialects=SECOND) as bench:
        dmm = Instrument(bench.servers["multimeter"].interpreter)
        for word, periods in (("MIN", 0.02), ("MAX", 100.0), ("DEF", 1.0)):
            dmm(f"VOLT:APER {word}")
            assert dmm.numbers("VOLT:APER?") == pytest.approx([periods / mains_hz])
        assert dmm.errors() == []
        dmm("VOLT:APER 10")
        told = dmm("SYST:ERR?")
        assert told is not None
        assert told.startswith('-222,"Data out of range;aperture 10 is outside')


def test_an_open_input_is_over_range(dmm: Instrument) -> None:
    dmm('FUNC "RES";:INIT')
    assert dmm.numbers("FETC?") == [OVER]
    assert dmm("FETC?") == "+9.9000000E+37"


def test_replies_of_the_multimeter_end_with_carriage_return_and_line_feed(
    bench: ServedBench,
) -> None:
    endings = {role: server.terminator for role, server in bench.servers.items()}
    assert endings == {
        "impedance_meter": b"\n",
        "supply": b"\n",
        "multimeter": b"\r\n",
        "switch": b"\n",
    }


# Relay switch ------------------------------------------------------------------------------------


def test_each_relay_is_closed_opened_and_asked_by_its_number(bench: ServedBench, of: Of) -> None:
    relays = of("switch")
    assert relays("OUTP101 ON;OUTP201:STAT 1;:OUTPut202:STATe ON") is None
    assert bench.bench.wiring.closed == {101, 201, 202}
    assert relays("OUTP101?;OUTP201:STAT?;:OUTP203?") == "1;1;0"
    relays("OUTP201 OFF")
    assert bench.bench.wiring.closed == {101, 202}
    relays("OUTP:ALL:OFF")
    assert bench.bench.wiring.closed == set()
    assert relays.errors() == []


@pytest.mark.parametrize(
    "message", ["OUTP ON", "OUTP1 ON", "OUTP300 ON", "OUTP?", "OUTP300?", "OUTP101:ALL:OFF"]
)
def test_a_relay_that_does_not_exist_is_a_suffix_out_of_range(of: Of, message: str) -> None:
    relays = of("switch")
    relays("OUTP101 ON")
    assert relays(message) is None
    assert relays.errors() == [-114]
    assert relays("OUTP101?") == "1"
