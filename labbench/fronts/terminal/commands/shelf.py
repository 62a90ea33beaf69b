"""`labbench shelf`: verified parts at hand, matching, where parts went, what became of boards."""

from __future__ import annotations

__all__ = ["command"]

import click

from labbench.fronts.terminal.commands.shelf_acts import (
    fit_command,
    outcome_command,
    reserve_command,
    return_command,
    scrap_command,
)
from labbench.fronts.terminal.commands.shelf_look import list_command, survival_command
from labbench.fronts.terminal.commands.shelf_match import match_command


@click.group("shelf")
def command() -> None:
    """Choose among verified parts, and keep where each was fitted and what became of it.

    Nothing is edited or deleted: what is done with a part is written beside its verdict, with who
    and when. `labbench void RUN` strikes what was written by mistake.
    """


for each in (
    list_command, match_command, reserve_command, fit_command, outcome_command, return_command,
    scrap_command, survival_command,
):  # fmt: skip
    command.add_command(each)
