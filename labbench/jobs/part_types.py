"""List and show part types, decode markings."""

from __future__ import annotations

__all__ = [
    "CoilType",
    "Marking",
    "PartType",
    "decode",
    "find",
    "find_any",
    "for_any_name_or_marking",
    "for_name_or_marking",
    "listing",
    "type_lines",
]

from collections.abc import Iterator, Sequence
from pathlib import Path

from labbench.errors import FileProblems, InputError
from labbench.jobs.switch_type_lines import mosfet_lines, stage_lines
from labbench.parts.coil_type import CoilType
from labbench.parts.library import (
    ListedPartType,
    find_coil_type,
    find_part_type,
    list_part_types,
)
from labbench.parts.markings import Marking, coil_type_from_marking, decode_inductor_marking
from labbench.parts.mosfet_type import MosfetType
from labbench.parts.part_type import PartType
from labbench.parts.stage_type import StageType
from labbench.quantities import format_si


def listing(directories: Sequence[Path]) -> Sequence[ListedPartType]:
    """List every part type in search order."""
    return list_part_types(directories)


def find(name: str, directories: Sequence[Path]) -> CoilType:
    """Read a coil's part type by name or path; raise FileProblems for another family."""
    return find_coil_type(name, directories=directories)


def find_any(name: str, directories: Sequence[Path]) -> PartType:
    """Read a part type of any family by name or path."""
    return find_part_type(name, directories=directories)


def decode(text: str) -> Marking:
    """Decode an inductor marking; raise InputError with the reason where it is none."""
    return decode_inductor_marking(text)


def for_name_or_marking(text: str, directories: Sequence[Path]) -> tuple[CoilType, Marking | None]:
    """Return a coil's part type, as `for_any_name_or_marking`; raise FileProblems for another."""
    part, marking = for_any_name_or_marking(text, directories)
    return (part, marking) if isinstance(part, CoilType) else (find(text, directories), marking)


def for_any_name_or_marking(
    text: str, directories: Sequence[Path]
) -> tuple[PartType, Marking | None]:
    """Return the part type of that name or path, else a coil's made from a marking such as `R47`.

    Raises FileProblems where it is neither.
    """
    try:
        return find_part_type(text, directories=directories), None
    except FileProblems as no_type:
        if Path(text).suffix == ".toml" or Path(text).exists():
            raise
        try:
            marking = decode_inductor_marking(text)
        except InputError as no_marking:
            raise FileProblems(
                no_type.problems,
                hint=f"as a marking it cannot be read either: {no_marking.message}",
            ) from no_type
        return coil_type_from_marking(marking), marking


def type_lines(part: PartType) -> Iterator[str]:
    """Yield what a part type says, a line each."""
    yield f"{part.name} ({part.family})  {part.description}".rstrip()
    if isinstance(part, MosfetType):
        yield from mosfet_lines(part)
    elif isinstance(part, StageType):
        yield from stage_lines(part)
    else:
        yield from _coil_lines(part)
    for text in part.assumed:
        yield f"  assumed: {text}"
    if part.learned_from:
        yield f"  learned from: {', '.join(part.learned_from)}"


def _coil_lines(part: CoilType) -> Iterator[str]:
    core = ", ".join(
        text
        for text in (
            f"{part.material} core" if part.material else "core material unknown",
            f"{part.turns} turns" if part.turns else "",
        )
        if text
    )
    yield f"  {core}"
    for limit in part.inductance:
        level = f", {format_si(limit.level_v, 'V')}" if limit.level_v else ""
        yield (
            f"  inductance    {_limits(limit.nominal_h, limit.lower_h, limit.upper_h, 'H')}"
            f"  at {format_si(limit.frequency_hz, 'Hz')}{level}"
        )
    for ohms in part.dc_resistance:
        yield (
            "  dc resistance "
            f"{_limits(ohms.nominal_ohm, ohms.lower_ohm, ohms.upper_ohm, 'Ω')}"
            f"  at {ohms.temperature_c:g} °C"
        )
    if not part.dc_resistance:
        yield "  dc resistance no limit known: siblings are needed to judge it"
    if part.saturation:
        yield (
            f"  saturation    -{100 * part.saturation.drop:.0f} % at "
            f"{format_si(part.saturation.current_a, 'A')}, not below "
            f"{format_si(part.saturation.lowest_a, 'A')}"
        )
    if part.least_insulation_ohm is not None:
        yield f"  insulation    above {format_si(part.least_insulation_ohm, 'Ω')} to the core"
    if part.maximum_current_a is not None:
        yield f"  at most       {format_si(part.maximum_current_a, 'A')}"


def _limits(nominal: float | None, lower: float | None, upper: float | None, unit: str) -> str:
    parts = []
    if nominal is not None:
        parts.append(format_si(nominal, unit))
    if lower is not None and upper is not None:
        parts.append(f"({format_si(lower, unit)} to {format_si(upper, unit)})")
    elif lower is not None:
        parts.append(f"at least {format_si(lower, unit)}")
    elif upper is not None:
        parts.append(f"at most {format_si(upper, unit)}")
    return " ".join(parts)
