"""Check that contact starts the sweep: bounce, half contact, an open, the part before.

Not covered: how real tips bounce (the figures are common practice, no source).
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pytest

from labbench.errors import StepAborted, StoppedByPerson
from labbench.ports import Event
from labbench.procedures.contact import ContactSettings, wait_for_contact
from labbench.records.journal import read_journal
from tests.doubles import Rig, coil

HOOKUP = ("hookup", "coil-impedance", "done")
QUICK = ContactSettings(patience_s=3.0)


def in_time(rig: Rig, *phases: tuple[float, complex | None]) -> None:
    """Let the jig read each impedance until that many seconds from now, then the coil."""
    begun = rig.clock.now_s

    def impedance(frequency_hz: float, now_s: float) -> complex | None:
        for until_s, extra in phases:
            if now_s - begun < until_s:
                return None if extra is None else extra + coil(frequency_hz, now_s)
        return coil(frequency_hz, now_s)

    rig.world.impedance = impedance


def by_hand(tmp_path: Path, *script: tuple[str, str, str]) -> Rig:
    return Rig(tmp_path, HOOKUP, *script, by_person=True)


def elapsed(rig: Rig) -> float:
    return rig.clock.now_s - 100.0


def test_contact_that_comes_late_starts_without_a_question(tmp_path: Path) -> None:
    rig = by_hand(tmp_path)
    in_time(rig, (1.5, None))
    assert wait_for_contact(rig.bench, "D3", settings=QUICK) == "contact"
    rig.operator.finish()
    assert 1.5 + QUICK.steady_s <= elapsed(rig) < 3.0


def test_bounce_and_half_contact_are_waited_out(tmp_path: Path) -> None:
    rig = by_hand(tmp_path)
    # away and back, then two plateaus of a tip not pressed home, each steady for 0.35 s
    in_time(
        rig,
        (0.5, None), (0.52, 0.8 + 0j), (0.53, None), (0.55, 0.3 + 0j), (0.56, None),
        (0.91, 0.2 + 0j), (1.26, 0.02 + 0j),
    )  # fmt: skip
    assert wait_for_contact(rig.bench, "D3", settings=QUICK) == "contact"
    assert elapsed(rig) >= 1.26 + QUICK.steady_s
    last = read_journal(rig.path).valid_readings()[-1].data["reading"]
    assert last["resistance_ohm"] == pytest.approx(coil(1e4, 0.0).real)


def test_contact_is_read_at_no_more_than_half_a_volt_without_the_supply(tmp_path: Path) -> None:
    rig = by_hand(tmp_path)
    in_time(rig, (0.3, None))
    wait_for_contact(rig.bench, "D3", settings=QUICK)
    assert rig.impedance_meter.point.level_v <= 0.5
    assert not [name for name in rig.exchanges.names if name.startswith("supply.switch")]


def test_without_contact_a_person_may_say_that_it_is_in_the_jig(tmp_path: Path) -> None:
    rig = by_hand(tmp_path, ("confirm", "in-the-jig", "yes"))
    rig.world.impedance = lambda frequency_hz, now_s: None
    assert wait_for_contact(rig.bench, "D3", settings=QUICK) == "open"
    rig.operator.finish()
    assert elapsed(rig) >= QUICK.patience_s


def test_a_high_impedance_counts_as_open(tmp_path: Path) -> None:
    rig = by_hand(tmp_path, ("confirm", "in-the-jig", "yes"))
    rig.world.impedance = lambda frequency_hz, now_s: complex(0.0, -3e6)
    assert wait_for_contact(rig.bench, "D3", settings=QUICK) == "open"


def test_waiting_goes_on_when_the_person_says_so(tmp_path: Path) -> None:
    rig = by_hand(tmp_path, ("confirm", "in-the-jig", "again"))
    in_time(rig, (4.0, None))
    assert wait_for_contact(rig.bench, "D3", settings=QUICK) == "contact"
    rig.operator.finish()


def test_a_person_who_gives_up_ends_the_step(tmp_path: Path) -> None:
    rig = by_hand(tmp_path, ("confirm", "in-the-jig", "no"))
    rig.world.impedance = lambda frequency_hz, now_s: None
    with pytest.raises(StepAborted, match="D3 is not in the jig"):
        wait_for_contact(rig.bench, "D3", settings=QUICK)


def test_a_part_that_is_in_the_jig_from_the_start_is_asked_about(tmp_path: Path) -> None:
    rig = by_hand(tmp_path, ("confirm", "already-in-the-jig", "yes"))
    assert wait_for_contact(rig.bench, "D3", settings=QUICK) == "contact"
    rig.operator.finish()


def test_the_part_before_has_to_go_before_contact_counts(tmp_path: Path) -> None:
    rig = by_hand(tmp_path, ("confirm", "already-in-the-jig", "no"))
    in_time(rig, (1.0, 0j), (2.0, None))
    assert wait_for_contact(rig.bench, "D3", settings=ContactSettings(patience_s=10)) == "contact"
    assert elapsed(rig) >= 2.0 + QUICK.steady_s


def test_a_contact_that_never_holds_still_is_no_contact(tmp_path: Path) -> None:
    rig = by_hand(tmp_path, ("confirm", "already-in-the-jig", "yes"),
                  ("confirm", "in-the-jig", "yes"))  # fmt: skip
    swings: Sequence[float] = (0.0, 0.5)
    rig.world.impedance = lambda f, now_s: coil(f, now_s) + swings[int(now_s * 10) % 2]
    with pytest.raises(StepAborted, match="did not hold still"):
        wait_for_contact(rig.bench, "D3", settings=QUICK)


def test_by_relays_nobody_is_asked(tmp_path: Path) -> None:
    rig = Rig(tmp_path)
    assert wait_for_contact(rig.bench, "D3") == "contact"
    assert elapsed(rig) < 1.0
    assert rig.operator.asked == []


def test_by_relays_an_open_is_an_answer_at_once(tmp_path: Path) -> None:
    rig = Rig(tmp_path)
    rig.world.impedance = lambda frequency_hz, now_s: None
    assert wait_for_contact(rig.bench, "D3") == "open"
    assert elapsed(rig) < 1.0


def test_a_slow_meter_does_not_make_a_contact_unsteady(tmp_path: Path) -> None:
    rig = Rig(tmp_path)
    readings: list[float] = []

    def slow(frequency_hz: float, now_s: float) -> complex | None:
        readings.append(now_s)
        rig.clock.advance(1.9)
        return coil(frequency_hz, 0.0) if len(readings) > 2 else None

    # three readings fill the patience, and the relay bounces in the first two
    rig.world.impedance = slow
    assert wait_for_contact(rig.bench, "D3") == "contact"
    assert elapsed(rig) > ContactSettings().patience_placed_s
    assert len(readings) == 2 + ContactSettings().agreeing


def test_a_stop_while_waiting_for_contact_ends_the_wait(tmp_path: Path) -> None:
    rig = by_hand(tmp_path)
    rig.world.impedance = lambda frequency_hz, now_s: None
    rig.clock.after(1.0, rig.stop.request)
    with pytest.raises(StoppedByPerson):
        wait_for_contact(rig.bench, "D3")
    assert elapsed(rig) < 1.2


def test_a_meter_that_cannot_reach_10_khz_is_read_where_it_can(tmp_path: Path) -> None:
    rig = Rig(tmp_path)
    rig.impedance_meter.frequency_range_hz = (50.0, 1e3)
    assert wait_for_contact(rig.bench, "D3") == "contact"
    assert rig.impedance_meter.point.frequency_hz == 1e3


def test_the_person_is_told_what_is_waited_for(tmp_path: Path) -> None:
    rig = by_hand(tmp_path)
    in_time(rig, (0.5, None))
    wait_for_contact(rig.bench, "D3", settings=QUICK)
    events = [event for event in rig.operator.told if event.kind != "reading"]
    assert events == [
        Event("place", {"position": "D3"}),
        Event("waiting-for-contact", {"position": "D3"}),
    ]
