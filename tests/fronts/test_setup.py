"""`labbench setup` and `labbench bench --try-dialect`: they find out, and change nothing.

Against the simulator, whose log shows every message that came in. Not covered: a scan of the
network (it sends broadcasts on every interface), real serial ports, and how long a person takes.
"""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Iterator
from pathlib import Path

import pexpect
import pytest

from drivers.discovery import Found
from labbench.bench.bench_file import load_bench_file
from labbench.compose import scan_network
from labbench.jobs.setup import BenchAnswers, InstrumentAnswer, bench_file_text, write_bench_file
from sim.served import ServedBench
from tests.end_to_end.conftest import LABBENCH, environment
from tests.invoking import Said, invoke

DIALECTS = Path(__file__).parents[2] / "drivers" / "dialects"
#: what may be sent: questions, and what says which channel a question means; *CLS after a silence
HARMLESS = re.compile(r"[^;]*\?[^;]*|\*CLS|:?INST:NSEL \d+")


@pytest.fixture
def served(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[ServedBench]:
    monkeypatch.chdir(tmp_path)
    with ServedBench("one-coil", manual_clock=True) as served:
        sent: list[str] = []
        for server in served.servers.values():
            server.interpreter.on_exchange = lambda message, _: sent.append(
                message.decode("ascii").strip()
            )
        yield served
        for message in sent:
            for unit in message.split(";"):
                assert HARMLESS.fullmatch(unit.strip()), f"{message!r} was sent"
                assert not re.search(r"READ|MEAS|FETC|INIT", unit), f"{message!r} was sent"
        assert served.bench.damage == []
        assert served.bench.supply is not None
        assert not served.bench.supply.output(1)


def setup(tmp_path: Path, *arguments: object) -> Said:
    return invoke("setup", *arguments, data=tmp_path / "data")


def test_options_alone_write_a_bench_file_that_opens(served: ServedBench, tmp_path: Path) -> None:
    at = served.addresses
    said = setup(
        tmp_path, "bench.toml", "--json", "--impedance-meter", at["impedance_meter"],
        "--impedance-meter-class", "bench-1MHz", "--supply", at["supply"],
        "--multimeter", at["multimeter"], "--multimeter-class", "6.5-digit",
        "--resistor", "100 Ω 1 %", "--name", "mine", "--mains", "60",
    )  # fmt: skip
    assert said.code == 0, said.err
    (row,) = said.rows
    assert row["written"] == "bench.toml"
    file = load_bench_file(tmp_path / "bench.toml")
    assert (file.name, file.mains_hz) == ("mine", 60.0)
    assert file.instruments.impedance_meter is not None
    assert file.instruments.impedance_meter.dialect == "impedance-function-tree"
    assert file.instruments.supply is not None
    assert file.instruments.supply.dialect == "supply-scpi99"
    assert file.instruments.supply.identity == "virtual bench,supply,one-coil,1.0"
    assert file.instruments.multimeter is not None
    assert file.instruments.multimeter.class_ == "6.5-digit"
    assert [each.value_ohm for each in file.fixture.series_resistors] == [100.0]
    for words in ("Series resistors", "have  100 Ω", "terminal A", "A sense", "copper", "Next:"):
        assert words in said.err
    # setup remembers the file: nothing needs to be given to the next command
    health = invoke("bench", "--json", data=tmp_path / "data")
    assert health.code == 0, health
    assert health.rows[0]["bench"] == "mine"
    assert [each["problems"] for each in health.rows[0]["instruments"]] == [[], [], []]


def test_meters_without_a_link_are_taken_by_hand_and_a_supply_is_not(tmp_path: Path) -> None:
    path = tmp_path / "hand.toml"
    said = setup(tmp_path, path, "--impedance-meter", "by-hand", "--multimeter", "by-hand")
    assert said.code == 0, said.err
    file = load_bench_file(path)
    assert file.instruments.impedance_meter is not None
    assert file.instruments.impedance_meter.resource == "by-hand"
    assert file.instruments.supply is None
    refused = setup(tmp_path, tmp_path / "b.toml", "--supply", "by-hand")
    assert refused.code == 2
    assert "never used by hand" in refused.err
    assert not (tmp_path / "b.toml").exists()


def test_a_file_that_is_there_is_written_over_only_when_told(tmp_path: Path) -> None:
    path = tmp_path / "bench.toml"
    path.write_text("# mine\n")
    said = setup(tmp_path, path, "--impedance-meter", "by-hand")
    assert said.code == 2
    assert "exists already and was not touched" in said.err
    assert path.read_text() == "# mine\n"
    assert setup(tmp_path, path, "--impedance-meter", "by-hand", "--force").code == 0
    assert load_bench_file(path).name == "bench-1"


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        ((), "no instrument"),
        (("--impedance-meter", "by-hand", "--impedance-meter-class", "hand-100khz"),
         "hand-100kHz"),
        (("--impedance-meter", "by-hand", "--resistor", "100 Ω"), "tolerance"),
        (("--impedance-meter", "hello"), "no VISA resource"),
        (("--impedance-meter", "TCPIP::127.0.0.1::1::SOCKET"), "refused"),
        (("--impedance-meter", "by-hand", "--dialect", "meter=x"), "must be ROLE=DIALECT"),
    ],
)  # fmt: skip
def test_an_answer_that_cannot_be_is_said_and_nothing_is_written(
    tmp_path: Path, arguments: tuple[str, ...], told: str
) -> None:
    said = setup(tmp_path, tmp_path / "bench.toml", *arguments)
    assert said.code in (2, 4)
    assert told in said.err
    assert list(tmp_path.glob("*.toml*")) == []
    assert list(tmp_path.glob(".*")) == []


def test_an_instrument_that_no_dialect_fits_is_refused_with_what_to_do(
    served: ServedBench, tmp_path: Path
) -> None:
    said = setup(tmp_path, "bench.toml", "--impedance-meter", served.addresses["supply"])
    assert said.code == 2
    assert "no shipped dialect fits the LCR meter" in said.err
    assert "--try-dialect" in said.err
    assert not (tmp_path / "bench.toml").exists()


def test_a_person_is_asked_four_things(served: ServedBench, tmp_path: Path) -> None:
    at = served.addresses
    child = pexpect.spawn(
        LABBENCH[0], [*LABBENCH[1:], "setup", "bench.toml"], cwd=tmp_path, encoding="utf-8",
        env=environment(tmp_path / "data"), timeout=40, dimensions=(60, 160),
    )  # fmt: skip
    child.expect("Serial ports of this computer")
    child.expect("The network is not asked")
    child.expect(r"1\. How is the LCR meter reached\?")
    child.sendline(at["impedance_meter"])
    child.expect("accuracy class of the LCR meter")
    child.sendline("bench-1MHz")
    child.expect("impedance-function-tree: 13 of 13 lines work")
    child.expect(r"2\. How is the supply reached\?")
    child.sendline(at["supply"])
    child.expect("accuracy class")
    child.sendline("")
    child.expect(r"3\. How is the multimeter reached\?")
    child.sendline("by-hand")
    child.expect("accuracy class")
    child.sendline("")
    child.expect(r"4\. Series resistors")
    child.sendline("all")
    child.expect("written bench.toml")
    child.expect(pexpect.EOF)
    child.close()
    assert child.exitstatus == 0
    file = load_bench_file(tmp_path / "bench.toml")
    assert len(file.fixture.series_resistors) == 4
    assert file.instruments.multimeter is not None
    assert file.instruments.multimeter.class_ == "4.5-digit"


def test_a_simulated_bench_is_written_with_the_way_to_start_it(tmp_path: Path) -> None:
    said = setup(tmp_path, tmp_path / "bench.toml", "--simulated", "--json")
    assert said.code == 0, said.err
    file = load_bench_file(tmp_path / "bench.toml")
    assert file.simulation is not None
    (row,) = said.rows
    assert row["start"].startswith("labbench simulate one-coil --write-bench ")
    assert "labbench verify coil-470n --specimen D1" in said.err


def test_every_line_that_a_person_may_change_is_explained() -> None:
    text = bench_file_text(
        BenchAnswers(
            impedance_meter=InstrumentAnswer(resource="by-hand", class_="hand-100kHz"),
            supply=InstrumentAnswer(
                resource="TCPIP::192.0.2.1::5025::SOCKET", class_="1mV-1mA",
                dialect="supply-scpi99", identity='a "quoted", name', channels=2,
            ),
        )
    )  # fmt: skip
    assert text.count("#") > 12
    assert "refused, never clipped" in text


def test_a_text_with_quotes_comes_through_whole(tmp_path: Path) -> None:
    answer = InstrumentAnswer(
        resource="TCPIP::192.0.2.1::5025::SOCKET", class_="1mV-1mA", dialect="supply-scpi99",
        identity='workshop,"the" supply,µ,1\\2',
    )  # fmt: skip
    write_bench_file(tmp_path / "b.toml", bench_file_text(BenchAnswers(supply=answer)))
    file = load_bench_file(tmp_path / "b.toml")
    assert file.instruments.supply is not None
    assert file.instruments.supply.identity == answer.identity


def test_a_dialect_that_fits_is_shown_line_by_line(served: ServedBench, tmp_path: Path) -> None:
    said = invoke("bench", "--try-dialect", "multimeter-scpi99", served.addresses["multimeter"],
                  data=tmp_path / "data")  # fmt: skip
    assert said.code == 0, said.err
    assert re.search(r"ok +dc_voltage\.range +VOLT:RANG\?  +-> [+-]?\d", said.out)
    assert re.search(r"- +dc_voltage\.configure +CONF:VOLT  +not sent: a setting", said.out)
    assert re.search(r"- +reading +READ\?  +not sent: it measures", said.out)


def test_a_line_that_the_instrument_does_not_know_is_named_with_its_own_words(
    served: ServedBench, tmp_path: Path
) -> None:
    mine = tmp_path / "my-meter.toml"
    shutil.copy(DIALECTS / "impedance-function-tree.toml", mine)
    text = mine.read_text(encoding="utf-8")
    changed = text.replace('send = "APER?"', 'send = "INTEG?"').replace(
        'name = "impedance-function-tree"', 'name = "my-meter"'
    )
    assert changed.count("INTEG?") == 1
    mine.write_text(changed, encoding="utf-8")
    said = invoke("bench", "--try-dialect", mine, served.addresses["impedance_meter"], "--json",
                  data=tmp_path / "data")  # fmt: skip
    assert said.code == 3
    (row,) = [json.loads(line) for line in said.out.splitlines()]
    assert row["dialect"] == "my-meter"
    assert row["tried"] - row["worked"] == 1
    (failed,) = [line for line in row["lines"] if line["problem"]]
    assert failed["key"] == "aperture"
    assert "-113" in failed["problem"]


def test_a_dialect_with_mistakes_gets_all_of_them_before_anything_is_sent(
    served: ServedBench, tmp_path: Path
) -> None:
    mine = tmp_path / "my-meter.toml"
    text = (DIALECTS / "impedance-function-tree.toml").read_text(encoding="utf-8")
    mine.write_text(
        text.replace("{frequency_hz}", "{frequenzy}").replace('"error"', '"eror"'),
        encoding="utf-8",
    )
    said = invoke("bench", "--try-dialect", mine, served.addresses["impedance_meter"],
                  data=tmp_path / "data")  # fmt: skip
    assert said.code == 2
    assert "frequenzy" in said.err
    assert "eror" in said.err
    assert served.servers["impedance_meter"].exchanges == 0


def test_from_setup_to_the_first_verdict_on_a_simulated_bench(tmp_path: Path) -> None:
    bench, data = tmp_path / "bench.toml", tmp_path / "data"
    assert setup(tmp_path, bench, "--simulated").code == 0
    simulator = pexpect.spawn(
        LABBENCH[0],
        [*LABBENCH[1:], "simulate", "one-coil", "--write-bench", str(bench), "--clock-rate", "50"],
        encoding="utf-8", timeout=40, env=environment(data),
    )  # fmt: skip
    try:
        simulator.expect("ready")
        said = invoke("verify", "coil-470n", "--specimen", "D1", data=data)
        assert said.code == 0, said.err
        assert re.match(r"D1 +FIT", said.out)
    finally:
        simulator.sendintr()
        simulator.expect(pexpect.EOF)
        simulator.close()


def test_what_a_scan_finds_is_listed_with_the_best_kind_of_link_first(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    answered = [
        "TCPIP::192.0.2.7::inst0::INSTR",
        "GPIB0::5::INSTR",  # not served here: left out
        "TCPIP::192.0.2.7::hislip0::INSTR",
    ]
    monkeypatch.setattr(
        "drivers.discovery.scan_network", lambda: [Found(resource) for resource in answered]
    )
    listed = scan_network()
    assert [resource for resource, _ in listed] == [answered[2], answered[0]]
    assert all(why for _, why in listed)
