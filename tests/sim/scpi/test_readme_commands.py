"""The commands that the simulator's README documents are those that the instruments have.

Does not cover what the commands do (test_profiles).
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import sim
from sim.profiles.catalogue import PROFILES
from sim.served import ServedBench

README = Path(sim.__file__).with_name("README.md").read_text(encoding="utf-8")
DIALECTS = [(role, dialect) for role, profiles in PROFILES.items() for dialect in profiles]
HEADER = re.compile(r"(?:\*[A-Z]{3}|\[?:?[A-Z](?:[A-Za-z:\[\]]|<\d+:\d+>)+)\??$")


def section(dialect: str) -> str:
    """Return the section whose heading names a dialect."""
    (found,) = [part for part in README.split("\n## ") if f"(`{dialect}`)" in part.split("\n")[0]]
    return found


def documented(text: str) -> set[str]:
    """Return headers with ``?`` for those that are documented as queries, from table cells."""
    found: set[str] = set()
    for row in text.splitlines():
        if not row.startswith("| `"):
            continue
        last = ""
        for span in re.findall(r"`([^`]+)`", row.replace("\\|", "/").split(" | ")[0]):
            header = span.split()[0]
            if header == "?":
                found.add(last + "?")
            elif HEADER.match(header):
                last = header
                found.add(header)
    return found


def defined(role: str, dialect: str) -> set[str]:
    found: set[str] = set()
    with ServedBench("one-coil", manual_clock=True, dialects={role: dialect}) as bench:
        for command in bench.servers[role].interpreter.commands:
            if command.do is not None:
                found.add(command.header)
            if command.answer is not None:
                found.add(command.header + "?")
    return found


def required() -> set[str]:
    """Return the commands that the README says every instrument has."""
    (block,) = re.findall(r"Required commands.*?\n\n((?:    .*\n)+)", README)
    return set(block.split())


@pytest.mark.parametrize(("role", "dialect"), DIALECTS)
def test_every_command_is_documented_and_every_documented_command_is_there(
    role: str, dialect: str
) -> None:
    assert documented(section(dialect)) | required() == defined(role, dialect)


def test_every_role_has_two_profiles() -> None:
    assert {role: len(profiles) for role, profiles in PROFILES.items()} == dict.fromkeys(
        ("impedance_meter", "supply", "multimeter", "switch"), 2
    )


def test_the_readme_lists_all_required_commands() -> None:
    # IEEE 488.2 has 13, SCPI-99 adds its error queue, version and two registers (from memory).
    assert len([each for each in required() if each.startswith("*")]) == 13
    assert len(required()) == 13 + 2 + 4 + 4 + 1
