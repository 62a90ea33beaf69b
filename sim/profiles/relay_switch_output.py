"""The relay switch's commands: ``switch-output-tree``.

OUTPut with a numeric suffix is SCPI-99's (vol. 1, 6.2.5; vol. 2, OUTPut; from memory); the suffix
is the number of the relay. OUTPut:ALL:OFF is this simulator's own.
"""

from __future__ import annotations

from sim.instruments import RelaySwitch
from sim.scpi.command import Command
from sim.scpi.errors import ScpiError
from sim.scpi.interpreter import Interpreter
from sim.scpi.numbers import boolean
from sim.scpi.parameters import Boolean

DIALECT = "switch-output-tree"
# Wider than the relays that exist: a suffix left out is 1, and OUTPut:ALL has none.
_OUTPUT = "OUTPut<1:999>"


def relay_switch_output(switch: RelaySwitch, *, identity: str) -> Interpreter:
    """Return the interpreter of a relay switch whose relays are outputs with a number."""

    def known(number: int) -> int:
        if number not in switch.relays:
            raise ScpiError(-114, f"there is no relay {number}")
        return number

    def put(number: int, on: bool) -> None:
        if on:
            switch.close([known(number)])
        else:
            switch.open([known(number)])

    def all_off(number: int) -> None:
        if number != 1:
            raise ScpiError(-114, f"OUTPut{number}:ALL")
        switch.open_all()

    commands = [
        Command(
            f"{_OUTPUT}[:STATe]",
            do=put,
            takes=(Boolean(),),
            answer=lambda number: boolean(known(number) in switch.closed()),
        ),
        Command(f"{_OUTPUT}:ALL:OFF", do=all_off),
    ]
    return Interpreter(commands, identity=identity, reset=switch.reset)
