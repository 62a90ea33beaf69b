"""What would settle a borderline value, and what an instrument in doubt does to a judgement.

Not covered: what is expected of a bench (test_reach).
"""

from __future__ import annotations

import pytest

from labbench.judging.reservations import with_reservations
from labbench.judging.would_decide import contact_unsure, settle_text, sharpened
from labbench.metrology.accuracy import multimeter_accuracy, supply_accuracy
from labbench.metrology.expected import BenchAccuracies
from labbench.parts.coil_type import CoilType, ResistanceLimit
from labbench.results import Characteristic, Judgement, WouldDecide

PART = CoilType(name="c", dc_resistance=(ResistanceLimit(1.5e-3, 1.35e-3, 1.65e-3, 25.0),))


def characteristic(value: float, expanded: float) -> Characteristic:
    return Characteristic(
        name="dc-resistance", conditions={"temperature_c": 25.0}, value=value, unit="ohm",
        expanded_uncertainty=expanded, coverage=0.95, lower=1.35e-3, upper=1.65e-3,
        verdict="undecided", probability_conforming=0.6,
    )  # fmt: skip


def judgement(*characteristics: Characteristic, disposition: str = "undecided") -> Judgement:
    return Judgement(
        specimen="D1", type="c", disposition=disposition,  # type: ignore[arg-type]
        findings=(), characteristics=characteristics,
        would_decide=(WouldDecide("repeat", "again"), WouldDecide("press-again", "press")),
    )  # fmt: skip


def sharpen(value: float, expanded: float, bench: BenchAccuracies) -> tuple[WouldDecide, ...]:
    return sharpened(
        judgement(characteristic(value, expanded)), PART, bench, current_for=lambda _: 3.0,
        risk=0.05, rejection_risk=0.002, u_temperature_c=2.0,
    ).would_decide  # fmt: skip


def test_a_readback_is_told_to_use_the_multimeter_with_both_numbers() -> None:
    bench = BenchAccuracies(supply=supply_accuracy("1mV-1mA"), supply_leads_ohm=0.03)
    first, *others = sharpen(1.55e-3, 2.8e-3, bench)
    assert first.action == "use-multimeter"
    assert "instead of ± 2.8 mΩ" in first.text
    assert [w.action for w in others] == ["press-again"]  # the general "repeat" is gone


def test_the_easiest_thing_that_helps_comes_first() -> None:
    bench = BenchAccuracies(
        supply=supply_accuracy("1mV-1mA"), multimeter=multimeter_accuracy("6.5-digit")
    )
    # just inside: what is missing is the temperature of the part
    (first, *_) = sharpen(1.6228e-3, 33e-6, bench)
    assert first.action == "measure-temperature"


def test_a_value_that_nothing_settles_is_told_what_it_would_need() -> None:
    bench = BenchAccuracies(
        supply=supply_accuracy("1mV-1mA"), multimeter=multimeter_accuracy("6.5-digit")
    )
    (first, *_) = sharpen(1.6499e-3, 33e-6, bench)
    assert first.action == "better-meter"
    assert "it needs ±" in first.text
    assert "the best that is known here gives ±" in first.text


def test_a_value_on_its_limit_is_told_that_no_measurement_settles_it() -> None:
    text = settle_text(characteristic(1.65e-3, 33e-6), 0.05, 0.002)
    assert text is not None
    assert "no measurement settles that" in text


def test_nothing_is_advised_for_a_part_that_is_settled() -> None:
    settled = judgement(characteristic(1.5e-3, 3e-3), disposition="unfit")
    same = sharpened(
        settled, PART, BenchAccuracies(supply=supply_accuracy("1mV-1mA")),
        current_for=lambda _: 3.0, risk=0.05, rejection_risk=0.002, u_temperature_c=2.0,
    )  # fmt: skip
    assert same == settled


def test_an_unsure_contact_is_pressed_in_again_and_nothing_waits() -> None:
    waiting = Judgement("D1", "c", "undecided", (), (), (WouldDecide("wait", "let it cool"),), ())
    assert [w.action for w in contact_unsure(waiting).would_decide] == ["press-again"]


@pytest.mark.parametrize(
    ("before", "after"),
    [("fit", "plausible"), ("unfit", "unfit"), ("undecided", "undecided"),
     ("plausible", "plausible")],
)  # fmt: skip
def test_a_fit_by_an_instrument_in_doubt_is_plausible_at_best(before: str, after: str) -> None:
    found = with_reservations(judgement(disposition=before), ["overdue"])
    assert found.disposition == after
    assert found.remarks[0] == "overdue"
    assert with_reservations(judgement(disposition=before), []) == judgement(disposition=before)
