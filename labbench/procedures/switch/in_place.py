"""Look at a switch on its donor board, at 0.2 V behind 100 ohm, before it is lifted."""

from __future__ import annotations

__all__ = ["in_place"]

from labbench.bench.bench import Bench
from labbench.procedures.switch.short_check import FET_PATHS, check_path
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
