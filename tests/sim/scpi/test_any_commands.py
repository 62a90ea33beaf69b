"""Any sequence of commands to a whole bench: refused or carried out, never a broken simulator.

Does not cover whether the readings are right, nor damage to the parts, which such sequences do
on purpose.
"""

from __future__ import annotations

import re

from hypothesis import example, given, settings
from hypothesis import strategies as st

from sim.profiles.catalogue import PROFILES
from sim.served import ServedBench

ROLES = ("impedance_meter", "supply", "multimeter", "switch")
WORDS = """
MIN MAX DEF ON OFF RX LSQ IMM BUS NAN INF NINF 0 -1 1E-9 1E9 1MHZ 100MV 5A 10KOHM 'VOLT' 'FRES'
(@101) (@198) (@201,202) (@203:206) (@101,203:206) (@1:9999) (@1) (@1,2) (@) #15abcde MLIN IMAG RAD
"""
ARGUMENTS = st.one_of(
    st.sampled_from(WORDS.split()),
    st.floats(allow_nan=False, allow_infinity=False).map(repr),
    st.integers(-10, 300).map(str),
)


def words(header: str) -> str:
    """Return a header with all its nodes, as it can be sent; ``#`` stands for a suffix."""
    return re.sub(r"<\d+:\d+>", "#", header).replace("[", "").replace("]", "")


def headers(which: int) -> list[tuple[str, str]]:
    """Return role and header of every command of the first or second profile of each role."""
    with ServedBench("one-coil", manual_clock=True, dialects=dialects(which)) as bench:
        return sorted(
            (role, words(command.header))
            for role in ROLES
            for command in bench.servers[role].interpreter.commands
        )


def dialects(which: int) -> dict[str, str]:
    return {role: list(PROFILES[role])[which] for role in ROLES}


SUFFIXES = st.sampled_from(["", "1", "2", "3", "101", "203", "999"])


def messages(which: int) -> st.SearchStrategy[list[tuple[tuple[str, str], bool, str]]]:
    filled = st.tuples(st.sampled_from(headers(which)), SUFFIXES).map(
        lambda drawn: (drawn[0][0], drawn[0][1].replace("#", drawn[1]))
    )
    arguments = st.lists(ARGUMENTS, max_size=2).map(",".join)
    return st.lists(st.tuples(filled, st.booleans(), arguments), max_size=25)


@given(messages(0), st.integers(0, 100))
@example(
    [
        (("switch", "ROUTe:CLOSe"), False, "(@101,203:206)"),
        (("supply", "SOURce:CURRent:LEVel:IMMediate:AMPLitude"), False, "MAX"),
        (("supply", "SOURce:VOLTage:LEVel:IMMediate:AMPLitude"), False, "MAX"),
        (("supply", "OUTPut:STATe"), False, "ON"),
        (("multimeter", "SENSe:RESistance:NPLCycles"), False, "MAX"),
        (("multimeter", "CONFigure:SCALar:RESistance"), False, ""),
        (("multimeter", "READ"), True, ""),
        (("switch", "ROUTe:OPEN:ALL"), False, ""),
        (("multimeter", "READ"), True, ""),
        (("supply", "MEASure:SCALar:VOLTage:DC"), True, ""),
    ],
    1,
)
@settings(max_examples=150, deadline=None)
def test_no_sequence_of_commands_breaks_the_simulator(
    messages: list[tuple[tuple[str, str], bool, str]], seed: int
) -> None:
    carry_out_all(messages, seed, 0)


@given(messages(1), st.integers(0, 100))
@settings(max_examples=150, deadline=None)
def test_no_sequence_of_commands_of_the_second_profiles_breaks_the_simulator(
    messages: list[tuple[tuple[str, str], bool, str]], seed: int
) -> None:
    carry_out_all(messages, seed, 1)


def carry_out_all(messages: list[tuple[tuple[str, str], bool, str]], seed: int, which: int) -> None:
    with ServedBench("one-coil", manual_clock=True, seed=seed, dialects=dialects(which)) as bench:
        interpreters = {role: bench.servers[role].interpreter for role in ROLES}
        for (role, header), query, arguments in messages:
            message = f"{header}{'?' if query else ''} {arguments}".encode("ascii")
            reply = interpreters[role].execute(message)
            assert reply is None or (query and reply.isascii())
            # Asked at once: a full queue would hide the entry that matters.
            while not (entry := interpreters[role].execute(b"SYST:ERR?") or b"").startswith(b"0,"):
                assert not entry.startswith(b"-310"), (message, entry)
        assert all(each.execute(b"*OPC?;SYST:ERR?") for each in interpreters.values())
