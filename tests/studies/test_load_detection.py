"""Check the study of loads in small: false alarms, dead ones, and what only bends tells.

Does not cover: the rates themselves, for which the study needs thousands of boards.
"""

from __future__ import annotations

import pytest

from tests.studies.load_detection import BENCHES, CLASSES, report, rows


@pytest.mark.parametrize("bench", BENCHES)
@pytest.mark.parametrize("name", CLASSES)
def test_dead_loads_are_found_and_sound_ones_spared(name: str, bench: str) -> None:
    found = rows(name, 25, 60, seed=81, bench=bench)
    # 1 % of 60: three or more come less than once in forty runs
    assert found["sound"].words["dead"] <= 2
    assert found["sound"].alone["dead"] <= 1
    assert found["typical dead"].words["dead"] >= 24
    assert found["typical dead"].words["alive"] == 0
    assert found["typical dead"].alone["alive"] == 0
    if bench == "multimeter":
        assert found["sound"].words["alive"] >= 57
        assert found["metal of 0.02-0.2 of the load"].words["dead"] >= 23
        assert found["metal of 0.2-0.5 of the load"].words["alive"] <= 1


def test_a_readback_says_nothing_of_a_load_that_it_cannot_see() -> None:
    """Small logic draws a tenth of a milliampere: beside a readback the word is never alive."""
    found = rows("load-logic", 5, 25, seed=82, bench="readback")
    assert found["sound"].words["undecided"] == found["sound"].count


def test_by_hand_a_beeper_condemns_every_sound_core() -> None:
    found = rows("load-core", 5, 25, seed=83, bench="multimeter")
    assert found["sound"].beeper == found["sound"].count
    text = report({("load-core", "multimeter"): found})
    assert "| load-core, multimeter | sound |" in text
