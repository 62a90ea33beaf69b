"""Check the study of MOSFETs over simulated lots in small: rates that a mistake would break.

Also that the loop of the study reads what the device truly has. Does not cover: the rates
themselves, for which the study needs a thousand parts a type.
"""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest

from sim.physics.devices.mosfet_truth import body_diode_v, drain_leakage_a, on_resistance_ohm
from tests.studies.switch_detection import fault_rows, healthy_row, small_leaks, without_meter
from tests.studies.switch_edges import EDGES, SPREADS_SHOWN, EdgeRow, EdgeStudy, study_edges
from tests.studies.switch_lots import TYPES, construction_of, draw_lot, part_type_of
from tests.studies.switch_report import report
from tests.studies.switch_severities import BANDS
from tests.studies.tally import Tally, lower_bound, upper_bound

#: what every type has to find always; the rest is bounded by the spread of sound parts
_SURE = tuple(
    band for band in BANDS
    if band.fault in ("short", "open bond") or band.severity in ("10 Ω-10 kΩ", "x1.3-2.5")
)  # fmt: skip
#: what plain types find always
_PLAIN = tuple(
    band for band in BANDS
    if band.fault.startswith(("leak", "weak", "soft", "low"))
    or band.severity in ("x1.15-1.3", "±0.25-0.8 V")
)  # fmt: skip


@pytest.mark.parametrize("type_name", TYPES)
def test_the_loop_reads_what_the_part_truly_has(type_name: str) -> None:
    construction, part_type = construction_of(type_name), part_type_of(type_name)
    lot = draw_lot(construction, part_type, np.random.default_rng(31), count=2)
    part, line, celsius = lot.parts[0], lot.lines[0], lot.celsius[0]
    for leak in line.drain_leakage:
        assert leak.current_a is not None
        assert leak.u_current_a is not None
        true_a = drain_leakage_a(part, leak.voltage_v, celsius)
        assert abs(leak.current_a - true_a) <= 3.0 * leak.u_current_a + 0.02 * true_a
    for diode in line.body_diode:
        assert diode.voltage_v is not None
        true_v = body_diode_v(part, diode.current_a, celsius)
        assert diode.voltage_v == pytest.approx(true_v, abs=2e-3)
    for on in line.on_resistance:
        assert on.value_ohm is not None
        assert on.u_ohm is not None
        true_ohm = on_resistance_ohm(part, on.gate_source_v, 3.0, celsius)
        assert abs(on.value_ohm - true_ohm) <= 4.0 * on.u_ohm + 2e-3 * true_ohm


@pytest.mark.parametrize("type_name", TYPES)
def test_sound_parts_are_fit(type_name: str) -> None:
    tally = healthy_row(type_name, 24, seed=51, roads=False)
    # 1 % of 24: two or more come less than once in forty runs
    assert tally.words["unfit"] <= 1
    assert tally.words["undecided"] <= 2
    assert tally.words["unfit"] + tally.words["undecided"] + tally.words["fit"] == tally.count


def test_hot_parts_and_bad_siblings_cost_no_sound_part() -> None:
    tally = healthy_row("nfet-30v-5m", 18, seed=52)
    assert tally.unfit_by["hot"] == 0
    assert tally.unfit_by["hot undecided"] >= tally.asked_by["hot"] / 3
    assert tally.unfit_by["1 of 5"] <= 1
    assert tally.unfit_by["none"] == 0


def test_a_supply_alone_never_calls_a_part_fit() -> None:
    part_type = part_type_of("nfet-30v-5m")
    construction = construction_of("nfet-30v-5m")
    rng = np.random.default_rng(60)
    lot = draw_lot(construction, part_type, rng, count=3)
    words = {without_meter(lot, k, band.draw(rng)) for k in range(3) for band in BANDS}
    assert words == {"unfit", "plausible"}
    assert without_meter(lot, 0, None) == "plausible"


@pytest.mark.parametrize("type_name", TYPES)
def test_what_no_spread_can_hide_is_always_found(type_name: str) -> None:
    for name, tally in fault_rows(type_name, _SURE, 6, seed=53, roads=False).items():
        assert tally.words["unfit"] == tally.count, name
        assert tally.named >= tally.count - 1, name


def test_a_plain_type_finds_and_names_what_the_goals_ask_for() -> None:
    for name, tally in fault_rows("nfet-30v-5m", _PLAIN, 6, seed=54).items():
        assert tally.words["unfit"] >= tally.count - 1, name
        assert tally.named >= tally.words["unfit"] - 1, name
        assert tally.unfit_by["1 of 5"] >= tally.asked_by["1 of 5"] - 1, name
        # a supply alone sees next to nothing of a leak, and by hand only the ohmic ones are seen
        if name.startswith(("weak", "leak gate-source, 1-10")):
            assert tally.unfit_by["no meter"] == 0
            assert tally.unfit_by["ohmmeter"] == 0


@pytest.mark.slow
def test_a_schottky_type_finds_leaks_to_500_kiloohms() -> None:
    bands = [b for b in BANDS if b.fault == "leak drain-source" and b.severity != "0.1-1 GΩ"]
    rows = fault_rows("nfet-30v-schottky", bands, 60, seed=55, roads=False)
    found = rows["leak drain-source, 10 Ω-10 kΩ"].merged(rows["leak drain-source, 10-500 kΩ"])
    assert found.share("unfit") >= 95.0
    # what lies below the diode's own leakage stays unseen, and nothing else is made of it
    assert rows["leak drain-source, 10-100 MΩ"].share("fit") >= 95.0


@pytest.mark.slow
@pytest.mark.parametrize("type_name", ["nfet-30v-5m", "nfet-25v-1m5"])
def test_the_edges_of_the_goals_are_found(type_name: str) -> None:
    """Of 60 parts, which pass 98.5 %, less than 56 come once in three hundred runs."""
    for name, row in study_edges(type_name, None, sound=0, faulty=60, seed=56).rows.items():
        assert row.found.words["unfit"] >= 56, name
        # siblings make no fault harder to find
        assert row.found.words["unfit"] >= row.alone, name
        assert row.oracle(0.01, of_all=False) >= 98.0, name


@pytest.mark.slow
def test_sound_parts_that_spread_more_than_assumed_cost_little() -> None:
    """3 % of 240 are 7; more than 14 would come once in two hundred runs at that rate."""
    wide = [
        study_edges(name, 1.4, sound=120, faulty=0, seed=58).sound
        for name in ("nfet-30v-5m", "nfet-30v-schottky")
    ]
    assert sum(tally.words["unfit"] for tally in wide) <= 14


def test_a_wider_spread_is_that_many_times_what_judging_assumes() -> None:
    """By hand: 1.4 times 2.5 % of the on-resistance, 40 mV of the threshold."""
    own, wide = (construction_of("nfet-30v-5m", s).unit_spread for s in (None, 1.4))
    assert wide.on_resistance == pytest.approx(0.035)
    assert wide.threshold_v == pytest.approx(0.056)
    assert wide.on_resistance > own.on_resistance
    assert wide.breakdown == own.breakdown


def test_the_oracle_finds_what_a_normal_population_allows() -> None:
    """By hand: three sigmas off at 1 % are found in Phi(3 - 2.326) = 75 %, two such in 97.2 %."""
    rng = np.random.default_rng(59)
    row = EdgeRow(EDGES[0])
    for _ in range(600):
        sound = [rng.standard_normal(2) for _ in range(6)]
        row.add_lot(sound, [[x + 3.0 for x in sound]])
    assert row.oracle(0.01, of_all=False) == pytest.approx(75.0, abs=3.0)
    assert row.oracle(0.01, of_all=True) == pytest.approx(97.2, abs=1.5)


@pytest.mark.slow
def test_small_leaks_are_found_down_to_nanoamperes() -> None:
    found = {(path, ohm): tally for path, ohm, tally in small_leaks("nfet-30v-5m", 18, seed=57)}
    assert found["drain-source", 1e9].share("unfit") >= 95.0
    assert found["gate-source", 1e9].share("unfit") >= 95.0
    assert found["gate-source", 1e10].share("unfit") >= 80.0
    assert found["drain-source", 3e10].share("unfit") <= 10.0


def test_the_page_holds_every_goal_and_every_row() -> None:
    one = Tally(6, Counter(unfit=6), 6, Counter(hot=0, none=6), Counter({"hot": 6, "1 of 5": 3}))
    rows = {name: {band.name: one for band in BANDS} for name in TYPES}
    edge_rows = {edge.name: EdgeRow(edge, one, 3) for edge in EDGES}
    for row in edge_rows.values():
        for k in range(4):
            row.add_lot(
                [np.array([0.1 * k, 1.0, 2.0 * k]), np.array([0.3, 0.1 * k, k])],
                [[np.array([1.0, 2.0, 3.0])] for _ in row.edge.faults],
            )
    studied = dict.fromkeys(SPREADS_SHOWN, EdgeStudy(one, edge_rows))
    text = report(
        dict.fromkeys(TYPES, one), rows, {}, dict.fromkeys(TYPES, studied), [], {}, seed=1
    )
    for words in (
        "false reject",
        "+15 %",
        "±0.25 V",
        "500 kΩ",
        "named right",
        "bad sibling",
        "1.4 times",
        "oracle",
    ):
        assert words in text
    assert text.count("| short, 2 mΩ-2 Ω | 100 |") == len(TYPES)


def test_bounds_are_those_of_clopper_and_pearson() -> None:
    """By hand: none of n has the upper bound 1 - 0.05^(1/n); all of n the lower one 0.05^(1/n)."""
    assert upper_bound(0, 100) == pytest.approx(1.0 - 0.05**0.01)
    assert lower_bound(100, 100) == pytest.approx(0.05**0.01)
    assert upper_bound(5, 5) == 1.0
