"""The supply driver: exact exchanges, refusals, and the emergency off on links in every state.

Does NOT cover the energy rules (the bench has them) nor the time to off on a real instrument.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Sequence
from pathlib import Path

import pytest

from drivers import open_supply
from drivers.supply import ScpiSupply
from labbench.errors import (
    InputError,
    InstrumentError,
    OutOfStep,
    ReplyTimeout,
    SafetyError,
    SettingNotTaken,
)
from labbench.ports import SupplySetting
from tests.drivers.peers import (
    IDENTITY,
    NO_ERROR,
    OPENING,
    Connection,
    Peer,
    Script,
    answering,
    quick_dialect,
)

Exchanges = list[tuple[str, str | bytes | None]]
OPENED: Exchanges = [*OPENING]
ONE = "INST:NSEL 1"


def choose(channel: int) -> Exchanges:
    return [(f"INST:NSEL {channel}", None), ("INST:NSEL?", str(channel))]


def programmed(channel: int = 1, *, before: str = "0.000") -> Exchanges:
    at = f"INST:NSEL {channel};"
    return [
        *choose(channel),
        (f"{at}:VOLT:PROT:TRIP?", "0"),
        (f"{at}:VOLT?", before),
        (f"{at}:VOLT:PROT 2.5", None),
        (f"{at}:VOLT:PROT?", "2.500"),
        (f"{at}:CURR 0.5", None),
        (f"{at}:CURR?", "0.500"),
        (f"{at}:VOLT 1.25", None),
        (f"{at}:VOLT?", "1.250"),
    ]


OFF: Exchanges = [(f"{ONE};:OUTP 0", None), (f"{ONE};:OUTP?", "0")]
#: the identity behind the read back shows that no answer is one late
FORCED_OFF: Exchanges = [*OFF, ("*IDN?", IDENTITY)]


def open_at(
    peer: Peer,
    tmp_path: Path,
    *,
    channels: int = 1,
    changes: Sequence[tuple[str, str]] = (),
    repeat_queries: bool = False,
) -> ScpiSupply:
    return open_supply(
        peer.address,
        quick_dialect(tmp_path, "supply-scpi99", changes=changes),
        channels=channels,
        lock_directory=tmp_path,
        repeat_queries=repeat_queries,
    )


def program(supply: ScpiSupply, channel: int = 1) -> SupplySetting:
    return supply.program(channel, voltage_v=1.25, current_a=0.5, over_voltage_v=2.5)


def test_opening_switches_and_sets_nothing(tmp_path: Path) -> None:
    with Script(OPENED) as peer, open_at(peer, tmp_path, channels=2) as supply:
        assert supply.channels == 2
        assert supply.role == "supply"


def test_protection_comes_before_current_before_voltage_and_each_is_read_back(
    tmp_path: Path,
) -> None:
    with Script([*OPENED, *programmed()]) as peer, open_at(peer, tmp_path) as supply:
        assert program(supply) == SupplySetting(1.25, 0.5, 2.5)


def test_the_second_channel_is_named_in_every_message(tmp_path: Path) -> None:
    with (
        Script([*OPENED, *programmed(2)]) as peer,
        open_at(peer, tmp_path, channels=2) as supply,
    ):
        program(supply, 2)


def test_a_voltage_above_the_new_protection_is_lowered_first(tmp_path: Path) -> None:
    exchanges = programmed(before="12.000")
    exchanges.insert(4, (f"{ONE};:VOLT 1.25", None))
    with Script([*OPENED, *exchanges]) as peer, open_at(peer, tmp_path) as supply:
        program(supply)


@pytest.mark.parametrize(
    ("at", "reply", "told"),
    [
        (5, "3.500", "over-voltage protection"),
        (7, "0.510", "current limit"),
        (9, "1.260", "voltage"),
        (1, "2", "channel"),
    ],
)
def test_a_setting_that_reads_back_differently_is_told_and_nothing_more_is_set(
    tmp_path: Path, at: int, reply: str, told: str
) -> None:
    exchanges = programmed()[: at + 1]
    exchanges[at] = (exchanges[at][0], reply)
    exchanges += [("SYST:ERR?", '-222,"Data out of range"'), ("SYST:ERR?", NO_ERROR)]
    with (
        Script([*OPENED, *exchanges]) as peer,
        open_at(peer, tmp_path) as supply,
        pytest.raises(SettingNotTaken, match=f"{told}.*-222"),
    ):
        program(supply)


def test_a_tripped_protection_is_told_before_anything_is_set(tmp_path: Path) -> None:
    exchanges = [*choose(1), (f"{ONE};:VOLT:PROT:TRIP?", "1")]
    with (
        Script([*OPENED, *exchanges]) as peer,
        open_at(peer, tmp_path) as supply,
        pytest.raises(SettingNotTaken, match="has tripped"),
    ):
        program(supply)


def test_a_trip_is_cleared_only_with_the_output_off(tmp_path: Path) -> None:
    exchanges: Exchanges = [
        *OFF,
        (f"{ONE};:VOLT:PROT:CLE", None),
        (f"{ONE};:OUTP?", "0"),
        (f"{ONE};:VOLT:PROT:TRIP?", "0"),
    ]
    with Script([*OPENED, *exchanges]) as peer, open_at(peer, tmp_path) as supply:
        supply.clear_trip(1)
    stays_on: Exchanges = [
        (f"{ONE};:OUTP 0", None),
        (f"{ONE};:OUTP?", "1"),
        ("SYST:ERR?", NO_ERROR),
    ]
    with (
        Script([*OPENED, *stays_on]) as peer,
        open_at(peer, tmp_path) as supply,
        pytest.raises(SettingNotTaken, match="output"),
    ):
        supply.clear_trip(1)


def test_on_off_and_readings(tmp_path: Path) -> None:
    exchanges: Exchanges = [
        *choose(1),
        (f"{ONE};:OUTP 1", None),
        (f"{ONE};:OUTP?", "1"),
        (f"{ONE};:MEAS:VOLT?", "+1.24900E+00"),
        (f"{ONE};:MEAS:CURR?", "+9.90000E+37"),
        (f"{ONE};:STAT:QUES:COND?", "1"),
        (f"{ONE};:STAT:QUES:COND?", "2"),
        (f"{ONE};:STAT:QUES:COND?", "+0"),
        (f"{ONE};:STAT:QUES:COND?", "3"),
        *OFF,
    ]
    with Script([*OPENED, *exchanges]) as peer, open_at(peer, tmp_path) as supply:
        supply.switch_on(1)
        assert supply.is_on(1)
        voltage, current = supply.read_voltage(1), supply.read_current(1)
        assert (voltage.value, voltage.unit, voltage.raw) == (1.249, "V", "+1.24900E+00")
        assert (current.value, current.unit, current.status) == (None, "A", "over-range")
        assert supply.in_current_limit(1) is True
        assert supply.in_current_limit(1) is False
        assert supply.in_current_limit(1) is None  # off
        assert supply.in_current_limit(1) is None  # unregulated
        supply.switch_off(1)
        assert not supply.is_on(1)


def test_a_supply_that_cannot_tell_its_mode_says_none(tmp_path: Path) -> None:
    changes = [
        ("[condition_bits] # of the condition register\n", ""),
        ("constant_current = 0\nconstant_voltage = 1\n", ""),
        ('condition = { send = "INST:NSEL {channel};:STAT:QUES:COND?", reply = "integer" }\n', ""),
        (
            "over_voltage_tripped = "
            '{ send = "INST:NSEL {channel};:VOLT:PROT:TRIP?", reply = "boolean" }\n',
            "",
        ),
        ('clear_over_voltage_trip = "INST:NSEL {channel};:VOLT:PROT:CLE"\n', ""),
    ]
    exchanges = [each for each in programmed() if "TRIP" not in each[0]]
    with (
        Script([*OPENED, *exchanges]) as peer,
        open_at(peer, tmp_path, changes=changes) as supply,
    ):
        assert supply.in_current_limit(1) is None
        assert supply.protection_tripped(1) is None
        program(supply)
        with pytest.raises(InputError, match="no way to clear"):
            supply.clear_trip(1)


@pytest.mark.parametrize("channel", [0, 3, -1])
def test_a_channel_that_is_none_is_never_sent(tmp_path: Path, channel: int) -> None:
    with Script(OPENED) as peer, open_at(peer, tmp_path, channels=2) as supply:
        for use in (supply.switch_on, supply.switch_off, supply.is_on, supply.read_voltage):
            with pytest.raises(InputError, match="no channel"):
                use(channel)
        with pytest.raises(InputError, match="no channel"):
            program(supply, channel)


@pytest.mark.parametrize(
    ("voltage_v", "current_a", "over_voltage_v"),
    [
        (-1.0, 0.5, 2.0),
        (1.0, -0.5, 2.0),
        (2.0, 0.5, 2.0),
        (float("nan"), 0.5, 2.0),
        (1.0, float("nan"), 2.0),
    ],
)
def test_what_cannot_be_programmed_is_not_sent(
    tmp_path: Path, voltage_v: float, current_a: float, over_voltage_v: float
) -> None:
    with Script(OPENED) as peer, open_at(peer, tmp_path) as supply, pytest.raises(InputError):
        supply.program(1, voltage_v=voltage_v, current_a=current_a, over_voltage_v=over_voltage_v)


def test_a_dialect_that_cannot_tell_channels_apart_is_refused_for_two(tmp_path: Path) -> None:
    changes = [("INST:NSEL {channel};:MEAS:CURR?", "MEAS:CURR?")]
    with Peer(answering({})) as peer:
        with pytest.raises(InputError, match="tell 2 channels apart"):
            open_at(peer, tmp_path, channels=2, changes=changes)
        open_at(peer, tmp_path, channels=1, changes=changes).close()
        with pytest.raises(InputError, match="at least one channel"):
            open_at(peer, tmp_path, channels=0)


def test_recovery_programs_again_and_never_touches_the_output(tmp_path: Path) -> None:
    exchanges: Exchanges = [
        *programmed(),
        (f"{ONE};:OUTP?", "on"),
        *OPENING,
        ("*CLS", None),
        *programmed(before="1.250"),
    ]
    with Script([*OPENED, *exchanges]) as peer, open_at(peer, tmp_path) as supply:
        program(supply)
        with pytest.raises(InstrumentError):
            supply.is_on(1)
        supply.recover()


def test_an_error_of_a_supply_says_that_the_output_may_be_on(tmp_path: Path) -> None:
    with Script([*OPENED, (f"{ONE};:OUTP?", "maybe")]) as peer, open_at(peer, tmp_path) as supply:
        with pytest.raises(InstrumentError) as told:
            supply.is_on(1)
        assert "the output may be on" in str(told.value)
        with pytest.raises(OutOfStep, match="the output may be on"):
            supply.switch_on(1)


# --- emergency off -------------------------------------------------------------------------------


def test_forced_off_reads_back_off_on_every_channel(tmp_path: Path) -> None:
    exchanges: Exchanges = [
        ("INST:NSEL 1;:OUTP 0", None),
        ("INST:NSEL 2;:OUTP 0", None),
        ("INST:NSEL 1;:OUTP?", "0"),
        ("INST:NSEL 2;:OUTP?", "0"),
        ("*IDN?", IDENTITY),
    ]
    with Script([*OPENED, *exchanges]) as peer, open_at(peer, tmp_path, channels=2) as supply:
        assert supply.force_off() is True


def test_forced_off_tells_when_one_channel_stays_on(tmp_path: Path) -> None:
    exchanges: Exchanges = [
        ("INST:NSEL 1;:OUTP 0", None),
        ("INST:NSEL 2;:OUTP 0", None),
        ("INST:NSEL 1;:OUTP?", "0"),
        ("INST:NSEL 2;:OUTP?", "1"),
        ("*IDN?", IDENTITY),
    ]
    with Script([*OPENED, *exchanges]) as peer, open_at(peer, tmp_path, channels=2) as supply:
        assert supply.force_off() is False


def test_forced_off_opens_the_link_anew_when_it_is_out_of_step(tmp_path: Path) -> None:
    exchanges: Exchanges = [(f"{ONE};:OUTP?", "maybe"), *OPENING, ("*CLS", None), *FORCED_OFF]
    with Script([*OPENED, *exchanges]) as peer, open_at(peer, tmp_path) as supply:
        with pytest.raises(InstrumentError):
            supply.is_on(1)
        assert supply.force_off() is True
        assert peer.connections == 2


def test_forced_off_opens_the_link_anew_when_off_is_not_answered(tmp_path: Path) -> None:
    exchanges: Exchanges = [
        (f"{ONE};:OUTP 0", None),
        (f"{ONE};:OUTP?", None),  # the reply is lost
        *OPENING,
        ("*CLS", None),
        *FORCED_OFF,
    ]
    with Script([*OPENED, *exchanges]) as peer, open_at(peer, tmp_path) as supply:
        assert supply.force_off() is True


def test_forced_off_does_not_believe_an_answer_that_is_one_late(tmp_path: Path) -> None:
    """An earlier "0" that came twice answers the read back; the output stays on."""
    late = [True]

    def on_line(connection: Connection, line: bytes) -> None:
        if line.endswith(b"OUTP?"):
            if late.pop() if late else False:
                connection.send(b"0\n")
                connection.wait(0.03)
            connection.send(b"1\n")
        else:
            answering({})(connection, line)

    with Peer(on_line) as peer, open_at(peer, tmp_path) as supply:
        assert supply.force_off() is False
        assert [line for line in peer.lines if line.endswith(b"OUTP 0")] == [
            b"INST:NSEL 1;:OUTP 0"
        ] * 2


def test_forced_off_is_false_and_raises_nothing_when_the_supply_is_gone(tmp_path: Path) -> None:
    with Peer(answering({})) as peer:
        supply = open_at(peer, tmp_path)
    assert supply.force_off() is False
    supply.close()
    assert supply.force_off() is False


def test_forced_off_is_false_when_another_instrument_answers(tmp_path: Path) -> None:
    exchanges: Exchanges = [(f"{ONE};:OUTP?", "maybe"), ("*IDN?", "Other,supply,9,1.0")]
    with Script([*OPENED, *exchanges]) as peer, open_at(peer, tmp_path) as supply:
        with pytest.raises(InstrumentError):
            supply.is_on(1)
        assert supply.force_off() is False


@pytest.mark.parametrize("repeat_queries", [False, True])
def test_forced_off_ends_the_wait_of_another_thread_which_repeats_nothing(
    tmp_path: Path, repeat_queries: bool
) -> None:
    told: list[BaseException] = []
    with Peer(answering({f"{ONE};:OUTP?": "0"})) as peer:
        changes = [('reading = "3 s"', 'reading = "30 s"')]
        supply = open_at(peer, tmp_path, changes=changes, repeat_queries=repeat_queries)

        def wait_long() -> None:
            try:
                supply.read_current(1)
            except InstrumentError as error:
                told.append(error)

        worker = threading.Thread(target=wait_long)
        worker.start()
        while not any(b"MEAS" in line for line in peer.lines):
            time.sleep(0.005)
        assert supply.force_off() is True
        worker.join(5)
        assert not worker.is_alive()
        supply.close()
        assert sum(b"MEAS" in line for line in peer.lines) == 1
    assert [type(error).__mro__[1] for error in told] == [OutOfStep]


def test_forced_off_uses_a_second_link_when_the_first_is_held(tmp_path: Path) -> None:
    release, holding = threading.Event(), threading.Event()
    with Peer(answering({f"{ONE};:OUTP?": "0"})) as peer:
        supply = open_at(peer, tmp_path)

        def hold() -> None:
            with supply._session.held():
                holding.set()
                release.wait(5)

        holder = threading.Thread(target=hold)
        holder.start()
        assert holding.wait(2)
        assert supply.force_off() is True
        assert peer.connections == 2
        assert f"{ONE};:OUTP 0".encode() in peer.lines
        release.set()
        holder.join()
        supply.close()


def test_an_on_that_comes_after_the_stop_is_refused_until_programmed_anew(tmp_path: Path) -> None:
    exchanges: Exchanges = [
        *programmed(),
        *FORCED_OFF,
        *programmed(before="1.250"),
        *choose(1),
        (f"{ONE};:OUTP 1", None),
    ]
    with Script([*OPENED, *exchanges]) as peer, open_at(peer, tmp_path) as supply:
        program(supply)
        assert supply.force_off() is True
        with pytest.raises(SafetyError, match="stays off"):
            supply.switch_on(1)
        program(supply)
        supply.switch_on(1)


def test_recovery_after_a_stop_does_not_lift_it(tmp_path: Path) -> None:
    exchanges: Exchanges = [
        *programmed(),
        *FORCED_OFF,
        *OPENING,
        ("*CLS", None),
        *programmed(before="1.250"),
    ]
    with Script([*OPENED, *exchanges]) as peer, open_at(peer, tmp_path) as supply:
        program(supply)
        assert supply.force_off() is True
        supply.recover()
        with pytest.raises(SafetyError):
            supply.switch_on(1)


def test_an_on_without_reply_is_never_repeated(tmp_path: Path) -> None:
    # the read back of the channel fails: the on must not have been sent, nor be sent later
    exchanges: Exchanges = [
        (ONE, None),
        ("INST:NSEL?", None),
        ("SYST:ERR?", NO_ERROR),
    ]
    with Script([*OPENED, *exchanges]) as peer:
        supply = open_supply(
            peer.address,
            quick_dialect(tmp_path, "supply-scpi99"),
            lock_directory=tmp_path,
        )
        with supply, pytest.raises(ReplyTimeout):
            supply.switch_on(1)


def test_the_stop_path_reaches_a_supply_that_answers_within_its_link(tmp_path: Path) -> None:
    def on_line(connection: Connection, line: bytes) -> None:
        if b"OUTP?" in line:
            connection.send(b"0\n")
        elif line == b"*IDN?":
            connection.send(IDENTITY.encode() + b"\n")
        elif line == b"SYST:ERR?":
            connection.send(NO_ERROR.encode() + b"\n")

    with Peer(on_line) as peer, open_at(peer, tmp_path) as supply:
        for _ in range(50):
            assert supply.force_off() is True
        assert peer.connections == 1
