"""Check how a bench file is read and what it can get wrong.

Does not cover: names of dialects and accuracy classes (tests/drivers, tests/metrology), whether an
instrument answers at its address.
"""

from __future__ import annotations

import hashlib
from datetime import date
from pathlib import Path

import pytest

from labbench.bench.bench_file import (
    BY_HAND,
    BenchLimits,
    BiasNetwork,
    SeriesResistor,
    load_bench_file,
)
from labbench.errors import FileProblems

WHOLE = """\
schema = 1
name = "bench-1"
mains = "50 Hz"
risk = 0.05

[instruments.impedance_meter]
resource = "TCPIP::127.0.0.1::5025::SOCKET"
dialect = "impedance-function-tree"
class = "bench-1MHz"
calibrated = 2026-03-01
due = 2027-03-01
[instruments.impedance_meter.accuracy]
basic = "0.05 %"

[instruments.supply]
resource = "TCPIP::127.0.0.1::5026::SOCKET"
dialect = "supply-scpi99"
class = "1mV-1mA"
channels = 2
output_capacitance = "220 µF"

[instruments.multimeter]
resource = "TCPIP::127.0.0.1::5027::SOCKET"
dialect = "multimeter-scpi99"
class = "6.5-digit"

[instruments.switch]
resource = "TCPIP::127.0.0.1::5028::SOCKET"
dialect = "switch-scpi99"

[fixture]
series_resistors = ["100 Ω 1 %", "10 kΩ 0.1 %"]
supply_leads = "30 mΩ"
core_probe = true
[fixture.bias_network]
current = "10 A"
resistance = "40 mΩ"
choke_drop = "25 %"

[limits]
voltage = "30 V"
current = "10 A"

[hookups]
coil-impedance = "(@201,202)"
coil-kelvin = "(@203:206)"
[positions]
D3 = "(@103)"
open = "(@198)"
short = "(@199)"

[simulation]
scenario = "harbour-buoys"
seed = 7
clock_rate = 50
"""

SMALLEST = """\
schema = 1
name = "corner"
[instruments.impedance_meter]
resource = "by-hand"
class = "hand-100kHz"
"""


def write(folder: Path, text: str) -> Path:
    path = folder / "bench.toml"
    path.write_text(text, encoding="utf-8")
    return path


def problems(folder: Path, text: str) -> dict[str | None, str]:
    with pytest.raises(FileProblems) as found:
        load_bench_file(write(folder, text))
    assert all(problem.file.endswith("bench.toml") for problem in found.value.problems)
    return {problem.key: problem.message for problem in found.value.problems}


def test_a_whole_bench_reads_in_si(tmp_path: Path) -> None:
    path = write(tmp_path, WHOLE)
    bench = load_bench_file(path)
    assert (bench.name, bench.mains_hz, bench.risk) == ("bench-1", 50.0, 0.05)
    meter = bench.instruments.impedance_meter
    assert meter is not None
    assert meter.class_ == "bench-1MHz"
    assert meter.accuracy == {"basic": "0.05 %"}
    assert (meter.calibrated, meter.due) == (date(2026, 3, 1), date(2027, 3, 1))
    supply = bench.instruments.supply
    assert supply is not None
    assert (supply.channels, supply.output_capacitance_f) == (2, 220e-6)
    assert bench.fixture.series_resistors == (
        SeriesResistor(100.0, 0.01),
        SeriesResistor(10e3, 0.001),
    )
    assert bench.fixture.supply_leads_ohm == 0.03
    assert bench.fixture.bias_network == BiasNetwork(
        current_a=10.0, resistance_ohm=0.04, choke_drop=0.25
    )
    assert bench.fixture.core_probe
    assert bench.limits == BenchLimits(voltage_v=30.0, current_a=10.0)
    assert bench.hookups == {"coil-impedance": (201, 202), "coil-kelvin": (203, 204, 205, 206)}
    assert bench.positions == {"D3": (103,), "open": (198,), "short": (199,)}
    assert bench.simulation is not None
    assert (bench.simulation.scenario, bench.simulation.seed) == ("harbour-buoys", 7)
    assert bench.simulation.clock_rate == 50.0
    assert bench.digest == hashlib.sha256(path.read_bytes()).hexdigest()
    assert bench.path == path


def test_a_hand_held_meter_alone_is_a_bench(tmp_path: Path) -> None:
    bench = load_bench_file(write(tmp_path, SMALLEST))
    assert bench.instruments.impedance_meter is not None
    assert bench.instruments.impedance_meter.resource == BY_HAND
    assert bench.instruments.supply is None
    assert bench.limits is None
    assert bench.risk == 0.05
    assert bench.mains_hz == 50.0


def test_several_mistakes_are_told_at_once_with_key_line_and_suggestion(tmp_path: Path) -> None:
    text = (
        WHOLE.replace('mains = "50 Hz"', 'mians = "50 Hz"')
        .replace("risk = 0.05", 'risk = "low"')
        .replace('"220 µF"', '"220 uf"')
        .replace("channels = 2", "channels = true")
        .replace('"10 kΩ 0.1 %"', '"10 kΩ"')
        .replace('"30 V"', '"30,5 V"')
        .replace("due = 2027", "due = 2025")
        .replace('D3 = "(@103)"', 'D3 = "@103"')
        .replace('class = "6.5-digit"', 'klass = "6.5-digit"')
    )
    with pytest.raises(FileProblems) as found:
        load_bench_file(write(tmp_path, text))
    by_key = {problem.key: problem for problem in found.value.problems}
    assert set(by_key) == {
        "mians",
        "risk",
        "instruments.impedance_meter.due",
        "instruments.supply.channels",
        "instruments.supply.output_capacitance",
        "instruments.multimeter.class",
        "instruments.multimeter.klass",
        "fixture.series_resistors[1]",
        "limits.voltage",
        "positions.D3",
    }
    assert by_key["mians"].suggestion == "mains"
    assert by_key["instruments.multimeter.klass"].suggestion == "class"
    assert by_key["fixture.series_resistors[1]"].suggestion == "'10 kΩ 1 %'"
    assert "'30.5 V'" in by_key["limits.voltage"].message
    assert "'220 uF'" in by_key["instruments.supply.output_capacitance"].message
    lines = text.splitlines()
    assert by_key["risk"].line == lines.index('risk = "low"') + 1
    assert by_key["positions.D3"].line == lines.index('D3 = "@103"') + 1
    assert by_key["instruments.impedance_meter.due"].line == lines.index("due = 2025-03-01") + 1


@pytest.mark.parametrize(
    ("old", "new", "key", "reason"),
    [
        ("schema = 1", "schema = 2", "schema", "must be 1"),
        ('name = "bench-1"', 'name = " "', "name", "must not be empty"),
        ('mains = "50 Hz"', 'mains = "55 Hz"', "mains", "50 Hz or 60 Hz"),
        ("risk = 0.05", "risk = 5", "risk", "probability"),
        ("risk = 0.05", "risk = 0", "risk", "probability"),
        ('"30 V"', '"230 V"', "limits.voltage", "qualified person"),
        ('"30 V"', '"-30 V"', "limits.voltage", "above zero"),
        ('"10 A"', '"0 A"', "limits.current", "above zero"),
        ('"10 A"', '"10 V"', "limits.current", "it needs A"),
        ('"30 mΩ"', '"-30 mΩ"', "fixture.supply_leads", "must not be negative"),
        ('"25 %"', '"80 %"', "fixture.bias_network.choke_drop", "saturated"),
        ('"40 mΩ"', '"-4 mΩ"', "fixture.bias_network.resistance", "must not be negative"),
        ('"100 Ω 1 %"', '"0 Ω 1 %"', "fixture.series_resistors[0]", "above zero"),
        ("channels = 2", "channels = 0", "instruments.supply.channels", "between 1 and 8"),
        (
            'dialect = "supply-scpi99"\n',
            "",
            "instruments.supply.dialect",
            "how this instrument spells its commands",
        ),
        ("5026", "5025", "instruments.supply.resource", "the same address as impedance_meter"),
        (
            'resource = "TCPIP::127.0.0.1::5028::SOCKET"\ndialect = "switch-scpi99"',
            'resource = "by-hand"',
            "instruments.switch.resource",
            "leave it out",
        ),
        ("2026-03-01", '"2026-03-01"', "instruments.impedance_meter.calibrated", "without quotes"),
        ('basic = "0.05 %"', "basic = 0.05", "instruments.impedance_meter.accuracy.basic", "text"),
        ('D3 = "(@103)"', 'D3 = "(@201)"', "positions.D3", "relay 201 also makes a hookup"),
        ("clock_rate = 50", "clock_rate = 0", "simulation.clock_rate", "between 0 and"),
        ("seed = 7", "seed = -7", "simulation.seed", "must not be negative"),
        ("[instruments.switch]", "[instruments.swich]", "instruments.swich", "unknown key"),
    ],
)
def test_what_cannot_be_right_is_refused_under_its_key(
    tmp_path: Path, old: str, new: str, key: str, reason: str
) -> None:
    assert old in WHOLE
    assert reason in problems(tmp_path, WHOLE.replace(old, new))[key]


def test_a_supply_without_limits_is_refused(tmp_path: Path) -> None:
    text = WHOLE.replace('[limits]\nvoltage = "30 V"\ncurrent = "10 A"\n', "")
    assert problems(tmp_path, text).keys() == {"limits"}


def test_relays_without_a_switch_are_refused(tmp_path: Path) -> None:
    text = SMALLEST + '[hookups]\na = "(@1)"\n[positions]\nb = "(@2)"\n'
    assert problems(tmp_path, text).keys() == {"hookups", "positions"}


def test_a_switch_without_hookups_is_refused(tmp_path: Path) -> None:
    text = SMALLEST + '[instruments.switch]\nresource = "X"\ndialect = "switch-scpi99"\n'
    assert problems(tmp_path, text).keys() == {"hookups"}


def test_a_bench_without_instruments_is_refused(tmp_path: Path) -> None:
    assert (
        "no instrument"
        in problems(tmp_path, 'schema = 1\nname = "x"\n[instruments]\n')["instruments"]
    )


def test_an_instrument_read_by_hand_has_no_dialect(tmp_path: Path) -> None:
    text = SMALLEST + 'dialect = "impedance-function-tree"\n'
    assert problems(tmp_path, text).keys() == {"instruments.impedance_meter.dialect"}


def test_two_instruments_read_by_hand_share_no_address(tmp_path: Path) -> None:
    text = SMALLEST + '[instruments.multimeter]\nresource = "by-hand"\nclass = "4.5-digit"\n'
    assert load_bench_file(write(tmp_path, text)).instruments.multimeter is not None
