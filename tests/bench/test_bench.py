"""Check what the bench does round each action: stop flag, journal, steps, re-ties.

Not covered: energy (test_guarded_supply), instruments over a link (the drivers' tests).
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from labbench.bench.bench import Bench
from labbench.bench.bench_file import BenchLimits
from labbench.errors import (
    InputError,
    InstrumentReportedError,
    LimitExceeded,
    LinkLost,
    OutOfStep,
    ReplyTimeout,
    SafetyError,
    StepAborted,
    StoppedByPerson,
)
from labbench.ports import Prompt
from labbench.procedures.hookups import COIL_IMPEDANCE, COIL_KELVIN
from labbench.records.journal import read_journal
from tests.doubles import Rig

POINT = {"frequency_hz": 1e4, "level_v": 0.1, "aperture_s": 0.1, "averages": 1}


def take_one(bench: Bench) -> None:
    bench.set_impedance_point(frequency_hz=1e4, level_v=0.1, aperture_s=0.1, averages=1)
    bench.take_impedance()


def take_two(bench: Bench) -> None:
    take_one(bench)
    take_one(bench)


def interrupt_the_second_reading() -> Callable[[str], None]:
    count = [0]

    def on_call(name: str) -> None:
        count[0] += name == "impedance_meter.read_impedance"
        if count[0] == 2:
            raise KeyboardInterrupt

    return on_call


def kinds(rig: Rig) -> list[str]:
    return [event.kind for event in read_journal(rig.path).events]


# -- steps and readings ----------------------------------------------------------------------


def test_a_reading_is_journalled_with_conditions_raw_text_and_place(tmp_path: Path) -> None:
    rig = Rig(tmp_path)
    rig.bench.connect(COIL_IMPEDANCE, "D3")
    with rig.bench.step("sweep"):
        take_one(rig.bench)
        assert kinds(rig)[-1] == "reading"  # on disk before the next action
    (reading,) = read_journal(rig.path).valid_readings()
    assert reading.data["step"] == "sweep#1"
    assert (reading.data["hookup"], reading.data["position"]) == ("coil-impedance", "D3")
    assert reading.data["reading"]["conditions"] == POINT
    assert reading.data["reading"]["raw"].endswith(",0")
    assert reading.utc
    assert [event.kind for event in rig.operator.told] == ["reading"]


def test_a_reading_outside_a_step_is_refused_before_anything_is_sent(tmp_path: Path) -> None:
    rig = Rig(tmp_path)
    with pytest.raises(StepAborted, match="inside a step"):
        rig.bench.take_impedance()
    assert rig.exchanges.names == []


def test_a_step_ends_with_the_error_queue_of_every_instrument_used(tmp_path: Path) -> None:
    rig = Rig(tmp_path)
    with rig.bench.step("sweep"):
        take_one(rig.bench)
        rig.bench.set_dc_voltage(range_v=0.1)
    assert rig.exchanges.names[-2:] == ["impedance_meter.check_errors", "multimeter.check_errors"]
    assert read_journal(rig.path).events[-1].data == {"step": "sweep#1", "clean": True}


def test_readings_of_a_step_that_did_not_end_clean_are_void(tmp_path: Path) -> None:
    rig = Rig(tmp_path)
    rig.impedance_meter.error_queue.append(InstrumentReportedError("-222", code=-222))
    with pytest.raises(InstrumentReportedError), rig.bench.step("sweep"):
        take_two(rig.bench)
    back = read_journal(rig.path)
    numbers = [event.sequence for event in back.of_kind("reading")]
    assert back.of_kind("void")[0].data["readings"] == numbers
    assert "-222" in back.of_kind("void")[0].data["reason"]
    assert back.of_kind("step-ended")[0].data["clean"] is False
    assert back.valid_readings() == ()


def test_a_step_broken_off_by_any_error_voids_its_readings_and_no_others(tmp_path: Path) -> None:
    rig = Rig(tmp_path)
    with rig.bench.step("first"):
        take_one(rig.bench)
    rig.exchanges.on_call = interrupt_the_second_reading()
    with pytest.raises(KeyboardInterrupt), rig.bench.step("second"):
        take_two(rig.bench)
    assert len(read_journal(rig.path).of_kind("reading")) == 2
    (valid,) = read_journal(rig.path).valid_readings()
    assert valid.data["step"] == "first#1"


def test_an_instrument_error_is_journalled_where_it_happens(tmp_path: Path) -> None:
    rig = Rig(tmp_path)
    rig.exchanges.fail_at = 1
    rig.exchanges.error = lambda: ReplyTimeout("silent", instrument="impedance_meter")
    with pytest.raises(ReplyTimeout), rig.bench.step("sweep"):
        take_one(rig.bench)
    event = read_journal(rig.path).of_kind("instrument-error")[0]
    assert event.data["role"] == "impedance_meter"
    assert "silent" in event.data["error"]


def test_steps_do_not_nest(tmp_path: Path) -> None:
    rig = Rig(tmp_path)
    with (
        pytest.raises(StepAborted, match="inside 'outer'"),
        rig.bench.step("outer"),
        rig.bench.step("inner"),
    ):
        raise AssertionError("the inner step was entered")
    with rig.bench.step("next"):
        pass


# -- repeating -------------------------------------------------------------------------------


@pytest.mark.parametrize("error", [ReplyTimeout, LinkLost, OutOfStep])
def test_a_step_that_only_reads_is_repeated_once_after_recovery(
    tmp_path: Path, error: type[Exception]
) -> None:
    rig = Rig(tmp_path)
    rig.exchanges.fail_at = 3
    rig.exchanges.error = lambda: error("lost")

    def two() -> int:
        take_one(rig.bench)
        take_one(rig.bench)
        return 2

    assert rig.bench.repeatable("sweep", two) == 2
    back = read_journal(rig.path)
    assert rig.impedance_meter.recovered == 1
    assert len(back.of_kind("recovered")) == 1
    assert len(back.of_kind("reading")) == 3
    assert [event.data["step"] for event in back.valid_readings()] == ["sweep#2", "sweep#2"]
    assert back.of_kind("step-begun")[1].data["detail"] == {"repeats": "sweep#1"}


def test_a_step_is_not_repeated_twice(tmp_path: Path) -> None:
    rig = Rig(tmp_path)

    def always() -> None:
        take_one(rig.bench)
        raise ReplyTimeout("silent")

    with pytest.raises(ReplyTimeout):
        rig.bench.repeatable("sweep", always)
    assert len(read_journal(rig.path).of_kind("step-begun")) == 2


def test_a_refused_setting_is_not_repeated(tmp_path: Path) -> None:
    rig = Rig(tmp_path)
    rig.impedance_meter.error_queue.append(InstrumentReportedError("-222", code=-222))
    with pytest.raises(InstrumentReportedError):
        rig.bench.repeatable("sweep", lambda: take_one(rig.bench))
    assert rig.impedance_meter.recovered == 0


def test_a_link_that_does_not_come_back_raises_the_first_error(tmp_path: Path) -> None:
    rig = Rig(tmp_path)
    rig.exchanges.fail_at = 1
    rig.exchanges.reopens = False
    with pytest.raises(LinkLost, match="the peer went away") as caught:
        rig.bench.repeatable("sweep", lambda: take_one(rig.bench))
    assert "could not recover" in caught.value.__notes__[-1]


# -- stop ------------------------------------------------------------------------------------


def test_a_stop_during_a_settle_ends_it_within_50_ms(tmp_path: Path) -> None:
    rig = Rig(tmp_path)
    begun = rig.clock.now_s
    rig.clock.after(1.0, rig.stop.request)
    with pytest.raises(StoppedByPerson):
        rig.bench.settle(10.0)
    assert 1.0 <= rig.clock.now_s - begun <= 1.05 + 1e-9


def test_a_settle_lasts_as_long_as_asked(tmp_path: Path) -> None:
    rig = Rig(tmp_path)
    rig.bench.settle(0.123)
    assert sum(rig.clock.slept) == pytest.approx(0.123)
    rig.bench.settle(0.0)


ACTIONS: dict[str, Callable[[Bench], object]] = {
    "connect": lambda bench: bench.connect(COIL_IMPEDANCE, "D3"),
    "open all": lambda bench: bench.open_all(),
    "ask": lambda bench: bench.ask(Prompt("confirm", "anything")),
    "settle": lambda bench: bench.settle(1.0),
    "step": lambda bench: bench.step("sweep").__enter__(),
    "set point": lambda bench: bench.set_impedance_point(
        frequency_hz=1e3, level_v=0.1, aperture_s=0.1, averages=1
    ),
    "set voltage": lambda bench: bench.set_dc_voltage(),
    "prepare": lambda bench: bench.prepare_impedance(),
    "energise": lambda bench: bench.energised(volts=0.1, amps=0.1, reason="test"),
    "identify": lambda bench: bench.identify(),
}


@pytest.mark.parametrize("action", ACTIONS)
def test_every_action_looks_at_the_stop_flag_first(tmp_path: Path, action: str) -> None:
    rig = Rig(tmp_path)
    rig.stop.request("the stop key")
    with pytest.raises(StoppedByPerson):
        ACTIONS[action](rig.bench)
    assert rig.exchanges.names == []
    assert kinds(rig) == ["opened"]


def test_a_stop_between_two_readings_ends_the_step_unclean(tmp_path: Path) -> None:
    rig = Rig(tmp_path)
    rig.operator.on_event = lambda event: rig.stop.request()
    with pytest.raises(StoppedByPerson), rig.bench.step("sweep"):
        take_two(rig.bench)
    assert read_journal(rig.path).valid_readings() == ()
    assert rig.exchanges.names.count("impedance_meter.read_impedance") == 1


def test_an_exchange_that_the_stop_took_over_ends_as_stopped_and_not_as_failed(
    tmp_path: Path,
) -> None:
    rig = Rig(tmp_path)

    def stop(name: str) -> None:
        if name == "impedance_meter.read_impedance":
            rig.stop.request("the stop key")
            raise OutOfStep("another thread took the session over", instrument="supply")

    rig.exchanges.on_call = stop
    with pytest.raises(StoppedByPerson, match="the stop key") as caught:
        rig.bench.repeatable("sweep", lambda: take_one(rig.bench))
    assert isinstance(caught.value.__cause__, OutOfStep)
    assert rig.impedance_meter.recovered == 0


# -- the person ------------------------------------------------------------------------------


def test_question_and_answer_are_journalled_the_question_first(tmp_path: Path) -> None:
    rig = Rig(tmp_path, ("confirm", "go-on", "yes"))
    assert rig.bench.ask(Prompt("confirm", "go-on", choices=("yes", "no"))) == "yes"
    back = read_journal(rig.path)
    assert [event.kind for event in back.events] == ["opened", "asked", "answered"]
    assert back.events[2].data["answer"] == "yes"


def test_an_answer_that_is_no_choice_is_refused(tmp_path: Path) -> None:
    rig = Rig(tmp_path, ("confirm", "go-on", "maybe"))
    with pytest.raises(InputError, match="'maybe'"):
        rig.bench.ask(Prompt("confirm", "go-on", choices=("yes", "no")))


def test_a_person_who_stops_at_a_question_stops_the_run(tmp_path: Path) -> None:
    rig = Rig(tmp_path, ("confirm", "go-on", StoppedByPerson("enough")))
    with pytest.raises(StoppedByPerson, match="enough"):
        rig.bench.ask(Prompt("confirm", "go-on"))
    assert rig.stop.requested
    with pytest.raises(StoppedByPerson):
        rig.bench.settle(1.0)


def test_a_no_to_the_supply_ends_the_step(tmp_path: Path) -> None:
    rig = Rig(tmp_path, ("energise", "resistance", "no"))
    with pytest.raises(StepAborted, match="not to be switched on"):
        rig.bench.ask_to_energise("resistance")


# -- joining ---------------------------------------------------------------------------------


def test_a_re_tie_is_journalled_before_a_relay_moves(tmp_path: Path) -> None:
    rig = Rig(tmp_path)
    seen: list[str] = []
    rig.switch.on_move = lambda: seen.append(kinds(rig)[-1])
    rig.bench.connect(COIL_IMPEDANCE, "D3")
    assert seen
    assert set(seen) == {"connect"}
    data = read_journal(rig.path).of_kind("connect")[0].data
    assert data["hookup"] == "coil-impedance"
    assert data["position"] == "D3"
    assert data["change"]["relays"] == [103, 201, 202]


def test_what_is_not_wanted_is_opened_before_anything_closes(tmp_path: Path) -> None:
    rig = Rig(tmp_path)
    rig.bench.connect(COIL_IMPEDANCE, "D3")
    rig.switch.moves.clear()
    rig.bench.connect(COIL_KELVIN)
    # the position stays closed, so that the contacts stay where they are
    assert rig.switch.moves == [(103,), (103, 203, 204, 205, 206)]


def test_a_connection_that_stands_moves_no_relay(tmp_path: Path) -> None:
    rig = Rig(tmp_path)
    rig.bench.connect(COIL_IMPEDANCE, "D3")
    moves = len(rig.switch.moves)
    rig.bench.connect(COIL_IMPEDANCE, "D3")
    assert len(rig.switch.moves) == moves
    assert len(read_journal(rig.path).of_kind("connect")) == 1


def test_a_relay_that_somebody_else_moved_is_set_right(tmp_path: Path) -> None:
    rig = Rig(tmp_path)
    rig.bench.connect(COIL_IMPEDANCE, "D3")
    rig.world.closed = (103, 201)
    rig.bench.connect(COIL_IMPEDANCE, "D3")
    assert list(rig.world.closed) == [103, 201, 202]


@pytest.mark.parametrize(("position", "guess"), [("D33", "D3"), ("opne", "open")])
def test_an_unknown_position_is_named_with_what_was_probably_meant(
    tmp_path: Path, position: str, guess: str
) -> None:
    rig = Rig(tmp_path)
    with pytest.raises(InputError, match=f"did you mean '{guess}'"):
        rig.bench.connect(COIL_IMPEDANCE, position)
    assert rig.switch.moves == []


def test_a_switch_that_fails_half_way_leaves_nothing_taken_for_joined(tmp_path: Path) -> None:
    rig = Rig(tmp_path)
    rig.bench.connect(COIL_IMPEDANCE, "D3")
    rig.switch.on_move = lambda: (_ for _ in ()).throw(ReplyTimeout("silent"))
    with pytest.raises(ReplyTimeout):
        rig.bench.connect(COIL_KELVIN)
    assert rig.bench.joined.hookup is None


def test_opening_all_relays_is_journalled_first_and_ends_the_consent(tmp_path: Path) -> None:
    rig = Rig(tmp_path, ("energise", "resistance", "yes"))
    rig.bench.connect(COIL_KELVIN, "D3")
    rig.bench.ask_to_energise("resistance")
    seen: list[str] = []
    rig.switch.on_move = lambda: seen.append(kinds(rig)[-1])
    rig.bench.open_all()
    assert seen == ["connect"]
    assert rig.world.closed == ()
    with pytest.raises(SafetyError, match="nobody agreed"):
        rig.bench.energised(volts=0.1, amps=0.1, reason="test")


def test_a_person_is_asked_for_hookup_and_placement_and_only_for_what_changes(
    tmp_path: Path,
) -> None:
    rig = Rig(
        tmp_path,
        ("hookup", "coil-impedance", "done"),
        ("place", "D3", "done"),
        ("hookup", "coil-kelvin", "done"),
        ("place", "short", "done"),
        by_person=True,
    )
    rig.bench.connect(COIL_IMPEDANCE, "D3")
    rig.bench.connect(COIL_IMPEDANCE, "D3")
    rig.bench.connect(COIL_KELVIN)
    rig.bench.connect(COIL_KELVIN, "short")
    rig.operator.finish()
    joins = rig.operator.asked[0].detail["joins"]
    assert joins == dict(COIL_IMPEDANCE.joins)


def test_a_person_who_cannot_make_a_hookup_ends_the_step(tmp_path: Path) -> None:
    rig = Rig(tmp_path, ("hookup", "coil-impedance", "cannot"), by_person=True)
    with pytest.raises(StepAborted, match="could not be made"):
        rig.bench.connect(COIL_IMPEDANCE, "D3")
    assert rig.bench.joined.hookup is None


def test_a_placement_that_contact_will_tell_is_announced_and_not_asked(tmp_path: Path) -> None:
    rig = Rig(tmp_path, ("hookup", "coil-impedance", "done"), by_person=True)
    rig.bench.connect(COIL_IMPEDANCE, "D3", by_contact=True)
    assert [(event.kind, event.detail) for event in rig.operator.told] == [
        ("place", {"position": "D3"})
    ]


# -- limits and missing instruments ----------------------------------------------------------


@pytest.mark.parametrize("level_v", [0.0, -0.1, 0.51, 2.0])
def test_a_test_level_beyond_half_a_volt_is_refused(tmp_path: Path, level_v: float) -> None:
    rig = Rig(tmp_path)
    with pytest.raises(LimitExceeded, match="nothing was set"):
        rig.bench.set_impedance_point(frequency_hz=1e3, level_v=level_v, aperture_s=0.1, averages=1)
    assert rig.exchanges.names == []


@pytest.mark.parametrize("frequency_hz", [0.0, 10.0, 1.1e6])
def test_a_frequency_out_of_reach_is_refused(tmp_path: Path, frequency_hz: float) -> None:
    rig = Rig(tmp_path)
    with pytest.raises(LimitExceeded, match="reaches from 20 to 1e"):
        rig.bench.set_impedance_point(
            frequency_hz=frequency_hz, level_v=0.1, aperture_s=0.1, averages=1
        )


def test_a_voltage_is_not_read_from_a_meter_set_to_something_else(tmp_path: Path) -> None:
    rig = Rig(tmp_path)
    with pytest.raises(StepAborted, match="not set to it"), rig.bench.step("read"):
        rig.bench.take_voltage()


def test_a_missing_instrument_is_one_clear_sentence(tmp_path: Path) -> None:
    rig = Rig(tmp_path, without=("supply", "multimeter", "impedance_meter"))
    for action in (
        lambda: rig.bench.set_dc_voltage(),
        lambda: rig.bench.prepare_impedance(),
        lambda: rig.bench.energised(volts=0.1, amps=0.1, reason="test"),
    ):
        with pytest.raises(StepAborted, match="the bench file has none"):
            action()


def test_a_bench_with_a_supply_has_limits(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="limits"):
        Rig(tmp_path, limits=None)
    (tmp_path / "other").mkdir()
    Rig(tmp_path / "other", limits=BenchLimits(voltage_v=1.0, current_a=1.0))


def test_identities_are_journalled_with_their_addresses(tmp_path: Path) -> None:
    rig = Rig(tmp_path)
    assert set(rig.bench.identify()) == {"impedance_meter", "supply", "multimeter", "switch"}
    events = read_journal(rig.path).of_kind("identified")
    assert [event.data["role"] for event in events] == [
        "impedance_meter", "supply", "multimeter", "switch",
    ]  # fmt: skip
    assert events[1].data["address"] == rig.supply.address


def test_a_stop_during_a_reading_voids_it_though_nothing_follows(tmp_path: Path) -> None:
    rig = Rig(tmp_path)
    rig.bench.connect(COIL_IMPEDANCE, "D3")
    rig.bench.prepare_impedance()
    rig.bench.set_impedance_point(frequency_hz=1e4, level_v=0.1, aperture_s=0.1, averages=1)

    def stop_at_the_reading(name: str) -> None:
        if name == "impedance_meter.read_impedance":
            rig.stop.request()

    rig.exchanges.on_call = stop_at_the_reading
    with pytest.raises(StoppedByPerson), rig.bench.step("last"):
        rig.bench.take_impedance()
    journal = read_journal(rig.path)
    assert len(journal.of_kind("reading")) == 1
    assert journal.valid_readings() == ()
