"""Status registers, the error queue, and the error numbers with their texts.

Does not cover the conditions that particular instruments report (test_profiles).
"""

from __future__ import annotations

import threading

import pytest

from sim.scpi.errors import ScpiError, error_text
from sim.scpi.operations import Operations
from sim.scpi.status import QUEUE_DEPTH, EventRegister, StandardEvent, Status, StatusByte


# scpi-parser, error.h (a library that follows SCPI-99); -232 from memory.
@pytest.mark.parametrize(
    ("code", "text"),
    [
        (0, "No error"),
        (-102, "Syntax error"),
        (-109, "Missing parameter"),
        (-113, "Undefined header"),
        (-131, "Invalid suffix"),
        (-168, "Block data not allowed"),
        (-221, "Settings conflict"),
        (-222, "Data out of range"),
        (-224, "Illegal parameter value"),
        (-230, "Data corrupt or stale"),
        (-232, "Invalid format"),
        (-240, "Hardware error"),
        (-310, "System error"),
        (-330, "Self-test failed"),
        (-350, "Queue overflow"),
        (-363, "Input buffer overrun"),
        (-410, "Query INTERRUPTED"),
        (-440, "Query UNTERMINATED after indefinite response"),
    ],
)
def test_an_error_number_has_its_standard_text(code: int, text: str) -> None:
    assert error_text(code) == text


def test_a_number_without_text_has_the_text_of_its_class() -> None:
    assert error_text(-199) == "Command error"
    assert error_text(-299) == "Execution error"
    assert error_text(-399) == "Device specific error"
    assert error_text(-499) == "Query error"


# Bits: scpi-parser, ieee488.h; classes of errors to bits: -1xx there, the rest from memory.
@pytest.mark.parametrize(
    ("code", "bit"),
    [(-113, 5), (-199, 5), (-222, 4), (-310, 3), (-350, 3), (7, 3), (-410, 2), (-500, 7)],
)
def test_an_error_sets_the_event_bit_of_its_class(code: int, bit: int) -> None:
    status = Status()
    status.take_events()
    status.report(code)
    assert status.take_events() == 1 << bit
    assert status.take_events() == 0


def test_the_bits_have_the_places_of_the_standard() -> None:
    # scpi-parser, ieee488.h
    assert [event.bit_length() - 1 for event in StandardEvent] == list(range(8))
    assert StatusByte.ERROR_QUEUE == 1 << 2
    assert StatusByte.QUESTIONABLE == 1 << 3
    assert StatusByte.MESSAGE_AVAILABLE == 1 << 4
    assert StatusByte.EVENT_SUMMARY == 1 << 5
    assert StatusByte.MASTER_SUMMARY == 1 << 6
    assert StatusByte.OPERATION == 1 << 7


def test_the_first_event_is_power_on() -> None:
    assert Status().take_events() == 128


def test_errors_come_out_first_in_first_out_and_then_there_is_none() -> None:
    status = Status()
    status.report(-113, "FETC")
    status.report(-222)
    assert status.next_error() == '-113,"Undefined header;FETC"'
    assert status.next_error() == '-222,"Data out of range"'
    assert status.next_error() == '0,"No error"'


def test_a_full_queue_keeps_the_oldest_and_ends_with_queue_overflow() -> None:
    status = Status()
    for number in range(QUEUE_DEPTH + 5):
        status.report(-222, str(number))
    entries = [status.next_error() for _ in range(QUEUE_DEPTH + 1)]
    assert entries[: QUEUE_DEPTH - 1] == [
        f'-222,"Data out of range;{number}"' for number in range(QUEUE_DEPTH - 1)
    ]
    assert entries[QUEUE_DEPTH - 1 :] == ['-350,"Queue overflow"', '0,"No error"']


def test_sixteen_errors_fit_without_overflow() -> None:
    status = Status()
    for _ in range(16):
        status.report(-222)
    assert [status.next_error()[:4] for _ in range(16)] == ["-222"] * 16


def test_a_long_or_strange_text_stays_one_readable_string() -> None:
    status = Status()
    status.report(-151, 'say "x"\xff\n' + "y" * 1000)
    entry = status.next_error()
    assert entry.startswith('-151,"Invalid string data;say ""x""??yyy')
    assert entry.isascii()
    assert len(entry) < 300


def test_an_event_register_latches_what_comes_up_until_it_is_read() -> None:
    register = EventRegister()
    register.see(0b101)
    register.see(0b001)
    assert register.condition == 0b001
    assert register.take_event() == 0b101
    register.see(0b001)
    assert register.take_event() == 0  # bit 0 never went down
    register.see(0b000)
    register.see(0b001)
    assert register.take_event() == 0b001


def test_bit_15_of_a_register_is_always_0() -> None:
    register = EventRegister()
    register.set_enable(0xFFFF)
    register.see(0xFFFF)
    assert (register.enable, register.condition, register.take_event()) == (0x7FFF,) * 3


def test_the_status_byte_summarises_what_is_enabled() -> None:
    status = Status()
    status.take_events()
    assert status.byte(message_available=False) == 0
    assert status.byte(message_available=True) == StatusByte.MESSAGE_AVAILABLE
    status.report(-222)
    assert status.byte(message_available=False) == StatusByte.ERROR_QUEUE
    status.event_enable = StandardEvent.EXECUTION_ERROR
    assert status.byte(message_available=False) == (
        StatusByte.ERROR_QUEUE | StatusByte.EVENT_SUMMARY
    )
    status.service_enable = StatusByte.EVENT_SUMMARY
    assert status.byte(message_available=False) & StatusByte.MASTER_SUMMARY
    status.questionable.see(2)
    assert not status.byte(message_available=False) & StatusByte.QUESTIONABLE
    status.questionable.set_enable(2)
    assert status.byte(message_available=False) & StatusByte.QUESTIONABLE
    status.operation.set_enable(16)
    status.change_operation(on=16)
    status.change_operation(off=16)
    assert status.byte(message_available=False) & StatusByte.OPERATION  # latched
    status.clear()
    assert status.byte(message_available=False) == 0
    assert status.questionable.enable == 2
    status.preset()
    assert (status.questionable.enable, status.operation.enable) == (0, 0)


def test_operation_complete_is_announced_when_the_work_ends_and_not_before() -> None:
    status = Status()
    status.take_events()
    operations = Operations(status)
    go_on = threading.Event()
    operations.start(lambda: go_on.wait(10))
    operations.announce_completion()
    assert [operations.pending] == [True]
    assert status.take_events() == 0
    go_on.set()
    operations.wait()
    assert [operations.pending] == [False]
    assert status.take_events() == StandardEvent.OPERATION_COMPLETE


def test_a_cleared_announcement_never_comes() -> None:
    status = Status()
    status.take_events()
    operations = Operations(status)
    go_on = threading.Event()
    operations.start(lambda: go_on.wait(10))
    operations.announce_completion()
    operations.forget_announcement()
    go_on.set()
    operations.wait()
    assert status.take_events() == 0


def test_only_a_command_error_ends_a_message() -> None:
    assert ScpiError(-100).is_command_error
    assert ScpiError(-199).is_command_error
    assert not ScpiError(-200).is_command_error
    assert not ScpiError(-440).is_command_error
