"""What the second dialect of each role makes the drivers send, message by message.

Only where it differs from the first one in more than spelling. Does NOT cover whether an instrument
understands the commands: `tests/drivers_with_sim` asks the simulated ones.
"""

from __future__ import annotations

import cmath
import math
from pathlib import Path
from typing import Any

import pytest

from drivers import open_impedance_meter, open_multimeter, open_relay_switch, open_supply
from labbench.errors import InputError, ReplyTimeout, SettingNotTaken
from tests.drivers.peers import IDENTITY, NO_ERROR, OPENING, Peer, Script, answering, quick_dialect

Exchanges = list[tuple[str, str | bytes | None]]


def opened(opener: Any, name: str, peer: Peer, tmp_path: Path, **more: Any) -> Any:
    return opener(peer.address, quick_dialect(tmp_path, name), lock_directory=tmp_path, **more)


# --- impedance-calculate-tree --------------------------------------------------------------------

COMMON = ":FUNC?;:TRIG:SOUR?;:CORR?;:IMP:RANG:AUTO?;:CALC1:FORM?;:CALC2:FORM?;:UNIT:ANGL?;:AVER?"
POINT = ":FREQ?;:VOLT?;:APER?;:AVER:COUN?"
PREPARE: Exchanges = [
    *OPENING,
    (":FREQ? MIN;:FREQ? MAX", "20;1E6"),
    ("TRIG:SOUR IMM", None),
    ('FUNC "IMP"', None),
    ("CALC1:FORM MLIN", None),
    ("CALC2:FORM PHAS", None),
    ("UNIT:ANGL DEG", None),
    ("AVER 1", None),
    ("CORR 0", None),
    ("IMP:RANG:AUTO 1", None),
]
RIGHT = '"IMP";IMM;0;1;MLIN;PHAS;DEG;1'


def test_magnitude_and_phase_become_resistance_and_reactance(tmp_path: Path) -> None:
    exchanges: Exchanges = [
        *PREPARE,
        (COMMON, RIGHT),
        ("FREQ 100000", None),
        ("VOLT 0.3", None),
        ("APER 0.05", None),
        ("AVER:COUN 4", None),
        (POINT, "1E5;0.3;0.05;4"),
        ("READ?", "+2.0E+00,+6.0E+01"),
        (COMMON, RIGHT),
        (POINT, "1E5;0.3;0.05;4"),
        ("READ?", "+9.900000E+37,+9.900000E+37"),
        (COMMON, RIGHT),
        (POINT, "1E5;0.3;0.05;4"),
    ]
    with (
        Script(exchanges) as peer,
        opened(open_impedance_meter, "impedance-calculate-tree", peer, tmp_path) as meter,
    ):
        meter.prepare()
        meter.set_point(frequency_hz=1e5, level_v=0.3, aperture_s=0.05, averages=4)
        reading = meter.read_impedance()
        read = complex(reading.resistance_ohm, reading.reactance_ohm)
        assert abs(read) == pytest.approx(2.0)
        assert math.degrees(cmath.phase(read)) == pytest.approx(60.0)
        assert meter.read_impedance().status == "over-range"


@pytest.mark.parametrize(
    ("answer", "told"),
    [
        ('"IMP";IMM;0;1;REAL;PHAS;DEG;1', "first number was set to MLIN, but reads back as REAL"),
        ('"IMP";IMM;0;1;MLIN;IMAG;DEG;1', "second number"),
        ('"IMP";IMM;0;1;MLIN;PHAS;RAD;1', "unit of the phase"),
        ('"IMP";IMM;0;1;MLIN;PHAS;DEG;0', "averaging was set to 1, but reads back as 0"),
    ],
)
def test_each_setting_that_would_change_the_meaning_of_a_reading_is_read_back(
    tmp_path: Path, answer: str, told: str
) -> None:
    exchanges: Exchanges = [*PREPARE, (COMMON, answer), ("SYST:ERR?", NO_ERROR)]
    with (
        Script(exchanges) as peer,
        opened(open_impedance_meter, "impedance-calculate-tree", peer, tmp_path) as meter,
        pytest.raises(SettingNotTaken, match=told),
    ):
        meter.prepare()


# --- supply-channel-list -------------------------------------------------------------------------


def test_every_command_of_a_supply_names_its_channel(tmp_path: Path) -> None:
    exchanges: Exchanges = [
        *OPENING,
        ("VOLT:PROT:TRIP? (@2)", "0"),
        ("VOLT? (@2)", "0"),
        ("VOLT:PROT 2,(@2)", None),
        ("VOLT:PROT? (@2)", "2.0"),
        ("CURR 0.5,(@2)", None),
        ("CURR? (@2)", "0.5"),
        ("VOLT 1.25,(@2)", None),
        ("VOLT? (@2)", "1.25"),
        ("OUTP 1,(@2)", None),
        ("OUTP? (@2)", "1"),
        ("STAT:QUES:INST:ISUM2:COND?", "1"),
        ("MEAS:CURR? (@2)", "+4.99E-01"),
        ("OUTP 0,(@1)", None),
        ("OUTP 0,(@2)", None),
        ("OUTP? (@1)", "0"),
        ("OUTP? (@2)", "0"),
        ("*IDN?", IDENTITY),
    ]
    with (
        Script(exchanges) as peer,
        opened(open_supply, "supply-channel-list", peer, tmp_path, channels=2) as supply,
    ):
        supply.program(2, voltage_v=1.25, current_a=0.5, over_voltage_v=2.0)
        supply.switch_on(2)
        assert supply.is_on(2) is True
        assert supply.in_current_limit(2) is True
        assert supply.read_current(2).value == 0.499
        assert supply.force_off() is True


def test_a_watchdog_is_set_armed_and_read_back(tmp_path: Path) -> None:
    exchanges: Exchanges = [
        *OPENING,
        ("OUTP:PROT:WDOG:DEL 2.5", None),
        ("OUTP:PROT:WDOG:DEL?", "2.5"),
        ("OUTP:PROT:WDOG 1", None),
        ("OUTP:PROT:WDOG?", "1"),
        ("OUTP:PROT:WDOG 0", None),
        ("OUTP:PROT:WDOG?", "0"),
        ("OUTP:PROT:WDOG:DEL 4000", None),
        ("OUTP:PROT:WDOG:DEL?", "2.5"),
        ("SYST:ERR?", '-222,"Data out of range"'),
        ("SYST:ERR?", NO_ERROR),
    ]
    with (
        Script(exchanges) as peer,
        opened(open_supply, "supply-channel-list", peer, tmp_path) as supply,
    ):
        assert supply.has_watchdog
        assert supply.arm_watchdog(2.5) == 2.5
        supply.disarm_watchdog()
        with pytest.raises(SettingNotTaken, match="-222"):
            supply.arm_watchdog(4000)


def test_a_supply_without_a_watchdog_says_so(tmp_path: Path) -> None:
    with (
        Script([*OPENING]) as peer,
        opened(open_supply, "supply-scpi99", peer, tmp_path) as supply,
    ):
        assert not supply.has_watchdog
        with pytest.raises(InputError, match="no watchdog"):
            supply.arm_watchdog(1.0)
        supply.disarm_watchdog()


# --- multimeter-sense-fetch ----------------------------------------------------------------------


def crlf(text: str) -> bytes:
    return text.encode("ascii") + b"\r\n"


@pytest.mark.parametrize("mains_hz", [50.0, 60.0])
def test_an_integration_time_goes_out_in_seconds_and_comes_back_in_mains_periods(
    tmp_path: Path, mains_hz: float
) -> None:
    seconds = f"{10 / mains_hz:.12G}"
    asked = ":FUNC?;:TRIG:SOUR?;:VOLT:RANG?;:VOLT:RANG:AUTO?;:VOLT:APER?"
    answer = crlf(f'"VOLT";IMM;1;0;{float(seconds):+.7E}')
    exchanges: Exchanges = [
        ("*IDN?", crlf(IDENTITY)),
        ("SYST:ERR?", crlf(NO_ERROR)),
        ('FUNC "VOLT"', None),
        ("VOLT:RANG 1", None),
        (f"VOLT:APER {seconds}", None),
        ("TRIG:SOUR IMM", None),
        (asked, answer),
        ("INIT;:FETC?", crlf("+1.5000000E-01")),
        (asked, answer),
    ]
    with (
        Script(exchanges) as peer,
        opened(
            open_multimeter, "multimeter-sense-fetch", peer, tmp_path, mains_hz=mains_hz
        ) as meter,
    ):
        conditions = meter.set_dc_voltage(range_v=0.5, integration_periods=10)
        assert conditions.integration_periods == pytest.approx(10, rel=1e-6)
        reading = meter.read()
        assert (reading.value, reading.raw) == (0.15, "+1.5000000E-01")


def test_a_line_feed_alone_does_not_end_a_reply_that_ends_crlf(tmp_path: Path) -> None:
    with Peer(answering({})) as peer, pytest.raises(ReplyTimeout, match="only"):
        opened(open_multimeter, "multimeter-sense-fetch", peer, tmp_path)


# --- switch-output-tree --------------------------------------------------------------------------


def test_each_relay_is_asked_and_moved_by_itself(tmp_path: Path) -> None:
    asked = ":OUTP101?;:OUTP102?;:OUTP201?"
    exchanges: Exchanges = [
        *OPENING,
        (asked, "1;0;1"),
        ("OUTP101 0", None),
        ("*OPC?", "1"),
        (asked, "0;0;1"),
        ("OUTP102 1", None),
        ("*OPC?", "1"),
        (asked, "0;1;1"),
    ]
    with (
        Script(exchanges) as peer,
        opened(
            open_relay_switch, "switch-output-tree", peer, tmp_path, relays=[201, 102, 101, 102]
        ) as switch,
    ):
        assert switch.close_only([102, 201]) == (102, 201)
        with pytest.raises(InputError, match="relay 103 is not among those that are asked"):
            switch.close_only([103])


def test_many_relays_are_asked_in_as_many_messages_as_the_switch_takes(tmp_path: Path) -> None:
    lines: list[bytes] = []

    def on_line(connection: Any, line: bytes) -> None:
        if line.startswith(b":OUTP"):
            lines.append(line)
            states = ["1" if b"150?" in each else "0" for each in line.split(b";")]
            connection.send(";".join(states).encode("ascii") + b"\n")
        else:
            answering({})(connection, line)

    with (
        Peer(on_line) as peer,
        opened(
            open_relay_switch, "switch-output-tree", peer, tmp_path, relays=range(100, 500)
        ) as switch,
    ):
        assert switch.closed() == (150,)
    assert len(lines) > 1
    assert max(map(len, lines)) < 1024
    assert sum(line.count(b"OUTP") for line in lines) == 400


def test_a_dialect_that_lists_its_relays_decides_which_are_asked(tmp_path: Path) -> None:
    dialect = quick_dialect(
        tmp_path,
        "switch-output-tree",
        changes=[("[link]", 'relays = "(@1:2)"\n\n[link]')],
    )
    exchanges: Exchanges = [*OPENING, (":OUTP1?;:OUTP2?", "0;1")]
    with (
        Script(exchanges) as peer,
        open_relay_switch(peer.address, dialect, lock_directory=tmp_path, relays=[101]) as switch,
    ):
        assert switch.closed() == (2,)


def test_relays_that_nobody_names_are_told_before_anything_is_opened(tmp_path: Path) -> None:
    with Script([]) as peer, pytest.raises(InputError, match="nobody says which there are"):
        opened(open_relay_switch, "switch-output-tree", peer, tmp_path)
