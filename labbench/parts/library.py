"""Find part types by name or path: in folders given, then the user's library, then the shipped."""

from __future__ import annotations

__all__ = [
    "ListedPartType",
    "find_coil_type",
    "find_part_type",
    "list_part_types",
    "shipped_directory",
    "user_directory",
]

from collections.abc import Iterator, Sequence
from pathlib import Path

import click
from attrs import frozen

from labbench.errors import FileProblems, Problem
from labbench.files import nearest
from labbench.parts.coil_type import CoilType
from labbench.parts.part_type import PartType, read_part_type


@frozen
class ListedPartType:
    """Hold one file of the library: its part type, or why it cannot be read.

    `hidden` where a file of the same name comes before it in the search order.
    """

    name: str
    path: Path
    part: PartType | None
    problem: FileProblems | None = None
    hidden: bool = False


def user_directory() -> Path:
    """Name the folder of the user's own part types (it need not exist)."""
    return Path(click.get_app_dir("labbench")) / "parts"


def shipped_directory() -> Path:
    """Name the folder of the part types that come with labbench (all invented)."""
    return Path(__file__).parent / "shipped"


def find_part_type(name_or_path: str, *, directories: Sequence[Path] = ()) -> PartType:
    """Read the part type at a path, or of that name.

    A name is looked for in `directories`, then in the user's library, then among the shipped.
    Raises FileProblems: nothing of that name (with the nearest), or all problems of the file.
    """
    path = Path(name_or_path)
    if path.suffix == ".toml" or len(path.parts) > 1:
        return read_part_type(path)
    files = list(_files(directories))
    for name, candidate in files:
        if name == name_or_path:
            return _read_named(name, candidate)
    raise FileProblems(
        [
            Problem(
                name_or_path,
                "no part type of this name",
                suggestion=nearest(name_or_path, [name for name, _ in files]),
            )
        ],
        hint="`labbench types list` shows them all; a path ends with .toml",
    )


def find_coil_type(name_or_path: str, *, directories: Sequence[Path] = ()) -> CoilType:
    """Read the part type as `find_part_type`; raise FileProblems where it is no coil."""
    part = find_part_type(name_or_path, directories=directories)
    if not isinstance(part, CoilType):
        raise FileProblems(
            [Problem(name_or_path, f"is a {part.family}: this is done with coils only")]
        )
    return part


def list_part_types(directories: Sequence[Path] = ()) -> tuple[ListedPartType, ...]:
    """List every part type in search order. A file that cannot be read is listed with its problems.

    `directories` come before the user's library and the shipped ones.
    """
    listed: list[ListedPartType] = []
    seen: set[str] = set()
    for name, path in _files(directories):
        hidden = name in seen
        seen.add(name)
        try:
            listed.append(ListedPartType(name, path, _read_named(name, path), hidden=hidden))
        except FileProblems as problem:
            listed.append(ListedPartType(name, path, None, problem, hidden))
    return tuple(listed)


def _files(directories: Sequence[Path]) -> Iterator[tuple[str, Path]]:
    searched: set[Path] = set()
    missing = [directory for directory in directories if not directory.is_dir()]
    if missing:
        raise FileProblems([Problem(str(directory), "is no folder") for directory in missing])
    for directory in (*directories, user_directory(), shipped_directory()):
        if directory.resolve() in searched or not directory.is_dir():
            continue
        searched.add(directory.resolve())
        for path in sorted(directory.glob("*.toml")):
            yield path.stem, path


def _read_named(name: str, path: Path) -> PartType:
    part = read_part_type(path)
    if part.name != name:
        # two files that claim one name would make the record ambiguous
        raise FileProblems([
            Problem(str(path), f"says it is {part.name!r}: in a library, file and name agree",
                    key="name", suggestion=repr(name))
        ])  # fmt: skip
    return part
