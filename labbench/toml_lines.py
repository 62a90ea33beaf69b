"""Find the line of a key in TOML text, so that a problem with a value can name it.

The TOML reader of the standard library reports positions of syntax errors only. This looks for
headers and keys at the beginnings of lines, which is how such files are written; an entry within an
inline table is found at the line of that table, and what is not found has no line.
"""

from __future__ import annotations

__all__ = ["line_of"]

import re

_HEADER = re.compile(r"\s*(\[{1,2})\s*([^\[\]#]+?)\s*\]{1,2}\s*(?:#.*)?$")
_ENTRY = re.compile(
    r"""\s*((?:"[^"]*"|'[^']*'|[A-Za-z0-9_\-]+)(?:\s*\.\s*(?:"[^"]*"|'[^']*'|[A-Za-z0-9_\-]+))*)\s*="""
)
_PART = re.compile(r"""\s*(?:"([^"]*)"|'([^']*)'|([A-Za-z0-9_\-]+))\s*(?:\.|$)""")


def line_of(text: str, key: str | None) -> int | None:
    """Give the line (from 1) of a key such as `limits.inductance[1].nominal`, or None.

    Falls back to the nearest table that contains the key.
    """
    if key is None:
        return None
    lines = _lines(text)
    wanted = key
    while wanted:
        if wanted in lines:
            return lines[wanted]
        # drop the last step of the path: [1], or .nominal
        wanted = re.sub(r"(?:\[\d+\]|\.?[^.\[\]]+)$", "", wanted)
    return None


def _lines(text: str) -> dict[str, int]:
    found: dict[str, int] = {}
    table = ""
    repeats: dict[str, int] = {}
    for number, line in enumerate(text.splitlines(), start=1):
        if header := _HEADER.match(line):
            table = _path(header[2])
            if header[1] == "[[":
                index = repeats.get(table, -1) + 1
                repeats[table] = index
                table = f"{table}[{index}]"
            found.setdefault(table, number)
        elif entry := _ENTRY.match(line):
            path = _path(entry[1])
            found.setdefault(f"{table}.{path}" if table else path, number)
    return found


def _path(written: str) -> str:
    return ".".join(
        next(part for part in match.groups() if part is not None)
        for match in _PART.finditer(written)
    )
