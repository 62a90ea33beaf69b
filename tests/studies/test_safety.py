"""Run a part of the safety study, and break procedures on purpose: the monitor names the rule.

The whole study is `make study`; its table is results/safety.md. Does not cover: what stands at the
top of safety.py; the monitor's own arithmetic (tests/sim/switch_bench).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import pytest

from labbench.bench.bench import Bench
from labbench.bench.guarded_supply import GuardedSupply
from labbench.procedures.switch import on_resistance
from labbench.procedures.switch.hookups import hookup
from labbench.procedures.switch.live import Live
from tests.studies.safety import RULES, Row, Trial, run_trial, trials
from tests.studies.safety_benches import Laid

Patch = pytest.MonkeyPatch


def trial(name: str) -> Trial:
    return next(each for each in trials() if each.procedure == name)


def first_sound(name: str, edit: Callable[[str], str] = lambda text: text) -> Row:
    """Run a procedure on its first part, which is sound."""
    return run_trial(trial(name), only=lambda laid: laid.specimen == "X1", edit=edit)


def without_relay(name: str, relay: int) -> Callable[[str], str]:
    """Take a relay out of a hookup of the bench file."""
    return _changed(name, lambda relays: [each for each in relays if each != relay])


def with_relay(name: str, relay: int) -> Callable[[str], str]:
    """Put a relay into a hookup of the bench file."""
    return _changed(name, lambda relays: [*relays, relay])


def _changed(name: str, change: Callable[[list[int]], Sequence[int]]) -> Callable[[str], str]:
    def edit(text: str) -> str:
        lines = text.splitlines()
        (place,) = [n for n, line in enumerate(lines) if line.startswith(f"{name} = ")]
        relays = [int(each) for each in lines[place].split("@")[1].rstrip(')"').split(",")]
        lines[place] = f'{name} = "(@{",".join(map(str, sorted(change(relays))))})"'
        return "\n".join(lines) + "\n"

    return edit


def _among(wanted: set[str]) -> Callable[[Laid], bool]:
    return lambda laid: laid.specimen in wanted


def nothing(*_: Any, **__: Any) -> None:
    pass


def test_sound_procedures_break_no_rule_on_sound_and_on_short_parts(
    say: Callable[[str], None],
) -> None:
    total = Row()
    for name in ("MOSFET screen, n-channel", "MOSFET in place, p-channel", "load, core"):
        total.add(run_trial(trial(name), only=lambda laid: laid.fault in ("none", "short")))
    shares = ", ".join(f"{rule} {share:.2f}" for rule, share in sorted(total.nearest.items()))
    say(f"{len(total.broken)} rules broken in {total.runs} runs; nearest: {shares}")
    assert total.broken == []
    assert total.refused == 0
    # a monitor that saw nothing would show nothing
    assert {"resistor", "power", "re-tie", "floating", "contact"} <= set(total.nearest)


@pytest.mark.slow
def test_every_procedure_breaks_no_rule_on_drawn_faults(say: Callable[[str], None]) -> None:
    total = Row()
    for number, each in enumerate(trials()):
        # one part of each, another for every procedure
        parts = sum(len(tables) for tables in each.faults.values())
        total.add(run_trial(each, only=_among({f"X{1 + 7 * number % parts}"})))
    say(f"{len(total.broken)} rules broken in {total.runs} runs of {len(trials())} procedures on "
        f"{len(total.faults - {'none'})} faults")  # fmt: skip
    assert total.broken == []
    # the capacitor never came to give more than the limit: nothing to compare
    assert set(RULES) - {"capacitor"} <= set(total.nearest)


def run_down_by_nothing(patch: Patch) -> None:
    patch.setattr(Live, "_run_down", nothing)
    patch.setattr(GuardedSupply, "wait_discharged", nothing)


def bleed_before_it_is_off(patch: Patch) -> None:
    def too_early(self: Live) -> None:
        self._bench.connect(hookup("fet-bleed"))

    # The bench itself refuses this twice over; without that it is the monitor's turn.
    patch.setattr(Bench, "_refuse_while_on", nothing)
    patch.setattr(Bench, "_before_a_re_tie", nothing)
    patch.setattr(Live, "_run_down", too_early)


def hold_the_current_for_seconds(patch: Patch) -> None:
    patch.setattr(on_resistance, "_ON_S", 60.0)
    patch.setattr(on_resistance, "_SETTLE_S", 2.0)


def drive_with_volts(patch: Patch) -> None:
    patch.setattr(on_resistance, "drive", lambda *_, **__: (2.0, 3.0))
    patch.setattr(on_resistance, "_SURGE_J", 1.0)


def unchanged(patch: Patch) -> None:
    pass


SCREEN, FULL = "MOSFET screen, n-channel", "MOSFET, n-channel"
BROKEN = [
    ("no wait for the discharge", SCREEN, run_down_by_nothing, None, "re-tie"),
    ("the wrong order: relays move before the output is off", SCREEN, bleed_before_it_is_off, None,
     "re-tie"),
    ("the gate left open", SCREEN, unchanged, without_relay("fet-drain-100k", 322), "floating"),
    ("the series resistor bypassed", SCREEN, unchanged, with_relay("fet-diode-4k3", 311),
     "resistor"),
    ("too long on", FULL, hold_the_current_for_seconds, None, "time"),
    ("volts where half a volt is allowed", FULL, drive_with_volts, None, "resistor"),
]  # fmt: skip


@pytest.mark.parametrize(
    ("name", "procedure", "mutant", "edit", "rule"), BROKEN, ids=[each[0] for each in BROKEN]
)
def test_a_procedure_that_is_broken_on_purpose_is_caught_by_the_rule_that_it_breaks(
    name: str, procedure: str, mutant: Callable[[Patch], None],
    edit: Callable[[str], str] | None, rule: str, monkeypatch: Patch,
) -> None:  # fmt: skip
    mutant(monkeypatch)
    row = first_sound(procedure, edit or (lambda text: text))
    assert rule in {broken for broken, _ in row.broken}, (name, row)
