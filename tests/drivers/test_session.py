"""The state rules of a session, each against a loopback peer that misbehaves in one stated way.

The table of measured link behaviour: late, split, doubled and missing replies, Ctrl-C, two threads,
`clear()`, and what pyvisa alone makes of the first ones. Does NOT cover losing power of a real
instrument, or links other than TCP sockets.
"""

from __future__ import annotations

import json
import os
import signal
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
import pyvisa

from drivers.dialect import Query
from drivers.exchange_log import read_exchanges
from drivers.reply_shapes import shape_of
from drivers.scpi import Number
from drivers.session import Session, State, TakenOver
from labbench.errors import (
    ConnectionFailed,
    InputError,
    InstrumentError,
    InstrumentReportedError,
    LinkLost,
    OutOfStep,
    ReplyMalformed,
    ReplyTimeout,
    WrongInstrument,
)
from tests.drivers.peers import IDENTITY, NO_ERROR, Connection, Peer, Script, answering

NUMBER = shape_of("number")
Open = Callable[..., Session]


def value(session: Session, message: str, **more: Any) -> float | None:
    return session.query(message, NUMBER, **more).only(Number).value


def delayed(seconds: float, split_at: int | None = None) -> Callable[[Connection, bytes], None]:
    """Answer the first READ? late, whole or its second part only; everything else at once."""
    pending = [True]
    others = answering({"READ?": "1.2356E-06", "FREQ?": "1000", "LEV?": "0.5"})

    def on_line(connection: Connection, line: bytes) -> None:
        if line == b"READ?" and pending:
            pending.clear()
            reply = b"1.2356E-06\n"
            connection.send(reply[: split_at or 0])
            connection.wait(seconds)
            connection.send(reply[split_at or 0 :])
        else:
            others(connection, line)

    return on_line


def test_pyvisa_alone_gives_a_late_answer_to_the_next_question(bare: Callable[..., Any]) -> None:
    with Peer(delayed(0.1)) as peer:
        resource = bare(peer.address, timeout=50, read_termination="\n", write_termination="\n")
        with pytest.raises(pyvisa.errors.VisaIOError):
            resource.query("READ?")
        resource.timeout = 1000
        assert resource.query("FREQ?") == "1.2356E-06"
        assert resource.query("LEV?") == "1000"  # and one behind for ever


def test_pyvisa_alone_makes_a_plausible_number_of_half_an_answer(bare: Callable[..., Any]) -> None:
    with Peer(delayed(0.1, split_at=4)) as peer:
        resource = bare(peer.address, timeout=50, read_termination="\n", write_termination="\n")
        with pytest.raises(pyvisa.errors.VisaIOError):
            resource.query("READ?")
        resource.timeout = 1000
        assert float(resource.query("FREQ?")) == 56e-6


def test_clear_of_pyvisa_alone_does_not_stop_a_late_answer(bare: Callable[..., Any]) -> None:
    with Peer(delayed(0.4)) as peer:
        resource = bare(peer.address, timeout=50, read_termination="\n", write_termination="\n")
        with pytest.raises(pyvisa.errors.VisaIOError):
            resource.query("READ?")
        resource.clear()
        resource.timeout = 1000
        assert resource.query("FREQ?") == "1.2356E-06"
        for _ in range(500):  # the peer may not have come round to reading the question yet
            if len(peer.lines) >= 2:
                break
            time.sleep(0.01)
        assert peer.lines[:2] == [b"READ?", b"FREQ?"]  # clear() sent nothing


@pytest.mark.parametrize("split_at", [None, 1, 5, 10])
def test_a_reply_that_misses_its_deadline_puts_the_session_out_of_step(
    open_session: Open, split_at: int | None
) -> None:
    with Peer(delayed(0.4, split_at)) as peer:
        session = open_session(peer.address)
        with pytest.raises(ReplyTimeout):
            value(session, "READ?", timeout_s=0.1)
        assert session.state is State.OUT_OF_STEP
        for call in (
            lambda: value(session, "FREQ?"),
            lambda: session.send("OUTP 1"),
            session.check_errors,
            session.read_identity,
        ):
            with pytest.raises(OutOfStep, match="READ"):
                call()
        session.recover()
        assert value(session, "FREQ?") == 1000.0
        time.sleep(0.45)
        assert value(session, "LEV?") == 0.5
        assert b"OUTP 1" not in peer.lines


def test_a_second_line_in_the_same_breath_puts_the_session_out_of_step(open_session: Open) -> None:
    with Peer(answering({"READ?": "1.5\n2.5", "FREQ?": "1000"})) as peer:
        session = open_session(peer.address)
        with pytest.raises(OutOfStep, match=r"2\.5"):
            value(session, "READ?")
        assert session.state is State.OUT_OF_STEP
        session.recover()
        assert value(session, "FREQ?") == 1000.0


def test_a_second_line_that_comes_later_is_seen_before_the_next_question(
    open_session: Open,
) -> None:
    came = threading.Event()

    def on_line(connection: Connection, line: bytes) -> None:
        answering({"READ?": "1.5"})(connection, line)
        if line == b"READ?":
            connection.wait(0.05)
            connection.send(b"1.5\n")
            came.set()

    with Peer(on_line) as peer:
        session = open_session(peer.address)
        assert value(session, "READ?") == 1.5
        assert came.wait(2)
        time.sleep(0.02)
        with pytest.raises(OutOfStep, match="which no question asked for"):
            value(session, "FREQ?")
        assert b"FREQ?" not in peer.lines
        assert session.state is State.OUT_OF_STEP


def test_a_second_line_is_seen_at_the_end_of_a_step(open_session: Open) -> None:
    with Script(
        [("*IDN?", IDENTITY), ("SYST:ERR?", NO_ERROR), ("SYST:ERR?", f"{NO_ERROR}\n{NO_ERROR}")]
    ) as peer:
        session = open_session(peer.address)
        with pytest.raises(OutOfStep):
            session.check_errors()
        assert session.state is State.OUT_OF_STEP


@pytest.fixture
def ctrl_c_raises() -> Iterator[None]:
    """Let Ctrl-C raise as it does in a program (a worker process of the test run ignores it)."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    signal.signal(signal.SIGINT, before)


@pytest.mark.usefixtures("ctrl_c_raises")
def test_ctrl_c_during_a_read_puts_the_session_out_of_step(open_session: Open) -> None:
    with Peer(delayed(0.3)) as peer:
        session = open_session(peer.address)
        timer = threading.Timer(0.1, os.kill, (os.getpid(), signal.SIGINT))
        timer.start()
        with pytest.raises(KeyboardInterrupt):
            value(session, "READ?", timeout_s=5.0)
        timer.join()
        assert session.state is State.OUT_OF_STEP
        with pytest.raises(OutOfStep):
            value(session, "FREQ?")
        time.sleep(0.3)
        session.recover()
        assert value(session, "FREQ?") == 1000.0


def test_a_signal_handler_that_asks_in_the_middle_of_an_exchange_is_refused(
    open_session: Open,
) -> None:
    told: list[InstrumentError] = []

    with Peer(delayed(0.15)) as peer:
        session = open_session(peer.address)

        def handler(number: int, frame: object) -> None:
            try:
                value(session, "FREQ?")
            except InstrumentError as error:
                told.append(error)

        before = signal.signal(signal.SIGUSR1, handler)
        try:
            timer = threading.Timer(0.05, os.kill, (os.getpid(), signal.SIGUSR1))
            timer.start()
            assert value(session, "READ?", timeout_s=2.0) == 1.2356e-6
            timer.join()
        finally:
            signal.signal(signal.SIGUSR1, before)
        assert [type(error) for error in told] == [OutOfStep]
        assert b"FREQ?" not in peer.lines


@pytest.mark.parametrize(
    "reply", [b"1.5 V\n", b"1,5\n", b"\n", b"\xff1.5\n", b"\x00\n", b"nan\n", b"1.5;2\n", b'"1"\n']
)
def test_a_reply_outside_its_shape_puts_the_session_out_of_step(
    open_session: Open, reply: bytes
) -> None:
    def on_line(connection: Connection, line: bytes) -> None:
        if line == b"READ?":
            connection.send(reply)
        else:
            answering({})(connection, line)

    with Peer(on_line) as peer:
        session = open_session(peer.address)
        with pytest.raises(ReplyMalformed) as told:
            value(session, "READ?")
        assert "READ?" in str(told.value)
        assert told.value.instrument == "test peer"
        assert told.value.asked == "READ?"
        assert session.state is State.OUT_OF_STEP


def test_a_peer_that_closes_during_an_exchange_loses_the_link(open_session: Open) -> None:
    def on_line(connection: Connection, line: bytes) -> None:
        if line == b"READ?":
            connection.close()
        else:
            answering({})(connection, line)

    with Peer(on_line) as peer:
        session = open_session(peer.address)
        with pytest.raises(LinkLost, match="READ"):
            value(session, "READ?", timeout_s=30.0)
        assert session.state is State.OUT_OF_STEP
        session.recover()
        assert session.read_identity().raw == IDENTITY


def test_a_peer_that_closed_between_exchanges_is_seen_before_the_next(open_session: Open) -> None:
    def on_line(connection: Connection, line: bytes) -> None:
        answering({})(connection, line)
        if line == b"SYST:ERR?":
            connection.wait(0.02)
            connection.close()

    with Peer(on_line) as peer:
        session = open_session(peer.address)
        time.sleep(0.1)
        with pytest.raises(LinkLost):
            session.send("OUTP 1")
        assert b"OUTP 1" not in peer.lines
        assert session.state is State.OUT_OF_STEP


def test_an_unknown_question_is_explained_by_the_error_queue(open_session: Open) -> None:
    undefined = '-113,"Undefined header;FETC:IMP?"'
    with Script(
        [
            ("*IDN?", IDENTITY),
            ("SYST:ERR?", NO_ERROR),
            ("FETC:IMP?", None),
            ("SYST:ERR?", undefined),
            ("SYST:ERR?", NO_ERROR),
        ]
    ) as peer:
        session = open_session(peer.address)
        with pytest.raises(ReplyTimeout, match=r"refused 'FETC:IMP\?': -113, Undefined header"):
            value(session, "FETC:IMP?")
        assert session.state is State.OUT_OF_STEP


def test_an_instrument_that_stays_silent_gives_a_timeout_with_a_hint(open_session: Open) -> None:
    silent = threading.Event()

    def on_line(connection: Connection, line: bytes) -> None:
        if not silent.is_set():
            answering({})(connection, line)

    with Peer(on_line) as peer:
        session = open_session(peer.address)
        silent.set()
        with pytest.raises(ReplyTimeout) as told:
            value(session, "READ?")
        assert told.value.hint is not None
        with pytest.raises(ReplyTimeout):
            session.recover()
        assert session.state is State.OUT_OF_STEP


# --- opening -------------------------------------------------------------------------------------


def test_opening_connects_and_reads_the_identity_in_one_call(open_session: Open) -> None:
    with Script([("*IDN?", IDENTITY), ("SYST:ERR?", NO_ERROR)]) as peer:
        session = open_session(peer.address)
        identity = session.identity
        assert (identity.maker, identity.model) == ("Harbour Workshop", "test peer")
        assert (identity.serial, identity.firmware) == ("7", "1.0")


def test_old_entries_of_the_error_queue_are_told_at_opening_and_blamed_on_nobody(
    open_session: Open,
) -> None:
    with Script(
        [
            ("*IDN?", IDENTITY),
            ("SYST:ERR?", '-222,"Data out of range"'),
            ("SYST:ERR?", NO_ERROR),
            ("SYST:ERR?", NO_ERROR),
        ]
    ) as peer:
        session = open_session(peer.address, connect=False)
        assert [entry.code for entry in session.open()] == [-222]
        session.check_errors()


def test_a_session_before_opening_raises(open_session: Open) -> None:
    with Peer(answering({})) as peer:
        session = open_session(peer.address, connect=False)
        with pytest.raises(OutOfStep, match="not opened"):
            value(session, "FREQ?")
        with pytest.raises(OutOfStep):
            _ = session.identity


def test_an_instrument_that_says_nothing_at_opening_gets_one_clear_sentence(
    open_session: Open,
) -> None:
    with Peer(lambda connection, line: None) as peer:
        with pytest.raises(ReplyTimeout) as told:
            open_session(peer.address)
        assert "no whole answer" in str(told.value)
        assert "wrong port or dialect" in str(told.value)


def test_a_connection_that_is_dropped_at_once_is_a_failed_connection(open_session: Open) -> None:
    with (
        Peer(answering({}), on_connect=lambda connection: connection.close()) as peer,
        pytest.raises(ConnectionFailed, match="only one"),
    ):
        open_session(peer.address)


def test_another_identity_than_expected_is_refused(open_session: Open) -> None:
    with Script([("*IDN?", IDENTITY)]) as peer:
        with pytest.raises(WrongInstrument, match="other,thing") as told:
            open_session(peer.address, expected_identity="other,thing,1,2")
        assert IDENTITY in str(told.value)


def test_the_expected_identity_is_accepted(open_session: Open) -> None:
    with Peer(answering({})) as peer:
        session = open_session(peer.address, expected_identity=IDENTITY + "\r\n")
        assert session.state is State.IN_STEP


def test_bytes_sent_on_connecting_are_refused_unless_declared(open_session: Open) -> None:
    def greet(connection: Connection) -> None:
        connection.send(b"welcome\n")

    with Peer(answering({"FREQ?": "1000"}), on_connect=greet) as peer:
        with pytest.raises((OutOfStep, ReplyMalformed), match="welcome"):
            open_session(peer.address)
        session = open_session(peer.address, quirks=("greeting-line",))
        assert value(session, "FREQ?") == 1000.0
        session.recover()
        assert value(session, "FREQ?") == 1000.0


# --- error queue ---------------------------------------------------------------------------------


def test_the_error_queue_is_read_until_it_is_empty_and_raised(open_session: Open) -> None:
    with Script(
        [
            ("*IDN?", IDENTITY),
            ("SYST:ERR?", NO_ERROR),
            ("VOLT 99", None),
            ("SYST:ERR?", '-222,"Data out of range;VOLT 99"'),
            ("SYST:ERR?", '-113,"Undefined header"'),
            ("SYST:ERR?", '+0,"No error"'),
            ("SYST:ERR?", NO_ERROR),
        ]
    ) as peer:
        session = open_session(peer.address)
        session.send("VOLT 99")
        with pytest.raises(InstrumentReportedError, match=r"-222.*VOLT 99.*-113") as told:
            session.check_errors()
        assert told.value.code == -222
        session.check_errors()


def test_an_error_queue_that_never_empties_is_read_a_bounded_number_of_times(
    open_session: Open,
) -> None:
    asked = [("SYST:ERR?", '-350,"Queue overflow"')] * 5
    with Script([("*IDN?", IDENTITY), ("SYST:ERR?", NO_ERROR), *asked]) as peer:
        session = open_session(peer.address)
        with pytest.raises(InstrumentReportedError) as told:
            session.check_errors()
        assert told.value.code == -350


def test_a_garbled_error_queue_puts_the_session_out_of_step(open_session: Open) -> None:
    with Script([("*IDN?", IDENTITY), ("SYST:ERR?", NO_ERROR), ("SYST:ERR?", "No error")]) as peer:
        session = open_session(peer.address)
        with pytest.raises(ReplyMalformed):
            session.check_errors()
        assert session.state is State.OUT_OF_STEP


def test_an_instrument_without_error_queue_is_only_looked_at_for_unread_bytes(
    open_session: Open,
) -> None:
    def on_line(connection: Connection, line: bytes) -> None:
        connection.send(IDENTITY.encode() + b"\n" if line == b"*IDN?" else b"unasked\n")

    with Peer(on_line) as peer:
        session = open_session(peer.address, quirks=("no-error-queue",))
        session.check_errors()
        assert session.explain() == ()
        session.send("VOLT 1")
        time.sleep(0.05)
        with pytest.raises(OutOfStep, match="unasked"):
            session.check_errors()
        assert peer.lines == [b"*IDN?", b"VOLT 1"]


def test_settings_are_confirmed_where_the_instrument_needs_it(open_session: Open) -> None:
    with Script(
        [
            ("*IDN?", IDENTITY),
            ("SYST:ERR?", NO_ERROR),
            ("VOLT 1", None),
            ("*OPC?", "1"),
        ]
    ) as peer:
        session = open_session(peer.address, quirks=("confirm-sets",))
        session.send("VOLT 1")


# --- joined questions ----------------------------------------------------------------------------

ASKED = [
    ("FREQ?", Query("FREQ?", "number")),
    (":VOLT?", Query(":VOLT?", "number")),
    ("*OPC?", Query("*OPC?", "boolean")),
    ("FUNC?", Query("FUNC?", "string")),
]


def test_several_questions_go_in_one_message(open_session: Open) -> None:
    with Script(
        [
            ("*IDN?", IDENTITY),
            ("SYST:ERR?", NO_ERROR),
            (":FREQ?;:VOLT?;*OPC?;:FUNC?", '1000;0.5;1;"A;B"'),
        ]
    ) as peer:
        replies = open_session(peer.address).query_many(ASKED)
        assert [reply.raw for reply in replies] == ["1000", "0.5", "1", '"A;B"']
        assert replies[3].only(str) == "A;B"


def test_several_questions_go_one_by_one_where_the_instrument_needs_it(open_session: Open) -> None:
    with Script(
        [
            ("*IDN?", IDENTITY),
            ("SYST:ERR?", NO_ERROR),
            ("FREQ?", "1000"),
            (":VOLT?", "0.5"),
            ("*OPC?", "1"),
            ("FUNC?", '"A;B"'),
        ]
    ) as peer:
        session = open_session(peer.address, quirks=("no-joined-queries",))
        assert session.query_many(ASKED)[3].only(str) == "A;B"


@pytest.mark.parametrize("reply", ["1000;0.5;1", '1000;0.5;1;"A";2', '0.5;1000;"A";1'])
def test_answers_that_are_not_as_many_as_the_questions_put_the_session_out_of_step(
    open_session: Open, reply: str
) -> None:
    with Script(
        [("*IDN?", IDENTITY), ("SYST:ERR?", NO_ERROR), (":FREQ?;:VOLT?;*OPC?;:FUNC?", reply)]
    ) as peer:
        session = open_session(peer.address)
        with pytest.raises(ReplyMalformed):
            session.query_many(ASKED)
        assert session.state is State.OUT_OF_STEP


# --- what is never sent --------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("message", "told"),
    [
        ("VOLT 1\nOUTP 1", "printable"),
        ("VOLT 1\rOUTP 1", "printable"),
        ("VOLT 1µ", "printable"),
        ("A" * 2000, "takes 1024"),
    ],
)
def test_a_message_that_could_not_be_taken_as_one_is_not_sent(
    open_session: Open, message: str, told: str
) -> None:
    with Peer(answering({})) as peer:
        session = open_session(peer.address)
        with pytest.raises(InputError, match=told):
            session.send(message)
        assert session.state is State.IN_STEP
        assert peer.lines == [b"*IDN?", b"SYST:ERR?"]


# --- recovery ------------------------------------------------------------------------------------


def test_recovery_reopens_checks_the_identity_reads_the_queue_and_clears_status(
    open_session: Open,
) -> None:
    with Script(
        [
            ("*IDN?", IDENTITY),
            ("SYST:ERR?", NO_ERROR),
            ("READ?", "garbage"),
            ("*IDN?", IDENTITY),
            ("SYST:ERR?", '-350,"Queue overflow"'),
            ("SYST:ERR?", NO_ERROR),
            ("*CLS", None),
            ("FREQ?", "1000"),
        ]
    ) as peer:
        session = open_session(peer.address)
        with pytest.raises(ReplyMalformed):
            value(session, "READ?")
        recovery = session.recover()
        assert "READ?" in recovery.because
        assert [entry.code for entry in recovery.errors] == [-350]
        assert session.recoveries == [recovery]
        assert value(session, "FREQ?") == 1000.0
        assert peer.connections == 2


def test_recovery_waits_for_a_port_that_is_freed_late(open_session: Open) -> None:
    def drop_early_ones(connection: Connection) -> None:
        if 2 <= peer.connections <= 4:
            connection.close()

    with Peer(answering({"FREQ?": "1000"}), on_connect=drop_early_ones) as peer:
        session = open_session(peer.address)
        session.recover()
        assert peer.connections == 5
        assert value(session, "FREQ?") == 1000.0


def test_recovery_gives_up_at_its_deadline(open_session: Open) -> None:
    with Peer(answering({})) as peer:
        session = open_session(peer.address)
    with pytest.raises(ConnectionFailed, match="refused"):
        session.recover()
    assert session.state is State.OUT_OF_STEP


def test_recovery_refuses_another_instrument_behind_the_address(open_session: Open) -> None:
    with Script(
        [("*IDN?", IDENTITY), ("SYST:ERR?", NO_ERROR), ("*IDN?", "Other,peer,8,1.0")]
    ) as peer:
        session = open_session(peer.address)
        with pytest.raises(WrongInstrument, match="Other,peer"):
            session.recover()
        assert session.state is State.OUT_OF_STEP


def test_an_identity_that_changed_between_steps_is_refused(open_session: Open) -> None:
    with Script(
        [("*IDN?", IDENTITY), ("SYST:ERR?", NO_ERROR), ("*IDN?", "Other,peer,8,1.0")]
    ) as peer:
        session = open_session(peer.address)
        with pytest.raises(WrongInstrument):
            session.read_identity()
        assert session.state is State.OUT_OF_STEP


# --- threads -------------------------------------------------------------------------------------


def test_two_threads_on_one_session_each_get_their_own_answers(open_session: Open) -> None:
    def on_line(connection: Connection, line: bytes) -> None:
        if line.startswith(b"ECHO?"):
            connection.send(line.split()[1] + b"\n")
        else:
            answering({})(connection, line)

    wrong: list[float] = []
    with Peer(on_line) as peer:
        session = open_session(peer.address)

        def ask_many(start: int) -> None:
            for number in range(start, start + 300):
                if value(session, f"ECHO? {number}", timeout_s=5.0) != number:
                    wrong.append(number)

        threads = [threading.Thread(target=ask_many, args=(start,)) for start in (0, 10_000)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
    assert wrong == []


def test_a_stop_path_ends_the_wait_of_another_thread_and_goes_first(open_session: Open) -> None:
    told: list[BaseException] = []
    with Peer(answering({"OUTP?": "0"})) as peer:
        session = open_session(peer.address)

        def wait_long() -> None:
            try:
                value(session, "READ?", timeout_s=30.0)
            except InstrumentError as error:
                told.append(error)

        worker = threading.Thread(target=wait_long)
        worker.start()
        while b"READ?" not in peer.lines:
            time.sleep(0.005)
        with session.taken_over(2.0) as mine:
            assert mine
            session.recover()
            assert value(session, "OUTP?") == 0.0
        worker.join(5)
        assert not worker.is_alive()
    assert [type(error) for error in told] == [TakenOver]


def test_a_session_held_elsewhere_is_not_waited_for_beyond_the_time_given(
    open_session: Open,
) -> None:
    release = threading.Event()
    holding = threading.Event()

    with Peer(answering({})) as peer:
        session = open_session(peer.address)

        def hold() -> None:
            with session.held():
                holding.set()
                release.wait(5)

        holder = threading.Thread(target=hold)
        holder.start()
        assert holding.wait(2)
        with session.taken_over(0.05) as mine:
            assert not mine
        release.set()
        holder.join()
        other = session.second_link()
        other.open(IDENTITY)
        other.close()
        assert peer.connections == 2


def test_closing_ends_the_wait_of_another_thread(open_session: Open) -> None:
    told: list[BaseException] = []
    with Peer(answering({})) as peer:
        session = open_session(peer.address)

        def wait_long() -> None:
            try:
                value(session, "READ?", timeout_s=30.0)
            except BaseException as error:
                told.append(error)

        worker = threading.Thread(target=wait_long)
        worker.start()
        while b"READ?" not in peer.lines:
            time.sleep(0.005)
        session.close()
        worker.join(5)
        assert not worker.is_alive()
    assert [type(error) for error in told] == [TakenOver]


# --- exchange log --------------------------------------------------------------------------------


def test_the_exchange_log_can_be_replayed_as_a_test(open_session: Open, tmp_path: Path) -> None:
    log = tmp_path / "exchange.log"

    def conversation(address: str, log: Path | None) -> list[float | None]:
        session = open_session(address, log=log)
        values = [value(session, "READ?"), value(session, "READ?")]
        session.send("VOLT 1")
        session.check_errors()
        session.close()
        return values

    numbers = iter(["1.25", "-3.5E-6"])

    def on_line(connection: Connection, line: bytes) -> None:
        replies = {"READ?": next(numbers)} if line == b"READ?" else {}
        answering(replies)(connection, line)

    with Peer(on_line) as peer:
        first = conversation(peer.address, log)
    logged = read_exchanges(log)
    assert [exchange.sent for exchange in logged][:3] == [b"*IDN?\n", b"SYST:ERR?\n", b"READ?\n"]
    script = [
        (exchange.sent.decode().rstrip("\n"), exchange.received or None) for exchange in logged
    ]
    with Script(script) as peer:
        assert conversation(peer.address, None) == first == [1.25, -3.5e-6]


def test_the_exchange_log_holds_what_was_lost_and_recovered(
    open_session: Open, tmp_path: Path
) -> None:
    log = tmp_path / "exchange.log"
    with Peer(answering({"READ?": "volts"})) as peer:
        session = open_session(peer.address, log=log)
        with pytest.raises(ReplyMalformed):
            value(session, "READ?")
        session.recover()
    notes = [
        entry["bytes"]
        for entry in map(json.loads, log.read_text().splitlines())
        if entry["direction"] == "note"
    ]
    assert any("'volts'" in note for note in notes)
    assert any(note.startswith("recovered") for note in notes)


def test_a_log_that_cannot_be_written_stops_no_exchange_and_is_told_at_the_end_of_a_step(
    open_session: Open,
) -> None:
    with Peer(answering({"READ?": "1.5"})) as peer:
        # every write to this device fails as on a full disk
        session = open_session(peer.address, log=Path("/dev/full"))
        assert value(session, "READ?") == 1.5
        with pytest.raises(InstrumentError, match="cannot be written"):
            session.check_errors()
        assert session.state is State.IN_STEP
