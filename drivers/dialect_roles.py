"""Load the dialect of a role. What each must spell stands in `dialect_...`, one file a role."""

from __future__ import annotations

__all__ = [
    "FixedSetting",
    "FunctionCommands",
    "ImpedanceMeterCommands",
    "ImpedanceMeterDialect",
    "ImpedanceMeterReadback",
    "ImpedanceMeterTiming",
    "MultimeterCommands",
    "MultimeterDialect",
    "MultimeterRanges",
    "MultimeterReadback",
    "MultimeterTiming",
    "Quantity",
    "ReadingStatus",
    "SupplyCommands",
    "SupplyConditionBits",
    "SupplyDialect",
    "SupplyReadback",
    "SupplyTiming",
    "SwitchCommands",
    "SwitchDialect",
    "SwitchTiming",
    "Words",
    "load_dialect",
]

import hashlib
from pathlib import Path
from typing import TypeVar

from drivers.dialect import Dialect, DialectFile, shipped_dialects
from drivers.dialect_fields import Words
from drivers.dialect_impedance_meter import (
    FixedSetting,
    ImpedanceMeterCommands,
    ImpedanceMeterDialect,
    ImpedanceMeterReadback,
    ImpedanceMeterTiming,
    Quantity,
    ReadingStatus,
)
from drivers.dialect_multimeter import (
    FunctionCommands,
    MultimeterCommands,
    MultimeterDialect,
    MultimeterRanges,
    MultimeterReadback,
    MultimeterTiming,
)
from drivers.dialect_supply import (
    SupplyCommands,
    SupplyConditionBits,
    SupplyDialect,
    SupplyReadback,
    SupplyTiming,
)
from drivers.dialect_switch import SwitchCommands, SwitchDialect, SwitchTiming
from labbench.errors import FileProblems, Problem
from labbench.files import load_toml, nearest, read_toml

D = TypeVar("D", bound=Dialect)

_ROLES: dict[str, type[Dialect]] = {
    "impedance_meter": ImpedanceMeterDialect,
    "supply": SupplyDialect,
    "multimeter": MultimeterDialect,
    "switch": SwitchDialect,
}


def load_dialect(name_or_path: str | Path, cls: type[D]) -> DialectFile[D]:
    """Load a dialect for one role by its name (shipped) or its file.

    Raises FileProblems: with every problem of the file, or when there is none of that name (and
    which was probably meant), or when it is written for another role.
    """
    path = _find(name_or_path, cls)
    role = next(name for name, known in _ROLES.items() if known is cls)
    written = read_toml(path).get("role")
    if written in _ROLES and written != role:
        raise FileProblems([
            Problem(str(path), f"is for the role {written!r}, not for {role!r}", key="role")
        ])  # fmt: skip
    dialect = load_toml(path, cls)
    return DialectFile(dialect, path, hashlib.sha256(path.read_bytes()).hexdigest())


def _find(name_or_path: str | Path, cls: type[Dialect]) -> Path:
    path = Path(name_or_path)
    if isinstance(name_or_path, Path) or path.suffix == ".toml" or len(path.parts) > 1:
        return path
    shipped = shipped_dialects()
    if name_or_path in shipped:
        return shipped[name_or_path]
    raise FileProblems(
        [
            Problem(
                str(name_or_path),
                "there is no dialect of this name",
                suggestion=nearest(name_or_path, shipped),
            )
        ],
        hint=f"known: {', '.join(shipped)}; one of your own is given by its file, ending in .toml",
    )
