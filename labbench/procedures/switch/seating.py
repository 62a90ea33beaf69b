"""Tell a part that lies otherwise than it was said to from one that leaks.

A junction that conducts forward where none belongs takes a voltage down to a diode's drop. If the
body diode is then missing where it should be, the part is of the other polarity or its terminals
are not where the hookup has them; if it is there, the part leaks.
"""

from __future__ import annotations

__all__ = ["unread_diode", "why_otherwise"]

from labbench.bench.bench import Bench
from labbench.procedures.switch.body_diode import body_diode
from labbench.procedures.switch.conditions import SwitchConditions
from labbench.procedures.switch.taken import DiodeTaken, LeakTaken

#: drop of a junction at microamperes to milliamperes; a Schottky diode has less
_DROP_V, _SCHOTTKY_DROP_V = (0.25, 0.95), (0.05, 0.95)
#: no junction drops so little at 1 mA, not even a hot Schottky diode (0.05 V ends the sequence)
_NOTHING_V = 0.02
#: of the 5 V behind 4.3 kohm a diode leaves less, a channel that its gate turns on some volts
_BLOCKED_V, _CHANNEL_V = 3.5, 1.0


def why_otherwise(
    bench: Bench, conditions: SwitchConditions, stopped_at: str, last: LeakTaken,
    *, position: str | None = None,
) -> str | None:  # fmt: skip
    """Return in words how else the part may lie; None: it does not look so.

    Reads the body diode at 1 mA once, only where the last reading looks like a junction. Raises
    what the bench raises.
    """
    low_v, high_v = _SCHOTTKY_DROP_V if conditions.schottky else _DROP_V
    if not low_v <= last.part_v <= high_v or last.set_v < 2.0 * high_v:
        return None
    (diode,) = body_diode(bench, mirrored=conditions.mirrored, position=position, strong=False)
    if diode.diode_v is None or diode.diode_v > _BLOCKED_V:
        if stopped_at == "gate-leakage":
            return (
                "a diode lies where the gate should be, and none between source and drain: gate "
                "and drain are swapped, in the jig or in the hookup"
            )
        other = "an n-channel" if conditions.mirrored else "a p-channel"
        return (
            "the diode lies the other way round: it is "
            f"{other} part, or drain and source are swapped"
        )
    if stopped_at == "drain-leakage" and diode.diode_v > _CHANNEL_V:
        return "it conducts as with drain and source swapped, in the jig or in the hookup"
    return None


def unread_diode(diode: DiodeTaken) -> str | None:
    """Return in words why a diode that drops nothing was not read; None: it drops something.

    For a part that was seen not to be short: then nothing lies between the contacts, or the
    multimeter is not joined, and that no leakage was read means nothing either.
    """
    if diode.diode_v is None or diode.diode_v > _NOTHING_V:
        return None
    return (
        "the body diode reads nothing though no short was seen: the part is not touched, or the "
        "multimeter is not joined"
    )
