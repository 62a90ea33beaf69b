"""Check how parts share current, and how they are ranked for a place on a rail.

Expected values are current dividers by hand (Kirchhoff: the currents of N resistors at one voltage
are as their conductances) and ngspice, an outside solver of the same circuit. Does not cover: what
files and shelf offer (tests/jobs), whether a real controller senses what it says.
"""

from __future__ import annotations

import math
import re
import subprocess
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from labbench.errors import InputError
from labbench.judging.matching import (
    NEEDED_U95,
    Candidate,
    Phase,
    VacantPhase,
    choose_donor,
    passive_resistance,
    share_currents,
    share_errors,
)

OHMS = st.floats(0.2e-3, 50e-3)


def phases(*ohms: float, u: float = 0.0) -> list[Phase]:
    return [Phase(str(n), r, u * r) for n, r in enumerate(ohms, start=1)]


def test_one_phase_of_six_ten_per_cent_high_takes_less() -> None:
    """By hand: 6 / (5 + 1/1.1) = 1.01538; 1.01538 / 1.1 - 1 = -7.69 %."""
    errors = share_errors([1.0] * 5 + [1.1])
    assert errors[-1] == pytest.approx(-0.0769, abs=1e-4)
    assert errors[0] == pytest.approx(0.0154, abs=1e-4)


def test_an_offset_of_a_tenth_of_a_millivolt_moves_a_fifth_of_an_ampere() -> None:
    """By hand: 0.1 mV on 0.5 mohm is 0.2 A; of it 1/6 comes back to all phases."""
    even = share_currents([5e-4] * 6, total_a=120.0)
    moved = share_currents([5e-4] * 6, total_a=120.0, offset_v=[1e-4, 0, 0, 0, 0, 0])
    assert even == pytest.approx([20.0] * 6)
    assert moved[0] - even[0] == pytest.approx(-0.2 * 5 / 6)
    assert moved[1] - even[1] == pytest.approx(0.2 / 6)
    assert sum(moved) == pytest.approx(120.0)


def test_a_passive_phase_shares_by_all_that_lies_in_its_way() -> None:
    ohms = passive_resistance(
        0.1, high_side_ohm=7e-3, low_side_ohm=2.4e-3, coil_ohm=0.3e-3, board_ohm=0.2e-3
    )
    assert ohms == pytest.approx(0.7e-3 + 2.16e-3 + 0.5e-3)
    with pytest.raises(InputError):
        passive_resistance(2.0, high_side_ohm=1, low_side_ohm=1, coil_ohm=1, board_ohm=1)


def test_two_coils_beside_each_other_divide_current_by_hand() -> None:
    """By hand: 10 A into 1 mohm beside 4 mohm are 8 A and 2 A."""
    assert share_currents([1e-3, 4e-3], total_a=10.0) == pytest.approx([8.0, 2.0])


def test_one_path_a_milliohm_longer_of_six_loses_a_quarter() -> None:
    """By hand: 6 / (5/2.2 + 1/3.2) / 3.2 - 1 = -27.5 %."""
    assert share_errors([2.2e-3] * 5 + [3.2e-3])[-1] == pytest.approx(-0.275, abs=5e-4)


@pytest.mark.needs_ngspice
def test_ngspice_divides_the_current_alike(tmp_path: Path) -> None:
    """Each phase is a resistor behind the offset of its sensing; a source feeds all of them."""
    ohms, offsets = [1.44e-3, 1.52e-3, 1.61e-3, 1.50e-3], [1e-4, 0.0, -5e-5, 2e-5]
    lines = ["phases", "I1 0 rail DC 60"]
    for n, (r, o) in enumerate(zip(ohms, offsets, strict=True)):
        lines += [f"R{n} rail k{n} {r!r}", f"V{n} k{n} 0 DC {o!r}"]
    lines += [".control", "set numdgt=9", "op", "print " + " ".join(f"i(v{n})" for n in range(4)),
              ".endc", ".end"]  # fmt: skip
    path = tmp_path / "phases.cir"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    said = subprocess.run(
        ["ngspice", "-b", str(path)], capture_output=True, text=True, timeout=60, check=False
    )
    found = [float(x) for x in re.findall(r"i\(v\d\) = (\S+)", said.stdout)]
    assert found == pytest.approx(share_currents(ohms, total_a=60.0, offset_v=offsets), rel=1e-6)


@given(st.lists(OHMS, min_size=2, max_size=8), st.floats(0.1, 200.0), st.data())
def test_currents_add_up_and_every_phase_senses_the_same_voltage(
    ohms: list[float], total_a: float, data: st.DataObject
) -> None:
    offsets = [data.draw(st.floats(-1e-3, 1e-3)) for _ in ohms]
    currents = share_currents(ohms, total_a=total_a, offset_v=offsets)
    assert sum(currents) == pytest.approx(total_a, rel=1e-9, abs=1e-9)
    sensed = [i * r + o for i, r, o in zip(currents, ohms, offsets, strict=True)]
    assert sensed == pytest.approx([sensed[0]] * len(sensed), rel=1e-9, abs=1e-12)


def test_the_donor_nearest_to_the_harmonic_mean_is_chosen() -> None:
    ranked = choose_donor(
        [Candidate("D1", 1.6e-3), Candidate("D2", 1.52e-3, 7e-6), Candidate("D3", 1.3e-3)],
        phases(1.5e-3, 1.55e-3, 1.45e-3),
    )
    assert [match.specimen for match in ranked] == ["D2", "D1", "D3"]
    # one per cent of its resistance is three quarters of that in its share, near an equal one
    assert ranked[0].u_share_error == pytest.approx(0.75 * 7e-6 / 1.52e-3, rel=0.02)
    assert ranked[0].u_own == ranked[0].u_share_error
    exact = choose_donor([Candidate("H", 3 / (1 / 1.5 + 1 / 1.55 + 1 / 1.45) * 1e-3)],
                         phases(1.5e-3, 1.55e-3, 1.45e-3))  # fmt: skip
    assert exact[0].share_error == pytest.approx(0.0, abs=1e-12)
    assert exact[0].worst_phase in ("2", "3")


@given(
    st.lists(OHMS, min_size=1, max_size=6), OHMS,
    st.floats(1.0, 200.0), st.floats(-2e-4, 2e-4),
)  # fmt: skip
def test_the_stated_uncertainty_is_what_small_changes_of_every_resistance_do(
    kept: list[float], own: float, total_a: float, offset_v: float
) -> None:
    """The slopes are compared with differences of the divider itself."""
    relative = 1e-3
    (match,) = choose_donor(
        [Candidate("D", own, relative * own)], phases(*kept, u=relative),
        vacant=VacantPhase(offset_v=offset_v), total_a=total_a,
    )  # fmt: skip
    ohms, offsets = np.array([*kept, own]), [0.0] * len(kept) + [offset_v]

    def errors(values: Sequence[float]) -> np.ndarray:
        currents = share_currents(list(values), total_a=total_a, offset_v=offsets)
        return len(ohms) * np.array(currents) / total_a - 1.0

    step = 1e-5
    slopes = []
    for j in range(len(ohms)):
        up, down = ohms.copy(), ohms.copy()
        up[j] *= 1 + step
        down[j] *= 1 - step
        slopes.append((errors(up) - errors(down)) / (2 * step))
    u = relative * np.sqrt(np.sum(np.square(slopes), axis=0))
    assert match.share_error == pytest.approx(errors(ohms)[-1], rel=1e-9, abs=1e-12)
    assert match.u_share_error == pytest.approx(u[-1], rel=1e-4, abs=1e-9)
    worst = int(np.argmax(np.abs(errors(ohms))))
    assert abs(match.worst_share_error) == pytest.approx(abs(errors(ohms)[worst]))


def test_an_offset_moves_the_choice_to_a_part_that_makes_up_for_it() -> None:
    """By hand: 0.1 mV too high at 20 A a phase is made up for by 5 uohm less."""
    kept = phases(1e-3, 1e-3, 1e-3)
    candidates = [Candidate("even", 1e-3), Candidate("less", 0.995e-3)]
    plain = choose_donor(candidates, kept, total_a=80.0)
    offset = choose_donor(candidates, kept, vacant=VacantPhase(offset_v=1e-4), total_a=80.0)
    assert [m.specimen for m in plain] == ["even", "less"]
    assert [m.specimen for m in offset] == ["less", "even"]
    assert offset[0].share_error == pytest.approx(0.0, abs=1e-9)
    assert offset[0].currents_a == pytest.approx([20.0] * 4)
    with pytest.raises(InputError, match="total current"):
        choose_donor(candidates, kept, vacant=VacantPhase(offset_v=1e-4))


def test_without_a_current_loop_a_switch_counts_by_the_time_that_it_conducts() -> None:
    """By hand: duty 10 %, 2.4 mohm low side: 0.9 x 2.4 + 1.2 = 3.36 mohm, as in the others."""
    kept = phases(3.36e-3, 3.36e-3)
    (match,) = choose_donor(
        [Candidate("Q", 2.4e-3, 12e-6)], kept, vacant=VacantPhase(fixed_ohm=1.2e-3, weight=0.9)
    )
    assert match.share_error == pytest.approx(0.0, abs=1e-12)
    # 0.5 % of 2.16 of 3.36 mohm, of which two thirds move its own share
    assert match.u_own == pytest.approx(2 / 3 * 0.005 * 2.16 / 3.36, rel=1e-3)


def test_a_resistance_known_too_coarsely_comes_last_and_is_told() -> None:
    fine, coarse = 0.49 * NEEDED_U95 * 1.6e-3, 0.51 * NEEDED_U95 * 1.5e-3
    ranked = choose_donor(
        [Candidate("D1", 1.5e-3, coarse), Candidate("D2", 1.6e-3, fine)], phases(1.5e-3, 1.5e-3)
    )
    assert [(m.specimen, m.is_too_coarse) for m in ranked] == [("D2", False), ("D1", True)]


def test_a_switch_that_is_a_part_of_its_path_may_be_known_less_well() -> None:
    """By hand: 1.5 % of 2.16 mohm is 0.96 % of a path of 3.36 mohm."""
    place = VacantPhase(fixed_ohm=1.2e-3, weight=0.9)
    for relative, is_too_coarse in ((0.015, False), (0.016, True)):
        (match,) = choose_donor(
            [Candidate("Q", 2.4e-3, relative / 2 * 2.4e-3)], phases(3.36e-3), vacant=place
        )
        assert match.is_too_coarse == is_too_coarse


def test_two_parts_that_nothing_measured_tells_apart_share_alike() -> None:
    kept = phases(1.5e-3, 1.5e-3, 1.5e-3)
    near, also, far = choose_donor(
        [Candidate("A", 1.500e-3, 4e-6), Candidate("B", 1.508e-3, 4e-6),
         Candidate("C", 1.56e-3, 4e-6)],
        kept,
    )  # fmt: skip
    assert near.shares_like(also)
    assert also.shares_like(near)
    assert not near.shares_like(far)


def test_sharing_needs_neighbours_and_resistances_above_zero() -> None:
    with pytest.raises(InputError, match="without a neighbour"):
        choose_donor([Candidate("D1", 1e-3)], [])
    with pytest.raises(InputError, match="above zero"):
        share_errors([1e-3, 0.0])
    with pytest.raises(InputError, match="2 offsets for 1 phases"):
        share_currents([1e-3], total_a=1.0, offset_v=[0.0, 0.0])
    with pytest.raises(InputError, match="not above zero"):
        choose_donor([Candidate("D1", 1e-3)], phases(1e-3), total_a=-1.0)
    assert math.isfinite(choose_donor([Candidate("D1", 1e-3)], phases(1e-3))[0].share_error)
