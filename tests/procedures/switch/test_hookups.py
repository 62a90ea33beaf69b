"""The table of hookups: names, p-channel variants, resistors, drawings.

Not covered: whether relays make them (the simulator's tests), whether a hand did.
"""

from __future__ import annotations

import pytest

from labbench.errors import InputError
from labbench.procedures.switch.hookups import HOOKUPS, draw, hookup, joins_of, series_ohm_of


@pytest.mark.parametrize("name", sorted(HOOKUPS))
def test_every_hookup_can_be_drawn_and_names_no_lead_twice(name: str) -> None:
    lines = "\n".join(draw(name))
    for join in joins_of(name):
        start = join.split(" > ")[0]
        if start.startswith("supply"):
            assert start.replace(" plus", " +").replace(" minus", " -") in lines
    joined = hookup(name)
    assert len(joined.joins) == len(joins_of(name))


@pytest.mark.parametrize("name", [n for n in HOOKUPS if n.startswith("fet-")])
def test_the_gate_of_a_switch_is_in_every_hookup(name: str) -> None:
    words = " ".join(joins_of(name)).replace(">", " ").split()
    assert "G" in words


def test_a_p_channel_hookup_has_plus_and_minus_changed_and_nothing_else() -> None:
    assert joins_of("fet-drain-100k-p") == (
        "supply 1 minus > 100k > D", "supply 1 plus > S", "tie G S", "multimeter > across 100k",
    )  # fmt: skip
    assert hookup("fet-on", mirrored=True).joins["supply 2 minus"] == "1k > G"


def test_a_hookup_knows_its_series_resistor_and_its_instruments() -> None:
    assert series_ohm_of("fet-drain-100k") == 100e3
    assert series_ohm_of("fet-gate-plus") == 10e6
    assert series_ohm_of("fet-grade-ds") is None
    assert hookup("fet-drain-100k").instruments == ("supply", "multimeter")
    assert hookup("fet-impedance-gs").instruments == ("impedance_meter",)
    assert hookup("fet-short-ds", with_multimeter=False).instruments == ("supply",)


def test_an_unknown_hookup_gets_a_suggestion() -> None:
    with pytest.raises(InputError, match="did you mean 'fet-drain-100k'"):
        joins_of("fet-drain-100")
