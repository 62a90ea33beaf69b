"""Tell a short from a part that is hot: a short stays, a hot part cools.

At 200 °C a sound switch reads as a short at 0.2 V: drain and body diode conduct some hundred ohm,
a Schottky diode a few. Warmth moves neither the gate's paths nor metal, so only a path from drain
to source that is no metal is looked at again, before the finding is final, and as before: at 0.2 V
behind 100 ohm, for it may be a short. Leakage doubles every 10 K (common practice, no source).
"""

from __future__ import annotations

__all__ = ["STILL_WARM", "may_be_hot", "short_or_hot"]

from collections.abc import Sequence

from attrs import evolve

from labbench.bench.bench import Bench
from labbench.ports import Event
from labbench.procedures.switch.body_diode import wait_until_cool
from labbench.procedures.switch.short_check import FET_PATHS, check_path, is_short
from labbench.procedures.switch.taken import ShortTaken, WarmthTaken

STILL_WARM = "it is still warm: retest cold"
#: below this it is metal: the hottest part that solder lets go of, with a Schottky diode, conducts
#: about so much at 0.2 V (simulated, 260 °C)
_METAL_OHM = 0.5
_EVERY_S, _LONGEST_S = 10.0, 120.0
#: as `wait_until_cool` takes it
_WITHIN_V = 0.3e-3
#: where no diode can be watched: two time constants more, once it is no short any longer
_MORE_S = 50.0


def may_be_hot(taken: Sequence[ShortTaken], *, schottky: bool = False) -> bool:
    """Tell whether warmth could explain that a path is short; `taken` ends with the short one."""
    if not taken or not is_short(taken[-1], schottky=schottky):
        return False
    return taken[-1].path == "drain-source" and taken[-1].ohm >= _METAL_OHM


def short_or_hot(
    bench: Bench, short: ShortTaken, *, mirrored: bool, schottky: bool,
    position: str | None = None,
) -> WarmthTaken:  # fmt: skip
    """Look at a short every ten seconds until it stands still, or is none.

    A part that proves to be none is given time until its body diode stands still as well. Gives up
    after two minutes. Raises what the bench raises.
    """
    name = next(
        name for name, path, polarity in FET_PATHS
        if (path, polarity) == (short.path, short.polarity)
    )  # fmt: skip
    bench.tell(Event("warmth", {"text": "short, or hot? looking whether it moves"}))
    until_s = bench.clock.monotonic_s() + _LONGEST_S
    taken: list[ShortTaken] = []
    while True:
        taken.append(
            check_path(
                bench, name, short.path, short.polarity, mirrored=mirrored, position=position
            )
        )
        found = WarmthTaken(
            diode=(), short=tuple(taken), every_s=_EVERY_S, within_v=_WITHIN_V
        )  # fmt: skip
        if not is_short(taken[-1], schottky=schottky):
            return _until_cool(bench, found, mirrored, position)
        if found.still or bench.clock.monotonic_s() > until_s:
            return found
        bench.settle(_EVERY_S)


def _until_cool(
    bench: Bench, found: WarmthTaken, mirrored: bool, position: str | None
) -> WarmthTaken:
    if bench.multimeter is None or bench.multimeter_by_hand:
        bench.tell(Event("warmth", {"text": f"it was hot; {_MORE_S:g} s more to cool"}))
        bench.settle(_MORE_S)
        return found
    bench.tell(Event("warmth", {"text": "it was hot: watching the body diode until it is cool"}))
    watched = wait_until_cool(
        bench, mirrored=mirrored, position=position, longest_s=_LONGEST_S
    )  # fmt: skip
    return evolve(watched, short=found.short)
