"""Faults of a coil, as data. What each does to the circuit is in coil.py.

Turns count from 1 at terminal 1. As a table in a scenario:

    { fault = "shorted-turn", turns = [2, 3], contact = "50 mohm" }
    { fault = "fused-winding", contact = "2 mohm", core_lost = "30 %" }
    { fault = "cracked-core", inductance_share = "60 %" }         # or flux_share = "50 %"
    { fault = "lossy-core", factor = 4 }
    { fault = "high-resistance-joint", factor = 1.5 }             # or extra = "1 mohm"
    { fault = "open-winding", turn = 3, resistance = "10 Mohm" }
    { fault = "not-as-marked", saturation = "70 %" }              # a core that is too small
    { fault = "winding-to-core-leak", turn = 2, resistance = "5 Mohm" }
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, ClassVar

from sim.text import Table, TextError


def _share(name: str, value: float | None) -> None:
    if value is not None and not 0 <= value <= 1:
        raise ValueError(f"{name} is {value}; a share lies between 0 and 1")


def _positive(name: str, value: float | None) -> None:
    if value is not None and not value > 0:
        raise ValueError(f"{name} is {value}; it must be above 0")


def _one_of(first: str, a: float | None, second: str, b: float | None) -> None:
    if (a is None) == (b is None):
        raise ValueError(f"give either {first} or {second}, and only one of them")


@dataclass(frozen=True)
class ShortedTurn:
    """The start of turn i touches the start of turn j, so that the turns i to j-1 are shorted.

    j may be one more than the number of turns: the finish lead. ``contact_ohm`` does not
    change with temperature.
    """

    turns: tuple[int, int]
    contact_ohm: float
    name: ClassVar[str] = "shorted-turn"

    def __post_init__(self) -> None:
        if not 1 <= self.turns[0] < self.turns[1]:
            raise ValueError(f"turns {self.turns}: two turns, counted from 1, the lower first")
        _positive("contact_ohm", self.contact_ohm)


@dataclass(frozen=True)
class FusedWinding:
    """The enamel has burned: all turns that lie side by side touch; part of the core is lost."""

    contact_ohm: float
    core_lost: float = 0.0
    name: ClassVar[str] = "fused-winding"

    def __post_init__(self) -> None:
        _positive("contact_ohm", self.contact_ohm)
        _share("core_lost", self.core_lost)


@dataclass(frozen=True)
class CrackedCore:
    """A crack lies across the path of the flux that all turns share.

    ``flux_share`` is the share of that flux which is left; or ``inductance_share`` the share
    of the healthy inductance that is left at the terminals.
    """

    flux_share: float | None = None
    inductance_share: float | None = None
    name: ClassVar[str] = "cracked-core"

    def __post_init__(self) -> None:
        _one_of("flux_share", self.flux_share, "inductance_share", self.inductance_share)
        _share("flux_share", self.flux_share)
        _share("inductance_share", self.inductance_share)


@dataclass(frozen=True)
class LossyCore:
    """The binder has burned (powder) or the grain boundaries conduct (ferrite).

    The relaxation of the core lies lower by ``factor``.
    """

    factor: float
    name: ClassVar[str] = "lossy-core"

    def __post_init__(self) -> None:
        if not self.factor >= 1:
            raise ValueError(f"factor is {self.factor}; a lossy core has a factor of 1 or more")


@dataclass(frozen=True)
class BadJoint:
    """A cracked or badly welded terminal: a resistance in series with the winding.

    ``extra_ohm``, or ``factor`` times the healthy DC resistance at 25 C in all.
    """

    extra_ohm: float | None = None
    factor: float | None = None
    name: ClassVar[str] = "high-resistance-joint"

    def __post_init__(self) -> None:
        _one_of("extra_ohm", self.extra_ohm, "factor", self.factor)
        _positive("extra_ohm", self.extra_ohm)
        if self.factor is not None and not self.factor > 1:
            raise ValueError(f"factor is {self.factor}; a bad joint has a factor above 1")


@dataclass(frozen=True)
class OpenWinding:
    """A turn has parted; what is left between the ends (soot, flux) conducts a little."""

    resistance_ohm: float
    turn: int
    name: ClassVar[str] = "open-winding"

    def __post_init__(self) -> None:
        _positive("resistance_ohm", self.resistance_ohm)
        if self.turn < 1:
            raise ValueError(f"turn {self.turn}: turns count from 1")


@dataclass(frozen=True)
class SmallCore:
    """A part that looks like the one it is sold as: its core is smaller and its gap shorter.

    Inductance without bias is the same, the current at which the core saturates is this share.
    """

    saturation_share: float
    name: ClassVar[str] = "not-as-marked"

    def __post_init__(self) -> None:
        if not 0 < self.saturation_share <= 1:
            raise ValueError(
                f"saturation is {self.saturation_share}; a share is above 0, at most 1"
            )


@dataclass(frozen=True)
class CoreLeak:
    """The enamel of a turn is rubbed through where it lies on the core."""

    resistance_ohm: float
    turn: int
    name: ClassVar[str] = "winding-to-core-leak"

    def __post_init__(self) -> None:
        _positive("resistance_ohm", self.resistance_ohm)
        if self.turn < 1:
            raise ValueError(f"turn {self.turn}: turns count from 1")


Fault = (
    ShortedTurn | FusedWinding | CrackedCore | LossyCore | BadJoint | OpenWinding | SmallCore
    | CoreLeak
)  # fmt: skip


def _turns(table: Table) -> tuple[int, int]:
    value = table.raw("turns")
    if (
        not isinstance(value, list)
        or len(value) != 2
        or not all(isinstance(turn, int) and not isinstance(turn, bool) for turn in value)
        or not 1 <= value[0] < value[1]
    ):
        table.problem("turns", f"{value!r} is not two turns from 1, the lower first, like [2, 3]")
        return (1, 2)
    return (value[0], value[1])


def _either(table: Table, first: str, second: str) -> bool:
    """Tell whether the first of two exclusive keys is there; note a problem if not exactly one."""
    if (first in table) == (second in table):
        table.problem(None, f"give either {first} or {second}, and only one of them")
    return first in table or second not in table


def _resistance(table: Table, key: str) -> float:
    return table.quantity(key, "ohm", at_least=1e-9, at_most=1e12)


def _shorted(table: Table) -> Fault:
    return ShortedTurn(_turns(table), _resistance(table, "contact") or 1.0)


def _fused(table: Table) -> Fault:
    contact = _resistance(table, "contact") or 1.0
    return FusedWinding(contact, table.quantity("core_lost", "%", 0.0, at_least=0, at_most=1))


def _cracked(table: Table) -> Fault:
    by_flux = _either(table, "flux_share", "inductance_share")
    key = "flux_share" if by_flux else "inductance_share"
    share = table.quantity(key, "%", at_least=0, at_most=1)
    return CrackedCore(flux_share=share) if by_flux else CrackedCore(inductance_share=share)


def _lossy(table: Table) -> Fault:
    return LossyCore(table.quantity("factor", "", at_least=1, at_most=1e4) or 1.0)


def _joint(table: Table) -> Fault:
    if _either(table, "extra", "factor"):
        return BadJoint(extra_ohm=_resistance(table, "extra") or 1.0)
    return BadJoint(factor=table.quantity("factor", "", at_least=1.0001, at_most=1e6) or 2.0)


def _open(table: Table) -> Fault:
    return OpenWinding(_resistance(table, "resistance") or 1.0, table.whole("turn", at_least=1))


def _small(table: Table) -> Fault:
    return SmallCore(table.quantity("saturation", "%", at_least=0.01, at_most=1) or 1.0)


def _leaking(table: Table) -> Fault:
    return CoreLeak(_resistance(table, "resistance") or 1.0, table.whole("turn", at_least=1))


_READERS: Mapping[str, tuple[Callable[[Table], Fault], tuple[str, ...]]] = {
    ShortedTurn.name: (_shorted, ("turns", "contact")),
    FusedWinding.name: (_fused, ("contact", "core_lost")),
    CrackedCore.name: (_cracked, ("flux_share", "inductance_share")),
    LossyCore.name: (_lossy, ("factor",)),
    BadJoint.name: (_joint, ("extra", "factor")),
    OpenWinding.name: (_open, ("turn", "resistance")),
    SmallCore.name: (_small, ("saturation",)),
    CoreLeak.name: (_leaking, ("turn", "resistance")),
}


def read_fault(table: Table) -> Fault | None:
    """Read a fault from a table of a larger file; problems go to the file's own list.

    Returns None when the kind is unknown or missing. When problems were noted the fault
    returned is a stand-in of the right kind, so that reading can go on.
    """
    kind = table.text("fault", known=_READERS)
    if kind not in _READERS:
        return None
    reader, keys = _READERS[kind]
    fault = reader(table)
    table.refuse_the_rest(keys)
    return fault


def fault_from_table(data: Mapping[str, Any], where: str = "fault") -> Fault:
    """Read a fault from a table such as those above.

    Raises TextError with every problem at once; ``where`` names the table in it.
    """
    problems: list[str] = []
    fault = read_fault(Table(dict(data), "", problems))
    if problems or fault is None:
        raise TextError(where, problems)
    return fault
