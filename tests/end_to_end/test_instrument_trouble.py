"""Instruments that are not there, are not the right ones, or stop answering, as a user meets them.

Each gives one clear sentence on stderr, exit code 4, nothing on stdout, the output off and, where
a run was open, a journal closed with the reason. Does not cover every fault of a link
(tests/drivers).
"""

from __future__ import annotations

import json
import re
import socket
from collections.abc import Callable

import pytest

from sim.link_faults import FaultSchedule, LinkFault
from tests.end_to_end.conftest import Workshop
from tests.invoking import Said


def sentences(said: Said) -> list[str]:
    return [line for line in said.err.splitlines() if line.startswith("labbench: ")]


def check_refused(said: Said, *words: str) -> None:
    assert said.code == 4, said
    assert said.out == ""
    (sentence,) = sentences(said)
    for word in words:
        assert word in sentence + said.err, said.err
    assert "Traceback" not in said.err


def address_of(workshop: Workshop, role: str) -> str:
    return workshop.served.addresses[role]


@pytest.mark.parametrize("role", ["impedance_meter", "supply", "multimeter", "switch"])
def test_a_refused_connection_names_instrument_and_address(workshop: Workshop, role: str) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))  # bound and never listening: refused, and nobody else's
        nobody = f"TCPIP::127.0.0.1::{taken.getsockname()[1]}::SOCKET"
        workshop.edit_bench_file(lambda text: text.replace(address_of(workshop, role), nobody))
        said = workshop.verify("coil-470n", "D1", "--json")
    check_refused(said, nobody, "refused", "next:")
    assert not workshop.is_on()
    assert workshop.journals() == []


def test_the_bench_command_lists_every_instrument_though_one_cannot_be_reached(
    workshop: Workshop,
) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        nobody = f"TCPIP::127.0.0.1::{taken.getsockname()[1]}::SOCKET"
        workshop.edit_bench_file(
            lambda text: text.replace(address_of(workshop, "multimeter"), nobody)
        )
        said = workshop.labbench("bench", "--bench", workshop.bench_file, "--json")
    assert said.code == 4, said
    roles = {r["role"]: r for r in json.loads(said.out)["instruments"]}
    assert set(roles) == {"supply", "impedance_meter", "multimeter", "switch"}
    assert roles["multimeter"]["address"] == nobody
    (problem,) = roles["multimeter"]["problems"]
    assert "refused" in problem
    assert problem.count(nobody) == 1
    assert all(r["identity"] and not r["problems"] for n, r in roles.items() if n != "multimeter")


def test_the_bench_command_tells_an_accuracy_class_that_there_is_not(workshop: Workshop) -> None:
    workshop.edit_bench_file(lambda text: text.replace("6.5-digit", "6-digit"))
    said = workshop.labbench("bench", "--bench", workshop.bench_file)
    assert said.code == 2
    assert "no accuracy class '6-digit'; did you mean '6.5-digit'?" in said.err
    # the instruments were looked at all the same
    assert "supply           ok" in said.out


def test_a_simulated_bench_whose_simulator_does_not_run_says_how_to_start_it(
    workshop: Workshop,
) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        nobody = f"TCPIP::127.0.0.1::{taken.getsockname()[1]}::SOCKET"
        workshop.edit_bench_file(lambda text: text.replace(address_of(workshop, "supply"), nobody))
        measured = workshop.verify("coil-470n", "D1")
        looked = workshop.labbench("bench", "--bench", workshop.bench_file)
        workshop.edit_bench_file(lambda text: text.partition("[simulation]")[0])
        real = workshop.verify("coil-470n", "D1", "--unattended")
    assert "labbench simulate one-coil" in measured.err
    assert " ".join(looked.err.split()).count("labbench simulate one-coil") == 1
    assert "refused" in real.err
    assert "simulate" not in real.err


def test_another_identity_than_the_bench_file_expects_is_refused(workshop: Workshop) -> None:
    workshop.edit_bench_file(
        lambda text: re.sub(
            r"(\[instruments\.multimeter\]\n)", r'\1identity = "other workshop,meter"' + "\n", text
        )
    )
    said = workshop.verify("coil-470n", "D1", "--json")
    check_refused(said, "other workshop", "virtual bench,multimeter", address_of(
        workshop, "multimeter"))  # fmt: skip
    assert not workshop.is_on()


def test_a_supply_behind_the_lcr_meters_address_is_never_programmed(workshop: Workshop) -> None:
    meter, supply = address_of(workshop, "impedance_meter"), address_of(workshop, "supply")

    def swap(text: str) -> str:
        return text.replace(meter, "X").replace(supply, meter).replace("X", supply)

    workshop.edit_bench_file(swap)
    said = workshop.verify("coil-470n", "D1", "--json")
    check_refused(said)
    assert not workshop.is_on()
    supply_now = workshop.served.bench.supply
    assert supply_now is not None
    assert supply_now.voltage_v(1) == 0.0


def test_a_supply_that_stays_silent_from_the_start_is_named(
    workshops: Callable[..., Workshop],
) -> None:
    silent = FaultSchedule([LinkFault(n, "silent") for n in range(1, 100)])
    workshop = workshops(faults={"supply": silent})
    said = workshop.verify("coil-470n", "D1", "--json")
    check_refused(said, "supply", address_of(workshop, "supply"), "next:")
    assert workshop.journals() == []


# The supply has its own test below: silent while on, its state is not known.
@pytest.mark.parametrize(
    "role",
    [
        "multimeter",
        pytest.param("impedance_meter", marks=pytest.mark.slow),
        pytest.param("switch", marks=pytest.mark.slow),
    ],
)
def test_an_instrument_that_falls_silent_ends_the_run_with_the_output_off(
    workshops: Callable[..., Workshop], role: str
) -> None:
    counted = workshops(name="counted")
    assert counted.verify("coil-470n", "D1").code == 0
    whole = counted.served.servers[role].exchanges
    # three quarters through: in the compensation, the sweep or the resistance, as it falls
    begin = int(whole * 0.75)
    silent = FaultSchedule([LinkFault(n, "silent") for n in range(begin, begin + 500)])
    workshop = workshops(name="silent", faults={role: silent})
    said = workshop.verify("coil-470n", "D1", "--json")
    check_refused(said, address_of(workshop, role))
    assert not workshop.is_on()
    closed = workshop.journals()[-1].events[-1]
    assert closed.kind == "closed"
    assert closed.data["status"] == "failed"
    assert closed.data["reason"]
    assert closed.data["channels_not_off"] == []


@pytest.mark.slow
def test_a_supply_that_vanishes_while_on_is_named_first_and_loudest(
    workshops: Callable[..., Workshop], monkeypatch: pytest.MonkeyPatch
) -> None:
    counted = workshops(name="counted")
    supply, server = counted.served.bench.supply, counted.served.servers["supply"]
    assert supply is not None
    switched_on: list[int] = []
    original = supply.set_output

    def note(channel: int, on: bool) -> None:
        if on:
            switched_on.append(server.exchanges)
        original(channel, on)

    monkeypatch.setattr(supply, "set_output", note)
    assert counted.verify("coil-470n", "D1").code == 0
    gone = FaultSchedule([LinkFault(switched_on[0] + 3, "vanish", None)])
    workshop = workshops(name="gone", faults={"supply": gone})
    said = workshop.verify("coil-470n", "D1", "--json")
    assert said.code == 4
    assert said.out == ""
    first = next(line for line in said.err.splitlines() if not line.startswith("  "))
    assert first == "!" * 78
    assert "THE SUPPLY MAY STILL BE ON. Use the supply's own switch, now." in said.err
    closed = workshop.journals("verify")[-1].events[-1]
    assert closed.data["status"] == "failed"
    assert closed.data["channels_not_off"] == [1]
    assert workshop.is_on(), "the simulated supply is in fact on: the sentence is true"


def test_a_bench_locked_by_another_labbench_is_named(workshop: Workshop) -> None:
    with workshop.open():
        said = workshop.verify("coil-470n", "D1", "--json")
    check_refused(said, "is in use by labbench")
