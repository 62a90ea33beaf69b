"""Finds files that come with the simulator by name, and reads what stands at the head of each."""

from __future__ import annotations

from pathlib import Path

from sim.text import Table, TextError, did_you_mean


def names_in(folder: Path) -> list[str]:
    """List the names of the TOML files in a folder, sorted; a file's name is what it describes."""
    return sorted(path.stem for path in folder.glob("*.toml"))


def path_of(kind: str, name: str, folder: Path) -> Path:
    """Give the path of the file of that name. Raises TextError with a suggestion if none has it."""
    names = names_in(folder)
    if name not in names:
        raise TextError(f'{kind} "{name}"', [f"is not known; {did_you_mean(name, names)}"])
    return folder / f"{name}.toml"


def read_head(table: Table, path: Path) -> str:
    """Read schema and name of a construction, which is its file's name; problems go to the table.

    Returns the name.
    """
    schema = table.whole("schema")
    if schema != 1:
        table.problem("schema", f"{schema} is not known; this is version 1")
    name = table.text("name")
    if name and name != path.stem:
        table.problem("name", f'"{name}" differs from the name of the file, "{path.stem}"')
    return name
