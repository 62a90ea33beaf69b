"""What a person reads of the shelf: lists, rankings, survival; at most 80 columns each.

Does not cover what stands behind the words (tests/jobs, tests/judging).
"""

from __future__ import annotations

from typing import Any

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st

from labbench.judging.matching import Candidate, Match, Phase, choose_donor
from labbench.lots.outcomes import load_survival
from labbench.reports.match_words import match_json, match_lines
from labbench.reports.shelf_words import key_figures, shelf_lines, survival_text
from labbench.schemas import load_schema

PHASES = (Phase("1", 1.44e-3, 3e-6), Phase("2", 1.52e-3, 3e-6))
WIDE = st.text(st.characters(codec="ascii", categories=("L", "N")), min_size=1, max_size=40)


def ranking(*candidates: Candidate, total_a: float | None = None) -> tuple[Match, ...]:
    return choose_donor(candidates, PHASES, total_a=total_a)


def told(matches: tuple[Match, ...], **more: Any) -> dict[str, Any]:
    return {
        "board": "radar-supply", "rail": "core", "sensing": "dcr", "phases": PHASES,
        "matches": matches, "words": dict.fromkeys((m.specimen for m in matches), "fit"),
        "left_out": (), "remarks": (), "take": None, "alike": (), **more,
    }  # fmt: skip


def test_the_ranking_is_read_from_the_top() -> None:
    matches = ranking(Candidate("D4", 1.5e-3, 3e-6), Candidate("D11", 1.6e-3, 4e-6), total_a=60.0)
    lines = list(match_lines(**told(matches, take="D4", left_out=[("D2", "unfit"), ("D6", "unfit")],
                                    alike=("D11",))))  # fmt: skip
    assert lines == [
        "core of radar-supply: 2 phases stay, sensed across the coils (DCR)",
        "                resistance (U95)   its share (U95)    worst phase",
        "D4    fit       1.5 mΩ    ±0.4 %   -0.94 % ±0.33 %    +3.2 % in 1",
        "D11   fit       1.6 mΩ    ±0.5 %   -5.2 % ±0.37 %     +5.4 % in 1",
        "  left out: D2, D6: unfit",
        "  currents with D4: 1 20.6 A, 2 19.6 A, D4 19.8 A",
        "  take D4: labbench shelf reserve D4 --for BOARD",
        "  as good within what was measured: D11",
    ]


def test_a_coarse_resistance_says_how_often_to_press_anew() -> None:
    lines = list(match_lines(**told(ranking(Candidate("D4", 1.5e-3, 1.2e-5)))))
    text = " ".join(" ".join(lines).split())
    assert "too coarse to choose by: U95 of 1 % is needed" in text
    # by hand: 1.6 % a placement, (1.6 / 1)^2 = 2.56
    assert "Verify D4 with the multimeter on four wires, 3 times in all" in text
    switches = told(ranking(Candidate("Q4", 1.5e-3, 1.2e-5)), sensing="rds")
    text = " ".join(" ".join(match_lines(**switches)).split())
    assert "Verify Q4 on four wires at more current, its temperature known" in text


def test_a_plausible_part_is_taken_with_its_label() -> None:
    matches = ranking(Candidate("D4", 1.5e-3, 3e-6))
    lines = list(match_lines(**told(matches, take="D4", words={"D4": "plausible"})))
    assert "take D4 (plausible: label it so)" in lines[-1]


def test_nothing_to_choose_from_says_what_to_do() -> None:
    lines = list(match_lines(**told((), left_out=[(f"D{n}", "unfit") for n in range(12)])))
    assert lines[-1].strip() == "none of these can be offered: verify more parts"
    assert "D7 and 4 more: unfit" in lines[1]


def test_a_full_shelf_shows_the_best_and_says_how_many_more_there_are() -> None:
    matches = ranking(*(Candidate(f"D{n}", (1.5 + n / 100) * 1e-3, 3e-6) for n in range(20)))
    lines = list(match_lines(**told(matches, take="D0", alike=[f"D{n}" for n in range(1, 20)])))
    assert len([line for line in lines if line.startswith("D")]) == 12
    assert "  8 more share worse (--json has them)" in lines
    assert "D8 and 11 more" in " ".join(" ".join(lines).split())


@given(
    WIDE, WIDE, st.floats(1e-6, 1.0), st.floats(0.0, 0.3), st.text(min_size=1, max_size=60), WIDE
)
def test_no_line_of_a_ranking_is_wider_than_a_terminal(
    specimen: str, phase: str, ohms: float, u: float, remark: str, board: str
) -> None:
    kept = [Phase(phase, 1.5e-3, 1e-6)]
    matches = choose_donor([Candidate(specimen[:8], ohms, u * ohms)], kept, total_a=60.0)
    lines = match_lines(
        **told(matches, board=board, phases=kept, take=specimen[:8], remarks=[remark])
    )
    assert max(len(line) for line in lines) <= 80


def test_the_ranking_as_json_fits_its_schema() -> None:
    matches = ranking(Candidate("D4", 1.5e-3, 3e-6), Candidate("D5", 1.5e-3, 3e-5))
    for more in ({}, {"take": "D4", "board": None, "left_out": [("D2", "unfit")]}):
        said = match_json(**told(matches, **more))
        jsonschema.validate(said, load_schema("match-1"))
    (first, second) = said["candidates"]
    assert first["expanded_uncertainty_ohm"] == 6e-6
    assert (first["too_coarse"], second["too_coarse"]) == (False, True)


FIGURES = [
    {"name": "inductance", "value": 4.65e-6, "unit": "H", "expanded_uncertainty": 2e-8},
    {"name": "dc-resistance", "value": 14.8e-3, "unit": "ohm", "expanded_uncertainty": 1.9e-4},
]


def test_a_part_on_the_shelf_takes_one_line_and_its_notes() -> None:
    lines = list(
        shelf_lines(
            specimen="D4", word="fit", type_name="coil-4u7", characteristics=FIGURES,
            origin="radio board 4, the one that fell off the quay", verified_utc="2026-11-25T13:01",
            notes=["reserved for radar-supply 12 (2026-11-25, anna)"],
        )
    )  # fmt: skip
    assert lines == [
        "D4    fit       coil-4u7        14.8 mΩ ±1.3 %    radio board 4, the… 2026-11-25",
        "      reserved for radar-supply 12 (2026-11-25, anna)",
    ]
    assert len(lines[0]) == 80


def test_the_figures_by_which_parts_are_chosen_come_first() -> None:
    stage = [{"name": "on-resistance-sw-pgnd", "value": 1.5e-3, "unit": "ohm",
              "expanded_uncertainty": None}]  # fmt: skip
    assert [name for name, *_ in key_figures(FIGURES)] == ["dc-resistance", "inductance"]
    assert key_figures(stage) == [("on-resistance-sw-pgnd", "1.5 mΩ", "")]
    assert key_figures([{**FIGURES[1], "value": None}]) == []
    gates = [{"name": "on-resistance", "value": ohms, "unit": "ohm", "expanded_uncertainty": 1e-5,
              "conditions": {"gate_source_v": volts}}
             for ohms, volts in ((6e-3, 4.5), (4e-3, 10.0))]  # fmt: skip
    assert [value for _, value, _ in key_figures(gates)] == ["4 mΩ", "6 mΩ"]


@pytest.mark.parametrize(
    ("counts", "said"),
    [
        ({"radar-supply": (14, 17)}, "; 14 of 17"),
        ({"radar-supply": (14, 17), "radio": (3, 9)}, "; 14 of 17, beside 9 of other types"),
        ({"radio": (3, 9)}, "; no board of this type, 9 of others"),
    ],
)
def test_survival_is_one_line_that_says_what_it_rests_on(
    counts: dict[str, tuple[int, int]], said: str
) -> None:
    text = survival_text(load_survival(counts, "radar-supply"))
    assert text.startswith("radar-supply: load survives in ")
    assert text.endswith(said)
    assert len(text) <= 80
