"""Whole judgements of coils made from closed forms.

Not covered: rates over populations (studies), and coils whose field is not that of two coupled
inductors (the ngspice cases, and the end-to-end tests).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from attrs import evolve
from hypothesis import given, settings
from hypothesis import strategies as st

from labbench.errors import InputError
from labbench.judging.coil import judge_coil
from labbench.parts.coil_type import Saturation
from labbench.parts.library import find_coil_type
from labbench.quantities import format_si
from labbench.results import BiasPoint, DcResistance, Impedance, Judgement, Readings, Visual
from tests.judging.closed_forms import (
    LARGE,
    LARGE_TYPE,
    SMALL,
    SMALL_TYPE,
    ClosedFormCoil,
    readings_of,
    with_impedance,
    with_resistance,
)

LOW_HZ = (1e3, 1e4, 1e5, 3e5)


def judged(coil: ClosedFormCoil, *, frequency_hz: tuple[float, ...] | None = None) -> Judgement:
    part = SMALL_TYPE if coil.turns == 4 else LARGE_TYPE
    more = {} if frequency_hz is None else {"frequency_hz": frequency_hz}
    return judge_coil(readings_of(coil, part, seed=5, **more), part)


def characteristic(judgement: Judgement, name: str):
    return next(c for c in judgement.characteristics if c.name == name)


@pytest.mark.parametrize("coil", [SMALL, LARGE], ids=["470 nH", "4.7 uH"])
@pytest.mark.parametrize("seed", range(6))
def test_a_healthy_coil_is_fit(coil: ClosedFormCoil, seed: int) -> None:
    part = SMALL_TYPE if coil is SMALL else LARGE_TYPE
    judgement = judge_coil(readings_of(coil, part, seed=seed), part)
    assert judgement.disposition == "fit"
    assert judgement.findings == ()
    assert judgement.would_decide == ()
    assert [c.verdict for c in judgement.characteristics] == ["conforms", "conforms"]
    assert {c.coverage for c in judgement.characteristics} == {0.95}


@pytest.mark.parametrize("coil", [SMALL, LARGE], ids=["470 nH", "4.7 uH"])
@pytest.mark.parametrize("short_ohm", [5e-4, 5e-3, 5e-2, 0.5])
@pytest.mark.parametrize("frequency_hz", [None, LOW_HZ], ids=["to 1 MHz", "to 300 kHz"])
def test_a_shorted_turn_is_found_whatever_its_contact(
    coil: ClosedFormCoil, short_ohm: float, frequency_hz: tuple[float, ...] | None
) -> None:
    judgement = judged(evolve(coil, short_ohm=short_ohm), frequency_hz=frequency_hz)
    assert judgement.disposition == "unfit"
    finding = judgement.findings[0]
    assert finding.grade == "sure"
    assert "shorted-turn" in (finding.fault, *finding.alternatives)
    assert len(finding.alternatives) <= 2
    assert len(finding.because) <= 60


def test_the_reason_for_a_short_says_how_inductance_falls() -> None:
    readings = readings_of(evolve(LARGE, short_ohm=50e-3), LARGE_TYPE, seed=5)
    finding = judge_coil(readings, LARGE_TYPE).findings[0]
    assert finding.fault == "shorted-turn"
    x = readings.impedance.reactance_ohm
    first, last = (format_si(x[i] / (2 * math.pi * f), "H") for i, f in ((0, 1e3), (-1, 1e6)))
    assert finding.because == f"inductance falls from {first} at 1 kHz to {last} at 1 MHz"


@pytest.mark.parametrize("short_ohm", [5e-3, 5e-2])
def test_the_resistance_of_a_short_whose_corner_is_in_the_sweep_is_a_number_with_an_interval(
    short_ohm: float,
) -> None:
    details = judged(evolve(LARGE, short_ohm=short_ohm)).findings[0].details
    loop_ohm = short_ohm + LARGE.resistance_ohm / LARGE.turns
    short = details["short_resistance_ohm"]
    assert short["lower"] <= loop_ohm <= short["upper"]
    assert short["lower"] < short["value"] < short["upper"]
    # L_turn is 1.1 here and 1.15 in the estimator
    corner = loop_ohm / (2 * math.pi * 1.1 * LARGE.inductance_h / LARGE.turns**2)
    assert details["corner_hz"] == pytest.approx(corner, rel=0.2)
    assert details["frequencies_used_hz"] == [1e3, 1e4, 1e5, 3e5, 1e6]


def test_a_short_whose_corner_lies_above_the_sweep_has_only_a_band() -> None:
    finding = judged(evolve(LARGE, short_ohm=0.5), frequency_hz=LOW_HZ).findings[0]
    assert {finding.fault, *finding.alternatives} >= {"shorted-turn", "lossy-core"}
    if finding.fault == "shorted-turn":
        short = finding.details["short_resistance_ohm"]
        assert short["value"] is None
        assert short["lower"] < 0.5 < short["upper"]
        assert finding.details["shorted_turns"] is None


def test_without_the_number_of_turns_only_the_corner_is_told() -> None:
    part = evolve(LARGE_TYPE, turns=None)
    readings = readings_of(evolve(LARGE, short_ohm=50e-3), part, seed=5)
    details = judge_coil(readings, part).findings[0].details
    assert "short_resistance_ohm" not in details
    assert details["corner_hz"] > 0


def test_a_joint_of_half_the_resistance_more_is_named_with_what_looks_the_same() -> None:
    for coil in (SMALL, LARGE):
        judgement = judged(evolve(coil, series_ohm=0.5 * coil.resistance_ohm))
        finding = judgement.findings[0]
        assert (judgement.disposition, finding.grade) == ("unfit", "sure")
        assert finding.fault == "high-resistance-joint"
        assert "not-as-marked" in finding.alternatives
        assert characteristic(judgement, "dc-resistance").verdict == "fails"
        assert finding.because.startswith("dc resistance 2")


def test_a_core_that_lost_forty_percent_is_cracked() -> None:
    for coil in (SMALL, LARGE):
        judgement = judged(evolve(coil, inductance_h=0.6 * coil.inductance_h))
        assert judgement.disposition == "unfit"
        assert judgement.findings[0].fault == "cracked-core"
        least = format_si(characteristic(judgement, "inductance").lower, "H")
        assert judgement.findings[0].because.endswith(f", at least {least}")


def test_a_core_with_a_low_relaxation_is_lossy_or_a_short() -> None:
    judgement = judged(evolve(LARGE, relaxation_hz=2e6))
    finding = judgement.findings[0]
    assert judgement.disposition == "unfit"
    assert "lossy-core" in (finding.fault, *finding.alternatives)
    assert finding.because.startswith(("loss tangent", "inductance falls"))


def test_a_fused_winding_has_lost_nearly_all_inductance_and_resistance() -> None:
    # what many touching turns leave: a few percent of the inductance, a third of the resistance
    fused = evolve(SMALL, inductance_h=0.03 * 470e-9, resistance_ohm=0.5e-3, loss_angle=0.3)
    judgement = judged(fused)
    assert judgement.disposition == "unfit"
    assert judgement.findings[0].fault == "fused-winding"


def test_a_sound_coil_of_another_value_is_not_as_marked() -> None:
    other = evolve(LARGE, inductance_h=10e-6, resistance_ohm=30e-3)
    judgement = judged(other)
    assert judgement.disposition == "unfit"
    finding = judgement.findings[0]
    assert "not-as-marked" in (finding.fault, *finding.alternatives)


def open_readings(*, dc: bool, swept: bool) -> Readings:
    readings = readings_of(SMALL, SMALL_TYPE)
    points = len(readings.impedance.frequency_hz)
    if swept:
        readings = with_impedance(
            readings,
            resistance_ohm=(None,) * points, reactance_ohm=(None,) * points,
            u_resistance_ohm=(None,) * points, u_reactance_ohm=(None,) * points,
            status=("over-range",) * points, greater_than_ohm=(1e6,) * points,
        )  # fmt: skip
    else:
        readings = evolve(readings, impedance=None)
    if dc:
        return with_resistance(
            readings, value_ohm=None, u_ohm=None, status="over-range", greater_than_ohm=500.0
        )
    return evolve(readings, dc_resistance=None)


def test_an_open_winding_is_sure_where_dc_and_sweep_agree() -> None:
    judgement = judge_coil(open_readings(dc=True, swept=True), SMALL_TYPE)
    finding = judgement.findings[0]
    assert (judgement.disposition, finding.fault, finding.grade) == (
        "unfit", "open-winding", "sure",
    )  # fmt: skip
    assert finding.because == "the winding resists more than 500 Ω"


def test_an_open_sweep_alone_may_be_the_jig_and_is_only_suspect() -> None:
    judgement = judge_coil(open_readings(dc=False, swept=True), SMALL_TYPE)
    assert judgement.disposition == "undecided"
    assert judgement.findings[0].grade == "suspect"
    actions = [w.action for w in judgement.would_decide]
    assert actions[0] == "press-again"
    assert "measure-dc-resistance" in actions
    # the sweep was taken: nobody is told to take it
    assert "measure-impedance" not in actions


def test_an_open_dc_path_beside_a_good_sweep_is_a_contradiction_and_not_a_fault() -> None:
    readings = with_resistance(
        readings_of(SMALL, SMALL_TYPE, seed=2),
        value_ohm=None, u_ohm=None, status="over-range", greater_than_ohm=500.0,
    )  # fmt: skip
    judgement = judge_coil(readings, SMALL_TYPE)
    assert judgement.disposition == "undecided"
    assert judgement.findings == ()
    at_1_khz = format_si(readings.impedance.resistance_ohm[0], "ohm")
    assert judgement.remarks[0] == f"500 Ω at dc but {at_1_khz} at 1 kHz: one is wrong"


@pytest.mark.parametrize(
    ("missing", "name", "action"),
    [
        ("impedance", "inductance", "measure-impedance"),
        ("dc_resistance", "dc-resistance", "measure-dc-resistance"),
    ],
)
def test_a_missing_block_is_not_measured_and_never_fit(
    missing: str, name: str, action: str
) -> None:
    readings = evolve(readings_of(SMALL, SMALL_TYPE, seed=2), **{missing: None})
    judgement = judge_coil(readings, SMALL_TYPE)
    assert judgement.disposition == "undecided"
    assert characteristic(judgement, name).verdict == "not-measured"
    assert [w.action for w in judgement.would_decide] == [action]


def test_no_blocks_at_all_are_undecided() -> None:
    judgement = judge_coil(Readings(specimen="D1", type=SMALL_TYPE.name), SMALL_TYPE)
    assert judgement.disposition == "undecided"
    assert judgement.band is None


@pytest.mark.parametrize("seen", ["discoloured", "cracked", "bulged"])
def test_what_is_seen_condemns_at_once(seen: str) -> None:
    # common practice, no source
    readings = evolve(readings_of(SMALL, SMALL_TYPE, seed=2), visual=Visual(seen))
    judgement = judge_coil(readings, SMALL_TYPE)
    assert judgement.disposition == "unfit"
    assert judgement.findings[0].details["seen"] == seen
    assert seen[:5] in judgement.findings[0].because or seen == "cracked"


@pytest.mark.parametrize("seen", ["fine", "not-looked"])
def test_nothing_seen_condemns_nothing(seen: str) -> None:
    readings = evolve(readings_of(SMALL, SMALL_TYPE, seed=2), visual=Visual(seen))
    assert judge_coil(readings, SMALL_TYPE).disposition == "fit"


def test_a_supply_readback_that_cannot_see_the_joint_leaves_the_part_plausible() -> None:
    readings = with_resistance(
        readings_of(SMALL, SMALL_TYPE, seed=2), value_ohm=1.9e-3, u_ohm=1e-3,
        method="supply-readback",
    )  # fmt: skip
    judgement = judge_coil(readings, SMALL_TYPE)
    assert judgement.disposition == "plausible"
    assert judgement.remarks[0] == "joint not checked below 2 mΩ"
    assert [w.action for w in judgement.would_decide] == ["use-multimeter"]


def test_the_same_uncertainty_without_a_known_method_is_undecided() -> None:
    readings = with_resistance(readings_of(SMALL, SMALL_TYPE, seed=2), u_ohm=1e-3, method=None)
    judgement = judge_coil(readings, SMALL_TYPE)
    assert judgement.disposition == "undecided"
    assert [w.action for w in judgement.would_decide] == ["use-multimeter"]


def test_a_borderline_resistance_is_undecided_and_asks_to_be_repeated() -> None:
    readings = with_resistance(readings_of(SMALL, SMALL_TYPE, seed=2), value_ohm=1.645e-3)
    judgement = judge_coil(readings, SMALL_TYPE)
    assert judgement.disposition == "undecided"
    assert characteristic(judgement, "dc-resistance").verdict == "undecided"
    assert [w.action for w in judgement.would_decide] == ["repeat"]


def test_a_part_that_drifts_while_measured_has_to_cool() -> None:
    readings = with_resistance(
        readings_of(SMALL, SMALL_TYPE, seed=2), value_ohm=None, u_ohm=None, status="unstable"
    )
    judgement = judge_coil(readings, SMALL_TYPE)
    assert judgement.disposition == "undecided"
    assert [w.action for w in judgement.would_decide] == ["wait"]


def test_the_resistance_is_corrected_as_copper_to_the_temperature_of_the_limit() -> None:
    # R2/R1 = (234.5 + t2)/(234.5 + t1): IEEE practice, from memory
    readings = with_resistance(
        readings_of(SMALL, SMALL_TYPE, seed=2), value_ohm=1.5e-3, temperature_c=45.0
    )
    value = characteristic(judge_coil(readings, SMALL_TYPE), "dc-resistance").value
    assert value == pytest.approx(1.5e-3 * 259.5 / 279.5, rel=1e-12)


def test_an_unknown_temperature_is_said_and_widens_the_uncertainty() -> None:
    known = readings_of(SMALL, SMALL_TYPE, seed=2)
    unknown = evolve(with_resistance(known, temperature_c=None), temperature_c=None)
    judgement = judge_coil(unknown, SMALL_TYPE)
    assert "temperature not measured: 23 °C ± 10 °C assumed" in judgement.remarks
    assert (
        characteristic(judgement, "dc-resistance").expanded_uncertainty
        > 2 * characteristic(judge_coil(known, SMALL_TYPE), "dc-resistance").expanded_uncertainty
    )


def test_an_inductance_between_two_frequencies_carries_an_allowance() -> None:
    frequency_hz = (1e3, 3e4, 4e5, 1e6)
    readings = readings_of(evolve(SMALL, relaxation_hz=8e6), SMALL_TYPE, frequency_hz=frequency_hz)
    found = characteristic(judge_coil(readings, SMALL_TYPE), "inductance")
    inductance = [
        x / (2 * math.pi * f)
        for f, x in zip(frequency_hz, readings.impedance.reactance_ohm, strict=True)
    ]
    assert inductance[2] < found.value < inductance[1]
    assert found.expanded_uncertainty >= 1.96 * (inductance[1] - inductance[2]) / math.sqrt(12)
    assert found.conditions == {"frequency_hz": 100e3}


def test_a_sweep_that_does_not_reach_the_limits_frequency_does_not_measure_inductance() -> None:
    readings = readings_of(SMALL, SMALL_TYPE, frequency_hz=(1e3, 1e4), seed=2)
    judgement = judge_coil(readings, SMALL_TYPE)
    assert characteristic(judgement, "inductance").verdict == "not-measured"
    assert judgement.disposition == "undecided"
    assert judgement.would_decide[0].text == "take the sweep, with 100 kHz in it"


def test_a_sweep_too_coarse_to_show_shorts_leaves_a_healthy_part_plausible() -> None:
    readings = readings_of(SMALL, SMALL_TYPE, frequency_hz=(1e3, 1e4, 1e5))
    coarse = with_impedance(readings, u_resistance_ohm=(2e-2, 2e-2, 2e-2))
    judgement = judge_coil(coarse, SMALL_TYPE)
    assert judgement.disposition == "plausible"
    assert judgement.remarks[0].startswith("shorts above ")
    assert "higher-frequency" in [w.action for w in judgement.would_decide]


def test_learned_limits_make_at_best_plausible() -> None:
    part = evolve(SMALL_TYPE, learned_from=("D2", "D3", "D4"))
    judgement = judge_coil(readings_of(SMALL, part, seed=2), part)
    assert judgement.disposition == "plausible"
    assert judgement.remarks[0] == "limits learned from 3 parts"


@pytest.mark.parametrize(
    ("current_a", "share", "verdict"),
    [(28.0, 0.8, "conforms"), (28.0, 0.5, "fails"), (10.0, 0.6, "fails"), (30.0, 0.8, "conforms")],
)
def test_inductance_under_bias_is_decided_at_the_limit_or_where_it_already_tells(
    current_a: float, share: float, verdict: str
) -> None:
    part = evolve(SMALL_TYPE, saturation=Saturation(28.0, 0.3))
    readings = evolve(
        readings_of(SMALL, part, seed=2),
        bias=(BiasPoint(0.0, 470e-9, 1e-9), BiasPoint(current_a, share * 470e-9, 1e-9)),
    )
    assert characteristic(judge_coil(readings, part), "saturation").verdict == verdict


def test_a_little_bias_tells_nothing_and_says_so() -> None:
    part = evolve(SMALL_TYPE, saturation=Saturation(28.0, 0.3))
    readings = evolve(readings_of(SMALL, part, seed=2), bias=(BiasPoint(3.0, 468e-9, 1e-9),))
    judgement = judge_coil(readings, part)
    assert judgement.disposition == "fit"
    assert any(remark.startswith("saturation was not checked") for remark in judgement.remarks)


@pytest.mark.parametrize("material", ["powder", "ferrite", None])
def test_a_healthy_coil_of_any_or_no_stated_material_is_fit(material: str | None) -> None:
    part = evolve(LARGE_TYPE, material=material, turns=None)
    assert judge_coil(readings_of(LARGE, part, seed=4), part).disposition == "fit"


def test_a_coil_without_a_core_has_no_fault_of_a_core() -> None:
    air = evolve(SMALL_TYPE, material="air")
    coil = evolve(SMALL, relaxation_hz=1e12, loss_angle=1e-6)
    assert judge_coil(readings_of(coil, air, seed=4), air).disposition == "fit"
    for faulty in (evolve(coil, short_ohm=0.05), evolve(coil, inductance_h=280e-9)):
        finding = judge_coil(readings_of(faulty, air, seed=4), air).findings[0]
        assert not {"lossy-core", "cracked-core"} & {finding.fault, *finding.alternatives}


def test_an_inductance_that_no_repeat_could_decide_leaves_the_part_plausible() -> None:
    readings = readings_of(SMALL, SMALL_TYPE, seed=2)
    vague = with_impedance(readings, u_reactance_ohm=(0.08,) * 5, u_resistance_ohm=(3e-4,) * 5)
    judgement = judge_coil(vague, SMALL_TYPE)
    assert judgement.disposition == "plausible"
    assert judgement.remarks[0] == "inductance known only within 250 nH"


VALUES = st.one_of(
    st.none(),
    st.floats(allow_nan=True, allow_infinity=True),
    st.floats(-1e9, 1e9),
    st.floats(-1e-2, 1e-2),
    st.sampled_from([0.0, -0.0]),
)
UNCERTAINTIES = st.one_of(st.none(), st.floats(-1.0, 1e6), st.floats(1e-9, 1e-2))


@settings(max_examples=120, deadline=None)
@given(
    r=st.lists(VALUES, min_size=3, max_size=3), x=st.lists(VALUES, min_size=3, max_size=3),
    u=st.lists(UNCERTAINTIES, min_size=6, max_size=6), dc=VALUES, u_dc=UNCERTAINTIES,
    bound=st.one_of(st.none(), st.floats(1e-3, 1e9)),
    statuses=st.lists(st.sampled_from(["ok", "over-range", "unstable"]), min_size=4, max_size=4),
    turns=st.sampled_from([None, 1, 2, 12]),
)  # fmt: skip
def test_any_readings_get_a_word_and_no_crash(r, x, u, dc, u_dc, bound, statuses, turns) -> None:
    readings = Readings(
        specimen="D1", type=LARGE_TYPE.name,
        impedance=Impedance(
            frequency_hz=(1e3, 1e5, 1e6), resistance_ohm=tuple(r), reactance_ohm=tuple(x),
            u_resistance_ohm=tuple(u[:3]), u_reactance_ohm=tuple(u[3:]),
            status=tuple(statuses[:3]), greater_than_ohm=(bound,) * 3,
        ),
        dc_resistance=DcResistance(
            value_ohm=dc, u_ohm=u_dc, status=statuses[3], greater_than_ohm=bound
        ),
    )  # fmt: skip
    judgement = judge_coil(readings, evolve(LARGE_TYPE, turns=turns))
    assert judgement.disposition in ("fit", "unfit", "undecided", "plausible")
    assert all(len(f.because) <= 60 for f in judgement.findings)


def test_a_stricter_false_reject_limit_condemns_less() -> None:
    coil = evolve(SMALL, short_ohm=2.0)
    readings = readings_of(coil, SMALL_TYPE, seed=5)
    assert judge_coil(readings, SMALL_TYPE, false_reject=0.01).disposition == "unfit"
    assert judge_coil(readings, SMALL_TYPE, false_reject=1e-5).disposition != "unfit"


def test_risks_without_sense_are_refused() -> None:
    readings = readings_of(SMALL, SMALL_TYPE)
    with pytest.raises(InputError, match="risk"):
        judge_coil(readings, SMALL_TYPE, risk=1.5)


def test_the_band_for_a_plot_holds_the_healthy_sweep_and_not_a_shorted_one() -> None:
    for coil, inside in ((SMALL, True), (evolve(SMALL, short_ohm=5e-3), False)):
        band = judged(coil).band
        grid = np.array(band["frequency_hz"])
        z = coil.impedance_ohm(grid)
        inductance = z.imag / (2 * np.pi * grid)
        within = (inductance >= band["inductance_h"]["lower"]) & (
            inductance <= band["inductance_h"]["upper"]
        )
        assert bool(within.all()) is inside
        drawn = np.array(band["explanation"]["inductance_h"])
        assert drawn == pytest.approx(inductance, rel=0.25)
        assert len(band["loss_tangent"]["lower"]) == len(grid)
    assert band["explanation"]["label"] == "shorted turn, fitted"


def test_judging_twice_gives_the_same_judgement() -> None:
    readings = readings_of(evolve(LARGE, short_ohm=5e-3), LARGE_TYPE, seed=9)
    assert judge_coil(readings, LARGE_TYPE) == judge_coil(readings, LARGE_TYPE)


def test_points_that_are_no_numbers_are_left_out_and_the_rest_is_judged() -> None:
    readings = readings_of(SMALL, SMALL_TYPE, seed=2)
    block = readings.impedance
    broken = with_impedance(
        readings,
        resistance_ohm=(None, math.nan, *block.resistance_ohm[2:]),
    )
    assert isinstance(broken.impedance, Impedance)
    assert judge_coil(broken, SMALL_TYPE).disposition == "fit"


def test_an_infinite_resistance_read_is_an_open_winding_and_has_its_reason_in_words() -> None:
    readings = evolve(
        readings_of(SMALL, SMALL_TYPE, seed=2),
        impedance=None, dc_resistance=DcResistance(math.inf, 1e-5),
    )  # fmt: skip
    (finding,) = judge_coil(readings, SMALL_TYPE).findings
    assert (finding.fault, finding.because) == ("open-winding", "nothing flows through the winding")


def test_a_coil_with_less_loss_than_its_type_can_have_is_not_called_shorted_for_sure() -> None:
    f = np.array([1e3, 1e4, 1e5, 3e5, 1e6])
    readings = Readings(
        specimen="D1", type="coil-470n",
        impedance=Impedance(
            frequency_hz=tuple(f.tolist()), resistance_ohm=tuple((1.5e-3 + 1e-8 * f).tolist()),
            reactance_ohm=tuple((2 * np.pi * f * 470e-9).tolist()),
            u_resistance_ohm=tuple((1.2e-4 + 6e-4 * 2 * np.pi * f * 470e-9).tolist()),
            u_reactance_ohm=tuple((1.2e-4 + 6e-4 * 2 * np.pi * f * 470e-9).tolist()),
        ),
        dc_resistance=DcResistance(1.5e-3, 8e-6, 23.0),
        temperature_c=23.0,
    )  # fmt: skip
    judgement = judge_coil(readings, find_coil_type("coil-470n"))
    assert judgement.disposition == "undecided"
    assert [f.grade for f in judgement.findings] == ["suspect"]
