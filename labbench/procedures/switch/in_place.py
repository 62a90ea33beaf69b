"""Look at a switch on its donor board, at 0.2 V behind 100 ohm, before it is lifted."""

from __future__ import annotations

__all__ = ["in_place", "stage_in_place"]

from labbench.bench.bench import Bench
from labbench.procedures.switch.short_check import FET_PATHS, check_path
from labbench.procedures.switch.stage_pairs import take_pair
from labbench.procedures.switch.taken import ShortTaken


def in_place(
    bench: Bench, *, mirrored: bool, position: str | None = None
) -> tuple[ShortTaken, ...]:
    """Read drain-source both ways and gate-source: 0.2 V turns nothing on and biases no junction.

    The rest of the board is parallel: a low reading is not the part's, a high one bounds it.
    """
    return tuple(
        check_path(bench, name, path, polarity, mirrored=mirrored, position=position)
        for name, path, polarity in FET_PATHS
        if path != "gate-drain"  # the same network as gate-source once drain and source are tied
    )


def stage_in_place(bench: Bench, *, position: str | None = None) -> tuple[ShortTaken, ...]:
    """Read both switches of a stage on its board, each in its blocking direction.

    The other way round would put the rail below ground, which its load does not stand.
    """
    found = []
    for one, other in (("vin", "sw"), ("sw", "pgnd")):
        pair = take_pair(bench, one, other, position=position)
        found.append(
            ShortTaken(
                path=pair.path, supply_v=pair.supply_v, current_a=pair.current_a,
                across_v=None if pair.across_v is None else pair.seen_v,
            )
        )  # fmt: skip
    return tuple(found)
