"""Show what a dialect comes to on an instrument, line by line."""

from __future__ import annotations

__all__ = ["show_trial"]

import json
from pathlib import Path
from typing import Any

import click

from labbench.fronts.terminal.exits import OK, UNDECIDED


def show_trial(dialect: str, address: str, folder: Any, *, as_json: bool) -> int:
    """Try a dialect and print its lines; return the exit code: 0 where all that was sent works."""
    from labbench.compose import try_dialect

    given: str | Path = Path(dialect) if dialect.endswith(".toml") else dialect
    trial = try_dialect(address, given, folder)
    if as_json:
        click.echo(
            json.dumps(
                {
                    "dialect": trial.dialect, "role": trial.role, "identity": trial.identity,
                    "tried": trial.tried, "worked": trial.worked,
                    "lines": [
                        {"key": line.key, "sent": line.sent, "answered": line.answered,
                         "problem": line.problem, "why_not_sent": line.why_not_sent}
                        for line in trial.lines
                    ],
                },
                ensure_ascii=False,
            )
        )  # fmt: skip
        return OK if trial.fits else UNDECIDED
    click.echo(f"{trial.dialect} ({trial.role.replace('_', ' ')}) on {trial.identity}")
    for line in trial.lines:
        if line.why_not_sent is not None:
            click.echo(f"  -     {line.key:<34} {line.sent}   not sent: {line.why_not_sent}")
        elif line.problem is None:
            click.echo(f"  ok    {line.key:<34} {line.sent}   -> {line.answered}")
        else:
            click.echo(f"  FAILS {line.key:<34} {line.problem}")
    click.echo(f"{trial.worked} of the {trial.tried} lines that were sent work.")
    if not trial.fits:
        click.echo("Edit the lines that fail and try again (DEVELOPERS.md, Teach it your "
                   "instrument).")  # fmt: skip
    return OK if trial.fits else UNDECIDED
