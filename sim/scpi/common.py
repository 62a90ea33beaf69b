"""The commands that every instrument has: IEEE 488.2 and the required ones of SCPI-99."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from sim.scpi.command import Command
from sim.scpi.errors import ScpiError
from sim.scpi.numbers import nr1
from sim.scpi.parameters import Number
from sim.scpi.status import EventRegister, StatusByte

if TYPE_CHECKING:
    from sim.scpi.interpreter import Interpreter

_INTEGER = (Number(integer=True),)


def common_commands(instrument: Interpreter, trigger: Callable[[], None] | None) -> list[Command]:
    """Return the required commands, acting on this instrument."""
    status = instrument.status
    operations = instrument.operations

    def clear() -> None:
        operations.forget_announcement()
        status.clear()

    def set_event_enable(mask: int) -> None:
        status.event_enable = _byte(mask)

    def set_service_enable(mask: int) -> None:
        # Bit 6 summarises the others and cannot be enabled itself (IEEE 488.2, 11.3.2.3).
        status.service_enable = _byte(mask) & ~StatusByte.MASTER_SUMMARY

    def status_byte() -> str:
        instrument.look()
        return nr1(status.byte(message_available=instrument.message_available))

    def complete() -> str:
        operations.wait()
        return "1"

    commands = [
        Command("*CLS", do=clear, overlapped=True),
        Command(
            "*ESE",
            do=set_event_enable,
            takes=_INTEGER,
            answer=lambda: nr1(status.event_enable),
            overlapped=True,
        ),
        Command("*ESR", answer=lambda: nr1(status.take_events()), overlapped=True),
        Command("*IDN", answer=lambda: instrument.identity, overlapped=True, last_in_message=True),
        Command("*OPC", do=operations.announce_completion, answer=complete, overlapped=True),
        Command("*RST", do=instrument.reset, overlapped=True),
        Command(
            "*SRE",
            do=set_service_enable,
            takes=_INTEGER,
            answer=lambda: nr1(status.service_enable),
            overlapped=True,
        ),
        Command("*STB", answer=status_byte, overlapped=True),
        Command("*TST", answer=lambda: "0"),
        Command("*WAI", do=operations.wait, overlapped=True),
        Command("SYSTem:ERRor[:NEXT]", answer=status.next_error, overlapped=True),
        Command("SYSTem:VERSion", answer=lambda: "1999.0", overlapped=True),
        Command("STATus:PRESet", do=status.preset, overlapped=True),
        *_register("STATus:OPERation", status.operation, instrument),
        *_register("STATus:QUEStionable", status.questionable, instrument),
    ]
    if trigger is not None:
        commands.append(Command("*TRG", do=trigger, overlapped=True))
    return commands


def _register(header: str, register: EventRegister, instrument: Interpreter) -> list[Command]:
    lock = instrument.status.lock

    def event() -> str:
        instrument.look()
        with lock:
            return nr1(register.take_event())

    def condition() -> str:
        instrument.look()
        return nr1(register.condition)

    def set_enable(mask: int) -> None:
        if not 0 <= mask <= 0xFFFF:
            raise ScpiError(-222, f"{mask} is outside 0 to 65535")
        with lock:
            register.set_enable(mask)

    return [
        Command(f"{header}[:EVENt]", answer=event, overlapped=True),
        Command(f"{header}:CONDition", answer=condition, overlapped=True),
        Command(
            f"{header}:ENABle",
            do=set_enable,
            takes=_INTEGER,
            answer=lambda: nr1(register.enable),
            overlapped=True,
        ),
    ]


def _byte(mask: int) -> int:
    if not 0 <= mask <= 255:
        raise ScpiError(-222, f"{mask} is outside 0 to 255")
    return mask
