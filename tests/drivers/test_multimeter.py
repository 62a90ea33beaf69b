"""The multimeter driver: exact exchanges against a scripted peer.

Does NOT cover accuracy (that is metrology) nor whether a meter understands the commands.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from drivers import open_multimeter
from drivers.dialect_roles import MultimeterDialect, load_dialect
from drivers.multimeter import ScpiMultimeter, reading_deadline_s
from labbench.errors import InputError, ReplyMalformed, SettingNotTaken
from labbench.ports import MultimeterConditions
from tests.drivers.peers import NO_ERROR, OPENING, Script, quick_dialect

Exchanges = list[tuple[str, str | bytes | None]]


def asked(function: str) -> str:
    return f":FUNC?;:TRIG:SOUR?;:{function}:RANG?;:{function}:RANG:AUTO?;:{function}:NPLC?"


VOLTS = '"VOLT";IMM;+1.0E+00;0;+1.0E+01'
SET_VOLTS: Exchanges = [
    ("CONF:VOLT", None),
    ("VOLT:RANG 1", None),
    ("VOLT:NPLC 10", None),
    ("TRIG:SOUR IMM", None),
    (asked("VOLT"), VOLTS),
]


def open_at(peer: Script, tmp_path: Path) -> ScpiMultimeter:
    return open_multimeter(
        peer.address,
        quick_dialect(
            tmp_path,
            "multimeter-scpi99",
            changes=[('reading_margin = "3 s"', 'reading_margin = "100 ms"')],
        ),
        lock_directory=tmp_path,
    )


def test_a_voltage_is_set_read_back_and_measured_with_its_conditions(tmp_path: Path) -> None:
    measured: Exchanges = [("READ?", "+1.23456789E-03"), (asked("VOLT"), VOLTS)]
    with Script([*OPENING, *SET_VOLTS, *measured]) as peer, open_at(peer, tmp_path) as meter:
        conditions = meter.set_dc_voltage(range_v=0.5, integration_periods=10)
        assert conditions == MultimeterConditions("dc-voltage", 1.0, 10.0)
        reading = meter.read()
        assert (reading.value, reading.unit, reading.status) == (1.23456789e-3, "V", "ok")
        assert reading.raw == "+1.23456789E-03"
        assert reading.conditions == {
            "function": "dc-voltage",
            "range": 1.0,
            "integration_periods": 10.0,
        }


@pytest.mark.parametrize(("four_wire", "node"), [(False, "RES"), (True, "FRES")])
def test_a_resistance_is_measured_with_automatic_range(
    tmp_path: Path, four_wire: bool, node: str
) -> None:
    answer = f'"{node}";IMM;+1.0E+02;1;+1.0E+00'
    exchanges: Exchanges = [
        (f"CONF:{node}", None),
        (f"{node}:RANG:AUTO 1", None),
        (f"{node}:NPLC 1", None),
        ("TRIG:SOUR IMM", None),
        (asked(node), answer),
        ("READ?", "+9.90000000E+37"),
        (asked(node), answer),
        ("SYST:ERR?", NO_ERROR),
    ]
    with Script([*OPENING, *exchanges]) as peer, open_at(peer, tmp_path) as meter:
        conditions = meter.set_resistance(
            range_ohm=None, integration_periods=1, four_wire=four_wire
        )
        assert conditions.range is None
        reading = meter.read()
        assert (reading.value, reading.unit, reading.status) == (None, "ohm", "over-range")
        meter.check_errors()


@pytest.mark.parametrize(
    ("wanted", "range_sent"),
    [(0.0, "0.1"), (0.1, "0.1"), (0.11, "1"), (-5.0, "10"), (1000, "1000")],
)
def test_the_smallest_range_that_holds_the_value_is_chosen(
    tmp_path: Path, wanted: float, range_sent: str
) -> None:
    exchanges: Exchanges = [
        SET_VOLTS[0],
        (f"VOLT:RANG {range_sent}", None),
        *SET_VOLTS[2:4],
        (asked("VOLT"), f'"VOLT";IMM;{float(range_sent):E};0;10'),
    ]
    with Script([*OPENING, *exchanges]) as peer, open_at(peer, tmp_path) as meter:
        conditions = meter.set_dc_voltage(range_v=wanted, integration_periods=10)
        assert conditions.range == float(range_sent)


@pytest.mark.parametrize(
    ("answer", "told"),
    [
        ('"RES";IMM;+1.0E+00;0;+1.0E+01', "function"),
        ('"VOLT";BUS;+1.0E+00;0;+1.0E+01', "trigger"),
        ('"VOLT";IMM;+1.0E+01;0;+1.0E+01', "range"),
        ('"VOLT";IMM;+1.0E+00;1;+1.0E+01', "range"),
        ('"VOLT";IMM;+1.0E+00;0;+1.0E+00', "integration"),
        ('"VOLT";IMM;+9.9E+37;0;+1.0E+01', "over-range"),
    ],
)
def test_a_setting_that_is_not_taken_is_told_and_nothing_can_be_read(
    tmp_path: Path, answer: str, told: str
) -> None:
    exchanges: Exchanges = [*SET_VOLTS[:-1], (asked("VOLT"), answer)]
    if told != "over-range":
        exchanges.append(("SYST:ERR?", NO_ERROR))
    with Script([*OPENING, *exchanges]) as peer, open_at(peer, tmp_path) as meter:
        with pytest.raises(SettingNotTaken, match=told):
            meter.set_dc_voltage(range_v=1.0, integration_periods=10)
        with pytest.raises(InputError, match="set a function"):
            meter.read()


def test_a_knob_turned_at_the_front_panel_spoils_the_reading(tmp_path: Path) -> None:
    turned: Exchanges = [
        ("READ?", "+1.5"),
        (asked("VOLT"), '"RES";IMM;+1.0E+00;0;+1.0E+01'),
        ("SYST:ERR?", NO_ERROR),
    ]
    with Script([*OPENING, *SET_VOLTS, *turned]) as peer, open_at(peer, tmp_path) as meter:
        meter.set_dc_voltage(range_v=1.0, integration_periods=10)
        with pytest.raises(SettingNotTaken, match="function"):
            meter.read()


def test_long_names_of_a_function_are_understood(tmp_path: Path) -> None:
    long: Exchanges = [*SET_VOLTS[:-1], (asked("VOLT"), '"VOLTage:DC";IMMediate;1;0;10')]
    with Script([*OPENING, *long]) as peer, open_at(peer, tmp_path) as meter:
        assert meter.set_dc_voltage(range_v=1.0, integration_periods=10).range == 1.0


def test_what_cannot_be_set_is_not_sent(tmp_path: Path) -> None:
    with Script(OPENING) as peer, open_at(peer, tmp_path) as meter:
        with pytest.raises(InputError, match="largest is 1000"):
            meter.set_dc_voltage(range_v=1001.0, integration_periods=1)
        with pytest.raises(InputError, match="no range"):
            meter.set_dc_voltage(range_v=float("nan"), integration_periods=1)
        with pytest.raises(InputError, match="integration"):
            meter.set_resistance(range_ohm=1.0, integration_periods=0, four_wire=True)
        with pytest.raises(InputError, match="set a function"):
            meter.read()


def test_mains_of_another_frequency_are_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="50 or 60 Hz"):
        open_multimeter(
            "TCPIP::127.0.0.1::1::SOCKET",
            "multimeter-scpi99",
            mains_hz=400,
            lock_directory=tmp_path,
        )


def test_the_deadline_of_a_reading_follows_from_its_settings() -> None:
    dialect = load_dialect("multimeter-scpi99", MultimeterDialect).dialect
    # 3 * 2 * 100 / 50 Hz + 3 s
    assert reading_deadline_s(dialect, 100, 50.0) == pytest.approx(15.0)


def test_recovery_sets_again_what_was_set(tmp_path: Path) -> None:
    exchanges: Exchanges = [
        *SET_VOLTS,
        ("READ?", "1,5"),
        *OPENING,
        ("*CLS", None),
        *SET_VOLTS,
        ("READ?", "1.5"),
        (asked("VOLT"), VOLTS),
    ]
    with Script([*OPENING, *exchanges]) as peer, open_at(peer, tmp_path) as meter:
        meter.set_dc_voltage(range_v=1.0, integration_periods=10)
        with pytest.raises(ReplyMalformed):
            meter.read()
        meter.recover()
        assert meter.read().value == 1.5


def test_recovery_before_anything_was_set_sets_nothing(tmp_path: Path) -> None:
    with (
        Script([*OPENING, *OPENING, ("*CLS", None)]) as peer,
        open_at(peer, tmp_path) as meter,
    ):
        meter.recover()
