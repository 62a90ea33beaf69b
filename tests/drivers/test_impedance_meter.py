"""The LCR meter driver: exact exchanges against a scripted peer.

Does NOT cover accuracy (that is metrology) nor whether a meter understands the commands.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pytest

from drivers import open_impedance_meter
from drivers.dialect_roles import ImpedanceMeterDialect, load_dialect
from drivers.impedance_meter import ScpiImpedanceMeter, reading_deadline_s
from labbench.errors import (
    InputError,
    OutOfStep,
    ReplyMalformed,
    ReplyTimeout,
    SettingNotTaken,
)
from labbench.ports import ImpedanceConditions
from tests.drivers.peers import IDENTITY, NO_ERROR, OPENING, Script, quick_dialect

Exchanges = list[tuple[str, str | bytes | None]]

RANGE = ":FREQ? MIN;:FREQ? MAX"
OPENED: Exchanges = [*OPENING, (RANGE, "+2.00000E+01;+1.00000E+06")]
COMMON = ":FUNC:IMP?;:TRIG:SOUR?;:CORR?;:RANG:AUTO?"
PREPARED: Exchanges = [
    ("TRIG:SOUR IMM", None),
    ("FUNC:IMP RX", None),
    ("CORR 0", None),
    ("RANG:AUTO 1", None),
    (COMMON, "RX;IMM;0;1"),
]
POINT = ":FREQ?;:VOLT?;:APER?;:AVER:COUN?"
AT_100_KHZ = "+1.00000E+05;+3.00000E-01;+5.00000E-02;4"
SET_100_KHZ: Exchanges = [
    ("FREQ 100000", None),
    ("VOLT 0.3", None),
    ("APER 0.05", None),
    ("AVER:COUN 4", None),
    (POINT, AT_100_KHZ),
]
READY = [*OPENED, *PREPARED, *SET_100_KHZ]
CONDITIONS = ImpedanceConditions(1e5, 0.3, 0.05, 4)


def open_at(
    peer: Script,
    tmp_path: Path,
    *,
    changes: Sequence[tuple[str, str]] = (),
    repeat_queries: bool = False,
) -> ScpiImpedanceMeter:
    return open_impedance_meter(
        peer.address,
        quick_dialect(
            tmp_path,
            "impedance-function-tree",
            changes=[('reading_margin = "3 s"', 'reading_margin = "100 ms"'), *changes],
        ),
        lock_directory=tmp_path,
        repeat_queries=repeat_queries,
    )


def made_ready(meter: ScpiImpedanceMeter) -> None:
    meter.prepare()
    conditions = meter.set_point(frequency_hz=1e5, level_v=0.3, aperture_s=0.05, averages=4)
    assert conditions == CONDITIONS


def test_opening_reads_identity_errors_and_frequency_range_and_sets_nothing(
    tmp_path: Path,
) -> None:
    with Script(OPENED) as peer, open_at(peer, tmp_path) as meter:
        assert meter.frequency_range_hz == (20.0, 1e6)
        assert meter.identity.raw == IDENTITY
        assert meter.role == "impedance_meter"
        assert meter.address == peer.address


def test_a_point_is_set_read_back_and_measured_with_its_conditions(tmp_path: Path) -> None:
    reading_exchanges: Exchanges = [
        ("READ?", "+1.54981E-02,+3.03829E-01,0"),
        (COMMON, "RX;IMM;0;1"),
        (POINT, AT_100_KHZ),
        ("SYST:ERR?", NO_ERROR),
    ]
    with Script([*READY, *reading_exchanges]) as peer, open_at(peer, tmp_path) as meter:
        made_ready(meter)
        reading = meter.read_impedance()
        assert reading.resistance_ohm == 1.54981e-2
        assert reading.reactance_ohm == 3.03829e-1
        assert reading.status == "ok"
        assert reading.raw == "+1.54981E-02,+3.03829E-01,0"
        assert reading.conditions == CONDITIONS
        meter.check_errors()


@pytest.mark.parametrize(
    ("reply", "status"),
    [
        ("+9.90000E+37,+9.90000E+37,1", "over-range"),
        ("+9.90000E+37,+9.90000E+37,0", "over-range"),
        ("-9.90000E+37,+1.0E+00,0", "over-range"),
        ("+1.0E+00,+1.0E+00,1", "over-range"),
        ("+9.91000E+37,+1.0E+00,0", "not-measured"),
        ("+1.0E+00,+1.0E+00,2", "unstable"),
        ("+1.0E+00,+1.0E+00,3", "unstable"),
        ("+1.0E+00,+1.0E+00,17", "unstable"),
    ],
)
def test_a_reading_that_is_none_has_no_value_and_says_why(
    tmp_path: Path, reply: str, status: str
) -> None:
    after: Exchanges = [("READ?", reply), (COMMON, "RX;IMM;0;1"), (POINT, AT_100_KHZ)]
    with Script([*READY, *after]) as peer, open_at(peer, tmp_path) as meter:
        made_ready(meter)
        reading = meter.read_impedance()
        assert (reading.resistance_ohm, reading.reactance_ohm) == (None, None)
        assert reading.status == status
        assert reading.raw == reply


@pytest.mark.parametrize("reply", ["+1.0E+00,+1.0E+00", "+1.0,+2.0,0,0", "+1.0,+2.0,ok", "1.5"])
def test_a_reading_outside_its_shape_is_refused(tmp_path: Path, reply: str) -> None:
    with Script([*READY, ("READ?", reply)]) as peer, open_at(peer, tmp_path) as meter:
        made_ready(meter)
        with pytest.raises(ReplyMalformed, match=r"READ\?"):
            meter.read_impedance()
        with pytest.raises(OutOfStep):
            meter.read_impedance()


def test_a_setting_that_is_not_taken_is_told_with_what_the_meter_says(tmp_path: Path) -> None:
    refused: Exchanges = [
        ("FREQ 2000000", None),
        ("VOLT 0.3", None),
        ("APER 0.05", None),
        ("AVER:COUN 4", None),
        (POINT, "+1.00000E+06;+3.00000E-01;+5.00000E-02;4"),
        ("SYST:ERR?", '-222,"Data out of range"'),
        ("SYST:ERR?", NO_ERROR),
    ]
    with Script([*OPENED, *PREPARED, *refused]) as peer, open_at(peer, tmp_path) as meter:
        meter.prepare()
        with pytest.raises(SettingNotTaken, match=r"2e\+06.*1e\+06.*-222, Data out of range"):
            meter.set_point(frequency_hz=2e6, level_v=0.3, aperture_s=0.05, averages=4)
        with pytest.raises(InputError, match="set_point"):
            meter.read_impedance()


@pytest.mark.parametrize(
    ("common", "told"),
    [
        ("ZTD;IMM;0;1", "quantity"),
        ("RX;BUS;0;1", "trigger"),
        ("RX;IMM;1;1", "own correction"),
        ("RX;IMM;0;0", "range"),
    ],
)
def test_a_meter_that_does_not_take_the_common_settings_is_not_ready(
    tmp_path: Path, common: str, told: str
) -> None:
    refused = [*PREPARED[:-1], (COMMON, common), ("SYST:ERR?", NO_ERROR)]
    with Script([*OPENED, *refused]) as peer, open_at(peer, tmp_path) as meter:
        with pytest.raises(SettingNotTaken, match=told):
            meter.prepare()
        with pytest.raises(InputError, match="prepare"):
            meter.read_impedance()


def test_a_knob_turned_at_the_front_panel_spoils_the_reading(tmp_path: Path) -> None:
    turned: Exchanges = [
        ("READ?", "+1.5E-02,+3.0E-02,0"),
        (COMMON, "RX;IMM;0;1"),
        (POINT, "+1.00000E+04;+3.00000E-01;+5.00000E-02;4"),
        ("SYST:ERR?", NO_ERROR),
    ]
    with Script([*READY, *turned]) as peer, open_at(peer, tmp_path) as meter:
        made_ready(meter)
        with pytest.raises(SettingNotTaken, match="frequency"):
            meter.read_impedance()


def test_small_differences_of_a_read_back_are_allowed_as_the_dialect_says(tmp_path: Path) -> None:
    near: Exchanges = [*SET_100_KHZ[:-1], (POINT, "+1.00050E+05;+3.00900E-01;+5.00090E-02;4")]
    with Script([*OPENED, *PREPARED, *near]) as peer, open_at(peer, tmp_path) as meter:
        meter.prepare()
        conditions = meter.set_point(frequency_hz=1e5, level_v=0.3, aperture_s=0.05, averages=4)
        assert conditions == ImpedanceConditions(100_050.0, 0.3009, 0.050009, 4)


@pytest.mark.parametrize(
    ("frequency_hz", "level_v", "aperture_s", "averages"),
    [
        (0.0, 0.3, 0.05, 4),
        (1e5, 0.0, 0.05, 4),
        (1e5, 0.3, -1.0, 4),
        (1e5, 0.3, 0.05, 0),
        (float("nan"), 0.3, 0.05, 4),
    ],
)
def test_a_point_that_is_none_is_not_sent(
    tmp_path: Path, frequency_hz: float, level_v: float, aperture_s: float, averages: int
) -> None:
    with (
        Script(OPENED) as peer,
        open_at(peer, tmp_path) as meter,
        pytest.raises(InputError, match="above zero"),
    ):
        meter.set_point(
            frequency_hz=frequency_hz, level_v=level_v, aperture_s=aperture_s, averages=averages
        )


def test_a_meter_that_reports_inductance_and_quality_gives_the_same_impedance(
    tmp_path: Path,
) -> None:
    changes = [
        ('quantity = "r-x"', 'quantity = "ls-q"'),
        ('quantity_words = ["RX"]', 'quantity_words = ["LSQ"]'),
        ('"FUNC:IMP RX"', '"FUNC:IMP LSQ"'),
    ]
    common = (COMMON, "LSQ;IMM;0;1")
    prepared = [("FUNC:IMP LSQ", None) if "FUNC" in each[0] else each for each in PREPARED[:-1]]
    # 470 nH and Q = 100 at 100 kHz: X = 0.295310 Ω, R = 2.95310 mΩ
    reading: Exchanges = [("READ?", "+4.70000E-07,+1.00000E+02,0"), common, (POINT, AT_100_KHZ)]
    script = [*OPENED, *prepared, common, *SET_100_KHZ, *reading]
    with Script(script) as peer, open_at(peer, tmp_path, changes=changes) as meter:
        made_ready(meter)
        measured = meter.read_impedance()
        assert measured.reactance_ohm == pytest.approx(0.295310, rel=1e-5)
        assert measured.resistance_ohm == pytest.approx(2.95310e-3, rel=1e-5)


def test_a_meter_without_status_and_without_own_correction_can_be_used(tmp_path: Path) -> None:
    changes = [
        ('reply = "number, number, integer"', 'reply = "number, number"'),
        ('set_own_correction_off = "CORR 0"\n', ""),
        ('own_correction = { send = "CORR?", reply = "boolean" }\n', ""),
        ('set_range_automatic = "RANG:AUTO 1"\n', ""),
        ('range_automatic = { send = "RANG:AUTO?", reply = "boolean" }\n', ""),
    ]
    common = (":FUNC:IMP?;:TRIG:SOUR?", "RX;IMM")
    script: Exchanges = [
        *OPENED,
        *PREPARED[:2],
        common,
        *SET_100_KHZ,
        ("READ?", "+1.0E+00,+2.0E+00"),
        common,
        (POINT, AT_100_KHZ),
    ]
    with Script(script) as peer, open_at(peer, tmp_path, changes=changes) as meter:
        made_ready(meter)
        assert meter.read_impedance().reactance_ohm == 2.0


def test_the_deadline_of_a_reading_follows_from_its_settings() -> None:
    dialect = load_dialect("impedance-function-tree", ImpedanceMeterDialect).dialect
    # 3 * 4 * (0.05 s + 20 / 1e5 Hz) + 3 s
    assert reading_deadline_s(dialect, CONDITIONS) == pytest.approx(3.6024)
    slow = ImpedanceConditions(20.0, 0.3, 1.0, 256)
    # 3 * 256 * (1 s + 20 / 20 Hz) + 3 s
    assert reading_deadline_s(dialect, slow) == pytest.approx(1539.0)


def test_recovery_sets_again_what_was_set(tmp_path: Path) -> None:
    recovered: Exchanges = [
        ("READ?", "garbage"),
        *OPENING,
        ("*CLS", None),
        *PREPARED,
        *SET_100_KHZ,
        ("READ?", "+1.0E+00,+2.0E+00,0"),
        (COMMON, "RX;IMM;0;1"),
        (POINT, AT_100_KHZ),
    ]
    with Script([*READY, *recovered]) as peer, open_at(peer, tmp_path) as meter:
        made_ready(meter)
        with pytest.raises(ReplyMalformed):
            meter.read_impedance()
        meter.recover()
        assert meter.read_impedance().reactance_ohm == 2.0
        assert [recovery.repeated for recovery in meter.recoveries] == [None]


def test_a_query_is_repeated_once_after_a_recovery_where_that_was_asked_for(
    tmp_path: Path,
) -> None:
    repeated: Exchanges = [
        ("READ?", "garbage"),
        *OPENING,
        ("*CLS", None),
        *PREPARED,
        *SET_100_KHZ,
        ("READ?", "+1.0E+00,+2.0E+00,0"),
        (COMMON, "RX;IMM;0;1"),
        (POINT, AT_100_KHZ),
    ]
    with (
        Script([*READY, *repeated]) as peer,
        open_at(peer, tmp_path, repeat_queries=True) as meter,
    ):
        made_ready(meter)
        assert meter.read_impedance().reactance_ohm == 2.0
        assert [recovery.repeated for recovery in meter.recoveries] == ["READ?"]


def test_a_query_is_repeated_only_once(tmp_path: Path) -> None:
    twice: Exchanges = [
        ("READ?", "garbage"),
        *OPENING,
        ("*CLS", None),
        *PREPARED,
        *SET_100_KHZ,
        ("READ?", "garbage"),
    ]
    with Script([*READY, *twice]) as peer, open_at(peer, tmp_path, repeat_queries=True) as meter:
        made_ready(meter)
        with pytest.raises(ReplyMalformed):
            meter.read_impedance()
        with pytest.raises(OutOfStep):
            meter.read_impedance()


def test_a_meter_that_does_not_answer_a_reading_is_explained(tmp_path: Path) -> None:
    silent: Exchanges = [
        ("READ?", None),
        ("SYST:ERR?", '-230,"Data corrupt or stale"'),
        ("SYST:ERR?", NO_ERROR),
    ]
    with Script([*READY, *silent]) as peer, open_at(peer, tmp_path) as meter:
        made_ready(meter)
        with pytest.raises(ReplyTimeout, match="-230"):
            meter.read_impedance()


def test_a_frequency_range_that_makes_no_sense_is_told_at_opening(tmp_path: Path) -> None:
    with (
        Script([*OPENING, (RANGE, "1E6;20")]) as peer,
        pytest.raises(SettingNotTaken, match="frequency range"),
    ):
        open_at(peer, tmp_path)
