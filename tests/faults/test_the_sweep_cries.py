"""Break a driver on purpose: the fault sweep's check of readings has to cry, and at nothing else.

Not covered: that the other checks of the sweep (output, journal, next run) cry; the supply and the
journal are broken on purpose in tests/bench and tests/records.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from drivers.impedance_meter import ScpiImpedanceMeter
from drivers.multimeter import ScpiMultimeter
from labbench.ports import ImpedanceReading, ScalarReading
from tests.faults.bench_under_fault import Site
from tests.faults.switch_procedures import FETS

BY_MULTIMETER, SWEEP = "dc-resistance-by-multimeter", "impedance-sweep"


@pytest.fixture
def coils(tmp_path: Path) -> Iterator[Site]:
    site = Site(tmp_path)
    yield site
    site.close()


def one_behind(read: Callable[..., object]) -> Callable[..., object]:
    """Make a driver's read give what it gave the time before."""
    last: list[object] = []

    def stale(self: object) -> object:
        last.append(read(self))
        return last[-2] if len(last) > 1 else last[-1]

    return stale


def one_reply_behind(read: Callable[..., ScalarReading]) -> Callable[..., ScalarReading]:
    """Make a driver's read answer with the text that came the time before, as a new reading."""
    last: list[ScalarReading] = []

    def stale(self: object) -> ScalarReading:
        last.append(read(self))
        old, new = last[-2:][0], last[-1]
        return ScalarReading(old.value, new.unit, new.status, old.raw, new.conditions)

    return stale


@pytest.mark.parametrize("procedure", [BY_MULTIMETER, SWEEP])
def test_sound_drivers_leave_the_check_silent(coils: Site, procedure: str) -> None:
    found = coils.look_after(procedure)
    assert found.readings_in_force >= 2
    assert found.troubles == []


@pytest.mark.parametrize("mutant", [one_behind, one_reply_behind])
def test_a_multimeter_that_gives_the_answer_before_is_found_out(
    coils: Site, monkeypatch: pytest.MonkeyPatch, mutant: Callable[..., Callable[..., object]]
) -> None:
    monkeypatch.setattr(ScpiMultimeter, "read", mutant(ScpiMultimeter.read))
    found = coils.look_after(BY_MULTIMETER)
    assert len(found.wrong_in_force) >= 2, found
    assert any("was the answer" in text for text in found.wrong_in_force)


def test_an_impedance_meter_that_gives_the_answer_before_is_found_out(
    coils: Site, monkeypatch: pytest.MonkeyPatch
) -> None:
    read: Callable[..., ImpedanceReading] = ScpiImpedanceMeter.read_impedance
    monkeypatch.setattr(ScpiImpedanceMeter, "read_impedance", one_behind(read))
    assert coils.look_after(SWEEP).wrong_in_force != []


def test_with_switches_an_answer_of_before_is_found_out_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    site = Site(tmp_path, "switches", FETS)
    try:
        assert site.look_after("body-diode").troubles == []
        monkeypatch.setattr(ScpiMultimeter, "read", one_reply_behind(ScpiMultimeter.read))
        assert site.look_after("body-diode").wrong_in_force != []
    finally:
        site.close()
