"""`labbench gauge`: plan, run and report a gauge study; measure the check standard."""

from __future__ import annotations

__all__ = ["command"]

import click

from labbench.fronts.terminal.commands.gauge_check import check_command
from labbench.fronts.terminal.commands.gauge_study import plan_command, report_command, run_command


@click.group("gauge")
def command() -> None:
    """Prove the bench: a gauge study (plan, run, report), and the check standard each morning.

    A gauge study tells how much of what is read is the part, and how much the bench and the
    people. A check standard is a good part that is kept, measured each morning and never fitted.
    """


command.add_command(plan_command)
command.add_command(run_command)
command.add_command(report_command)
command.add_command(check_command)
