"""Read what stays on a rail: its phases and what its controller senses (`rail-1`, TOML).

    schema = 1
    board = "radar-supply"
    rail = "core"
    sensing = "dcr"                 # or "rds", or "none": no current loop
    current = "60 A"                # of the whole rail; needed with an offset
    [[phases]]
    name = "1"
    coil = "1.50 mΩ ±0.4 %"         # at 25 °C, or as measured at `temperature`; ± is U95
    [[phases]]
    name = "2"
    specimen = "D7"                 # one of your verified parts
    [[phases]]
    name = "3"
    vacant = true                   # where the part goes
    offset = "0.1 mV"               # of sensing: this phase reads too high by it

Without a current loop (`sensing = "none"`) each phase has `coil`, `low_side` and `high_side` (on-
resistances) and may have `board` (copper between input and rail), the rail has `duty`; of the
vacant phase that is left out which the part replaces. Resistances are those at 25 °C.
"""

from __future__ import annotations

__all__ = [
    "PLACES",
    "Place",
    "RailFile",
    "RailPhase",
    "Sensing",
    "WithU95",
    "load_rail_file",
]

from collections import Counter
from pathlib import Path
from typing import Any, Final, Literal, get_args

from attrs import field, frozen

from labbench.files import MistakeError, MistakesError, load_toml
from labbench.quantities import parse_with_tolerance

Sensing = Literal["dcr", "rds", "none"]
Place = Literal["coil", "low_side", "high_side"]
PLACES: Final[tuple[Place, ...]] = get_args(Place)


@frozen
class WithU95:
    """Hold a resistance (ohm) and its relative expanded uncertainty, None where not given."""

    value_ohm: float
    u95_relative: float | None = None

    @property
    def u_ohm(self) -> float:
        """Return the standard uncertainty (ohm), 0 where none was given."""
        return 0.5 * (self.u95_relative or 0.0) * self.value_ohm


def _read_resistance(value: Any) -> WithU95:
    if not isinstance(value, str):
        raise MistakeError("must be text such as '1.50 mΩ ±0.4 %'")
    ohms, tolerance = parse_with_tolerance(value, "ohm")
    if not ohms > 0:
        raise MistakeError(f"{value!r}: must be above zero")
    return WithU95(ohms, tolerance)


def _positive(value: float) -> None:
    if not value > 0:
        raise MistakeError("must be above zero")


def _duty(value: float) -> None:
    if not 0 < value < 1:
        raise MistakeError("must lie between 0 and 100 %: output voltage over input voltage, about")


def _not_empty(value: str) -> None:
    if not value.strip():
        raise MistakeError("must not be empty")


_OHMS: Final = {"read": _read_resistance}


@frozen(kw_only=True)
class RailPhase:
    """Hold a phase: one that stays, or the vacant one."""

    name: str = field(metadata={"check": _not_empty})
    vacant: bool = False
    #: a part of the store or of the verdicts: its resistance is taken from there
    specimen: str | None = None
    coil: WithU95 | None = field(default=None, metadata=_OHMS)
    low_side: WithU95 | None = field(default=None, metadata=_OHMS)
    high_side: WithU95 | None = field(default=None, metadata=_OHMS)
    board: WithU95 | None = field(default=None, metadata=_OHMS)
    offset_v: float = field(default=0.0, metadata={"key": "offset", "unit": "V"})
    #: of the coil when it was measured; copper is brought to 25 °C
    temperature_c: float | None = field(default=None, metadata={"key": "temperature", "unit": "°C"})

    def missing(self) -> tuple[Place, ...]:
        """Name the resistances that the phase does not give."""
        given = {"coil": self.coil, "low_side": self.low_side, "high_side": self.high_side}
        return tuple(place for place in PLACES if given[place] is None)


@frozen(kw_only=True)
class RailFile:
    """Hold what stays on a rail."""

    schema: Literal[1]
    board: str | None = None
    rail: str | None = None
    sensing: Sensing = "dcr"
    current_a: float | None = field(
        default=None, metadata={"key": "current", "unit": "A", "check": _positive}
    )
    duty: float | None = field(default=None, metadata={"unit": "%", "check": _duty})
    #: gate voltage at which on-resistances are compared, where several were measured
    gate_source_v: float | None = field(default=None, metadata={"key": "gate_source", "unit": "V"})
    phases: tuple[RailPhase, ...]

    def __attrs_post_init__(self) -> None:
        mistakes = list(self._mistakes())
        if mistakes:
            raise MistakesError(mistakes)

    @property
    def kept(self) -> tuple[RailPhase, ...]:
        """Return the phases that stay."""
        return tuple(phase for phase in self.phases if not phase.vacant)

    @property
    def vacant(self) -> RailPhase | None:
        """Return the phase where the part goes, None where the file does not describe it."""
        return next((phase for phase in self.phases if phase.vacant), None)

    def _mistakes(self) -> Any:
        counts = Counter(phase.name for phase in self.phases)
        vacant = [i for i, phase in enumerate(self.phases) if phase.vacant]
        for i in vacant[1:]:
            yield f"phases[{i}].vacant", "a second vacant phase: one part is chosen at a time"
        if not self.kept:
            yield "phases", "no phase stays: without a neighbour there is no share"
        if self.sensing == "none" and self.duty is None:
            yield "duty", "needed where there is no current loop: switches share by it"
        if self.sensing == "none" and not vacant:
            yield "phases", "without a current loop the vacant phase has to be described too"
        if self.current_a is None and any(phase.offset_v for phase in self.phases):
            yield "current", "needed with an offset: it moves amperes, not shares"
        for i, phase in enumerate(self.phases):
            at = f"phases[{i}]"
            if counts[phase.name] > 1:
                yield f"{at}.name", f"the name {phase.name!r} stands {counts[phase.name]} times"
            if phase.temperature_c is not None and phase.coil is None:
                yield f"{at}.temperature", "says how warm the coil was, and no coil is given"
            yield from self._of_phase(at, phase)

    def _of_phase(self, at: str, phase: RailPhase) -> Any:
        missing = phase.missing()
        if phase.vacant:
            if phase.specimen is not None:
                yield f"{at}.specimen", "the phase is vacant: it holds no part"
            if self.sensing == "none" and not missing:
                yield f"{at}.vacant", "nothing is left out that a part could replace"
            if self.sensing == "none" and "coil" in missing and len(missing) > 1:
                yield f"{at}.vacant", "the coil and a switch are left out: choose one at a time"
            return
        needed: Place = "low_side" if self.sensing == "rds" else "coil"
        if phase.specimen is not None:
            switches = {"low_side", "high_side"}
            if self.sensing == "none" and len(missing) != 1 and set(missing) != switches:
                yield (
                    f"{at}.specimen",
                    "stands for what is left out: the coil, one switch, or both switches of a "
                    + f"stage; left out is {' and '.join(missing) or 'nothing'}",
                )
            elif self.sensing != "none" and needed not in missing:
                yield f"{at}.{needed}", "is given twice: here and by the specimen"
        elif self.sensing == "none":
            for place in missing:
                yield f"{at}.{place}", "missing: without a current loop all in the path counts"
        elif needed in missing:
            yield (
                f"{at}.{needed}",
                "missing: phases share by it (or name the specimen that sits there)",
            )


def load_rail_file(path: Path) -> RailFile:
    """Read a rail file; raise FileProblems with every problem."""
    return load_toml(path, RailFile)
