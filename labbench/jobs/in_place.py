"""Look at a switch that is still on its donor board, before it is lifted."""

from __future__ import annotations

__all__ = ["InPlace", "Word", "look_in_place", "word_of"]

from collections.abc import Sequence
from typing import Any, Literal

from attrs import frozen

from labbench.bench.opened import OpenBench
from labbench.bench.stop import StopFlag
from labbench.errors import InputError, StepAborted
from labbench.jobs.request import Request
from labbench.jobs.run import bench_run, settle_earlier_runs
from labbench.parts.mosfet_type import MosfetType
from labbench.parts.stage_type import StageType
from labbench.ports import Operator, Prompt
from labbench.procedures.switch.in_place import in_place, stage_in_place
from labbench.procedures.switch.taken import ShortTaken
from labbench.quantities import format_si
from labbench.records.folder import DataFolder

Word = Literal["worth lifting", "leave it", "cannot tell"]

#: what stands parallel on a board is seldom below this; own rules, no source
_WHOLE_OHM = 1e3
#: an unpowered driver's output is not that low, so this is the gate or its driver: no donor
_DEAD_GATE_OHM = 100.0


@frozen
class InPlace:
    """Hold the word on a part on its board, its reason and what was read."""

    run: str
    specimen: str
    word: Word
    because: str
    taken: tuple[ShortTaken, ...]

    def to_json(self) -> dict[str, Any]:
        """Give it as plain data."""
        return {
            "specimen": self.specimen,
            "word": self.word,
            "because": self.because,
            "paths": [
                {
                    "path": one.path,
                    "polarity": one.polarity,
                    "resistance_ohm": one.ohm if one.ohm < one.greater_than_ohm else None,
                }
                for one in self.taken
            ],
        }


def look_in_place(
    opened: OpenBench, request: Request, *, operator: Operator, data: DataFolder, stop: StopFlag
) -> InPlace:
    """Look at a switch on its board at 0.2 V and say whether to lift it; never `fit`.

    A person confirms first that the board is off and discharged. Raises what the bench raises,
    InputError for another family or a bench without a supply, StepAborted on a no.
    """
    part = request.part
    if not isinstance(part, MosfetType | StageType):
        raise InputError(
            f"{part.name}: in place only a MOSFET or a power stage is looked at",
            hint="lift it, or measure a coil with its neighbours in mind",
        )
    if opened.supply is None:
        raise InputError(f"the bench {opened.file.name} has no supply")
    settle_earlier_runs(opened, data, operator=operator, who=request.who)
    with bench_run(
        opened, job="in-place", name=request.specimen, who=request.who, operator=operator,
        data=data, stop=stop,
        told={"specimen": request.specimen, "type": part.name, "donor": request.donor,
              "lot": request.lot},
    ) as run:  # fmt: skip
        run.bench.identify()
        if run.bench.ask(Prompt("confirm", "all-off", ("yes", "no"), "no")) != "yes":
            raise StepAborted(
                "the board is not off and discharged; nothing was energised",
                hint="meter first, then a resistor across each capacitor, then start again",
            )
        if isinstance(part, StageType):
            taken = stage_in_place(run.bench, position=request.position)
        else:
            taken = in_place(
                run.bench, mirrored=part.polarity == "p", position=request.position
            )  # fmt: skip
        run.bench.open_all()
        word, because = word_of(taken)
        run.journal.write("judged", word=word, because=because)
        return InPlace(run.id, request.specimen, word, because, taken)


def word_of(taken: Sequence[ShortTaken]) -> tuple[Word, str]:
    """Say what to do with a part on its board, and why.

    The board is parallel: what reads high is at least that high, what reads low may be a
    neighbour, but for a gate, whose driver is no short when it is off.
    """
    low = [one for one in taken if one.ohm < _WHOLE_OHM]
    if not low:
        least = min(taken, key=lambda one: one.ohm)
        bound = min(least.ohm, least.greater_than_ohm)
        return "worth lifting", f"no path below {format_si(bound, 'Ω', 2)} at 0.2 V"
    gate = next((one for one in low if one.path == "gate-source"), None)
    if gate is not None and gate.ohm < _DEAD_GATE_OHM:
        return "leave it", f"{format_si(gate.ohm, 'Ω', 2)} from gate to source"
    lowest = min(low, key=lambda one: one.ohm)
    return (
        "cannot tell",
        f"{format_si(lowest.ohm, 'Ω', 2)} {lowest.path.replace('-', ' to ')}: a neighbour in "
        "parallel reads the same",
    )
