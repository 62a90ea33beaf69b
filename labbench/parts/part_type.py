"""Read a part type file of any family."""

from __future__ import annotations

__all__ = ["FAMILIES", "PartType", "read_part_type"]

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Final, TypeAlias

from labbench.errors import FileProblems, Problem
from labbench.files import nearest, read_toml
from labbench.parts.coil_type import CoilType, read_coil_type
from labbench.parts.mosfet_type import MosfetType, read_mosfet_type
from labbench.parts.stage_type import StageType, read_stage_type

PartType: TypeAlias = CoilType | MosfetType | StageType

FAMILIES: Final[Mapping[str, Callable[[Path], PartType]]] = {
    "coil": read_coil_type,
    "mosfet": read_mosfet_type,
    "power-stage": read_stage_type,
}


def read_part_type(path: Path) -> PartType:
    """Read a part type file; raise FileProblems with every problem at once.

    A file that names no family is read as a coil's, whose reader says that it is missing.
    """
    family = read_toml(path).get("family", "coil")
    if not isinstance(family, str) or family not in FAMILIES:
        near = nearest(family, FAMILIES) if isinstance(family, str) else None
        raise FileProblems([
            Problem(str(path), f"there is no family {family!r}", key="family",
                    suggestion=repr(near) if near else None)
        ])  # fmt: skip
    return FAMILIES[family](path)
