"""The study of what could be found, small and with a fixed seed.

Not covered: the percents of the whole study (results/attainable.md), which takes hundreds of lots
to set a type's own limit within a factor of two.
"""

from __future__ import annotations

import pytest

from tests.studies.attainable import study_type_known


@pytest.mark.slow
def test_who_knows_a_type_finds_no_fewer_than_the_tool_but_few_of_ten_ohms() -> None:
    found = study_type_known(
        "moulded-470n", "nominal", "bench-1MHz", lots=300, sound=150, scored=80, seed=4201
    )
    assert found["short 1"].tool == found["short 1"].classifier == 100.0
    assert found["short 3"].tool <= found["short 3"].own_limit
    assert found["short 3"].classifier >= 90.0
    assert found["short 10"].classifier < 50.0
    assert all(f.limit >= 0.01 and f.sound <= 6.0 for f in found.values())
