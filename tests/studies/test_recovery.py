"""A reduced study of what is recovered of a short: its resistance, its number of turns.

Seeded; simulated coils and meter, so no outside check. Does not cover air and rod cores, meters
below 1 MHz, or parts without siblings.
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import chain

from tests.studies.recovery import Recovered, study

SEED = 20260418
TYPES = ("moulded-150n", "moulded-470n", "moulded-4u7")


def test_the_resistance_of_a_short_is_recovered_with_an_interval_that_holds_it(
    say: Callable[[str], None],
) -> None:
    found = study(TYPES, 6, seed=SEED)
    one_turn = {key: r for key, r in found.items() if key[1] == 1}
    every = list(found.values())
    middle = _together(r for (_, _, ohm), r in one_turn.items() if 0.05 <= ohm <= 0.5)
    wide = _together(one_turn.values())
    stated = sum(r.stated for r in every)
    right = sum(r.right for r in every)
    covered = 100.0 * sum(r.covered for r in every) / sum(r.named for r in every)
    say(
        f"short's resistance, seed {SEED}: within x1.5 {middle.within(1.5):.0f} % of "
        f"{len(middle.ratios)} (0.05-0.5 ohm), within x3 {wide.within(3.0):.0f} % of "
        f"{len(wide.ratios)}, interval holds {covered:.0f} %, turns right {right} of {stated}"
    )
    assert len(middle.ratios) >= 0.95 * middle.parts
    assert middle.within(1.5) >= 95.0
    assert wide.within(3.0) >= 98.0
    assert covered >= 93.0
    assert 0 < stated <= 1.05 * right
    # far above the sweep a band, no number
    assert all(r.numbers == 0 for (_, _, ohm), r in one_turn.items() if ohm >= 3.0)
    assert all(r.numbers == r.named for (_, _, ohm), r in one_turn.items() if ohm <= 0.2)


def _together(several: object) -> Recovered:
    parts = list(several)  # type: ignore[call-overload]
    return Recovered(
        parts=sum(r.parts for r in parts),
        ratios=list(chain.from_iterable(r.ratios for r in parts)),
    )
