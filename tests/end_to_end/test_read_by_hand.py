"""A bench whose LCR meter and multimeter have no link: a person reads the displays.

The person is scripted and reads the simulated instruments themselves, rounded as a display is. Does
not cover the wording at a terminal, nor the forms a display may have (tests/drivers).
"""

from __future__ import annotations

import re
from collections.abc import Callable

import pytest

from labbench.bench.bench_file import load_bench_file
from labbench.compose import open_bench
from labbench.errors import StepAborted
from labbench.jobs.part_types import find
from labbench.jobs.verify import Outcome, Request, verify
from labbench.ports import Prompt
from labbench.quantities import parse_quantity
from tests.end_to_end.conftest import SharedClock, Workshop
from tests.end_to_end.test_hand_bench import Hand


class Reader(Hand):
    """Place and plug as asked, and read displays with so many digits."""

    def __init__(self, workshop: Workshop, *, digits: int = 4) -> None:
        super().__init__(workshop)
        self.digits = digits
        self.clock = workshop.served.clock
        self.says: list[str] = []

    def ask(self, prompt: Prompt) -> str:
        text = str(prompt.detail.get("text", ""))
        self.clock.sleep_s(3.0)  # a person waits until the display holds still, and types
        if prompt.name == "impedance-display":
            self.asked.append(prompt)
            if self.says:
                return self.says.pop(0)
            return self._impedance(text)
        if prompt.name == "voltage-display":
            self.asked.append(prompt)
            meter = self.bench.multimeter
            assert meter is not None
            value = meter.measure()
            return "OL" if value is None else f"{value * 1e3:.3f} mV"
        return super().ask(prompt)

    def _impedance(self, text: str) -> str:
        found = re.search(r"to ([\d.]+ k?Hz)", text)
        assert found is not None, text
        meter = self.bench.impedance_meter
        assert meter is not None
        meter.set_frequency_hz(parse_quantity(found[1], "Hz"))
        result = meter.measure()
        if result.status:
            return "OL"
        return f"R {result.resistance_ohm:.{self.digits}f} X {result.reactance_ohm:.{self.digits}f}"


@pytest.fixture
def workshop(workshops: Callable[..., Workshop]) -> Workshop:
    made = workshops("hand-bench")
    made.edit_bench_file(
        lambda text: re.sub(
            r"(\[instruments\.(?:impedance_meter|multimeter)\]\n)resource = .*\ndialect = .*\n",
            r'\1resource = "by-hand"\n',
            text,
        )
    )
    return made


def run(workshop: Workshop, person: Reader, specimen: str) -> Outcome:
    request = Request(
        part=find("coil-4u7", ()), specimen=specimen, position=specimen, who="tester",
        temperature_c=22.0, u_temperature_c=0.5,
    )  # fmt: skip
    clock = workshop.served.clock
    with open_bench(
        load_bench_file(workshop.bench_file), workshop.data, clock=SharedClock(clock),  # type: ignore[arg-type]
        operator=person,
    ) as opened:  # fmt: skip
        return verify(opened, request, operator=person, data=workshop.data)


def test_a_coil_is_verified_by_a_person_who_reads_both_displays(workshop: Workshop) -> None:
    person = Reader(workshop)
    outcome = run(workshop, person, "B1")
    assert outcome.judgement.disposition in ("fit", "plausible")
    readings = outcome.readings
    assert readings.dc_resistance is not None
    truth = workshop.served.truth()["B1"].dc_resistance_ohm
    u = readings.dc_resistance.u_ohm
    assert u is not None
    assert readings.dc_resistance.value_ohm == pytest.approx(truth, abs=4 * u)
    # three frequencies: once open, once shorted, once for the coil; nothing is asked twice
    assert person.names().count("impedance-display") == 9
    assert "already-in-the-jig" not in person.names()
    assert not workshop.is_on()


def test_a_shorted_turn_shows_on_a_display_too(workshop: Workshop) -> None:
    outcome = run(workshop, Reader(workshop), "B2")
    assert outcome.judgement.disposition == "unfit"


def test_a_display_with_fewer_digits_makes_the_uncertainty_larger(workshop: Workshop) -> None:
    fine, coarse = (
        run(workshop, Reader(workshop, digits=digits), "B1").readings.impedance for digits in (5, 2)
    )
    assert fine is not None
    assert coarse is not None
    u_fine, u_coarse = fine.u_resistance_ohm[0], coarse.u_resistance_ohm[0]
    assert u_fine is not None
    assert u_coarse is not None
    # the part's digits; the compensation was taken with five
    assert u_coarse**2 - u_fine**2 == pytest.approx(0.01**2 / 12, rel=0.1)


def test_a_meter_that_fell_asleep_is_woken_and_the_run_goes_on(workshop: Workshop) -> None:
    person = Reader(workshop)
    person.says = ["asleep"]
    outcome = run(workshop, person, "B1")
    assert outcome.judgement.disposition in ("fit", "plausible")
    woken = [prompt for prompt in person.asked if prompt.name == "wake-the-meter"]
    assert len(woken) == 1
    assert "Wake the meter" in str(woken[0].detail["text"])


def test_without_a_person_a_bench_read_by_hand_says_so(workshop: Workshop) -> None:
    file = load_bench_file(workshop.bench_file)
    with open_bench(file, workshop.data) as opened:
        meter = opened.impedance_meter
        assert meter is not None
        meter.set_point(frequency_hz=1e3, level_v=0.1, aperture_s=0.1, averages=1)
        with pytest.raises(StepAborted, match="read by hand"):
            meter.read_impedance()
    said = workshop.labbench("verify", "coil-4u7", "--specimen", "B1", "--bench",
                             workshop.bench_file)  # fmt: skip
    assert said.code in (2, 4)
    assert not workshop.is_on()


def test_a_supply_is_never_used_by_hand(workshop: Workshop) -> None:
    workshop.edit_bench_file(
        lambda text: re.sub(
            r"(\[instruments\.supply\]\n)resource = .*\ndialect = .*\n",
            r'\1resource = "by-hand"\n',
            text,
        )
    )
    said = workshop.labbench("bench", "--bench", workshop.bench_file)
    assert said.code == 2
    assert "never used by hand" in said.err
