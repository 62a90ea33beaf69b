"""`labbench bench`: what is connected, is it healthy."""

from __future__ import annotations

__all__ = ["command"]

import getpass
import json
import sys
from datetime import date
from pathlib import Path
from textwrap import fill

import click

from labbench.fronts.terminal.exits import ERROR, INPUT, OK, say_error, speaking, worst
from labbench.fronts.terminal.options import (
    bench_option,
    data_option,
    json_option,
    parts_option,
    where_data,
)

_MARGIN = " " * 28


@click.command("bench")
@click.option("--can-decide", "wanted", metavar="TYPE", help="Instead: what this bench can decide "
              "of a part type, from its file alone; nothing is opened.")  # fmt: skip
@click.option("--try-dialect", "trial", nargs=2, metavar="DIALECT ADDRESS",
              help="Instead: try a dialect (a file or a shipped name) on the instrument at an "
              "address, line by line; nothing is measured or changed.")  # fmt: skip
@bench_option
@data_option
@parts_option
@json_option
def command(
    wanted: str | None,
    trial: tuple[str, str] | None,
    bench: Path | None,
    data: Path | None,
    parts: tuple[Path, ...],
    as_json: bool,
) -> None:
    """Show each instrument's identity, error queue, output state and calibration; compensation.

    Measures nothing and energises nothing. A run that broke off while the supply was on is settled
    first. Exit code 4 where an instrument has a problem.
    """
    from labbench.compose import data_folder, load_bench, open_bench
    from labbench.errors import InputError, SafetyError
    from labbench.fronts.terminal.dialect_trial import show_trial
    from labbench.fronts.terminal.person import TerminalPerson
    from labbench.jobs import part_types
    from labbench.jobs.bench_health import bench_health, compensation_state
    from labbench.jobs.can_decide import (
        accuracies_of,
        can_decide,
        can_decide_json,
        can_decide_lines,
    )
    from labbench.jobs.check_standard import check_json, check_state
    from labbench.jobs.run import settle_earlier_runs

    with speaking():
        folder = data_folder(where_data(data))
        if trial is not None:
            sys.exit(show_trial(*trial, folder, as_json=as_json))
        file = load_bench(bench, folder)
        if wanted is not None:
            part, _ = part_types.for_name_or_marking(wanted, parts)
            found = can_decide(file, part)
            if as_json:
                click.echo(json.dumps(can_decide_json(found), ensure_ascii=False, allow_nan=False))
            else:
                for line in can_decide_lines(found):
                    click.echo(line)
            return
        unsettled: SafetyError | None = None
        with open_bench(file, folder, go_on=True) as opened:
            try:
                settle_earlier_runs(
                    opened, folder, operator=TerminalPerson(interactive=False),
                    who=folder.read_last_used().operator or getpass.getuser(),
                )  # fmt: skip
            except SafetyError as error:
                if "supply" not in opened.unreachable:
                    raise
                # said first: nobody knows whether that output is still on
                unsettled = error
            roles = bench_health(opened, today=date.today())
            usable, sentence = compensation_state(opened, folder)
            standard = check_state(opened, folder)
        if unsettled is not None:
            click.echo(str(unsettled), err=True)
        notes = {n: None for e in opened.unreachable.values() for n in getattr(e, "__notes__", ())}
    if as_json:
        click.echo(
            json.dumps(
                {
                    "bench": file.name,
                    "simulated": file.simulation is not None,
                    "instruments": [
                        {
                            "role": r.role, "address": r.address, "identity": r.identity,
                            "class": r.class_name,
                            "calibrated": r.calibrated.isoformat() if r.calibrated else None,
                            "due": r.due.isoformat() if r.due else None,
                            "problems": list(r.problems),
                            "remarks": list(r.remarks),
                        }
                        for r in roles
                    ],
                    "compensation": {"usable": usable, "text": sentence},
                    "check_standard": check_json(standard),
                },
                ensure_ascii=False,
            )
        )  # fmt: skip
    else:
        simulated = "  (simulated)" if file.simulation else ""
        click.echo(f"{file.name}{simulated}  risk {file.risk:g}, mains {file.mains_hz:g} Hz")
        for r in roles:
            state = "ok" if not r.problems else "TROUBLE"
            where = f"{r.address}  {r.class_name}".rstrip()
            _say(r.role.replace("_", " "), state, r.identity or where)
            if r.identity:
                click.echo(f"{_MARGIN}{where}")
            if r.due:
                click.echo(f"{_MARGIN}calibrated {r.calibrated}, due {r.due}")
            for problem in (*r.problems, *r.remarks):
                click.echo(fill(problem, 80, initial_indent=_MARGIN, subsequent_indent=_MARGIN))
        _say("compensation", "ok" if usable else "needed", sentence)
        word = {"in-control": "ok", "none": "", "learning": "ok"}.get(standard.word, "LOOK")
        _say("check standard", word, standard.text)
    for note in notes:
        click.echo(fill(note, 80, break_on_hyphens=False), err=True)
    codes = [ERROR if any(r.problems for r in roles) else OK]
    try:
        accuracies_of(file)
    except InputError as error:
        # last, and not before the outputs were looked at
        say_error(error)
        codes.append(INPUT)
    sys.exit(worst(codes))


def _say(what: str, state: str, text: str) -> None:
    """Print one row: what it is, how it is, and the rest under each other."""
    head = f"  {what:<16} {state:<8} "
    click.echo(fill(text, 80, initial_indent=head, subsequent_indent=_MARGIN).ljust(len(head)))
