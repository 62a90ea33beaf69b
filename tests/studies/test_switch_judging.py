"""Check the study of MOSFET judging in small: rates that a mistake in judging would break.

Does not cover: the rates themselves, for which the study needs a thousand parts a row.
"""

from __future__ import annotations

import pytest

from tests.studies.switch_judging import study, table
from tests.studies.switch_populations import FAULTS, KINDS


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.name)
def test_healthy_parts_are_fit(kind: object) -> None:
    (chosen,) = [each for each in KINDS if each is kind]
    row = study(chosen, None, 150, seed=41)
    # 1 % of 150, with room for chance: five or more would come once in fifty runs
    assert row.words["unfit"] <= 4
    assert row.words["undecided"] <= 7
    assert row.contaminated_unfit <= 4


@pytest.mark.parametrize("fault", FAULTS)
def test_faulty_parts_are_unfit_and_named(fault: str) -> None:
    row = study(KINDS[0], fault, 25, seed=43)
    assert row.words["unfit"] >= 23
    assert row.contaminated_unfit >= 22
    assert row.named >= 23


def test_the_table_has_a_line_for_each_row() -> None:
    row = study(KINDS[0], None, 5, seed=1)
    assert table([row, row]).count("| nfet-30v-5m | healthy |") == 2
