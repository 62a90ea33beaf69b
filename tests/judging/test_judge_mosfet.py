"""Check what is said of MOSFETs: word, fault, path, reason, and what would decide.

Readings are written by hand or drawn from the closed forms of tests/studies. Does not cover: rates
over populations (tests/studies), the measuring (tests/metrology).
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from attrs import evolve

from labbench.judging.switch import judge_mosfet
from labbench.judging.switch_quantities import SwitchSiblings, part_temperature
from labbench.parts.library import find_part_type
from labbench.parts.mosfet_type import MosfetType
from labbench.results import (
    BodyDiode,
    DrainLeakage,
    GateLeakage,
    Judgement,
    OnResistance,
    Readings,
    ShortCheck,
    Threshold,
)
from tests.studies.switch_populations import KINDS, draw_lot, draw_part, faulty, measured


def mosfet(name: str) -> MosfetType:
    part = find_part_type(name)
    assert isinstance(part, MosfetType)
    return part


TYPE = mosfet("nfet-30v-5m")
BARE = MosfetType(name="nfet-30v-5m")


def sound(**changes: Any) -> Readings:
    """Give the readings of a sound part, as the file format's example has them."""
    line = Readings(
        specimen="Q3", type="nfet-30v-5m", lot="board-12", temperature_c=25.0,
        short_check=(ShortCheck("drain-source", 2.1e8), ShortCheck("gate-source", 9e8)),
        gate_leakage=(GateLeakage(5.0, 0.7e-10, 2e-11), GateLeakage(10.0, 2e-10, 2e-11)),
        drain_leakage=(DrainLeakage(3.0, 2.1e-9, 5e-11), DrainLeakage(24.0, 8e-9, 6e-11)),
        body_diode=(BodyDiode(1e-3, 0.55, 1e-4),),
        threshold=(Threshold(2.5e-4, 1.61, 3e-4),),
        on_resistance=(OnResistance(10.0, 3.0, 4.1e-3, 2e-5),),
    )  # fmt: skip
    return evolve(line, **changes)


def siblings(count: int = 5, **changes: Any) -> list[Readings]:
    spread = (0.0, 0.12, -0.15, 0.3, -0.25, 0.05)
    return [
        sound(
            specimen=f"S{k}", role="sibling",
            drain_leakage=tuple(
                DrainLeakage(e.voltage_v, (e.current_a or 0.0) * math.exp(spread[k]), 6e-11)
                for e in sound().drain_leakage
            ),
            threshold=(Threshold(2.5e-4, 1.61 + 0.1 * spread[k], 3e-4),),
            on_resistance=(OnResistance(10.0, 3.0, 4.1e-3 * (1 + 0.07 * spread[k]), 2e-5),),
            body_diode=(BodyDiode(1e-3, 0.55 + 0.01 * spread[k], 1e-4),),
            **changes,
        )
        for k in range(count)
    ]  # fmt: skip


def first(judgement: Judgement) -> tuple[str, str | None, str]:
    finding = judgement.findings[0]
    return finding.fault, finding.path, finding.grade


def test_the_blocks_of_the_example_make_a_sound_part_fit() -> None:
    assert judge_mosfet(sound(), TYPE).disposition == "fit"
    assert judge_mosfet(sound(), TYPE, siblings=siblings()).disposition == "fit"


@pytest.mark.parametrize("block", ["gate_leakage", "drain_leakage", "threshold", "on_resistance"])
def test_a_missing_block_is_never_fit_and_says_what_to_measure(block: str) -> None:
    judgement = judge_mosfet(sound(**{block: ()}), TYPE)
    assert judgement.disposition == "undecided"
    assert judgement.would_decide[0].action == f"measure-{block.replace('_', '-')}"


def test_what_a_quick_check_cannot_measure_makes_a_part_plausible() -> None:
    quick = sound(threshold=(), on_resistance=())
    judgement = judge_mosfet(quick, TYPE, beyond=("threshold", "on_resistance"))
    assert judgement.disposition == "plausible"
    assert "not checked: threshold, on resistance" in judgement.remarks[0]


def test_a_part_without_any_reference_is_plausible() -> None:
    assert judge_mosfet(sound(), BARE).disposition == "plausible"
    assert judge_mosfet(sound(), BARE, siblings=siblings()).disposition == "plausible"


def test_a_leak_test_without_a_multimeter_never_passes_a_part() -> None:
    blind = DrainLeakage(24.0, 0.0, 1e-3, method="supply-readback")
    judgement = judge_mosfet(sound(drain_leakage=(blind,)), TYPE, siblings=siblings())
    assert judgement.disposition == "plausible"
    assert "needs a multimeter" in judgement.remarks[0]
    bounded = DrainLeakage(24.0, None, status="over-range", less_than_a=1e-3)
    assert judge_mosfet(sound(drain_leakage=(bounded,)), TYPE).disposition == "plausible"


def test_a_leak_that_a_supply_sees_is_a_leak() -> None:
    seen = DrainLeakage(24.0, 9e-3, 1e-3, method="supply-readback")
    judgement = judge_mosfet(sound(drain_leakage=(seen,)), TYPE)
    assert judgement.disposition == "unfit"
    assert first(judgement)[:2] == ("leak", "drain-source")


@pytest.mark.parametrize(
    ("ohms", "fault", "path"),
    [
        ({"drain-source": 0.02}, "short", "drain-source"),
        ({"gate-source": 0.5}, "short", "gate-source"),
        ({"gate-source": 2e3}, "leak", "gate-source"),
        ({"drain-source": 0.4, "gate-source": 0.4}, "short", "gate-drain"),
        ({"drain-source": 500.0}, "leak", "drain-source"),
    ],
)
def test_a_part_stopped_at_the_short_check_is_unfit_with_its_path(
    ohms: dict[str, float], fault: str, path: str
) -> None:
    checks = tuple(
        ShortCheck(name, ohms.get(name, 5e8)) for name in ("drain-source", "gate-source")
    )
    stopped = Readings(specimen="Q", type="nfet-30v-5m", short_check=checks)
    judgement = judge_mosfet(stopped, TYPE)
    assert judgement.disposition == "unfit"
    assert first(judgement) == (fault, path, "sure")


@pytest.mark.parametrize("with_siblings", [True, False])
def test_two_voltages_find_a_leak_far_below_the_limit(with_siblings: bool) -> None:
    """By hand: 500 Mohm adds 6 nA at 3 V and 48 nA at 24 V to a junction of 2.1 and 8 nA."""
    leaky = sound(
        drain_leakage=(DrainLeakage(3.0, 8.1e-9, 5e-11), DrainLeakage(24.0, 56e-9, 1.2e-10)),
        cleaned=True,
    )
    judgement = judge_mosfet(leaky, TYPE, siblings=siblings() if with_siblings else ())
    assert judgement.disposition == "unfit"
    assert first(judgement) == ("leak", "drain-source", "sure")
    limit = next(c for c in judgement.characteristics if c.name == "drain-leakage")
    assert limit.verdict == "conforms"


def test_a_leak_that_grows_faster_than_any_resistors_is_a_breakdown() -> None:
    soft = sound(drain_leakage=(DrainLeakage(3.0, 2.2e-9, 5e-11), DrainLeakage(24.0, 4e-7, 1e-9)))
    judgement = judge_mosfet(soft, TYPE, siblings=siblings())
    assert first(judgement) == ("low-breakdown", "drain-source", "sure")


def test_a_current_beyond_the_range_is_a_breakdown_where_a_lower_voltage_was_quiet() -> None:
    beyond = DrainLeakage(24.0, None, None, status="over-range", greater_than_a=1e-4)
    judgement = judge_mosfet(sound(drain_leakage=(sound().drain_leakage[0], beyond)), TYPE)
    assert judgement.disposition == "unfit"
    assert first(judgement) == ("low-breakdown", "drain-source", "sure")


def test_a_range_that_ends_below_the_limit_proves_nothing() -> None:
    ends = DrainLeakage(24.0, None, None, status="over-range", greater_than_a=5e-5)
    sound_channel = (OnResistance(10.0, 3.0, 2.5e-3, 2e-5),)
    leaky = sound(type="nfet-30v-schottky", drain_leakage=(ends,), on_resistance=sound_channel)
    judgement = judge_mosfet(leaky, mosfet("nfet-30v-schottky"))
    assert first(judgement)[2] == "suspect"
    assert judgement.disposition == "undecided"


def test_a_gate_that_grows_steeply_is_weakened() -> None:
    weak = sound(gate_leakage=(GateLeakage(5.0, 2e-9, 2e-11), GateLeakage(10.0, 32e-9, 1e-10)))
    judgement = judge_mosfet(weak, TYPE)
    assert first(judgement) == ("weak-gate", "gate-source", "sure")
    assert "power 4.0" in judgement.findings[0].because


def test_a_gate_that_leaks_one_way_only_is_weakened() -> None:
    lone = sound(gate_leakage=(GateLeakage(10.0, 33e-9, 1e-10), GateLeakage(-10.0, -0.4e-9, 2e-11)))
    assert first(judge_mosfet(lone, TYPE))[:2] == ("weak-gate", "gate-source")


def film() -> tuple[GateLeakage, ...]:
    """Give what 300 Mohm of flux from gate to source read."""
    return tuple(GateLeakage(v, v / 3e8, 5e-11) for v in (5.0, 10.0, -5.0, -10.0))


def test_a_film_on_a_part_that_was_not_washed_asks_for_cleaning() -> None:
    judgement = judge_mosfet(sound(gate_leakage=film()), TYPE, siblings=siblings())
    assert judgement.disposition == "undecided"
    assert judgement.would_decide[0].action == "clean"
    assert first(judgement) == ("leak", "gate-source", "suspect")


def test_the_same_leak_on_a_washed_part_is_the_parts() -> None:
    judgement = judge_mosfet(sound(gate_leakage=film(), cleaned=True), TYPE, siblings=siblings())
    assert judgement.disposition == "unfit"
    assert first(judgement) == ("leak", "gate-source", "sure")


@pytest.mark.parametrize(
    ("name", "changes"),
    [
        ("nfet-30v-schottky", {
            "drain_leakage": (DrainLeakage(3.0, 1.58e-5, 2e-8), DrainLeakage(24.0, 6e-5, 6e-8)),
            "short_check": (ShortCheck("drain-source", 9e4), ShortCheck("source-drain", 2e3),
                            ShortCheck("gate-source", 9e8)),
            "body_diode": (BodyDiode(1e-3, 0.32, 1e-4),),
            "threshold": (Threshold(1e-3, 1.7, 3e-4),),
            "on_resistance": (OnResistance(10.0, 3.0, 2.5e-3, 2e-5),),
        }),
        ("nfet-20v-clamp", {
            "gate_leakage": tuple(GateLeakage(v, v * 0.35e-6 * (abs(v) / 8) ** 3, 1e-9)
                                  for v in (4.0, 8.0, -4.0, -8.0)),
            "drain_leakage": (DrainLeakage(2.0, 2.1e-9, 5e-11), DrainLeakage(16.0, 8.6e-9, 6e-11)),
            "threshold": (Threshold(2.5e-4, 0.8, 3e-4),),
            "on_resistance": (OnResistance(4.5, 3.0, 6e-3, 2e-5),),
        }),
    ],
)  # fmt: skip
def test_a_schottky_or_a_clamp_is_not_failed_for_what_it_is(
    name: str, changes: dict[str, Any]
) -> None:
    judgement = judge_mosfet(sound(type=name, **changes), mosfet(name))
    assert (judgement.disposition, judgement.findings) == ("fit", ())


def test_a_schottky_may_leak_more_steeply_than_a_plain_junction() -> None:
    # 4.8 times from 3 V to 24 V: the field lowers a Schottky's barrier (image force, textbook)
    leaks = (DrainLeakage(3.0, 1.25e-5, 2e-8), DrainLeakage(24.0, 6e-5, 6e-8))
    steep = sound(
        type="nfet-30v-schottky",
        drain_leakage=leaks,
        short_check=(ShortCheck("drain-source", 9e4), ShortCheck("gate-source", 9e8)),
        body_diode=(BodyDiode(1e-3, 0.32, 1e-4),),
        threshold=(Threshold(1e-3, 1.7, 3e-4),),
        on_resistance=(OnResistance(10.0, 3.0, 2.5e-3, 2e-5),),
    )
    assert judge_mosfet(steep, mosfet("nfet-30v-schottky")).findings == ()


def test_a_part_of_unknown_warmth_is_retested_cold_before_it_fails() -> None:
    hot = (DrainLeakage(3.0, 5.2e-7, 1e-9), DrainLeakage(24.0, 2e-6, 4e-9))
    judgement = judge_mosfet(sound(drain_leakage=hot, temperature_c=None), TYPE)
    assert judgement.disposition == "undecided"
    assert "retest cold" in judgement.would_decide[0].text
    known = judge_mosfet(sound(drain_leakage=hot), TYPE)
    assert known.disposition == "unfit"
    # four times the limit is beyond what warmth does
    far = (DrainLeakage(3.0, 2.6e-6, 1e-9), DrainLeakage(24.0, 1e-5, 4e-9))
    assert judge_mosfet(
        sound(drain_leakage=far, temperature_c=None), TYPE
    ).disposition == "unfit"  # fmt: skip


def test_a_body_diode_tells_that_a_part_is_still_warm() -> None:
    """By hand: 20 K take 46 mV from the diode, 108 mV from the threshold; leakage is four times."""
    hot = sound(
        drain_leakage=(DrainLeakage(3.0, 8.4e-9, 5e-11), DrainLeakage(24.0, 32e-9, 6e-11)),
        body_diode=(BodyDiode(1e-3, 0.55 - 0.046, 1e-4),),
        threshold=(Threshold(2.5e-4, 1.61 - 0.108, 3e-4),),
        on_resistance=(OnResistance(10.0, 3.0, 4.1e-3 * 1.088, 2e-5),),
    )
    judgement = judge_mosfet(hot, TYPE, siblings=siblings())
    assert judgement.disposition == "undecided"
    assert judgement.would_decide[0].action == "wait"
    assert judgement.remarks[0].startswith("45 °C")


@pytest.mark.parametrize(
    ("changes", "fault", "path"),
    [
        ({"threshold": (Threshold(2.5e-4, 1.95, 3e-4),)}, "threshold-shift", "gate-source"),
        ({"on_resistance": (OnResistance(10.0, 3.0, 4.9e-3, 2e-5),)},
         "high-on-resistance", "drain-source"),
        ({"on_resistance": (OnResistance(10.0, 3.0, None, None, "over-range", 50.0),)},
         "open", "gate-source"),
        ({"body_diode": (BodyDiode(1e-3, None, None, "over-range", 4.0),),
          "on_resistance": (OnResistance(10.0, 3.0, None, None, "over-range", 50.0),)},
         "open", "drain-source"),
    ],
)  # fmt: skip
def test_a_channel_that_differs_from_its_siblings_is_named(
    changes: dict[str, Any], fault: str, path: str
) -> None:
    judgement = judge_mosfet(sound(**changes), TYPE, siblings=siblings())
    assert judgement.disposition == "unfit"
    assert first(judgement) == (fault, path, "sure")


def test_one_bad_sibling_of_five_changes_nothing() -> None:
    spoiled = siblings()
    spoiled[2] = sound(
        specimen="S2", role="sibling",
        drain_leakage=(DrainLeakage(3.0, 3e-6, 1e-9), DrainLeakage(24.0, 24e-6, 1e-8)),
        threshold=(Threshold(2.5e-4, 2.1, 3e-4),),
        on_resistance=(OnResistance(10.0, 3.0, 9e-3, 2e-5),),
    )  # fmt: skip
    assert judge_mosfet(sound(), TYPE, siblings=spoiled).disposition == "fit"
    high = sound(on_resistance=(OnResistance(10.0, 3.0, 4.9e-3, 2e-5),))
    assert judge_mosfet(high, TYPE, siblings=spoiled).disposition == "unfit"


def test_a_leak_that_grew_during_the_tests_is_unstable() -> None:
    grown = (*sound().drain_leakage, DrainLeakage(24.0, 16e-9, 6e-11, repeat=True))
    judgement = judge_mosfet(sound(drain_leakage=grown), TYPE)
    assert judgement.disposition == "unfit"
    assert "after the other tests" in judgement.findings[0].because


def test_a_leak_that_grew_is_seen_though_it_takes_more_off_the_voltage() -> None:
    again = DrainLeakage(23.4, 16e-9, 6e-11, repeat=True)
    judgement = judge_mosfet(sound(drain_leakage=(*sound().drain_leakage, again)), TYPE)
    assert "after the other tests" in judgement.findings[0].because


def test_siblings_of_another_lot_are_not_used_and_named() -> None:
    strangers = [evolve(s, lot="board-99") for s in siblings()]
    judgement = judge_mosfet(sound(), TYPE, siblings=strangers)
    assert "not used: S0" in judgement.remarks[-1]


@pytest.mark.parametrize("fault", ["gate leak 1 kΩ-10 MΩ", "open", "short 2 mΩ-2 Ω"])
def test_gross_faults_drawn_at_random_are_all_unfit(fault: str) -> None:
    rng = np.random.default_rng(11)
    lot = draw_lot(rng, KINDS[0])
    others = [measured(rng, draw_part(rng, lot), f"S{k}", role="sibling") for k in range(5)]
    for _ in range(20):
        part = faulty(rng, draw_part(rng, lot), fault)
        judgement = judge_mosfet(measured(rng, part, "Q"), TYPE, siblings=others)
        assert judgement.disposition == "unfit"


def test_a_series_resistor_that_takes_some_volts_does_not_keep_a_limit_from_being_decided() -> None:
    """By hand: 2 and 5 uA at 3 and 21 V rise as V^0.47; led on to 24 V that is 5.3 uA."""
    part = mosfet("nfet-30v-schottky")
    read = (DrainLeakage(3.0, 2e-6, 4e-9), DrainLeakage(21.0, 5e-6, 1e-8))
    judgement = judge_mosfet(
        sound(type="nfet-30v-schottky", drain_leakage=read, body_diode=(BodyDiode(0.1, 0.4, 1e-3),),
              threshold=(Threshold(1e-3, 1.7, 3e-4),)),
        part,
    )  # fmt: skip
    (leak,) = [c for c in judgement.characteristics if c.name == "drain-leakage"]
    assert leak.verdict == "conforms"
    assert leak.value == pytest.approx(5e-6 * (24.0 / 21.0) ** 0.471, rel=0.01)
    assert leak.conditions["measured_at_v"] == 21.0


def test_a_leak_that_takes_the_voltage_down_fails_by_what_the_flattest_law_makes_of_it() -> None:
    part = mosfet("nfet-30v-schottky")
    for amps, wanted in ((400e-6, "fails"), (40e-6, "not-measured")):
        line = sound(type="nfet-30v-schottky", drain_leakage=(DrainLeakage(1.4, amps, 1e-8),))
        judgement = judge_mosfet(line, part)
        (leak,) = [c for c in judgement.characteristics if c.name == "drain-leakage"]
        assert leak.verdict == wanted


def test_a_schottky_type_with_kiloohms_at_a_fifth_of_a_volt_is_leaking() -> None:
    part = mosfet("nfet-30v-schottky")
    for ohms, wanted in ((2e3, True), (60e3, False)):
        line = sound(type="nfet-30v-schottky", short_check=(ShortCheck("drain-source", ohms),))
        found = judge_mosfet(line, part).findings
        assert any(f.fault == "leak" and f.path == "drain-source" for f in found) is wanted


def test_an_ohmic_leak_of_a_clean_gate_is_told_from_its_own_current() -> None:
    """By hand: 2 Gohm add 2.5 and 5 nA at 5 and 10 V to 0.07 and 0.2 nA; a sound one adds none."""
    leaky = tuple(
        GateLeakage(s * v, s * (0.2e-9 * (v / 10.0) ** 1.5 + v / 2e9), 3e-11)
        for s in (1.0, -1.0) for v in (5.0, 10.0)
    )  # fmt: skip
    judgement = judge_mosfet(sound(gate_leakage=leaky, cleaned=True), TYPE)
    assert first(judgement) == ("leak", "gate-source", "sure")
    steady = tuple(
        GateLeakage(s * v, s * 2e-9 * (v / 10.0) ** 1.5, 3e-11)
        for s in (1.0, -1.0) for v in (5.0, 10.0)
    )  # fmt: skip
    assert judge_mosfet(sound(gate_leakage=steady, cleaned=True), TYPE).disposition == "fit"


def test_a_leak_beside_a_gate_clamp_is_seen_at_the_volts_that_it_leaves() -> None:
    """By hand: 300 kohm behind 1 Mohm leave 1.7 of 7.2 V, where the clamp draws a tenth of it."""
    part = mosfet("nfet-20v-clamp")

    def clamp(amps: float, at: tuple[float, ...]) -> tuple[GateLeakage, ...]:
        return tuple(
            GateLeakage(s * v, s * amps * (v / 5.0) ** 1.5, 1e-9) for s in (1.0, -1.0) for v in at
        )

    rest: dict[str, Any] = {
        "type": "nfet-20v-clamp", "threshold": (Threshold(2.5e-4, 0.86, 3e-4),),
        "drain_leakage": (DrainLeakage(2.0, 3.6e-9, 5e-11), DrainLeakage(16.0, 12e-9, 6e-11)),
        "on_resistance": (OnResistance(4.5, 3.0, 6.3e-3, 2e-5),), "cleaned": True,
    }  # fmt: skip
    others = [
        sound(specimen=f"S{k}", gate_leakage=clamp(1.0e-6 * f, (4.3, 5.6)), **rest)
        for k, f in enumerate((0.8, 0.9, 1.0, 1.15, 1.3))
    ]
    healthy = sound(gate_leakage=clamp(1.1e-6, (4.3, 5.6)), **rest)
    assert judge_mosfet(healthy, part, siblings=others).disposition == "fit"
    leaky = tuple(
        GateLeakage(s * v, s * (1.1e-6 * (v / 5.0) ** 1.5 + v / 300e3), 1e-9)
        for s in (1.0, -1.0) for v in (1.2, 1.7)
    )  # fmt: skip
    judgement = judge_mosfet(sound(gate_leakage=leaky, **rest), part, siblings=others)
    assert judgement.disposition == "unfit"
    assert first(judgement)[:2] == ("leak", "gate-source")


def test_a_channel_that_helps_the_diode_is_not_taken_for_warmth() -> None:
    """Gate tied to source: a threshold near the forward voltage carries some of the current."""
    others = siblings()
    low = sound(
        threshold=(Threshold(2.5e-4, 0.58, 3e-4),), body_diode=(BodyDiode(1e-3, 0.45, 1e-4),)
    )
    judgement = judge_mosfet(low, BARE, siblings=others)
    assert judgement.disposition == "unfit"
    assert first(judgement) == ("threshold-shift", "gate-source", "sure")
    assert not any(w.action == "wait" for w in judgement.would_decide)


def test_two_currents_of_one_threshold_are_one_test() -> None:
    """Else a second current would halve the share, and a shift that was sure would not be."""
    once = judge_mosfet(
        sound(threshold=(Threshold(2.5e-4, 1.83, 3e-4),)), BARE, siblings=siblings()
    )
    both = judge_mosfet(
        sound(threshold=(Threshold(2.5e-4, 1.83, 3e-4), Threshold(1e-3, 1.88, 3e-4))),
        BARE,
        siblings=[
            evolve(s, threshold=(*s.threshold, Threshold(1e-3, (s.threshold[0].voltage_v or 0.0)
                                                         + 0.05, 3e-4)))
            for s in siblings()
        ],
    )  # fmt: skip
    assert first(once)[0] == first(both)[0] == "threshold-shift"
    assert once.findings[0].probability == both.findings[0].probability


def test_too_little_on_resistance_needs_more_evidence_than_too_much() -> None:
    def word(factor: float) -> str:
        line = sound(on_resistance=(OnResistance(10.0, 3.0, 4.1e-3 * factor, 2e-5),))
        return judge_mosfet(line, BARE, siblings=siblings()).disposition

    assert word(1.10) == "unfit"
    assert word(1.0 / 1.10) != "unfit"


def test_a_hot_part_with_a_low_threshold_is_warm_by_its_on_resistance() -> None:
    """By hand: 20 K take 46 mV from the diode and 108 mV from the threshold, and add 8.8 %."""

    def at(k: float, **more: Any) -> Readings:
        return sound(
            threshold=(Threshold(2.5e-4, 0.72 - 5.4e-3 * k, 3e-4),),
            body_diode=(BodyDiode(1e-3, 0.55 - 2.3e-3 * k, 1e-4),),
            on_resistance=(OnResistance(10.0, 3.0, 4.1e-3 * (1.0 + 4.4e-3 * k), 2e-5),), **more,
        )  # fmt: skip

    others = [at(0.3 * n, specimen=f"S{n}", role="sibling") for n in range(-2, 3)]
    judgement = judge_mosfet(at(20.0), BARE, siblings=others)
    assert judgement.disposition == "undecided"
    assert "retest cold" in judgement.would_decide[0].text


def test_a_forward_voltage_that_the_channel_shares_is_not_compared() -> None:
    """By hand: 50 mV below the threshold a channel carries exp(-50/43), a third of the current."""
    others = [
        evolve(s, threshold=(Threshold(2.5e-4, 0.6 + 0.01 * k, 3e-4),),
               body_diode=(BodyDiode(1e-3, 0.527, 1e-4),))
        for k, s in enumerate(siblings())
    ]  # fmt: skip
    higher = sound(
        threshold=(Threshold(2.5e-4, 0.68, 3e-4),), body_diode=(BodyDiode(1e-3, 0.558, 1e-4),)
    )
    assert judge_mosfet(higher, BARE, siblings=others).findings == ()
    apart = [evolve(s, body_diode=(BodyDiode(1e-3, 0.527, 1e-4),)) for s in siblings()]
    found = judge_mosfet(
        sound(body_diode=(BodyDiode(1e-3, 0.558, 1e-4),)), BARE, siblings=apart
    ).findings
    assert [f.fault for f in found] == ["not-as-marked"]


def test_siblings_make_a_leaking_gate_no_harder_to_find() -> None:
    """By hand: 10 Gohm add 0.5 and 1 nA at 5 and 10 V; own currents of 0.2 to 0.6 nA at 10 V."""

    def gate(own_a: float, ohm: float = math.inf) -> tuple[GateLeakage, ...]:
        return tuple(
            GateLeakage(s * v, s * (own_a * (v / 10.0) ** 1.5 + v / ohm), 2.9e-11)
            for s in (1.0, -1.0) for v in (5.0, 10.0)
        )  # fmt: skip

    own = (0.2e-9, 0.3e-9, 0.35e-9, 0.4e-9, 0.6e-9)
    others = [evolve(s, gate_leakage=gate(a)) for s, a in zip(siblings(), own, strict=True)]
    for amps, found_alone in ((0.3e-9, True), (0.9e-9, True), (1.3e-9, False)):
        leaky = sound(gate_leakage=gate(amps, 10e9), cleaned=True)
        assert (judge_mosfet(leaky, TYPE).disposition == "unfit") is found_alone
        beside = judge_mosfet(leaky, TYPE, siblings=others)
        assert beside.disposition == "unfit"
        assert first(beside) == ("leak", "gate-source", "sure")
    clean = sound(gate_leakage=gate(0.9e-9), cleaned=True)
    assert judge_mosfet(clean, TYPE, siblings=others).disposition == "fit"


def test_a_film_on_all_siblings_does_not_make_a_leaking_gate_sound() -> None:
    """By hand: 280 Mohm of flux on every one of them draw 36 nA at 10 V, below the limit."""

    def filmed(own_a: float) -> tuple[GateLeakage, ...]:
        return tuple(
            GateLeakage(s * v, s * (own_a * (v / 10.0) ** 1.5 + v / 280e6), 2e-10)
            for s in (1.0, -1.0) for v in (5.0, 10.0)
        )  # fmt: skip

    others = [
        evolve(s, gate_leakage=filmed(0.3e-9 * math.exp(0.2 * k)))
        for k, s in enumerate(siblings())
    ]  # fmt: skip
    judgement = judge_mosfet(sound(gate_leakage=filmed(0.4e-9)), TYPE, siblings=others)
    assert judgement.disposition == "undecided"
    assert judgement.would_decide[0].action == "clean"


def test_parts_beside_one_thermometer_differ_by_less_than_a_part_from_it() -> None:
    """What the thermometer shows wrongly is the same for all; for a limit it is not."""
    beside = SwitchSiblings.of(siblings())
    part = part_temperature(sound(), beside)
    assert part.u_k == pytest.approx(2.0)
    assert part.beside(beside).u_k == pytest.approx(1.0)
    nobody_knows = SwitchSiblings.of([evolve(s, temperature_c=None) for s in siblings()])
    assert part.beside(nobody_knows).u_k == pytest.approx(2.0)
    hot = sound(temperature_c=None, body_diode=(BodyDiode(1e-3, 0.55 - 20 * 2.3e-3, 1e-4),))
    by_diode = part_temperature(hot, beside)
    assert by_diode.celsius == pytest.approx(45.0, abs=1.0)
    # the diode's own spread of 3 mV and how well five tell its centre: 1.4 K
    assert by_diode.beside(beside).u_k == pytest.approx(1.4, abs=0.2)
