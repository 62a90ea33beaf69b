"""The drivers' whole work over every kind of link and in every dialect, against the simulator.

And what each kind of link does with a reply that comes late, or with a peer that goes away. Does
NOT cover VXI-11, USBTMC, a real serial port, or how fast anything is.
"""

from __future__ import annotations

import cmath
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from drivers import open_impedance_meter, open_supply, prefer
from drivers.session import State
from labbench.errors import (
    AddressLocked,
    ConnectionFailed,
    InputError,
    InstrumentError,
    LinkLost,
    ReplyTimeout,
    SettingNotTaken,
)
from sim.link_faults import FaultSchedule, LinkFault
from sim.links.kinds import KINDS
from sim.served import ServedBench
from tests.drivers.peers import quick_dialect
from tests.drivers_with_sim.commands import DIALECTS
from tests.drivers_with_sim.opened import ROLES, SCENARIO, open_all, open_role

FIRST = {role: names[0] for role, names in DIALECTS.items()}
SECOND = {role: names[1] for role, names in DIALECTS.items()}
each_link = pytest.mark.parametrize("link", KINDS)


def served(link: str, *, second: bool = False, **more: object) -> ServedBench:
    return ServedBench(
        SCENARIO,
        manual_clock=True,
        links=dict.fromkeys(ROLES, link),
        dialects=SECOND if second else FIRST,
        **more,  # type: ignore[arg-type]
    )


@pytest.fixture
def undo() -> Iterator[ExitStack]:
    with ExitStack() as stack:
        yield stack


@each_link
@pytest.mark.parametrize("second", [False, True], ids=["first dialects", "second dialects"])
def test_a_coil_is_measured_over_every_link_in_every_dialect(
    undo: ExitStack, tmp_path: Path, link: str, second: bool
) -> None:
    bench = undo.enter_context(served(link, second=second))
    on = open_all(bench, undo, tmp_path)
    on.relays.close_only([101, 201, 202])
    on.meter.prepare()
    on.meter.set_point(frequency_hz=1e5, level_v=0.3, aperture_s=0.05, averages=4)
    reading = on.meter.read_impedance()
    assert reading.status == "ok"
    assert reading.reactance_ohm == pytest.approx(0.30, rel=0.05)  # D1: 470 nH at 100 kHz
    on.relays.close_only([198, 201, 202])
    open_tips = on.meter.read_impedance()
    assert open_tips.status == "over-range" or abs(open_tips.reactance_ohm or 0) > 1e4
    assert on.relays.closed() == (198, 201, 202)

    on.relays.close_only([101, 203, 204, 205, 206])
    on.multimeter.set_dc_voltage(range_v=0.1, integration_periods=10)
    before = on.multimeter.read()
    on.supply.program(1, voltage_v=0.3, current_a=1.0, over_voltage_v=1.0)
    try:
        on.supply.switch_on(1)
        assert on.supply.in_current_limit(1) is True
        driven = on.multimeter.read()
        current = on.supply.read_current(1)
    finally:
        assert on.supply.force_off() is True
    assert current.value == pytest.approx(1.0, abs=0.02)
    assert before.value is not None
    assert driven.value is not None
    assert 1e-4 < driven.value - before.value < 0.1
    for instrument in on.all():
        instrument.check_errors()
        assert instrument.recoveries == ()


def test_both_dialects_of_the_lcr_meter_give_the_same_impedance(
    undo: ExitStack, tmp_path: Path
) -> None:
    read = []
    for second in (False, True):
        bench = undo.enter_context(served("socket", second=second))
        on = open_all(bench, undo, tmp_path)
        on.relays.close_only([101, 201, 202])
        on.meter.prepare()
        on.meter.set_point(frequency_hz=1e5, level_v=0.3, aperture_s=0.1, averages=4)
        reading = on.meter.read_impedance()
        assert reading.resistance_ohm is not None
        assert reading.reactance_ohm is not None
        read.append(complex(reading.resistance_ohm, reading.reactance_ohm))
        undo.pop_all().close()
    # noise of the meter; a phase taken for radians, or R for |Z|, would be far off
    assert abs(read[0] - read[1]) < 3e-3 * abs(read[0])
    assert cmath.phase(read[0]) > 1.0


def test_a_meter_whose_phase_was_put_to_radians_by_hand_gives_no_reading(
    undo: ExitStack, tmp_path: Path
) -> None:
    bench = undo.enter_context(served("socket", second=True))
    meter = open_role(bench, undo, tmp_path, "impedance_meter")
    meter.prepare()
    meter.set_point(frequency_hz=1e5, level_v=0.3, aperture_s=0.05, averages=1)
    meter._session.send("UNIT:ANGL RAD")
    with pytest.raises(SettingNotTaken, match="unit of the phase"):
        meter.read_impedance()
    meter.recover()
    assert meter.read_impedance().conditions.averages == 1


@each_link
def test_a_late_reply_is_never_taken_for_the_next_answer(
    undo: ExitStack, tmp_path: Path, link: str
) -> None:
    bench = undo.enter_context(served(link))
    supply = open_role(
        bench, undo, tmp_path, "supply", changes=[('reply = "400 ms"', 'reply = "100 ms"')]
    )
    supply.program(1, voltage_v=1.5, current_a=0.25, over_voltage_v=3.0)
    due = bench.servers["supply"].exchanges + 1
    bench.servers["supply"].faults = FaultSchedule([LinkFault(due, "late", 0.25)])
    with pytest.raises(InstrumentError):
        supply._setting(supply._dialect.commands.voltage, 1)
    assert supply._session.state is State.OUT_OF_STEP
    with pytest.raises(InstrumentError, match="recover"):
        supply.is_on(1)
    supply.recover()
    for _ in range(3):
        assert supply._setting(supply._dialect.commands.current, 1) == pytest.approx(0.25)
        assert supply._setting(supply._dialect.commands.voltage, 1) == pytest.approx(1.5)
        assert supply.is_on(1) is False
    supply.check_errors()


@each_link
def test_the_second_half_of_a_reply_is_never_taken_for_a_number(
    undo: ExitStack, tmp_path: Path, link: str
) -> None:
    bench = undo.enter_context(served(link))
    supply = open_role(
        bench, undo, tmp_path, "supply", changes=[('reply = "400 ms"', 'reply = "100 ms"')]
    )
    supply.program(1, voltage_v=1.5, current_a=0.25, over_voltage_v=3.0)
    due = bench.servers["supply"].exchanges + 1
    bench.servers["supply"].faults = FaultSchedule([LinkFault(due, "split", 0.25)])
    with pytest.raises(ReplyTimeout):
        supply._setting(supply._dialect.commands.voltage, 1)
    supply.recover()
    for _ in range(3):
        assert supply._setting(supply._dialect.commands.current, 1) == pytest.approx(0.25)
    supply.check_errors()


def test_hislip_clears_the_device_and_keeps_its_connection(undo: ExitStack, tmp_path: Path) -> None:
    bench = undo.enter_context(served("hislip"))
    supply = open_role(bench, undo, tmp_path, "supply")
    transport = supply._session._wire.transport
    before = transport._client
    supply.recover()
    assert transport._client is before
    # the same connection, whose messages are numbered anew, still answers
    assert supply.is_on(1) is False
    # identity, error queue, clear status and this question count from the first number on
    assert transport._client.last_message_id == 0xFFFF_FF00 + 2 * 3


@pytest.mark.parametrize("link", ["socket", "hislip", "serial-socket"])
def test_a_peer_that_goes_away_is_a_lost_link_and_comes_back(
    undo: ExitStack, tmp_path: Path, link: str
) -> None:
    bench = undo.enter_context(served(link))
    supply = open_role(bench, undo, tmp_path, "supply")
    due = bench.servers["supply"].exchanges + 1
    bench.servers["supply"].faults = FaultSchedule([LinkFault(due, "disconnect", None)])
    with pytest.raises(LinkLost):
        supply.is_on(1)
    supply.recover()
    assert supply.is_on(1) is False


@pytest.mark.parametrize("link", ["serial-pty", "serial-socket"])
def test_an_off_over_a_serial_line_does_not_wait_for_the_line_to_fall_silent(
    undo: ExitStack, tmp_path: Path, link: str
) -> None:
    bench = undo.enter_context(served(link))
    supply = open_role(bench, undo, tmp_path, "supply")
    supply.program(1, voltage_v=0.5, current_a=0.1, over_voltage_v=2.0)
    supply.switch_on(1)
    assert supply.is_on(1) is True
    due = bench.servers["supply"].exchanges + 1
    bench.servers["supply"].faults = FaultSchedule([LinkFault(due, "silent", None)])
    with pytest.raises(ReplyTimeout):
        supply.is_on(1)
    asked: list[bool] = []
    assert bench.bench.supply is not None
    output = bench.bench.supply.output
    recover = supply._session.recover

    def watched() -> None:
        # what was sent before the recovery begins has been carried out by its end
        recover()
        asked.append(output(1))

    supply._session.recover = watched
    assert supply.force_off() is True
    assert asked == [False]


@each_link
def test_a_second_program_on_one_address_is_told_who_holds_it(
    undo: ExitStack, tmp_path: Path, link: str
) -> None:
    bench = undo.enter_context(served(link))
    open_role(bench, undo, tmp_path, "supply", holder="verify of D7")
    with pytest.raises(AddressLocked, match="verify of D7"):
        open_role(bench, undo, tmp_path, "supply")


def test_a_serial_port_is_one_address_by_whatever_name(undo: ExitStack, tmp_path: Path) -> None:
    bench = undo.enter_context(served("serial-pty"))
    open_role(bench, undo, tmp_path, "supply")
    device = bench.addresses["supply"].removeprefix("ASRL").removesuffix("::INSTR")
    link = tmp_path / "by-id"
    link.symlink_to(device)
    with pytest.raises(AddressLocked):
        open_supply(f"ASRL{link}::INSTR", "supply-scpi99", lock_directory=tmp_path)


def test_a_serial_line_without_settings_is_refused(undo: ExitStack, tmp_path: Path) -> None:
    bench = undo.enter_context(served("serial-pty"))
    dialect = quick_dialect(tmp_path, "impedance-function-tree")
    text = dialect.read_text(encoding="utf-8")
    begin = text.index("[serial]")
    dialect.write_text(text[:begin] + text[text.index("[timing]") :], encoding="utf-8")
    with pytest.raises(InputError, match="does not say how the serial line is set") as told:
        open_impedance_meter(bench.addresses["impedance_meter"], dialect, lock_directory=tmp_path)
    assert "[serial]" in str(told.value.hint)


@pytest.mark.parametrize(
    "address",
    [
        "TCPIP::127.0.0.1::hislip0,1::INSTR",
        "TCPIP::127.0.0.1::hislip0,port::INSTR",
        "ASRLsocket://127.0.0.1:1::INSTR",
        "ASRL/dev/no-such-port::INSTR",
    ],
)
def test_nothing_at_an_address_is_told_at_opening(tmp_path: Path, address: str) -> None:
    with pytest.raises(ConnectionFailed) as told:
        open_supply(address, "supply-scpi99", lock_directory=tmp_path)
    assert told.value.hint


def test_a_raw_socket_that_is_taken_for_hislip_is_told_at_opening(
    undo: ExitStack, tmp_path: Path
) -> None:
    bench = undo.enter_context(served("socket"))
    port = bench.addresses["supply"].split("::")[2]
    with pytest.raises(ConnectionFailed, match="HiSLIP"):
        open_supply(
            f"TCPIP::127.0.0.1::hislip0,{port}::INSTR",
            quick_dialect(tmp_path, "supply-scpi99"),
            lock_directory=tmp_path,
        )


def test_another_device_name_than_the_servers_is_told_at_opening(
    undo: ExitStack, tmp_path: Path
) -> None:
    bench = undo.enter_context(served("hislip"))
    address = bench.addresses["supply"].replace("hislip0", "hislip7")
    with pytest.raises(ConnectionFailed, match="HiSLIP error"):
        open_supply(address, "supply-scpi99", lock_directory=tmp_path)


def test_the_links_of_one_instrument_are_ordered_with_reasons() -> None:
    offers = prefer(
        [
            "USB0::1::2::3::INSTR",
            "ASRL/dev/ttyUSB0::INSTR",
            "TCPIP::10.0.0.7::5025::SOCKET",
            "TCPIP::10.0.0.7::INSTR",
            "TCPIP::10.0.0.7::hislip0::INSTR",
        ]
    )
    assert [offer.kind for offer in offers] == ["hislip", "socket", "serial", "usbtmc", "vxi-11"]
    assert offers[0].resource == "TCPIP::10.0.0.7::hislip0::INSTR"
    assert "number of its question" in offers[0].why
    assert all("untried" in offer.why for offer in offers[3:])
    with pytest.raises(InputError):
        prefer(["by-hand"])
