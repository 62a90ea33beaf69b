"""The relay switch's commands: ``switch-scpi99``."""

from __future__ import annotations

from sim.instruments import RelaySwitch
from sim.scpi.command import Command
from sim.scpi.errors import ScpiError
from sim.scpi.interpreter import Interpreter
from sim.scpi.numbers import boolean
from sim.scpi.parameters import ChannelList

DIALECT = "switch-scpi99"


def relay_switch(switch: RelaySwitch, *, identity: str) -> Interpreter:
    """Return the interpreter of a relay switch."""
    channels = (ChannelList(),)

    def closed_among(numbers: list[int]) -> list[bool]:
        unknown = [str(number) for number in numbers if number not in switch.relays]
        if unknown:
            raise ScpiError(-222, f"there is no relay {', '.join(unknown)}")
        closed = set(switch.closed())
        return [number in closed for number in numbers]

    def are_closed(numbers: list[int]) -> str:
        return ",".join(boolean(closed) for closed in closed_among(numbers))

    def are_open(numbers: list[int]) -> str:
        return ",".join(boolean(not closed) for closed in closed_among(numbers))

    def state() -> str:
        return "(@" + ",".join(str(number) for number in sorted(switch.closed())) + ")"

    commands = [
        Command("ROUTe:CLOSe", do=switch.close, takes=channels, answer=are_closed, asks=channels),
        Command("ROUTe:CLOSe:STATe", answer=state),
        Command("ROUTe:OPEN", do=switch.open, takes=channels, answer=are_open, asks=channels),
        Command("ROUTe:OPEN:ALL", do=switch.open_all),
    ]
    return Interpreter(commands, identity=identity, reset=switch.reset)
