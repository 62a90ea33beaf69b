"""`labbench types`: list, show, decode a marking."""

from __future__ import annotations

__all__ = ["command", "decode", "list_types", "show"]

import json
from pathlib import Path
from typing import Any

import click

from labbench.fronts.terminal.exits import speaking
from labbench.fronts.terminal.options import json_option, parts_option


@click.group("types")
def command() -> None:
    """Part types: what a part should be."""


@command.command("list")
@parts_option
@json_option
def list_types(parts: tuple[Path, ...], as_json: bool) -> None:
    """List the part types, in the order in which they are searched."""
    from labbench.jobs import part_types

    with speaking():
        entries = list(part_types.listing(parts))
        width = max((len(entry.name) for entry in entries), default=0)
        for entry in entries:
            problems = [str(p) for p in entry.problem.problems] if entry.problem else []
            description = entry.part.description if entry.part else "cannot be read"
            if as_json:
                row: dict[str, Any] = {
                    "name": entry.name, "file": str(entry.path), "description": description,
                    "hidden": entry.hidden, "problems": problems,
                }  # fmt: skip
                click.echo(json.dumps(row, ensure_ascii=False))
                continue
            note = "  (hidden: another file of this name comes first)" if entry.hidden else ""
            click.echo(f"{entry.name:<{width}}  {description}{note}")
            for problem in problems:
                click.echo(f"  {problem}", err=True)


@command.command("show")
@click.argument("name")
@parts_option
@json_option
def show(name: str, parts: tuple[Path, ...], as_json: bool) -> None:
    """Show one part type (a name, a file, or a marking such as R47)."""
    from labbench.jobs import part_types

    with speaking():
        part, marking = part_types.for_any_name_or_marking(name, parts)
        if as_json:
            click.echo(json.dumps(_plain(part), ensure_ascii=False))
            return
        if marking is not None:
            click.echo(f"no part type of this name: read as a marking, by the rule: {marking.rule}")
        for line in part_types.type_lines(part):
            click.echo(line)


@command.command("decode")
@click.argument("marking")
@json_option
def decode(marking: str, as_json: bool) -> None:
    """Read an inductor's marking: common trade practice, not a standard."""
    from labbench.jobs import part_types
    from labbench.quantities import format_si

    with speaking():
        decoded = part_types.decode(marking)
        if as_json:
            click.echo(json.dumps(_plain(decoded), ensure_ascii=False))
            return
        tolerance = "" if decoded.tolerance is None else f" ± {decoded.tolerance * 100:g} %"
        click.echo(f"{decoded.text} = {format_si(decoded.inductance_h, 'H')}{tolerance}")
        click.echo(f"  rule: {decoded.rule}")
        for text in decoded.assumed:
            click.echo(f"  assumed: {text}")
        for other in decoded.alternatives:
            click.echo(f"  could also mean: {format_si(other.inductance_h, 'H')} ({other.rule})")


def _plain(value: Any) -> Any:
    import attrs

    return attrs.asdict(value)
