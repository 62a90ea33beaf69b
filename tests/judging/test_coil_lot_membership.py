"""Whether test parts are of their siblings' lot, though most of them are faulty.

Checked in closed form where all parts are sound, and by drawn parts (seeds fixed). Does not cover
how readings of coils become such vectors (test_coil_lot.py, and the studies).
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from labbench.judging.coil_lot_membership import ln_bayes_other_lot

WIDTH, SIBLINGS = 5, 3
SAME = np.eye(WIDTH) / SIBLINGS
BETWEEN = np.diag([25.0, 9.0, 9.0, 4.0, 0.0])
#: one fault of growing size in each of two directions
FAMILIES = [
    np.outer(np.geomspace(2.0, 200.0, 12), direction)
    for direction in (np.eye(WIDTH)[0], np.array([0.0, 0.0, 0.6, 0.0, 0.8]))
]


def test_with_sound_parts_only_it_is_the_ratio_of_two_normal_densities() -> None:
    # the mean of n parts is normal about no shift with covariance S + 1/n, S that of the shift
    # (closed form; any text on the normal distribution)
    rng = np.random.default_rng(51)
    parts = 0.3 * rng.standard_normal((6, WIDTH))
    nothing = [np.full((1, WIDTH), 1e4)]
    found = ln_bayes_other_lot(parts, nothing, SAME, SAME + BETWEEN)
    mean = parts.mean(axis=0)
    exact = multivariate_normal.logpdf(
        mean, cov=SAME + BETWEEN + np.eye(WIDTH) / 6
    ) - multivariate_normal.logpdf(mean, cov=SAME + np.eye(WIDTH) / 6)
    assert found == pytest.approx(exact, abs=0.02)


@pytest.mark.parametrize("seed", range(8))
def test_one_sound_part_among_eight_faulty_ones_shows_the_lot(seed: int) -> None:
    rng = np.random.default_rng([52, seed])

    def board(shift: np.ndarray) -> np.ndarray:
        parts = shift + rng.standard_normal((9, WIDTH))
        for k in range(8):
            family = FAMILIES[k % 2]
            parts[k] += family[rng.integers(3, len(family))]
        return parts

    own = board(rng.standard_normal(WIDTH) / np.sqrt(SIBLINGS))
    strange = board(np.array([9.0, -6.0, 5.0, 4.0, 0.0]))
    assert ln_bayes_other_lot(own, FAMILIES, SAME, SAME + BETWEEN) < -1.0
    assert ln_bayes_other_lot(strange, FAMILIES, SAME, SAME + BETWEEN) > 1.0


def test_gross_faults_of_no_known_kind_say_nothing_of_the_lot() -> None:
    rng = np.random.default_rng(53)
    parts = 300.0 * rng.standard_normal((9, WIDTH))
    assert abs(ln_bayes_other_lot(parts, FAMILIES, SAME, SAME + BETWEEN)) < 3.0


def test_where_lots_do_not_differ_no_part_can_tell() -> None:
    parts = np.random.default_rng(54).standard_normal((6, WIDTH))
    assert ln_bayes_other_lot(parts, FAMILIES, SAME, SAME + 1e-12) == pytest.approx(0.0, abs=1e-6)
