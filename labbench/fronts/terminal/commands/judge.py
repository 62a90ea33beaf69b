"""`labbench judge`: readings files in, a verdict per line out."""

from __future__ import annotations

__all__ = ["command"]

import json
import sys
from pathlib import Path
from typing import Any

import click

from labbench.fronts.terminal.exits import INPUT, exit_code, speaking, worst
from labbench.fronts.terminal.options import json_option, parts_option


@click.command("judge")
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=str, allow_dash=True))
@click.option(
    "--type", "types", multiple=True, metavar="TYPE",
    help="Part type, a name or a file; may be repeated. A line's type must be one of them or in "
    "the library.",
)  # fmt: skip
@click.option("--risk", type=click.FloatRange(0, 0.5, min_open=True, max_open=True), default=0.05,
              show_default=True, help="Largest probability that an accepted characteristic is out "
              "of its limits.")  # fmt: skip
@click.option("--false-reject", type=click.FloatRange(0, 0.5, min_open=True, max_open=True),
              default=0.01, show_default=True,
              help="Largest share of healthy parts called unfit, over all tests made.")  # fmt: skip
@click.option("--budget", is_flag=True, help="Show what the readings tell of their uncertainty.")
@click.option("--why", is_flag=True, help="Show the statistics behind each verdict.")
@parts_option
@json_option
def command(
    files: tuple[str, ...],
    types: tuple[str, ...],
    risk: float,
    false_reject: float,
    budget: bool,
    why: bool,
    parts: tuple[Path, ...],
    as_json: bool,
) -> None:
    """Judge readings files (readings/1, `-` for standard input).

    One verdict per test line, in order; siblings stand anywhere in the files. A line that cannot
    be read is reported in its place and the others are still judged. What is printed on an
    inductor (R47) does for a type, as in `verify`.

    Exit code: the worst of 2 (a line could not be read), 1 unfit, 3 undecided or plausible, 0 fit.
    """
    from labbench.errors import Problem
    from labbench.jobs.judge_files import judge_files
    from labbench.jobs.plain import to_json
    from labbench.reports.budgets import budget_lines
    from labbench.reports.words import verdict_line, why_lines

    codes: list[int] = []
    budgets: list[Any] = []
    with speaking():
        for item in judge_files(
            files, types=types, parts=parts, risk=risk, false_reject=false_reject,
            tell_budgets=budgets.extend if budget else None,
        ):  # fmt: skip
            codes.append(INPUT if isinstance(item, Problem) else exit_code(item.disposition))
            if as_json:
                click.echo(json.dumps(to_json(item), ensure_ascii=False, allow_nan=False))
            if isinstance(item, Problem):
                click.echo(f"labbench: {item}", err=True)
            elif not as_json:
                click.echo(verdict_line(item))
                if why:
                    for line in why_lines(item):
                        click.echo(f"      {line}")
            for line in budget_lines(budgets):
                click.echo(f"      {line}", err=as_json)
            budgets.clear()
        if not codes:
            click.echo(f"labbench: there was no test line in {', '.join(files)}", err=True)
            codes.append(INPUT)
    sys.exit(worst(codes))
