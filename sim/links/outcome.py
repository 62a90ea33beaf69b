"""What a message leads to on a link: bytes to send, and trouble with the link itself."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from sim.link_faults import LinkFault
from sim.scpi.interpreter import Interpreter

Trouble = Literal["", "disconnect", "vanish", "deaf"]


@dataclass(frozen=True)
class Piece:
    """Bytes to send, after real seconds; whether the response message ends with them.

    A stream of bytes shows no ends, so there the terminator is all; a link that marks the end of
    a message marks it where ``ends`` says so.
    """

    data: bytes
    after_s: float = 0.0
    ends: bool = True


@dataclass(frozen=True)
class Outcome:
    """What to send and what happens to the link then; ``seconds`` None: for good."""

    pieces: tuple[Piece, ...] = ()
    trouble: Trouble = ""
    seconds: float | None = None


def outcome(
    interpreter: Interpreter, message: bytes, fault: LinkFault | None, terminator: bytes
) -> Outcome:
    """Carry a message out, as far as its fault lets it, and return what the client sees of it."""
    if fault is None:
        reply = interpreter.execute(message)
        return Outcome((Piece(reply + terminator),) if reply is not None else ())
    reply = interpreter.execute(message) if fault.acts else None
    seconds = float(fault.parameter) if isinstance(fault.parameter, int | float) else None
    match fault.kind:
        case "refuse":
            interpreter.refuse(int(seconds) if seconds is not None else -200)
        case "disconnect" | "act-and-disconnect":
            return Outcome(trouble="disconnect")
        case "vanish":
            return Outcome(trouble="vanish", seconds=seconds)
        case "deaf":
            return Outcome(trouble="deaf", seconds=seconds)
        case _ if reply is not None:
            return Outcome(_spoilt(reply, terminator, fault, seconds or 0.0))
        case _:
            pass
    return Outcome()


def _spoilt(reply: bytes, terminator: bytes, fault: LinkFault, seconds: float) -> tuple[Piece, ...]:
    line, middle = reply + terminator, len(reply) // 2
    match fault.kind:
        case "late":
            return (Piece(line, seconds),)
        case "split":
            return Piece(line[:middle], ends=False), Piece(line[middle:], seconds)
        case "repeat-later":
            return (Piece(line),)  # the server keeps a copy for the next reply
        case "double":
            return Piece(line), Piece(line)
        case "garble":
            noise = fault.parameter if isinstance(fault.parameter, bytes) else b"\xff"
            end = min(middle + len(noise), len(reply))
            return (Piece(line[:middle] + noise[: end - middle] + line[end:]),)
        case "unterminated":
            return (Piece(reply, ends=False),)
        case _:
            return ()  # act-but-lose-reply, silent
