"""The commands of the four instruments over small behaviours of the test's own.

Does not cover the behaviours themselves (tests/sim/bench) nor the servers around them
(test_served_bench).
"""

from __future__ import annotations

import cmath
import math
import threading
from collections.abc import Iterable
from types import SimpleNamespace
from typing import Any, cast

import pytest

from sim.instruments import SettingError
from sim.profiles.impedance_meter import impedance_meter
from sim.profiles.multimeter import multimeter
from sim.profiles.relay_switch import relay_switch
from sim.profiles.supply import supply
from sim.scpi.interpreter import Interpreter

LIMITS = {
    "frequency_hz": (20.0, 1e6, 1e3),
    "level_v": (5e-3, 2.0, 0.5),
    "aperture_s": (5e-3, 2.0, 50e-3),
    "averages": (1.0, 256.0, 1.0),
    "range_ohm": (0.1, 1e6, 100.0),
    "voltage_v": (0.0, 30.0, 0.0),
    "current_a": (0.0, 5.0, 0.1),
    "over_voltage_v": (1e-3, 33.0, 33.0),
}
Z_OHM = complex(3.0, 4.0)


def checked(name: str, value: float) -> float:
    least, most, _ = LIMITS[name]
    if not least <= value <= most:
        raise SettingError(-222, f"{name} {value:g} is outside {least:g} to {most:g}")
    return value


class FakeMeter:
    """An impedance meter in front of one impedance; it can be held in a measurement."""

    def __init__(self) -> None:
        self.status = 0
        self.impedance_ohm = Z_OHM
        self.go_on = threading.Event()
        self.go_on.set()
        self.measured = 0
        self.reset()

    def reset(self) -> None:
        self.frequency_hz, self.level_v, self.aperture_s = 1e3, 0.5, 50e-3
        self.averages, self.correction_on, self.range_auto, self.range_ohm = 1, False, True, 100.0

    def limits(self, name: str) -> tuple[float, float, float]:
        return LIMITS[name]

    def set_frequency_hz(self, value: float) -> None:
        self.frequency_hz = checked("frequency_hz", value)

    def set_level_v(self, value: float) -> None:
        self.level_v = checked("level_v", value)

    def set_aperture_s(self, value: float) -> None:
        self.aperture_s = checked("aperture_s", value)

    def set_averages(self, value: float) -> None:
        self.averages = int(checked("averages", value))

    def set_correction_on(self, value: bool) -> None:
        self.correction_on = value

    def set_range_auto(self, value: bool) -> None:
        self.range_auto = value

    def set_range_ohm(self, value: float) -> None:
        self.range_ohm, self.range_auto = checked("range_ohm", value), False

    def measure(self) -> Any:
        assert self.go_on.wait(10.0)
        self.measured += 1
        if self.impedance_ohm == 0.0:
            raise SettingError(-240, "no contact")
        return SimpleNamespace(
            resistance_ohm=self.impedance_ohm.real,
            reactance_ohm=self.impedance_ohm.imag,
            status=self.status,
        )


class FakeSupply:
    """Two channels with nothing connected, whose mode the test chooses."""

    channels = 2

    def __init__(self) -> None:
        self.modes = ["off", "off"]
        self.cleared: list[int] = []
        self.trips = [False, True]
        self.reset()

    def reset(self) -> None:
        self.values = {name: [0.0, 0.0] for name in ("voltage_v", "current_a", "over_voltage_v")}
        self.on = [False, False]

    def limits(self, name: str) -> tuple[float, float, float]:
        return LIMITS[name]

    def _set(self, name: str, channel: int, value: float) -> None:
        self.values[name][channel - 1] = checked(name, value)

    def set_voltage_v(self, channel: int, value: float) -> None:
        self._set("voltage_v", channel, value)

    def voltage_v(self, channel: int) -> float:
        return self.values["voltage_v"][channel - 1]

    def set_current_a(self, channel: int, value: float) -> None:
        self._set("current_a", channel, value)

    def current_a(self, channel: int) -> float:
        return self.values["current_a"][channel - 1]

    def set_over_voltage_v(self, channel: int, value: float) -> None:
        self._set("over_voltage_v", channel, value)

    def over_voltage_v(self, channel: int) -> float:
        return self.values["over_voltage_v"][channel - 1]

    def tripped(self, channel: int) -> bool:
        return self.trips[channel - 1]

    def clear_trip(self, channel: int) -> None:
        self.trips[channel - 1] = False

    def set_output(self, channel: int, on: bool) -> None:
        if on and self.trips[channel - 1]:
            raise SettingError(-221, "tripped")
        self.on[channel - 1] = on

    def output(self, channel: int) -> bool:
        return self.on[channel - 1]

    def measure_voltage_v(self, channel: int) -> float:
        return 1.5 * channel

    def measure_current_a(self, channel: int) -> float:
        return 0.25 * channel

    def mode(self, channel: int) -> str:
        return self.modes[channel - 1]


class FakeMultimeter:
    """A multimeter that shows what the test puts there."""

    def __init__(self) -> None:
        self.shown: float | None = 1.25
        self.reset()

    def reset(self) -> None:
        self.function = "voltage"
        self.ranges = {"voltage": 10.0, "resistance": 1e3, "four-wire-resistance": 1e3}
        self.auto = dict.fromkeys(self.ranges, True)
        self.nplc = dict.fromkeys(self.ranges, 1.0)

    def limits(self, name: str, function: str | None = None) -> tuple[float, float, float]:
        if name == "nplc":
            return 0.02, 100.0, 1.0
        return (0.1, 1e3, 10.0) if function == "voltage" else (100.0, 100e6, 1e3)

    def set_function(self, function: str) -> None:
        self.function = function

    def range_of(self, function: str) -> float:
        return self.ranges[function]

    def range_auto(self, function: str | None = None) -> bool:
        return self.auto[function or self.function]

    def nplc_of(self, function: str) -> float:
        return self.nplc[function]

    def set_range(self, value: float | None, function: str | None = None) -> None:
        name = function or self.function
        self.auto[name] = value is None
        if value is not None:
            if value > self.limits("range", name)[1]:
                raise SettingError(-222, "range")
            self.ranges[name] = value

    def fix_range(self, function: str | None = None) -> None:
        self.auto[function or self.function] = False

    def set_nplc(self, value: float, function: str | None = None) -> None:
        self.nplc[function or self.function] = value

    def measure(self) -> float | None:
        return self.shown


class FakeSwitch:
    """A relay switch with six relays."""

    relays = frozenset((101, 102, 198, 199, 201, 202))

    def __init__(self) -> None:
        self.made: set[int] = set()

    def _known(self, numbers: Iterable[int]) -> set[int]:
        unknown = set(numbers) - self.relays
        if unknown:
            raise SettingError(-222, f"there is no relay {min(unknown)}")
        return set(numbers)

    def close(self, numbers: Iterable[int]) -> None:
        self.made |= self._known(numbers)

    def open(self, numbers: Iterable[int]) -> None:
        self.made -= self._known(numbers)

    def open_all(self) -> None:
        self.made.clear()

    def closed(self) -> list[int]:
        return sorted(self.made)

    def reset(self) -> None:
        self.open_all()


class Session:
    """Messages to an interpreter as text."""

    def __init__(self, interpreter: Interpreter) -> None:
        self.interpreter = interpreter
        self("*CLS")

    def __call__(self, message: str) -> str | None:
        reply = self.interpreter.execute(message.encode("ascii"))
        return None if reply is None else reply.decode("ascii")

    def errors(self) -> list[int]:
        codes: list[int] = []
        while (code := int((self("SYST:ERR?") or "").split(",")[0])) != 0:
            codes.append(code)
        return codes


@pytest.fixture
def meter() -> FakeMeter:
    return FakeMeter()


@pytest.fixture
def lcr(meter: FakeMeter) -> Session:
    return Session(impedance_meter(cast(Any, meter), identity="a,b,c,d"))


@pytest.fixture
def source() -> FakeSupply:
    return FakeSupply()


@pytest.fixture
def power(source: FakeSupply) -> Session:
    return Session(supply(cast(Any, source), identity="a,b,c,d"))


@pytest.fixture
def fake_multimeter() -> FakeMultimeter:
    return FakeMultimeter()


@pytest.fixture
def dmm(fake_multimeter: FakeMultimeter) -> Session:
    return Session(multimeter(cast(Any, fake_multimeter), identity="a,b,c,d"))


@pytest.fixture
def relays() -> Session:
    return Session(relay_switch(cast(Any, FakeSwitch()), identity="a,b,c,d"))


# Impedance meter ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("command", "query", "reply"),
    [
        ("FREQ 100 KHZ", "SOURce:FREQuency:CW?", "+1.00000000E+05"),
        ("SOUR:FREQ:CW 1MHZ", "FREQ?", "+1.00000000E+06"),
        ("FREQ MIN", "FREQ?", "+2.00000000E+01"),
        ("VOLT 300 MV", "SOUR:VOLT:LEV:IMM:AMPL?", "+3.00000000E-01"),
        ("SENS:APER 20MS", "APERture?", "+2.00000000E-02"),
        ("AVER:COUN 16", "SENSe:AVERage:COUNt?", "16"),
        ("CORR ON", "SENS:CORR:STAT?", "1"),
        ("RANG:AUTO OFF", "SENS:RANG:AUTO?", "0"),
        ("RANG 10 OHM", "SENS:RANG:UPP?", "+1.00000000E+01"),
        ("FUNC:IMP:TYPE LSQ", "FUNC:IMP?", "LSQ"),
        ("TRIG:SEQ:SOUR BUS", "TRIGger:SOURce?", "BUS"),
    ],
)
def test_every_setting_of_the_impedance_meter_is_read_back(
    lcr: Session, command: str, query: str, reply: str
) -> None:
    assert lcr(command) is None
    assert lcr(query) == reply
    lcr("*RST")
    assert lcr(query) != reply
    assert lcr.errors() == []


def test_a_refused_setting_stays_as_it_was(lcr: Session) -> None:
    lcr("FREQ 10KHZ;FREQ 2MHZ;VOLT 2.1")
    assert lcr("FREQ?;FREQ? MAX") == "+1.00000000E+04;+1.00000000E+06"
    assert lcr.errors() == [-222, -222]


@pytest.mark.parametrize(
    ("pair", "first", "second"),
    [
        ("RX", 3.0, 4.0),
        ("ZTD", abs(Z_OHM), math.degrees(cmath.phase(Z_OHM))),
        ("LSQ", 4.0 / (2 * math.pi * 1e3), 4.0 / 3.0),
        ("LSD", 4.0 / (2 * math.pi * 1e3), 3.0 / 4.0),
    ],
)
def test_a_reading_is_shown_as_the_pair_that_was_asked_for(
    lcr: Session, pair: str, first: float, second: float
) -> None:
    lcr(f"FUNC:IMP {pair}")
    reply = lcr("READ?")
    assert reply is not None
    numbers = reply.split(",")
    assert float(numbers[0]) == pytest.approx(first, rel=1e-5)
    assert float(numbers[1]) == pytest.approx(second, rel=1e-5)
    assert numbers[2] == "0"
    assert all(len(number) == len("+1.00000E+00") for number in numbers[:2])


@pytest.mark.parametrize("pair", ["RX", "ZTD", "LSQ", "LSD"])
def test_over_range_both_numbers_are_the_sentinel(
    lcr: Session, meter: FakeMeter, pair: str
) -> None:
    meter.status = 1
    assert lcr(f"FUNC:IMP {pair};:READ:IMP?") == "+9.90000E+37,+9.90000E+37,1"


def test_a_ratio_to_nothing_is_infinity_and_no_crash(lcr: Session, meter: FakeMeter) -> None:
    meter.impedance_ohm = 4j
    assert (lcr("FUNC:IMP LSQ;:READ?") or "").split(",")[1] == "+9.90000E+37"
    meter.impedance_ohm = 3 + 0j
    assert (lcr("FUNC:IMP LSD;:READ?") or "").split(",")[1] == "+9.90000E+37"


def test_a_fetched_reading_can_be_shown_another_way_but_not_after_a_new_setting(
    lcr: Session, meter: FakeMeter
) -> None:
    lcr("INIT")
    assert lcr("FETC?") == "+3.00000E+00,+4.00000E+00,0"
    assert (lcr("FUNC:IMP ZTD;:FETC:IMP?") or "").startswith("+5.00000E+00")
    assert meter.measured == 1
    lcr("FREQ 2KHZ")
    assert lcr("FETC?") is None
    assert lcr.errors() == [-230]


def test_there_is_nothing_to_fetch_before_the_first_reading(lcr: Session) -> None:
    assert lcr("FETC?") is None
    assert lcr.errors() == [-230]


def test_a_refused_setting_leaves_the_reading_good(lcr: Session) -> None:
    lcr("INIT")
    lcr("FREQ 5MHZ")
    assert lcr("FETC?") == "+3.00000E+00,+4.00000E+00,0"
    assert lcr.errors() == [-222]


def test_a_bus_trigger_waits_for_its_command(lcr: Session, meter: FakeMeter) -> None:
    lcr("TRIG:SOUR BUS;:INIT")
    assert lcr("STAT:OPER:COND?") == "32"
    assert meter.measured == 0
    assert lcr("FETC?") is None
    lcr("*TRG")
    assert lcr("FETC?") == "+3.00000E+00,+4.00000E+00,0"
    assert lcr("STAT:OPER:COND?") == "0"
    assert lcr("STAT:OPER?") == str(32 + 16)
    assert lcr.errors() == [-230]


def test_the_errors_of_the_trigger_model(lcr: Session) -> None:
    lcr("*TRG")
    lcr("TRIG:SOUR BUS;:INIT;:INIT")
    assert lcr("READ?") is None
    assert lcr.errors() == [-211, -213, -214]
    lcr("TRIG:SOUR BUS;:INIT;:ABOR;*TRG")
    assert lcr.errors() == [-211]


def test_a_running_measurement_shows_in_the_status_and_takes_no_second_start(
    lcr: Session, meter: FakeMeter
) -> None:
    meter.go_on.clear()
    lcr("INIT;*OPC")
    assert lcr("STAT:OPER:COND?") == "16"
    assert lcr("*ESR?") == "0"
    lcr("INIT")
    assert lcr.errors() == [-213]
    meter.go_on.set()
    assert lcr("*OPC?") == "1"
    assert lcr("*ESR?;STAT:OPER:COND?") == "17;0"  # operation complete, and the refused INIT
    assert lcr("FETC?") == "+3.00000E+00,+4.00000E+00,0"
    assert meter.measured == 1


def test_an_aborted_measurement_leaves_no_reading(lcr: Session, meter: FakeMeter) -> None:
    meter.go_on.clear()
    lcr("INIT;:ABOR")
    assert lcr("STAT:OPER:COND?") == "0"
    meter.go_on.set()
    assert lcr("FETC?") is None
    assert lcr.errors() == [-230]


def test_a_setting_waits_for_the_running_measurement(lcr: Session, meter: FakeMeter) -> None:
    meter.go_on.clear()
    lcr("INIT")
    seen: list[float] = []

    def look_and_release() -> None:
        seen.append(meter.frequency_hz)
        meter.go_on.set()

    threading.Timer(0.05, look_and_release).start()
    lcr("FREQ 5KHZ")
    assert seen == [1e3]
    assert meter.measured == 1
    assert meter.frequency_hz == 5e3


def test_a_reset_ends_a_running_measurement_and_clears_the_trigger(
    lcr: Session, meter: FakeMeter
) -> None:
    meter.go_on.clear()
    lcr("TRIG:SOUR BUS;:INIT;*TRG")
    threading.Timer(0.05, meter.go_on.set).start()
    lcr("*RST")
    assert lcr("TRIG:SOUR?;:STAT:OPER:COND?") == "IMM;0"
    assert lcr("FETC?") is None
    assert lcr.errors() == [-230]


def test_a_measurement_that_is_refused_is_in_the_queue(lcr: Session, meter: FakeMeter) -> None:
    meter.impedance_ohm = 0j
    assert lcr("READ?") is None
    assert lcr.errors() == [-240]
    lcr("INIT")
    assert lcr("FETC?") is None
    assert lcr.errors() == [-240, -230]
    assert lcr("STAT:OPER:COND?") == "0"


# Supply -------------------------------------------------------------------------------------------


def test_commands_go_to_the_selected_channel(power: Session, source: FakeSupply) -> None:
    assert power("INST:NSEL?") == "1"
    power("VOLT 1.5;CURR 200 MA;VOLT:PROT 3")
    power("INST:NSEL 2;:VOLT 2.5")
    assert power("INST:NSEL?;:SOUR:VOLT:LEV:IMM:AMPL?;:CURR?") == (
        "2;+2.50000000E+00;+0.00000000E+00"
    )
    power("INSTrument:NSELect 1")
    assert power("VOLT?;CURR?;VOLT:PROT:LEV?") == (
        "+1.50000000E+00;+2.00000000E-01;+3.00000000E+00"
    )
    assert power("MEAS:VOLT?;CURR:DC?") == "+1.50000000E+00;+2.50000000E-01"
    power("INST:NSEL 2")
    assert power("MEASure:SCALar:VOLTage:DC?") == "+3.00000000E+00"
    power("*RST")
    assert power("INST:NSEL?") == "1"
    assert power.errors() == []


@pytest.mark.parametrize("channel", ["0", "3", "-1", "1E9"])
def test_a_channel_that_is_not_there_is_refused(power: Session, channel: str) -> None:
    power(f"INST:NSEL {channel}")
    assert power.errors() == [-222]
    assert power("INST:NSEL?;NSEL? MAX") == "1;2"


def test_the_output_is_switched_and_asked(power: Session, source: FakeSupply) -> None:
    power("OUTP ON")
    assert power("OUTP?;:OUTPut:STATe?") == "1;1"
    power("INST:NSEL 2;:OUTP 1")
    assert power("OUTP?;VOLT:PROT:TRIP?") == "0;1"
    assert power.errors() == [-221]
    power("VOLT:PROT:CLE;:OUTP 1")
    assert power("VOLT:PROT:TRIP?;:OUTP?") == "0;1"
    power("*RST")
    assert source.on == [False, False]


def test_the_questionable_register_tells_constant_current_from_constant_voltage(
    power: Session, source: FakeSupply
) -> None:
    assert power("STAT:QUES:COND?") == "0"
    source.modes = ["cv", "cc"]
    assert power("STAT:QUES:COND?") == "2"
    assert power("INST:NSEL 2;:STAT:QUES:COND?") == "1"


@pytest.mark.parametrize("command", ["VOLT 31", "VOLT -1", "CURR 6", "VOLT:PROT 40"])
def test_a_setting_beyond_the_supply_is_refused(power: Session, command: str) -> None:
    power(command)
    assert power.errors() == [-222]
    assert power("VOLT?;CURR?") == "+0.00000000E+00;+0.00000000E+00"


# Multimeter ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("command", "answer", "header"),
    [
        ('FUNC "VOLTage:DC"', '"VOLT"', "VOLT:DC"),
        ("SENS:FUNC:ON 'RES'", '"RES"', "RES"),
        ('FUNC "FRESistance"', '"FRES"', "FRES"),
        ("CONF:RES", '"RES"', "RES"),
        ("CONFigure:SCALar:FRESistance", '"FRES"', "FRES"),
        ("CONF:VOLT:DC", '"VOLT"', "VOLT"),
    ],
)
def test_the_function_is_chosen_by_name(
    dmm: Session, command: str, answer: str, header: str
) -> None:
    dmm('FUNC "FRES"' if "FRES" not in command else 'FUNC "VOLT"')
    dmm(command)
    assert dmm("FUNC?") == answer
    assert dmm(f"{header}:RANG:AUTO?") == "1"
    assert dmm.errors() == []


def test_each_function_keeps_its_own_range_and_integration_time(dmm: Session) -> None:
    dmm("VOLT:RANG 1;RANG:AUTO?")
    dmm("RES:NPLC 10;:FRES:RANG 100 OHM;:VOLT:NPLC 0.2")
    assert dmm("VOLT:RANG?;NPLC?") == "+1.00000000E+00;+2.00000000E-01"
    assert dmm("RES:RANG?;NPLC?;RANG:AUTO?") == "+1.00000000E+03;+1.00000000E+01;1"
    assert dmm("FRES:RANG:UPP?;AUTO?") == "+1.00000000E+02;0"
    dmm("FRES:RANG:AUTO ON")
    assert dmm("FRES:RANG:AUTO?") == "1"
    dmm("FRES:RANG:AUTO OFF")
    assert dmm("FRES:RANG:AUTO?") == "0"
    assert dmm.errors() == []


def test_configure_sets_the_range_that_it_names(dmm: Session, fake_multimeter: Any) -> None:
    dmm("VOLT:NPLC 10;:CONF:VOLT 100 MV")
    assert (fake_multimeter.function, fake_multimeter.range_auto("voltage")) == ("voltage", False)
    assert dmm("VOLT:RANG?;NPLC?") == "+1.00000000E-01;+1.00000000E+00"
    dmm("CONF:VOLT DEF")
    assert fake_multimeter.range_auto("voltage")
    dmm("CONF:RES MAX")
    assert dmm("RES:RANG?") == "+1.00000000E+08"
    dmm("CONF:FRES 1 GOHM")
    assert fake_multimeter.function == "resistance"
    assert dmm.errors() == [-222]


def test_a_reading_is_one_number_and_over_range_is_the_sentinel(
    dmm: Session, fake_multimeter: Any
) -> None:
    assert dmm("READ?") == "+1.25000000E+00"
    assert dmm("INIT;:FETC?") == "+1.25000000E+00"
    fake_multimeter.shown = None
    assert dmm("READ?") == "+9.90000000E+37"
    assert dmm("FETC?") == "+9.90000000E+37"


def test_the_multimeter_has_the_same_trigger_model(dmm: Session) -> None:
    dmm("TRIG:SOUR BUS;:INIT;*TRG")
    assert dmm("FETC?") == "+1.25000000E+00"
    dmm('FUNC "RES"')
    assert dmm("FETC?") is None
    assert dmm.errors() == [-230]


# Relay switch -------------------------------------------------------------------------------------


def test_relays_close_and_open_and_say_so(relays: Session) -> None:
    assert relays("ROUT:CLOS:STAT?") == "(@)"
    relays("ROUT:CLOS (@202,101,201)")
    assert relays("ROUTe:CLOSe:STATe?") == "(@101,201,202)"
    assert relays("ROUT:CLOS? (@101,102)") == "1,0"
    assert relays("ROUT:OPEN? (@101,102)") == "0,1"
    relays("ROUT:OPEN (@201:202)")
    assert relays("ROUT:CLOS:STAT?") == "(@101)"
    relays("ROUT:CLOS (@198:199);:ROUT:OPEN:ALL")
    assert relays("ROUT:CLOS:STAT?") == "(@)"
    relays("ROUT:CLOS (@101);*RST")
    assert relays("ROUT:CLOS:STAT?") == "(@)"
    assert relays.errors() == []


@pytest.mark.parametrize("message", ["ROUT:CLOS (@101,150)", "ROUT:CLOS (@101:103)"])
def test_a_relay_that_does_not_exist_changes_nothing(relays: Session, message: str) -> None:
    relays(message)
    assert relays("ROUT:CLOS:STAT?") == "(@)"
    assert relays("ROUT:CLOS? (@150)") is None
    assert relays.errors() == [-222, -222]


def test_the_relay_switch_has_no_trigger(relays: Session) -> None:
    relays("*TRG")
    assert relays.errors() == [-113]
