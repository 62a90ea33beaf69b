"""Look at a power stage by hand at 0.2 V: how it lies and what is short, and nothing more."""

from __future__ import annotations

__all__ = ["STAGE_CANNOT_SEE", "stage_screen"]

from attrs import evolve

from labbench.bench.bench import Bench
from labbench.procedures.switch.stage_conditions import StageConditions
from labbench.procedures.switch.stage_pairs import first_short, lie_of, short_paths
from labbench.procedures.switch.stage_taken import StageTaken

#: what 0.2 V never shows; said with the verdict
STAGE_CANNOT_SEE = (
    "not looked at: leakage, body diodes, the driver, on-resistance, a lifted bond, whether it "
    "does as it is told"
)


def stage_screen(
    bench: Bench, conditions: StageConditions, *, position: str | None = None
) -> StageTaken:
    """Read the terminals at 0.2 V: turned or shifted in the jig, shorts, large leaks.

    Nothing but 0.2 V behind 100 ohm touches the part, so no more is known of it than that. Raises
    what the bench raises.
    """
    seating, pairs = lie_of(bench, conditions.part, position=position)
    taken = StageTaken(seating=seating, pairs=pairs)
    if seating.how != "as-marked":
        return evolve(
            taken, stopped_at="seating", why="it does not lie as marked in the jig"
        )  # fmt: skip
    taken = evolve(taken, short=short_paths(bench, pairs, position=position))
    short = first_short(taken.short)
    if short is not None:
        return evolve(taken, stopped_at="short", why=f"{short.path} is short")
    return taken
