"""A whole bench by each kind of link: the scenario says which, the bench file says how.

Does not cover the links themselves (test_links_through_visa), nor that the drivers can use the
bench file.
"""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from pathlib import Path

import pytest
from pyvisa.resources import MessageBasedResource

from sim.link_faults import FaultSchedule
from sim.links.kinds import KINDS
from sim.profiles.catalogue import PROFILES
from sim.scenario import load_scenario
from sim.served import ServedBench
from sim.text import TextError

Opening = Callable[..., MessageBasedResource]
ROLES = tuple(PROFILES)
BEGINS = {
    "socket": "TCPIP::127.0.0.1::",
    "hislip": "TCPIP::127.0.0.1::hislip0,",
    "serial-pty": "ASRL/dev/pts/",
    "serial-socket": "ASRLsocket://127.0.0.1:",
}


def changed(tmp_path: Path, **lines: str) -> Path:
    """Return one-coil with lines added to the tables of instruments."""
    source = load_scenario("one-coil").path
    assert source is not None
    text = source.read_text(encoding="utf-8")
    for role, line in lines.items():
        assert f"[instruments.{role}]\n" in text
        text = text.replace(f"[instruments.{role}]\n", f"[instruments.{role}]\n{line}\n")
    path = tmp_path / "changed.toml"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("which", [0, 1])
def test_a_bench_is_served_by_each_kind_of_link_in_each_dialect(
    nothing_left: None, opening: Opening, kind: str, which: int
) -> None:
    dialects = {role: list(PROFILES[role])[which] for role in ROLES}
    with ServedBench(
        "one-coil", manual_clock=True, links=dict.fromkeys(ROLES, kind), dialects=dialects
    ) as bench:
        file = tomllib.loads(bench.bench_toml())["instruments"]
        for role in ROLES:
            assert file[role]["resource"] == bench.addresses[role]
            assert file[role]["resource"].startswith(BEGINS[kind])
            assert file[role]["dialect"] == dialects[role]
            session = opening(file[role]["resource"])
            assert session.query("*IDN?").startswith("virtual bench,")
            assert session.query("SYST:ERR?").strip() == '0,"No error"'
            session.close()


def test_a_scenario_says_link_and_dialect_of_each_instrument(tmp_path: Path) -> None:
    path = changed(
        tmp_path,
        impedance_meter='link = "hislip"',
        supply='link = "serial-socket"\ndialect = "supply-channel-list"',
        switch='dialect = "switch-output-tree"',
    )
    with ServedBench(path, manual_clock=True) as bench:
        kinds = {role: server.kind for role, server in bench.servers.items()}
        assert kinds == {
            "impedance_meter": "hislip",
            "supply": "serial-socket",
            "multimeter": "socket",
            "switch": "socket",
        }
        found = tomllib.loads(bench.bench_toml())["instruments"]
        assert {role: found[role]["dialect"] for role in found} == {
            "impedance_meter": "impedance-function-tree",
            "supply": "supply-channel-list",
            "multimeter": "multimeter-scpi99",
            "switch": "switch-output-tree",
        }


def test_every_mistake_in_links_and_dialects_is_named(tmp_path: Path) -> None:
    path = changed(
        tmp_path,
        impedance_meter='link = "hislop"',
        supply='dialect = "supply-chanel-list"',
        multimeter='dialect = "supply-channel-list"',
        switch='link = "serial-pty"',
    )
    path.write_text(
        path.read_text(encoding="utf-8")
        + '[[link_faults]]\ninstrument = "switch"\nexchange = 1\nkind = "vanish"\n',
        encoding="utf-8",
    )
    with pytest.raises(TextError) as caught:
        load_scenario(path)
    told = "\n".join(caught.value.problems)
    for words in (
        'did you mean "hislip"?',
        'did you mean "supply-channel-list"?',
        'instruments.multimeter.dialect: "supply-channel-list" is not known',
        "link_faults[1].kind: a link of kind serial-pty cannot vanish",
    ):
        assert words in told
    assert len(caught.value.problems) == 4


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"links": {"supply": "telepathy"}}, "no link of kind 'telepathy'"),
        ({"dialects": {"supply": "switch-scpi99"}}, "no profile 'switch-scpi99' for supply"),
        ({"links": {"oscilloscope": "socket"}}, "oscilloscope: scenario 'one-coil' has only"),
        ({"dialects": {"oscilloscope": "x"}}, "oscilloscope: scenario 'one-coil' has only"),
        ({"links": {"switch": "serial-pty"}, "ports": {"switch": 4711}}, "has no port"),
        (
            {
                "links": {"switch": "serial-pty"},
                "faults": {"switch": FaultSchedule([(1, "disconnect", None)])},
            },
            "serial-pty cannot disconnect",
        ),
    ],
)
def test_what_cannot_be_served_is_refused_and_leaves_nothing_behind(
    nothing_left: None, options: dict[str, dict[str, object]], message: str
) -> None:
    with pytest.raises(ValueError, match=message):
        ServedBench("one-coil", manual_clock=True, **options)  # type: ignore[arg-type]


def test_a_schedule_can_be_changed_while_the_bench_is_served(opening: Opening) -> None:
    with ServedBench("one-coil", manual_clock=True, links={"switch": "hislip"}) as bench:
        server = bench.servers["switch"]
        session = opening(bench.addresses["switch"], 200)
        session.query("*IDN?")
        server.faults = FaultSchedule([(2, "double", None)])
        assert session.query("ROUT:CLOS:STAT?") == "(@)"
        session.close()
        assert server.exchanges == 2
