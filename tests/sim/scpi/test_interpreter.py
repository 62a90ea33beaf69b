"""The interpreter over a small instrument of the test's own: messages in, replies out.

Does not cover the four instruments (test_profiles) nor the link (test_instrument_server).
"""

from __future__ import annotations

import threading

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from sim.instruments.errors import SettingError
from sim.scpi.command import Command
from sim.scpi.framing import MessageFramer, MessageTooLongError
from sim.scpi.interpreter import Interpreter
from sim.scpi.numbers import nr3
from sim.scpi.parameters import Boolean, ChannelList, Choice, Limit, Named, Number

IDENTITY = "harbour,test instrument,7,1.0"


class Instrument:
    """A level with a limit, a relay card, and a command that breaks."""

    def __init__(self) -> None:
        self.level_v = 0.0
        self.current_a = 1.0
        self.relays: list[int] = []
        self.suffixes: tuple[int, ...] = ()
        self.condition = 0
        self.resets = 0
        limits = (lambda: (0.0, 30.0, 5.0),)
        self.interpreter = Interpreter(
            [
                Command(
                    "[SOURce]:VOLTage[:LEVel]",
                    do=self.set_level,
                    takes=(Number(unit="V", limits=limits[0]),),
                    answer=lambda limit=None: nr3(self.level_v if limit is None else limit, 3),
                    asks=(Limit(limits[0]),),
                ),
                Command("[SOURce]:VOLTage:PROTection", answer=lambda: "99"),
                Command(
                    "[SOURce]:CURRent",
                    do=self.set_current,
                    takes=(Number(unit="A"),),
                    answer=lambda: nr3(self.current_a, 3),
                ),
                Command("ROUTe:CLOSe", do=self.close, takes=(ChannelList(),)),
                Command("OUTPut<1:2>:RELay<1:4>", do=self.switch, takes=(Boolean(),)),
                Command(
                    "SENSe:FUNCtion", do=lambda name: None, takes=(Named({"RESistance": "r"}),)
                ),
                Command("TRIGger:SOURce", do=lambda word: None, takes=(Choice(("BUS",)),)),
                Command("BREak", do=self.break_down, answer=lambda: str(1 // 0)),
                Command("STALe", answer=self.refuse),
            ],
            identity=IDENTITY,
            reset=self.reset,
            questionable=lambda: self.condition,
        )
        self.send("*CLS")

    def send(self, message: str) -> str | None:
        reply = self.interpreter.execute(message.encode("latin-1"))
        return None if reply is None else reply.decode("ascii")

    def errors(self) -> list[int]:
        codes: list[int] = []
        while (code := int((self.send("SYST:ERR?") or "").split(",")[0])) != 0:
            codes.append(code)
        return codes

    def set_level(self, value: float) -> None:
        if not 0.0 <= value <= 30.0:
            raise SettingError(-222, f"voltage {value:g} is outside 0 to 30")
        self.level_v = value

    def set_current(self, value: float) -> None:
        self.current_a = value

    def close(self, numbers: list[int]) -> None:
        self.relays += numbers

    def switch(self, output: int, relay: int, on: bool) -> None:
        self.suffixes = (output, relay, int(on))

    def reset(self) -> None:
        self.resets += 1

    def break_down(self) -> None:
        raise RuntimeError("a fault of the simulator")

    def refuse(self) -> str:
        raise SettingError(-230, "nothing measured yet")


@pytest.fixture
def instrument() -> Instrument:
    return Instrument()


def test_a_query_is_answered_and_a_command_is_not(instrument: Instrument) -> None:
    assert instrument.send("VOLT 2.5") is None
    assert instrument.send("VOLT?") == "+2.500E+00"
    assert instrument.errors() == []


def test_the_replies_of_a_compound_message_are_joined(instrument: Instrument) -> None:
    assert instrument.send("VOLT 2;VOLT?;CURR?;*OPC?") == "+2.000E+00;+1.000E+00;1"


# SCPI-99 vol. 1, 6.2.4 (from memory): a header continues where the last one was, a leading colon
# returns to the root, a common command leaves the place as it is.
@pytest.mark.parametrize(
    ("message", "reply", "errors"),
    [
        ("SOUR:VOLT 3;CURR 2;VOLT?;CURR?", "+3.000E+00;+2.000E+00", []),
        ("SOUR:VOLT:LEV 3;PROT?", "99", []),
        ("SOUR:VOLT:LEV 3;CURR?", None, [-113]),
        ("SOUR:VOLT:LEV 3;:CURR?", "+1.000E+00", []),
        ("SOUR:VOLT:LEV 3;*OPC;PROT?", "99", []),
        ("SOUR:VOLT 3;SOUR:CURR?", None, [-113]),
        ("VOLT 3;PROT?", None, [-113]),
        ("VOLT 3;VOLT:PROT?", "99", []),
        (":SOUR:VOLT 3;:SOUR:CURR?", "+1.000E+00", []),
        (":VOLT:PROT?;LEV?", "99;+0.000E+00", []),
    ],
)
def test_where_a_header_starts_in_a_compound_message(
    instrument: Instrument, message: str, reply: str | None, errors: list[int]
) -> None:
    assert instrument.send(message) == reply
    assert instrument.errors() == errors


@pytest.mark.parametrize(
    ("message", "code"),
    [
        ("FREQ?", -113),
        ("VOL?", -113),
        ("VOLTAG?", -113),
        ("VOLT:PROT 5", -113),  # query only
        ("SENS:FUNC?", -113),  # command only
        ("*XYZ?", -113),
        ("*TRG", -113),  # an instrument without trigger
        ("VOLT", -109),
        ("VOLT 1,2", -108),
        ("CURR? MAX", -108),
        ("VOLT? 5", -128),
        ("VOLT? FOO", -148),
        ("VOLT 'a'", -158),
        ("VOLT #15abcde", -168),
        ("VOLT (@1)", -178),
        ("VOLT 5 A", -131),
        ("VOLT 31", -222),
        ("VOLT NAN", -222),
        ("VOLT -INF", -121),
        ("TRIG:SOUR IMM", -224),
        ("OUTP3:REL1 ON", -114),
        ("OUTP:REL5 ON", -114),
        ("VOLT2 1", -114),
        ("STAL?", -230),
        ("*ESE 256", -222),
        ("*SRE -1", -222),
        ("STAT:OPER:ENAB 65536", -222),
        ("$", -102),
        ("VOLT?\xff", -101),
        ("VOLT?1", -111),
    ],
)
def test_what_is_wrong_gets_no_reply_and_one_entry_in_the_queue(
    instrument: Instrument, message: str, code: int
) -> None:
    assert instrument.send(message) is None
    assert instrument.errors() == [code]


def test_after_a_command_error_the_rest_of_the_message_is_dropped(instrument: Instrument) -> None:
    assert instrument.send("VOLT 1;VOLT?;FOO;CURR 5;CURR?") == "+1.000E+00"
    assert instrument.current_a == 1.0
    assert instrument.errors() == [-113]


def test_after_an_execution_error_the_rest_is_carried_out(instrument: Instrument) -> None:
    assert instrument.send("VOLT 99;CURR 5;STAL?;CURR?") == "+5.000E+00"
    assert instrument.level_v == 0.0
    assert instrument.errors() == [-222, -230]


def test_the_entry_says_what_was_refused(instrument: Instrument) -> None:
    instrument.send("FETC:IMP?")
    assert instrument.send("SYST:ERR?") == '-113,"Undefined header;FETC:IMP"'
    instrument.send("VOLT 99")
    assert instrument.send("SYST:ERR:NEXT?") == (
        '-222,"Data out of range;voltage 99 is outside 0 to 30"'
    )


def test_a_fault_of_the_simulator_is_an_entry_and_a_log_line(
    instrument: Instrument, caplog: pytest.LogCaptureFixture
) -> None:
    assert instrument.send("BRE") is None
    assert instrument.send("BRE?") is None
    assert instrument.errors() == [-310, -310]
    assert "a fault of the simulator" in caplog.text
    assert "ZeroDivisionError" in caplog.text


def test_limits_can_be_set_and_asked_by_name(instrument: Instrument) -> None:
    assert instrument.send("VOLT MAX;VOLT?;VOLT? MIN;VOLT? DEF") == (
        "+3.000E+01;+0.000E+00;+5.000E+00"
    )


def test_suffixes_come_before_the_values(instrument: Instrument) -> None:
    instrument.send("OUTP2:REL3 ON")
    assert instrument.suffixes == (2, 3, 1)
    instrument.send("OUTPut:RELay OFF")
    assert instrument.suffixes == (1, 1, 0)


# Required by IEEE 488.2 and SCPI-99 (from memory); forms of the answers as there.
def test_every_required_command_is_there(instrument: Instrument) -> None:
    for command in ("*CLS", "*ESE 0", "*OPC", "*RST", "*SRE 0", "*WAI", "STAT:PRES"):
        assert instrument.send(command) is None
    for query, reply in (
        ("*ESE?", "0"),
        ("*ESR?", "1"),
        ("*IDN?", IDENTITY),
        ("*OPC?", "1"),
        ("*SRE?", "0"),
        ("*STB?", "0"),
        ("*TST?", "0"),
        ("SYSTem:ERRor?", '0,"No error"'),
        ("SYSTem:ERRor:NEXT?", '0,"No error"'),
        ("SYSTem:VERSion?", "1999.0"),
        ("STATus:OPERation?", "0"),
        ("STATus:OPERation:EVENt?", "0"),
        ("STATus:OPERation:CONDition?", "0"),
        ("STATus:OPERation:ENABle?", "0"),
        ("STATus:QUEStionable?", "0"),
        ("STATus:QUEStionable:EVENt?", "0"),
        ("STATus:QUEStionable:CONDition?", "0"),
        ("STATus:QUEStionable:ENABle?", "0"),
    ):
        assert instrument.send(query) == reply
    assert instrument.errors() == []
    assert instrument.resets == 1
    assert len(IDENTITY.split(",")) == 4


def test_the_event_register_is_cleared_by_reading_and_enables_stay(instrument: Instrument) -> None:
    instrument.send("*ESE #H30;*SRE 255;FOO")
    assert instrument.send("*ESE?;*SRE?") == "48;191"  # bit 6 cannot be enabled
    assert instrument.send("*STB?") == str(4 + 32 + 64)
    assert instrument.send("*ESR?") == "32"
    assert instrument.send("*ESR?") == "0"
    instrument.send("*CLS")
    assert instrument.send("*STB?;*ESE?") == "0;48"


def test_the_status_byte_shows_an_answer_that_is_waiting(instrument: Instrument) -> None:
    assert instrument.send("VOLT?;*STB?") == "+0.000E+00;16"
    assert instrument.send("*STB?") == "0"


def test_a_questionable_condition_is_latched_and_summarised(instrument: Instrument) -> None:
    instrument.send("STAT:QUES:ENAB 3")
    instrument.condition = 2
    instrument.send("VOLT 1")
    instrument.condition = 0
    assert instrument.send("STAT:QUES:COND?") == "0"
    assert instrument.send("*STB?") == "8"
    assert instrument.send("STAT:QUES?") == "2"
    assert instrument.send("STAT:QUES?;*STB?") == "0;16"


def test_nothing_can_be_asked_after_the_identity_in_one_message(instrument: Instrument) -> None:
    # IEEE 488.2, 6.4.3 and 10.14.2 (from memory): its answer has no definite end.
    assert instrument.send("*IDN?;VOLT?") == IDENTITY
    assert instrument.errors() == [-440]
    assert instrument.send("VOLT?;*IDN?;VOLT 7") == "+0.000E+00;" + IDENTITY
    assert instrument.level_v == 7.0
    assert instrument.errors() == []


def test_a_reset_leaves_the_queue_and_the_enables_alone(instrument: Instrument) -> None:
    instrument.send("*ESE 4;FOO")
    instrument.send("*RST")
    assert instrument.send("*ESE?") == "4"
    assert instrument.errors() == [-113]


def test_connections_share_one_instrument_without_mixing_answers(instrument: Instrument) -> None:
    wrong: list[str | None] = []

    def ask(header: str, reply: str) -> None:
        for _ in range(200):
            answer = instrument.send(f"{header}?;:{header}?")
            if answer != f"{reply};{reply}":
                wrong.append(answer)

    threads = [
        threading.Thread(target=ask, args=arguments)
        for arguments in (("VOLT", "+0.000E+00"), ("CURR", "+1.000E+00"), ("VOLT:PROT", "99"))
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert wrong == []


PIECES = st.sampled_from(
    """*IDN?|VOLT|SOUR:VOLT?|CURR 1|ROUT:CLOS (@1:3)|;|:|,| |?|#|'|"|(|)|(@|@|1E3|1E999999|MV|-|.
|#15ab;cd|#0|#HFFFF|#Q|STAT:OPER:ENAB |*ESE |MAX|OUTP2:REL9 |1:999999999|BUS|@00|@FF""".replace(
        "@00", chr(0)
    )
    .replace("@FF", chr(255))
    .split("|")
)


@given(
    st.one_of(
        st.binary(max_size=200),
        st.lists(PIECES, max_size=20).map("".join).map(lambda text: text.encode("latin-1")),
    )
)
@example(b"VOLT " + b"9" * 100_000)
@example(b"ROUT:CLOS (@1:999999999,1:999999999)")
@example(b"(" * 5000)
@example(b"X " + b"((" * 5000)
@example(b"VOLT 1E" + b"9" * 20_000)
@example(b"VOLT #H" + b"F" * 20_000)
@example(b";" * 10_000)
@settings(max_examples=400, deadline=None)
def test_any_bytes_are_carried_out_or_are_in_the_queue(message: bytes) -> None:
    instrument = Instrument()
    reply = instrument.interpreter.execute(message)
    assert reply is None or (reply.isascii() and b"\n" not in reply)
    errors = instrument.errors()
    assert -310 not in errors
    if b"?" not in message:
        assert reply is None
    # Whatever came before, the next message finds a working instrument.
    assert instrument.send("*CLS;*OPC?") == "1"


@given(st.binary(min_size=1, max_size=100).filter(lambda data: data[0] > 0x7F or data[0] in b"$%&"))
def test_bytes_that_begin_no_message_are_always_in_the_queue(message: bytes) -> None:
    instrument = Instrument()
    assert instrument.interpreter.execute(message) is None
    assert instrument.errors() in ([-101], [-102])


@given(st.binary(max_size=300), st.integers(1, 40), st.integers(1, 60))
@settings(max_examples=300, deadline=None)
def test_a_framer_ends_for_any_bytes_in_any_pieces(data: bytes, piece: int, bound: int) -> None:
    framer = MessageFramer(bound)
    for start in range(0, len(data), piece):
        framer.feed(data[start : start + piece])
        for _ in range(len(data) + 2):
            try:
                message = framer.next_message()
            except MessageTooLongError:
                continue
            if message is None:
                break
            assert len(message) <= bound
        else:
            pytest.fail("the framer gave out more messages than bytes")


@given(
    st.lists(st.binary(max_size=20).map(lambda data: data.replace(b"\n", b"").replace(b"#", b"")))
)
def test_lines_come_out_as_they_went_in(lines: list[bytes]) -> None:
    framer = MessageFramer(100)
    framer.feed(b"".join(line + b"\n" for line in lines))
    found = []
    while (message := framer.next_message()) is not None:
        found.append(message)
    assert found == lines


def test_a_line_feed_inside_a_block_belongs_to_the_block() -> None:
    framer = MessageFramer(100)
    framer.feed(b"VOLT #15ab\nc")
    assert framer.next_message() is None
    framer.feed(b"d;CURR 1\n*IDN?\n")
    assert framer.next_message() == b"VOLT #15ab\ncd;CURR 1"
    assert framer.next_message() == b"*IDN?"
    assert framer.next_message() is None


@pytest.mark.parametrize(
    "line", [b"X '#15'", b'X "a #19 b"', b"VOLT#15", b"X #1", b"X #2x1", b"X #3999", b"X #15abcde"]
)
def test_what_is_no_open_block_swallows_no_line(line: bytes) -> None:
    framer = MessageFramer(100)
    framer.feed(line + b"\n*IDN?\n")
    assert framer.next_message() == line
    assert framer.next_message() == b"*IDN?"


def test_a_message_beyond_the_bound_is_reported_once_and_dropped() -> None:
    framer = MessageFramer(10)
    framer.feed(b"x" * 11)
    with pytest.raises(MessageTooLongError):
        framer.next_message()
    assert framer.next_message() is None
    framer.feed(b"x" * 1000)
    assert framer.next_message() is None
    framer.feed(b"x\n*IDN?\n" + b"y" * 10 + b"\n")
    assert framer.next_message() == b"*IDN?"
    assert framer.next_message() == b"y" * 10
