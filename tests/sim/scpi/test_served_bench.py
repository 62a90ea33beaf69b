"""A whole scenario behind its servers: addresses, bench file, one circuit, repeatable numbers.

Does not cover whether the numbers are right (tests/sim/bench, tests/sim/physics) nor what the
drivers make of them.
"""

from __future__ import annotations

import socket
import threading
import tomllib
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from sim.link_faults import FaultSchedule, LinkFault
from sim.scenario import ROLES, load_scenario, scenario_names
from sim.served import ServedBench
from sim.text import TextError


class Line:
    """A connection to one instrument of a served bench."""

    def __init__(self, bench: ServedBench, role: str) -> None:
        host, port = bench.addresses[role].split("::")[1:3]
        self._socket = socket.create_connection((host, int(port)), timeout=30.0)
        self._file = self._socket.makefile("rwb")

    def tell(self, message: str) -> None:
        self._file.write(message.encode("ascii") + b"\n")
        self._file.flush()

    def ask(self, message: str) -> str:
        self.tell(message)
        return self._file.readline().decode("ascii").rstrip("\n")

    def close(self) -> None:
        self._file.close()
        self._socket.close()


@pytest.fixture
def bench() -> Iterator[ServedBench]:
    with ServedBench("one-coil", manual_clock=True) as served:
        yield served


def readings(bench: ServedBench) -> list[str]:
    """Measure the coil the way a client does, all over the wire."""
    switch, meter = Line(bench, "switch"), Line(bench, "impedance_meter")
    supply, multimeter = Line(bench, "supply"), Line(bench, "multimeter")
    try:
        relay = bench.scenario.specimens[0].position
        assert switch.ask(f"ROUT:CLOS (@{relay},201,202);*OPC?") == "1"
        found = [
            meter.ask(f"FREQ {frequency};VOLT 0.1;APER 0.05;:READ?")
            for frequency in ("1KHZ", "100KHZ", "1MHZ")
        ]
        assert switch.ask(f"ROUT:OPEN:ALL;:ROUT:CLOS (@{relay},203:206);*OPC?") == "1"
        supply.tell("VOLT 0.5;CURR 1;:OUTP ON")
        found.append(supply.ask("MEAS:VOLT?;CURR?;:STAT:QUES:COND?"))
        found += [multimeter.ask("CONF:VOLT 0.1;:VOLT:NPLC 10;:READ?") for _ in range(2)]
        assert supply.ask("OUTP OFF;:OUTP?") == "0"
        for line in (switch, meter, supply, multimeter):
            assert line.ask("SYST:ERR?") == '0,"No error"'
    finally:
        for line in (switch, meter, supply, multimeter):
            line.close()
    return found


def test_all_instruments_stand_on_one_circuit(bench: ServedBench) -> None:
    *impedances, supply, first_v, second_v = readings(bench)
    assert all(reading.endswith(",0") for reading in impedances)
    voltage_v, current_a, mode = supply.split(";")
    assert mode == "1"  # a coil holds the supply in constant current
    # What the supply drives, the multimeter sees: the coil's resistance lies between them.
    truth = next(iter(bench.truth().values()))
    for reading_v in (first_v, second_v):
        seen_ohm = float(reading_v) / float(current_a)
        assert seen_ohm == pytest.approx(truth.dc_resistance_ohm, rel=0.2)
    assert float(voltage_v) > float(first_v)
    assert bench.bench.damage == []


def test_the_same_seed_and_commands_give_the_same_bytes() -> None:
    found = []
    for seed in (5, 5, 6):
        with ServedBench("one-coil", seed=seed, manual_clock=True) as bench:
            found.append(readings(bench))
    assert found[0] == found[1]
    assert found[0] != found[2]


@pytest.mark.parametrize("name", scenario_names())
def test_every_scenario_is_served_with_a_bench_file_that_names_its_servers(name: str) -> None:
    scenario = load_scenario(name)
    with ServedBench(scenario, manual_clock=True, seed=11, clock_rate=5.0) as bench:
        found = tomllib.loads(bench.bench_toml())
        assert {role: found["instruments"][role]["resource"] for role in bench.addresses} == (
            bench.addresses
        )
        assert list(found["instruments"]) == [role for role in ROLES if role in bench.addresses]
        assert found["simulation"] == {"scenario": name, "seed": 11, "clock_rate": 5.0}
        assert found["schema"] == 1
        assert found["name"] == scenario.name
        assert found["limits"].keys() == {"voltage", "current"}
        assert found["fixture"]["series_resistors"] == list(scenario.series_resistors)
        if scenario.impedance_meter is not None:
            meter = found["instruments"]["impedance_meter"]
            assert meter["class"] == scenario.impedance_meter.class_name
            assert meter.get("calibrated") == scenario.impedance_meter.calibrated
            assert meter.get("due") == scenario.impedance_meter.due
        if scenario.has_switch:
            named = {*(each.name for each in scenario.specimens), "open", "short"}
            if scenario.jig == "coil":
                assert set(found["positions"]) == named
                more = {"bias_network": "coil-bias", "core_probe": "coil-insulation"}
                assert set(found["hookups"]) == {
                    "coil-impedance", "coil-kelvin",
                    *(hookup for part, hookup in more.items() if part in found["fixture"]),
                }  # fmt: skip
            else:
                assert set(found["positions"]) == {*named, "check"}
                begins = {
                    "mosfet": {"fet"}, "stage": {"stage"}, "load": {"rail"},
                    "board": {"rail", "vin", "board"},
                }  # fmt: skip
                families = [begins[scenario.family(each)] for each in scenario.specimens]
                assert {each.split("-")[0] for each in found["hookups"]} == set().union(*families)
        else:
            assert not {"switch"} & set(found["instruments"])
            assert not {"hookups", "positions"} & set(found)


def test_the_relays_of_the_bench_file_exist_in_the_wiring(bench: ServedBench) -> None:
    found = tomllib.loads(bench.bench_toml())
    switch = Line(bench, "switch")
    try:
        for relays in (*found["hookups"].values(), *found["positions"].values()):
            assert switch.ask(f"ROUT:CLOS? {relays}").replace(",", "").strip("0") == ""
        assert switch.ask("SYST:ERR?") == '0,"No error"'
    finally:
        switch.close()


def test_a_scenario_from_elsewhere_is_named_by_its_path(tmp_path: Path) -> None:
    source = load_scenario("one-coil").path
    assert source is not None
    copy = tmp_path / 'with "quotes" and µ.toml'
    copy.write_bytes(source.read_bytes())
    with ServedBench(copy, manual_clock=True) as bench:
        assert tomllib.loads(bench.bench_toml())["simulation"]["scenario"] == str(copy)


def test_strange_names_survive_in_the_bench_file_and_the_identity() -> None:
    scenario = replace(load_scenario("one-coil"), name='buoy "7"; north, µ\x7f\\')
    with ServedBench(scenario, manual_clock=True) as bench:
        assert tomllib.loads(bench.bench_toml())["name"] == scenario.name
        supply = Line(bench, "supply")
        identity = supply.ask("*IDN?")
        supply.close()
    assert len(identity.split(",")) == 4
    assert identity.isascii()
    assert ";" not in identity


def test_each_instrument_says_which_one_it_is(bench: ServedBench) -> None:
    identities = set()
    for role in bench.addresses:
        line = Line(bench, role)
        identities.add(line.ask("*IDN?"))
        line.close()
    assert len(identities) == len(ROLES)


def test_ports_and_faults_go_by_role() -> None:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    schedule = FaultSchedule([(2, "double", None)])
    with ServedBench(
        "one-coil", manual_clock=True, ports={"supply": port}, faults={"supply": schedule}
    ) as bench:
        assert bench.addresses["supply"] == f"TCPIP::127.0.0.1::{port}::SOCKET"
        assert bench.servers["supply"].faults is schedule
        supply = Line(bench, "supply")
        assert supply.ask("OUTP?") == "0"
        assert supply.ask("OUTP?;*OPC?") == "0;1"
        assert supply.ask("*OPC?") == "0;1"  # the doubled reply of the second exchange
        supply.close()


def with_link_faults(path: Path, text: str) -> Path:
    source = load_scenario("one-coil").path
    assert source is not None
    path.write_text(source.read_text(encoding="utf-8") + text, encoding="utf-8")
    return path


def test_a_scenario_can_hold_the_faults_of_its_links(tmp_path: Path) -> None:
    path = with_link_faults(
        tmp_path / "faults.toml",
        """
        [[link_faults]]
        instrument = "supply"
        exchange = 3
        kind = "late"
        after = "200 ms"
        [[link_faults]]
        instrument = "switch"
        exchange = 2
        kind = "garble"
        noise = "??"
        [[link_faults]]
        instrument = "supply"
        exchange = 1
        kind = "refuse"
        code = -221
        """,
    )
    with ServedBench(path, manual_clock=True) as bench:
        assert list(bench.servers["supply"].faults) == [
            LinkFault(1, "refuse", -221),
            LinkFault(3, "late", 0.2),
        ]
        switch = Line(bench, "switch")
        assert switch.ask("ROUT:CLOS:STAT?") == "(@)"
        assert switch.ask("ROUT:CLOS:STAT?") == "(??"
        switch.close()
    mine = {"supply": FaultSchedule()}
    with ServedBench(path, manual_clock=True, faults=mine) as bench:
        assert list(bench.servers["supply"].faults) == []
        assert len(list(bench.servers["switch"].faults)) == 1


def test_every_mistake_in_the_faults_of_a_scenario_is_named(tmp_path: Path) -> None:
    path = with_link_faults(
        tmp_path / "faults.toml",
        """
        [[link_faults]]
        instrument = "suply"
        exchange = 0
        kind = "lat"
        [[link_faults]]
        instrument = "supply"
        exchange = 4
        kind = "late"
        [[link_faults]]
        instrument = "supply"
        exchange = 4
        kind = "silent"
        after = "1 s"
        [[link_faults]]
        instrument = "switch"
        exchange = 5
        kind = "refuse"
        code = 7
        """,
    )
    with pytest.raises(TextError) as caught:
        load_scenario(path)
    told = "\n".join(caught.value.problems)
    for words in (
        'did you mean "supply"?',
        "link_faults[1].exchange: 0 is outside",
        'did you mean "late"?',
        "link_faults[2].after: is missing",
        "link_faults[3].after: unknown key",
        "link_faults[3].exchange: another fault of supply has 4",
        "link_faults[4].code: 7 is not an error number",
    ):
        assert words in told
    assert len(caught.value.problems) == 7


@pytest.mark.parametrize("option", ["ports", "faults"])
def test_a_role_that_the_scenario_has_not_is_refused(option: str) -> None:
    value = {"ports": {"oscilloscope": 0}, "faults": {"oscilloscope": FaultSchedule()}}[option]
    with pytest.raises(ValueError, match="oscilloscope: scenario 'one-coil' has only"):
        ServedBench("one-coil", manual_clock=True, **{option: value})  # type: ignore[arg-type]


def test_a_taken_port_closes_what_was_open_already() -> None:
    before = set(threading.enumerate())
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        with pytest.raises(OSError, match="in use"):
            ServedBench("one-coil", manual_clock=True, ports={"switch": taken.getsockname()[1]})
    assert set(threading.enumerate()) == before


def test_closing_in_the_middle_of_a_long_measurement_leaves_nothing_behind() -> None:
    before = set(threading.enumerate())
    with ServedBench("one-coil", clock_rate=1.0) as bench:
        meter = Line(bench, "impedance_meter")
        assert meter.ask("APER 2;AVER:COUN 256;:INIT;*ESR?") != ""
        meter.tell("FETC?")
    meter.close()
    assert set(threading.enumerate()) == before


def test_a_bench_without_a_switch_is_joined_by_hand() -> None:
    (name,) = [each for each in scenario_names() if not load_scenario(each).has_switch][:1]
    with ServedBench(name, manual_clock=True) as bench:
        assert "switch" not in bench.addresses
        assert bench.bench.switch is None
        meter = Line(bench, "impedance_meter")
        assert meter.ask("READ?").endswith(",1")  # nothing in the jig
        bench.bench.join((201, 202))
        bench.bench.place("short")
        bench.clock.sleep_s(5.0)
        assert meter.ask("READ?").endswith(",0")
        meter.close()
