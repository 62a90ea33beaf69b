"""The drivers against the simulated instruments, over real sockets.

Every command of every shipped dialect is sent to the matching simulated instrument: it must answer
in the declared shape and leave the error queue empty. Then every driver does its whole work there.
The simulator's commands are written apart from the dialects (from `sim/README.md`), so this shows
that both say the same. It is NOT an outside check: a real instrument may differ from both.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import attrs
import pytest

from drivers import (
    ScpiImpedanceMeter,
    ScpiMultimeter,
    ScpiRelaySwitch,
    ScpiSupply,
    open_impedance_meter,
    open_multimeter,
    open_relay_switch,
    open_supply,
    shipped_dialects,
)
from drivers.dialect import Query, fill
from drivers.dialect_roles import load_dialect
from drivers.session import Session
from drivers.transport import make_transport
from labbench.errors import InstrumentReportedError, SettingNotTaken
from sim.profiles.catalogue import PROFILES
from sim.served import ServedBench
from tests.drivers.peers import quick_dialect
from tests.drivers_with_sim.commands import DIALECTS, PAIRS, ROLES, commands_of

SCENARIO = Path(__file__).parents[2] / "sim" / "scenarios" / "harbour-buoys.toml"

EVERY_COMMAND = [
    pytest.param(role, dialect, name, id=f"{dialect}-{name}")
    for role, dialect in PAIRS
    for name, _, _ in commands_of(role, load_dialect(dialect, ROLES[role]).dialect)
]


@pytest.fixture(scope="module")
def bench() -> Iterator[ServedBench]:
    with ServedBench(SCENARIO, manual_clock=True) as served:
        yield served


@pytest.fixture(scope="module")
def benches(bench: ServedBench) -> Iterator[dict[str, ServedBench]]:
    """Give a bench for each dialect: the usual one, and one that speaks the second of each role."""
    second = {role: names[1] for role, names in DIALECTS.items()}
    with ServedBench(SCENARIO, manual_clock=True, dialects=second) as other:
        yield {
            name: other if name == second[role] else bench
            for role, names in DIALECTS.items()
            for name in names
        }


@pytest.fixture
def undo() -> Iterator[ExitStack]:
    with ExitStack() as stack:
        yield stack


def test_every_shipped_dialect_has_a_simulated_instrument_and_stands_in_these_tests() -> None:
    assert {name for names in DIALECTS.values() for name in names} == set(shipped_dialects())
    assert {role: tuple(profiles) for role, profiles in PROFILES.items()} == DIALECTS
    assert all(len(names) >= 2 for names in DIALECTS.values())


@pytest.mark.parametrize(("role", "dialect"), PAIRS)
def test_no_command_of_a_dialect_is_left_out_of_these_tests(role: str, dialect: str) -> None:
    """What stands in the file, read as bare text, is what the tests below send."""
    with shipped_dialects()[dialect].open("rb") as file:
        written = set(templates_in(tomllib.load(file)["commands"]))
    sent = {
        command.send if isinstance(command, Query) else command
        for _, command, _ in commands_of(role, load_dialect(dialect, ROLES[role]).dialect)
    }
    assert written == sent


def templates_in(table: Any) -> Iterator[str]:
    """List the texts under [commands] that are sent to an instrument."""
    if isinstance(table, str):
        yield table
    elif isinstance(table, list):
        for entry in table:
            yield from templates_in(entry)
    else:
        for key, entry in table.items():
            if key not in ("reply", "words", "name"):
                yield from templates_in(entry)


@pytest.mark.parametrize(("role", "dialect_name", "name"), EVERY_COMMAND)
def test_the_simulated_instrument_understands_every_command_of_its_dialect(
    benches: dict[str, ServedBench], role: str, dialect_name: str, name: str
) -> None:
    dialect = load_dialect(dialect_name, ROLES[role]).dialect
    command, places = next(
        (command, places) for each, command, places in commands_of(role, dialect) if each == name
    )
    session = Session(
        make_transport(benches[dialect_name].addresses[role]), dialect, name=dialect_name
    )
    try:
        session.open()
        if isinstance(command, Query):
            reply = session.query(fill(command.send, places), command.shape)
            assert reply.raw
        else:
            session.send(fill(command, places))
        session.check_errors()
    finally:
        session.close()


def open_meter(
    bench: ServedBench, undo: ExitStack, folder: Path, **more: Any
) -> ScpiImpedanceMeter:
    return undo.enter_context(
        open_impedance_meter(
            bench.addresses["impedance_meter"],
            more.pop("dialect", "impedance-function-tree"),
            lock_directory=folder,
            **more,
        )
    )


def open_power(bench: ServedBench, undo: ExitStack, folder: Path, **more: Any) -> ScpiSupply:
    return undo.enter_context(
        open_supply(bench.addresses["supply"], "supply-scpi99", lock_directory=folder, **more)
    )


def open_relays(bench: ServedBench, undo: ExitStack, folder: Path) -> ScpiRelaySwitch:
    return undo.enter_context(
        open_relay_switch(bench.addresses["switch"], "switch-scpi99", lock_directory=folder)
    )


def open_volts(bench: ServedBench, undo: ExitStack, folder: Path) -> ScpiMultimeter:
    return undo.enter_context(
        open_multimeter(bench.addresses["multimeter"], "multimeter-scpi99", lock_directory=folder)
    )


def test_the_lcr_meter_driver_measures_the_coil_that_the_relays_chose(
    bench: ServedBench, undo: ExitStack, tmp_path: Path
) -> None:
    meter, relays = open_meter(bench, undo, tmp_path), open_relays(bench, undo, tmp_path)
    relays.close_only([101, 201, 202])
    meter.prepare()
    for frequency_hz in (1e3, 1e5, 1e6):
        conditions = meter.set_point(
            frequency_hz=frequency_hz, level_v=0.3, aperture_s=0.05, averages=2
        )
        assert conditions.frequency_hz == pytest.approx(frequency_hz, rel=1e-3)
        reading = meter.read_impedance()
        assert reading.status == "ok"
        assert reading.conditions == conditions
        assert reading.reactance_ohm is not None
        assert reading.reactance_ohm > 0
        meter.check_errors()
    relays.close_only([198, 201, 202])
    open_tips = meter.read_impedance()
    assert open_tips.status == "over-range" or abs(open_tips.reactance_ohm or 0) > 1e4
    meter.check_errors()
    relays.check_errors()


@pytest.mark.parametrize(
    ("quantity", "word"), [("ls-q", "LSQ"), ("ls-d", "LSD"), ("z-phase-degrees", "ZTD")]
)
def test_every_form_of_a_reading_gives_the_same_impedance(
    bench: ServedBench, undo: ExitStack, tmp_path: Path, quantity: str, word: str
) -> None:
    relays = open_relays(bench, undo, tmp_path)
    relays.close_only([101, 201, 202])
    readings = []
    for changes in (
        [],
        [
            ('quantity = "r-x"', f'quantity = "{quantity}"'),
            ('quantity_words = ["RX"]', f'quantity_words = ["{word}"]'),
            ('"FUNC:IMP RX"', f'"FUNC:IMP {word}"'),
        ],
    ):
        dialect = quick_dialect(tmp_path, "impedance-function-tree", changes=changes)
        with ExitStack() as closing:
            meter = open_meter(bench, closing, tmp_path, dialect=dialect)
            meter.prepare()
            meter.set_point(frequency_hz=1e5, level_v=0.3, aperture_s=0.1, averages=4)
            reading = meter.read_impedance()
            assert reading.status == "ok"
            assert reading.resistance_ohm is not None
            assert reading.reactance_ohm is not None
            readings.append(complex(reading.resistance_ohm, reading.reactance_ohm))
    as_it_is, converted = readings
    # noise of the meter, and the digits that each form gives
    assert abs(as_it_is - converted) < 3e-3 * abs(as_it_is)


def test_the_supply_driver_programs_switches_and_reads_back(
    bench: ServedBench, undo: ExitStack, tmp_path: Path
) -> None:
    supply, relays = open_power(bench, undo, tmp_path), open_relays(bench, undo, tmp_path)
    relays.close_only([])
    setting = supply.program(1, voltage_v=1.0, current_a=0.5, over_voltage_v=2.0)
    assert attrs.astuple(setting) == pytest.approx((1.0, 0.5, 2.0), rel=1e-3)
    assert supply.is_on(1) is False
    assert supply.in_current_limit(1) is None
    try:
        supply.switch_on(1)
        assert supply.is_on(1) is True
        bench.clock.sleep_s(0.1)  # the output capacitor is charged at the current limit first
        assert supply.in_current_limit(1) is False
        assert supply.read_voltage(1).value == pytest.approx(1.0, abs=5e-3)
    finally:
        assert supply.force_off() is True
    assert bench.bench.supply is not None
    assert not bench.bench.supply.output(1)
    supply.check_errors()


def test_a_protection_that_trips_is_told_and_cleared(
    bench: ServedBench, undo: ExitStack, tmp_path: Path
) -> None:
    supply, relays = open_power(bench, undo, tmp_path), open_relays(bench, undo, tmp_path)
    relays.close_only([])
    supply.program(1, voltage_v=0.5, current_a=0.1, over_voltage_v=2.0)
    supply.switch_on(1)
    assert supply.is_on(1) is True  # answered: the on has been carried out
    # a hand turns the protection below the voltage: past the driver, which would refuse
    assert bench.bench.supply is not None
    bench.bench.supply.set_over_voltage_v(1, 2.0)
    bench.bench.supply.set_voltage_v(1, 5.0)
    bench.clock.sleep_s(0.5)
    assert supply.protection_tripped(1) is True
    with pytest.raises(SettingNotTaken, match="tripped"):
        supply.program(1, voltage_v=0.5, current_a=0.1, over_voltage_v=2.0)
    supply.clear_trip(1)
    assert supply.force_off() is True


def test_the_multimeter_driver_measures_what_the_supply_drives(
    bench: ServedBench, undo: ExitStack, tmp_path: Path
) -> None:
    supply, relays = open_power(bench, undo, tmp_path), open_relays(bench, undo, tmp_path)
    meter = open_volts(bench, undo, tmp_path)
    relays.close_only([101, 203, 204, 205, 206])
    meter.set_dc_voltage(range_v=0.1, integration_periods=10)
    off = meter.read()
    supply.program(1, voltage_v=0.3, current_a=1.0, over_voltage_v=1.0)
    try:
        supply.switch_on(1)
        assert supply.in_current_limit(1) is True
        on = meter.read()
    finally:
        assert supply.force_off() is True
    assert off.value is not None
    assert on.value is not None
    assert 1e-4 < on.value - off.value < 0.1  # a coil of 0.1 mΩ to 100 mΩ at 1 A
    conditions = meter.set_resistance(range_ohm=None, integration_periods=1, four_wire=True)
    assert conditions.function == "four-wire-resistance"
    meter.read()
    for instrument in (meter, supply, relays):
        instrument.check_errors()


def test_the_relay_switch_driver_refuses_a_relay_that_is_none(
    bench: ServedBench, undo: ExitStack, tmp_path: Path
) -> None:
    relays = open_relays(bench, undo, tmp_path)
    relays.close_only([198])
    with pytest.raises(SettingNotTaken, match="-222"):
        relays.close_only([777])
    assert relays.close_only([]) == ()


@pytest.mark.parametrize("role", sorted(DIALECTS))
def test_a_restart_of_the_link_leaves_settings_and_error_queue_in_order(
    bench: ServedBench, undo: ExitStack, tmp_path: Path, role: str
) -> None:
    instrument: Any
    if role == "impedance_meter":
        instrument = open_meter(bench, undo, tmp_path)
        instrument.prepare()
        instrument.set_point(frequency_hz=1e4, level_v=0.1, aperture_s=0.02, averages=1)
    elif role == "supply":
        instrument = open_power(bench, undo, tmp_path)
        instrument.program(1, voltage_v=1.0, current_a=0.5, over_voltage_v=2.0)
    elif role == "multimeter":
        instrument = open_volts(bench, undo, tmp_path)
        instrument.set_dc_voltage(range_v=1.0, integration_periods=1)
    else:
        instrument = open_relays(bench, undo, tmp_path)
        instrument.close_only([198])
    instrument.recover()
    instrument.identify()
    instrument.check_errors()
    assert len(instrument.recoveries) == 1


def test_a_frequency_beyond_the_meter_is_refused_with_its_own_words(
    bench: ServedBench, undo: ExitStack, tmp_path: Path
) -> None:
    meter = open_meter(bench, undo, tmp_path)
    meter.prepare()
    highest = meter.frequency_range_hz[1]
    with pytest.raises(SettingNotTaken, match="-222"):
        meter.set_point(frequency_hz=2 * highest, level_v=0.3, aperture_s=0.05, averages=1)
    meter.check_errors()


def test_what_somebody_else_did_wrong_is_reported_at_the_end_of_a_step(
    bench: ServedBench, undo: ExitStack, tmp_path: Path
) -> None:
    supply = open_power(bench, undo, tmp_path)
    supply._session.send("VOLTA 1")  # neither short nor long form
    with pytest.raises(InstrumentReportedError) as told:
        supply.check_errors()
    assert told.value.code == -113
    supply.check_errors()
