"""Say of parts that were just lifted how long they still have to wait."""

from __future__ import annotations

__all__ = ["say_waiting", "show_cooling"]

import json
import sys
from typing import Any, NoReturn

import click

from labbench.fronts.terminal.exits import exit_code
from labbench.results import Judgement


def say_waiting(judgement: Judgement, *, as_json: bool) -> NoReturn:
    """Print that a part still cools, and exit as for any undecided part."""
    from labbench.jobs.plain import to_json
    from labbench.reports.words import verdict_line

    if as_json:
        click.echo(json.dumps(to_json(judgement), ensure_ascii=False, allow_nan=False))
    else:
        click.echo(verdict_line(judgement))
    click.echo("      it cools; take the next part meanwhile (verify --cooling lists)", err=True)
    sys.exit(exit_code(judgement.disposition))


def show_cooling(folder: Any, *, as_json: bool) -> None:
    """List the parts that were just lifted, the one that is cool first in front."""
    from labbench.jobs.cooling import cooling_list

    parts = cooling_list(folder)
    for part, wait_s in parts:
        if as_json:
            row = {"specimen": part.specimen, "type": part.type, "wait_s": wait_s,
                   "lifted_utc": part.lifted_utc, "donor": part.donor}  # fmt: skip
            click.echo(json.dumps(row, ensure_ascii=False))
        else:
            state = f"wait {wait_s} s" if wait_s else "cool: verify it now"
            click.echo(f"{part.specimen:<10} {part.type:<16} {part.donor or '':<20} {state}")
    if not parts and not as_json:
        click.echo("nothing is cooling")
