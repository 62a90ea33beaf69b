"""Check meters that a person reads: forms of a display, its digits, and a meter that sleeps.

Not covered: the wording of the questions at the terminal, what the digits do to the uncertainty
(tests/metrology).
"""

from __future__ import annotations

import math

import pytest

from drivers import ByHandImpedanceMeter, ByHandMultimeter
from labbench.errors import InputError, SettingNotTaken, StepAborted
from labbench.ports import Event, ImpedanceReading, Prompt, ScalarReading


class Reader:
    """Answer from a list and keep the questions; an answer left over fails in `done`."""

    interactive = True

    def __init__(self, *answers: str) -> None:
        self.answers = list(answers)
        self.asked: list[Prompt] = []

    def ask(self, prompt: Prompt) -> str:
        self.asked.append(prompt)
        return self.answers.pop(0)

    def tell(self, event: Event) -> None:
        raise AssertionError("nothing to tell")

    def done(self) -> None:
        assert not self.answers


def impedance(*answers: str, frequency_hz: float = 1e4) -> tuple[ImpedanceReading, Reader]:
    reader = Reader(*answers)
    meter = ByHandImpedanceMeter(reader, frequency_range_hz=(100.0, 1e5))
    meter.set_point(frequency_hz=frequency_hz, level_v=0.1, aperture_s=0.2, averages=1)
    reading = meter.read_impedance()
    reader.done()
    return reading, reader


def voltage(*answers: str) -> tuple[ScalarReading, Reader]:
    reader = Reader(*answers)
    meter = ByHandMultimeter(reader)
    meter.set_dc_voltage(range_v=0.1, integration_periods=10)
    reading = meter.read()
    reader.done()
    return reading, reader


OMEGA = 2 * math.pi * 1e4


@pytest.mark.parametrize(
    ("answer", "resistance", "reactance"),
    [
        ("L 470.2 nH Q 12.3", OMEGA * 470.2e-9 / 12.3, OMEGA * 470.2e-9),
        ("l 470.2n q 12.3", OMEGA * 470.2e-9 / 12.3, OMEGA * 470.2e-9),
        ("L=0.4702u, Q=12.3", OMEGA * 470.2e-9 / 12.3, OMEGA * 470.2e-9),
        ("Q 12.3 L 0.4702 µH", OMEGA * 470.2e-9 / 12.3, OMEGA * 470.2e-9),
        ("L 4.702u D 0.081", 0.081 * OMEGA * 4.702e-6, OMEGA * 4.702e-6),
        ("Z 1.52 P 78.2", 1.52 * math.cos(math.radians(78.2)), 1.52 * math.sin(math.radians(78.2))),
        ("Z 29.5 mΩ P 78.2°", 29.5e-3 * math.cos(math.radians(78.2)),
         29.5e-3 * math.sin(math.radians(78.2))),
        ("R 1.5m X 29.5m", 1.5e-3, 29.5e-3),
        ("Z 1.0 P -3.0", math.cos(math.radians(3)), -math.sin(math.radians(3))),
    ],
)  # fmt: skip
def test_a_display_of_l_and_q_l_and_d_z_and_phase_or_r_and_x_is_read(
    answer: str, resistance: float, reactance: float
) -> None:
    reading, _ = impedance(answer)
    assert reading.resistance_ohm == pytest.approx(resistance, rel=1e-12)
    assert reading.reactance_ohm == pytest.approx(reactance, rel=1e-12)
    assert reading.status == "ok"
    assert reading.raw == answer


def test_the_digits_that_were_typed_say_how_fine_the_display_is() -> None:
    # R = X/Q: one step of 0.1 in Q = 12.3 is 1/123 of R, one of 0.1 nH in 470.2 nH far less.
    reading, _ = impedance("L 470.2n Q 12.3")
    assert reading.step_ohm is not None
    assert reading.step_ohm[1] == pytest.approx(OMEGA * 0.1e-9)
    by_q = OMEGA * 470.2e-9 / 12.3 * (0.1 / 12.3)
    by_l = OMEGA * 0.1e-9 / 12.3
    assert reading.step_ohm[0] == pytest.approx(math.hypot(by_q, by_l), rel=1e-3)


def test_a_trailing_nought_is_a_digit() -> None:
    assert voltage("1.20 mV")[0].step == pytest.approx(1e-5)
    assert voltage("1.2 mV")[0].step == pytest.approx(1e-4)
    assert voltage("0.0012")[0].step == pytest.approx(1e-4)
    assert voltage("12 mV")[0].step == pytest.approx(1e-3)


@pytest.mark.parametrize("answer", ["OL", "ol", "O.L", "overload"])
def test_an_overload_is_no_number(answer: str) -> None:
    assert impedance(answer)[0].status == "over-range"
    assert impedance(answer)[0].resistance_ohm is None
    assert voltage(answer)[0].status == "over-range"


def test_q_of_nought_says_that_the_reactance_is_lost_not_that_the_resistance_is_nought() -> None:
    assert impedance("L 4.7u Q 0")[0].status == "over-range"


@pytest.mark.parametrize(
    ("answer", "trouble", "words"),
    [
        ("asleep", "asleep", "Wake the meter"),
        ("it is off", "asleep", "Wake the meter"),
        ("low battery", "low-battery", "battery"),
        ("lo bat", "low-battery", "battery"),
        ("keys locked", "locked", "Unlock"),
        ("hold", "locked", "Unlock"),
    ],
)
def test_a_meter_that_shows_no_number_is_woken_and_read_again(
    answer: str, trouble: str, words: str
) -> None:
    reading, reader = impedance(answer, "done", "L 470n Q 12")
    assert reading.status == "ok"
    prompt = reader.asked[1]
    assert (prompt.kind, prompt.name, prompt.default) == ("confirm", "wake-the-meter", "done")
    assert prompt.detail["trouble"] == trouble
    assert words in str(prompt.detail["text"])
    assert "press the pedal" in str(prompt.detail["text"])


@pytest.mark.parametrize(
    "answer", ["470n", "L 470n", "L 470n Q 12 D 3", "L 470n Z 3", "L 470q Q 2", "L 4,7u Q 12",
               "Q 12 D 3", "L 470n Q -3", "L 470n Q 12 ohm", "L 470 V Q 12", "fine", ""],
)  # fmt: skip
def test_what_is_no_display_is_asked_again_and_never_guessed(answer: str) -> None:
    reading, reader = impedance(answer, "L 470n Q 12")
    assert reading.raw == "L 470n Q 12"
    assert "what does it show" in str(reader.asked[1].detail["text"])


def test_a_q_with_too_few_digits_is_asked_again() -> None:
    # 1 with a step of 1 could be 0: then nobody knows the resistance.
    reading, reader = impedance("L 470n Q 1", "L 470n D 0.95")
    assert reading.raw == "L 470n D 0.95"
    assert "D" in str(reader.asked[1].detail["text"])


def test_a_frequency_that_the_meter_has_not_got_is_said() -> None:
    with pytest.raises(SettingNotTaken, match="10 kHz"):
        impedance("c")


@pytest.mark.parametrize("answer", ["-0.012 mV", "-12 µV", "-12u"])
def test_a_voltage_keeps_its_sign(answer: str) -> None:
    reading, _ = voltage(answer)
    assert reading.value == pytest.approx(-12e-6)
    assert reading.unit == "V"


@pytest.mark.parametrize("answer", ["1,2 mV", "1.2 mA", "L 3", "mV"])
def test_what_is_no_voltage_is_asked_again(answer: str) -> None:
    reading, reader = voltage(answer, "1.2 mV")
    assert reading.value == pytest.approx(1.2e-3)
    assert len(reader.asked) == 2


def test_nothing_is_read_before_it_was_said_what() -> None:
    with pytest.raises(InputError):
        ByHandMultimeter(Reader()).read()
    with pytest.raises(InputError):
        ByHandImpedanceMeter(Reader(), frequency_range_hz=(100.0, 1e5)).read_impedance()
    with pytest.raises(StepAborted):
        ByHandMultimeter(Reader()).set_resistance(
            range_ohm=None, integration_periods=1, four_wire=True
        )
