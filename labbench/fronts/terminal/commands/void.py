"""`labbench void`: strike a mistaken run."""

from __future__ import annotations

__all__ = ["command"]

import getpass
import json
from pathlib import Path

import click

from labbench.fronts.terminal.exits import speaking
from labbench.fronts.terminal.options import data_option, json_option, where_data


@click.command("void")
@click.argument("run")
@click.option("--why", required=True, help="The reason, kept for ever.")
@click.option("--who", default=getpass.getuser, show_default="the user logged in",
              help="Who strikes it.")  # fmt: skip
@data_option
@json_option
def command(run: str, why: str, who: str, data: Path | None, as_json: bool) -> None:
    """Strike a run that was a mistake; nothing is deleted.

    RUN is a run's id, the beginning of one, or a specimen (its latest run).
    """
    from labbench.compose import data_folder
    from labbench.jobs.look_up import strike

    with speaking():
        row = strike(data_folder(where_data(data)), run, who=who, why=why)
        if as_json:
            click.echo(json.dumps({"run": row.run, "void": row.void}, ensure_ascii=False))
            return
        click.echo(f"{row.run} ({row.specimen or row.job}) is void: {why}")
