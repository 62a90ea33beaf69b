"""Jobs with doubles of instruments, person and clock: what a run keeps, whatever happens to it.

Does not cover measured numbers (tests/procedures, tests/metrology) nor real links
(tests/end_to_end).
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from pathlib import Path

import pytest

from labbench.bench.bench_file import BenchFile, load_bench_file
from labbench.bench.opened import OpenBench
from labbench.bench.stop import StopFlag
from labbench.errors import (
    CompensationError,
    InputError,
    LinkLost,
    OutputStateUnknown,
    StoppedByPerson,
)
from labbench.jobs.bench_health import bench_health, compensation_state
from labbench.jobs.compensate import compensate
from labbench.jobs.look_up import find_run, history, next_specimen, strike
from labbench.jobs.part_types import find
from labbench.jobs.run import bench_run, settle_earlier_runs
from labbench.jobs.verify import Outcome, Request, verify
from labbench.metrology.compensation import Compensation
from labbench.ports import Identity
from labbench.records.compensation_file import save_compensation
from labbench.records.folder import DataFolder
from labbench.records.journal import read_journal
from tests.doubles import (
    Exchanges,
    FakeImpedanceMeter,
    FakeMultimeter,
    FakeSupply,
    FakeSwitch,
    ManualClock,
    ScriptedOperator,
    World,
)

BENCH = """
schema = 1
name = "bench-1"
mains = "50 Hz"
risk = 0.05
[instruments.impedance_meter]
resource = "TCPIP::192.0.2.10::5025::SOCKET"
dialect = "impedance-function-tree"
class = "bench-1MHz"
calibrated = 2026-03-01
due = 2027-03-01
[instruments.supply]
resource = "TCPIP::192.0.2.11::5025::SOCKET"
dialect = "supply-scpi99"
class = "1mV-1mA"
channels = 2
output_capacitance = "220 µF"
[instruments.multimeter]
resource = "TCPIP::192.0.2.12::5025::SOCKET"
dialect = "multimeter-scpi99"
class = "6.5-digit"
[instruments.switch]
resource = "TCPIP::192.0.2.13::5025::SOCKET"
dialect = "switch-scpi99"
[fixture]
supply_leads = "30 mΩ"
[limits]
voltage = "30 V"
current = "10 A"
[hookups]
coil-impedance = "(@201,202)"
coil-kelvin = "(@203,204,205,206)"
[positions]
D3 = "(@103)"
D4 = "(@104)"
"""
LOOK = ("look", "look", "fine")
PEDAL = ("energise", "coil-resistance", "yes")
FREQUENCIES = (1e3, 1e4, 1e5, 3e5, 1e6)


class Jobs:
    """Hold an open bench of doubles and a data folder with a compensation of now."""

    def __init__(self, folder: Path) -> None:
        self.clock = ManualClock()
        self.world = World(self.clock)
        self.exchanges = Exchanges()
        self.data = DataFolder(folder / "data")
        path = folder / "bench.toml"
        path.write_text(BENCH, encoding="utf-8")
        self.file: BenchFile = load_bench_file(path)
        self.supply = FakeSupply(self.exchanges, self.world)
        self.meter = FakeImpedanceMeter(self.exchanges, self.world)
        self.multimeter = FakeMultimeter(self.exchanges, self.world)
        self.switch = FakeSwitch(self.exchanges, self.world)
        self.opened = OpenBench(
            file=self.file,
            clock=self.clock,
            impedance_meter=self.meter,
            supply=self.supply,
            multimeter=self.multimeter,
            switch=self.switch,
            identities={"supply": Identity("workshop", "supply", "1", "1", "raw identity\n")},
        )

    def has_compensation(self) -> None:
        n = len(FREQUENCIES)
        save_compensation(
            self.data.compensations,
            "bench-1",
            Compensation(
                frequency_hz=FREQUENCIES,
                open_ohm=(None,) * n,
                short_ohm=(1e-6 + 1e-9j,) * n,
                u_open_ohm=((1e3, 1e3),) * n,
                u_short_ohm=((1e-6, 1e-6),) * n,
                readings=3,
                taken_utc=self.clock.utc().isoformat(timespec="seconds"),
                fixture="jig",
                bench="bench-1",
            ),
        )

    def verify(self, *script: tuple[str, str, str | BaseException], **more: object) -> Outcome:
        operator = ScriptedOperator(*script)
        request = Request(
            **{"part": find("coil-470n", ()), "specimen": "D3", "position": "D3",  # type: ignore[arg-type]
               "who": "tester", **more}
        )  # fmt: skip
        try:
            return verify(self.opened, request, operator=operator, data=self.data)
        finally:
            self.told = [str(event.detail.get("text")) for event in operator.told]
            operator.finish()

    def last(self) -> dict[str, object]:
        """Give the data of the last journal's closed event."""
        paths = sorted(self.data.journals.glob("*.jsonl"), key=lambda p: p.stat().st_mtime_ns)
        event = read_journal(paths[-1]).events[-1]
        assert event.kind == "closed"
        return dict(event.data)


@pytest.fixture
def jobs(tmp_path: Path) -> Iterator[Jobs]:
    made = Jobs(tmp_path)
    made.has_compensation()
    yield made
    assert not made.world.on


def test_a_run_is_measured_judged_closed_and_in_the_store(jobs: Jobs) -> None:
    outcome = jobs.verify(LOOK, PEDAL, donor="radar board 12", customer_job="buoy 7")
    assert outcome.readings.impedance is not None
    assert outcome.readings.dc_resistance is not None
    assert outcome.readings.dc_resistance.value_ohm == pytest.approx(1.5e-3, rel=0.01)
    (row,) = history(jobs.data)
    assert (row.run, row.specimen, row.status) == (outcome.run, "D3", "done")
    assert (row.donor, row.customer_job, row.who) == ("radar board 12", "buoy 7", "tester")
    assert row.disposition == outcome.judgement.disposition
    assert find_run(jobs.data, "D3").run == outcome.run
    assert jobs.world.closed == ()


def test_the_order_of_a_run_is_look_sweep_and_only_then_the_supply(jobs: Jobs) -> None:
    outcome = jobs.verify(LOOK, PEDAL)
    kinds = [e.kind for e in read_journal(jobs.data.journals / f"{outcome.run}.jsonl").events]
    assert kinds.index("opened") == 0
    steps = ("identified", "asked", "reading", "about-to-energise", "measured", "judged")
    order = [kinds.index(kind) for kind in steps]
    assert order == sorted(order)


@pytest.mark.parametrize("seen", ["discoloured", "cracked", "bulged"])
def test_a_condemned_part_is_neither_swept_nor_energised(jobs: Jobs, seen: str) -> None:
    outcome = jobs.verify(("look", "look", seen))
    assert outcome.judgement.disposition == "unfit"
    assert outcome.readings.impedance is None
    assert not {name.partition(".")[2] for name in jobs.exchanges.names} & {
        "read", "read_impedance", "read_voltage", "read_current", "program", "switch_on",
    }  # fmt: skip
    assert set(jobs.switch.moves) <= {()}, "a relay closed"
    assert any("condemned" in text for text in jobs.told)


def test_a_position_that_the_bench_has_not_is_refused_before_anything(jobs: Jobs) -> None:
    with pytest.raises(InputError, match="no position 'D33'") as caught:
        jobs.verify(position="D33")
    assert "did you mean D3" in (caught.value.hint or "")
    assert not jobs.data.journals.exists()


def test_a_bench_without_impedance_meter_judges_no_coil(jobs: Jobs) -> None:
    from attrs import evolve

    jobs.opened = evolve(jobs.opened, impedance_meter=None)
    with pytest.raises(InputError, match="no impedance meter"):
        jobs.verify()
    with pytest.raises(InputError, match="nothing to compensate"):
        compensate(jobs.opened, who="tester", operator=ScriptedOperator(), data=jobs.data)


def test_a_stop_at_the_pedal_closes_the_run_as_stopped(jobs: Jobs) -> None:
    with pytest.raises(StoppedByPerson):
        jobs.verify(LOOK, ("energise", "coil-resistance", StoppedByPerson("the stop key")))
    assert jobs.last()["status"] == "stopped"
    (row,) = history(jobs.data)
    assert (row.status, row.disposition) == ("stopped", None)
    assert "the stop key" in (row.reason or "")


@pytest.mark.parametrize("after", [False, True])
def test_whichever_exchange_fails_the_journal_is_closed_and_the_output_off(
    jobs: Jobs, after: bool
) -> None:
    jobs.verify(LOOK, PEDAL)
    whole = len(jobs.exchanges.names)
    assert whole > 40
    ended = []
    for number in range(0, whole, 11):
        jobs.exchanges.names.clear()
        jobs.exchanges.fail_at, jobs.exchanges.acts_first = number, after
        operator = ScriptedOperator(LOOK, PEDAL)
        request = Request(part=find("coil-470n", ()), specimen="D3", position="D3", who="tester")
        try:
            verify(jobs.opened, request, operator=operator, data=jobs.data)
        except (LinkLost, OutputStateUnknown):
            assert "LinkLost" in str(jobs.last()["reason"])
        assert not jobs.world.on
        ended.append(jobs.last()["status"])
        assert jobs.last()["channels_not_off"] == []
        jobs.exchanges.broken.clear()
    # a reading on a link brought back into step is taken again; everything else ends the run
    assert set(ended) <= {"failed", "done"}
    assert ended.count("failed") > len(ended) / 4


def test_a_run_that_broke_off_energised_is_settled_first_and_said(jobs: Jobs) -> None:
    jobs.verify(LOOK, PEDAL)
    path = next(jobs.data.journals.glob("*.jsonl"))
    lines = path.read_text(encoding="utf-8").splitlines(keepends=True)
    energised = next(i for i, line in enumerate(lines) if '"kind": "energised"' in line)
    broken = path.with_name(path.name.replace("D3", "D4"))
    broken.write_text("".join(lines[: energised + 1]), encoding="utf-8")
    jobs.world.switch(True)
    jobs.exchanges.names.clear()
    states: list[bool] = []
    jobs.exchanges.on_call = lambda name: (
        None if name.startswith("supply") else states.append(jobs.world.on)
    )
    jobs.verify(LOOK, PEDAL)
    assert any(f"the run {broken.stem} broke off" in text for text in jobs.told)
    assert states[0] is False, "another instrument was used before the supply was off"
    jobs.verify(LOOK, PEDAL)
    assert not any("broke off" in text for text in jobs.told)


def test_every_job_settles_first_not_only_verify(jobs: Jobs) -> None:
    jobs.verify(LOOK, PEDAL)
    path = next(jobs.data.journals.glob("*.jsonl"))
    lines = path.read_text(encoding="utf-8").splitlines(keepends=True)
    energised = next(i for i, line in enumerate(lines) if '"kind": "energised"' in line)
    path.with_name(path.name.replace("D3", "D4")).write_text(
        "".join(lines[: energised + 1]), encoding="utf-8"
    )
    jobs.world.switch(True)
    operator = ScriptedOperator()
    with bench_run(
        jobs.opened, job="anything", name="anything", who="tester", operator=operator,
        data=jobs.data, stop=StopFlag(),
    ):  # fmt: skip
        assert not jobs.world.on
    assert len(operator.told) == 1


def test_an_output_that_stays_on_stops_every_job_before_it_begins(jobs: Jobs) -> None:
    jobs.verify(LOOK, PEDAL)
    path = next(jobs.data.journals.glob("*.jsonl"))
    lines = path.read_text(encoding="utf-8").splitlines(keepends=True)
    energised = next(i for i, line in enumerate(lines) if '"kind": "energised"' in line)
    path.with_name(path.name.replace("D3", "D4")).write_text(
        "".join(lines[: energised + 1]), encoding="utf-8"
    )
    jobs.world.switch(True)
    jobs.supply.stays_on = True
    with pytest.raises(OutputStateUnknown):
        settle_earlier_runs(jobs.opened, jobs.data, operator=ScriptedOperator(), who="tester")
    with pytest.raises(OutputStateUnknown):
        jobs.verify()
    jobs.supply.stays_on = False
    jobs.world.switch(False)


def test_a_store_that_cannot_be_written_is_said_and_stops_nothing(jobs: Jobs) -> None:
    jobs.data.root.mkdir(exist_ok=True)
    jobs.data.store.mkdir()
    outcome = jobs.verify(LOOK, PEDAL)
    assert outcome.judgement.disposition
    assert any("not in the store yet" in text for text in jobs.told)
    jobs.data.store.rmdir()
    assert [row.run for row in history(jobs.data)] == [outcome.run]


def test_siblings_are_the_latest_runs_of_the_same_lot_and_type_and_not_the_part_itself(
    jobs: Jobs,
) -> None:
    for specimen in ("D1", "D2", "D3"):
        jobs.verify(LOOK, PEDAL, specimen=specimen, lot="pulled")
        jobs.clock.advance(60)
    jobs.verify(LOOK, PEDAL, specimen="D9", lot="others")
    struck = find_run(jobs.data, "D2").run
    strike(jobs.data, "D2", who="tester", why="wrong part")
    jobs.clock.advance(60)
    outcome = jobs.verify(LOOK, PEDAL, specimen="D3", lot="pulled")
    assert outcome.siblings == ("D1",)
    assert struck not in outcome.siblings
    assert jobs.verify(LOOK, PEDAL, specimen="D5").siblings == ()


def test_a_struck_run_is_struck_once_and_needs_who_and_why(jobs: Jobs) -> None:
    jobs.verify(LOOK, PEDAL)
    with pytest.raises(InputError, match="why"):
        strike(jobs.data, "D3", who="tester", why=" ")
    with pytest.raises(InputError, match="who"):
        strike(jobs.data, "D3", who="", why="wrong part")
    assert strike(jobs.data, "D3", who="tester", why=" wrong part ").void is not None
    with pytest.raises(InputError, match="struck already, by tester: wrong part"):
        strike(jobs.data, "D3", who="other", why="again")
    assert next_specimen(jobs.data) == "D4"


def test_without_a_compensation_and_without_a_person_the_bench_says_so(tmp_path: Path) -> None:
    jobs = Jobs(tmp_path)
    usable, sentence = compensation_state(jobs.opened, jobs.data)
    assert not usable
    assert "no compensation" in sentence
    operator = ScriptedOperator()
    operator.interactive = False
    request = Request(part=find("coil-470n", ()), specimen="D3", position="D3", who="tester")
    with pytest.raises(CompensationError):
        verify(jobs.opened, request, operator=operator, data=jobs.data)


def test_health_names_what_is_wrong_and_changes_nothing(jobs: Jobs) -> None:
    jobs.world.switch(True)
    jobs.multimeter.error_queue = [LinkLost("it had an error")]
    roles = {r.role: r for r in bench_health(jobs.opened, today=date(2027, 3, 2))}
    assert roles["supply"].problems == ("the output of channel 1 is ON",)
    assert roles["multimeter"].problems == ("it had an error",)
    assert roles["impedance_meter"].problems == ("its calibration was due on 2027-03-01",)
    assert roles["switch"].problems == ()
    assert jobs.world.on
    jobs.world.switch(False)
    usable, sentence = compensation_state(jobs.opened, jobs.data)
    assert usable
    assert "fixture jig" in sentence
