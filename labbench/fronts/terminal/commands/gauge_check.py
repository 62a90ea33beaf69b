"""`labbench gauge check`: the check standard, each morning."""

from __future__ import annotations

__all__ = ["check_command"]

import getpass
import json
import sys
from pathlib import Path

import click

from labbench.fronts.terminal.exits import OK, UNDECIDED, speaking
from labbench.fronts.terminal.options import (
    bench_option,
    data_option,
    json_option,
    parts_option,
    where_data,
)


@click.command("check", short_help="Measure the check standard, each morning.")
@click.option("--standard", help="Its id; the first time, and when another one is taken.")
@click.option("--type", "type_", metavar="TYPE|MARKING", help="Its part type, the first time.")
@click.option("--position", help="Where the relay switch finds it [default: its id].")
@click.option("--every", metavar="HOURS", type=click.FloatRange(1), default=24.0,
              show_default=True, help="How often it is due; said when --standard is.")  # fmt: skip
@click.option("--who", help="Who measures [default: as last time, else the user logged in].")
@click.option("--temperature", type=click.FloatRange(-20, 80), help="Of the part, in °C "
              "[default: as last time, else 23, then with 2 K of doubt].")  # fmt: skip
@click.option("--no-supply", is_flag=True, help="Leave out what needs the supply.")
@click.option("--unattended", is_flag=True, help="The supply may come on with nobody at the "
              "pedal (a simulated bench needs no such leave).")  # fmt: skip
@click.option("--show", is_flag=True, help="Measure nothing; tell how it stands.")
@bench_option
@data_option
@parts_option
@json_option
def check_command(
    standard: str | None,
    type_: str | None,
    position: str | None,
    every: float,
    who: str | None,
    temperature: float | None,
    no_supply: bool,
    unattended: bool,
    show: bool,
    bench: Path | None,
    data: Path | None,
    parts: tuple[Path, ...],
    as_json: bool,
) -> None:
    """Measure the check standard: a good part that is kept at the bench and never fitted.

    The first time: `labbench gauge check --standard REF1 --type coil-470n`; from then on each
    morning `labbench gauge check`. A compensation is taken first where it is due. Its own history
    gives the limits, after five checks. Out of control or missed is said with every verdict and
    blocks nothing. `labbench void RUN` strikes a slip; `labbench report RUN` draws the chart.

    Exit code: 0 in control (or still learning), 3 out of control or missed.
    """
    from labbench.compose import data_folder, load_bench, open_bench
    from labbench.fronts.terminal.pedal import person_at_terminal
    from labbench.jobs import part_types
    from labbench.jobs.check_standard import (
        CheckStandard,
        check,
        check_json,
        check_state,
        known_standard,
        name_standard,
    )
    from labbench.jobs.run import StopFlag
    from labbench.reports.check_words import check_lines

    with speaking():
        folder = data_folder(where_data(data))
        file = load_bench(bench, folder)
        known = known_standard(folder, file.name)
        if standard is not None:
            type_name = type_ or (known.type if known else None)
            if type_name is None:
                raise click.UsageError("the first time the part type is needed: --type TYPE")
            part_types.for_name_or_marking(type_name, parts)
            known = CheckStandard(name=standard, type=type_name, position=position, every_h=every)
            name_standard(folder, file.name, known)
        if known is None:
            raise click.UsageError(
                f"the bench {file.name} has no check standard yet: keep a good part aside and "
                "give --standard NAME --type TYPE"
            )
        last = folder.read_last_used()
        if show:
            with open_bench(file, folder) as opened:
                state = check_state(opened, folder)
        else:
            part, _ = part_types.for_name_or_marking(known.type, parts)
            leave = unattended or file.simulation is not None
            stop = StopFlag()
            person = person_at_terminal(unattended=leave)
            with stop.catching_interrupts(), open_bench(file, folder, operator=person) as opened:
                state = check(
                    opened, known, part, who=who or last.operator or getpass.getuser(),
                    operator=person, data=folder, stop=stop,
                    temperature_c=temperature if temperature is not None
                    else last.temperature_c if last.temperature_c is not None else 23.0,
                    u_temperature_c=0.5 if temperature is not None else 2.0,
                    with_supply=not no_supply and (leave or sys.stdin.isatty()),
                )  # fmt: skip
    if as_json:
        click.echo(json.dumps(check_json(state), ensure_ascii=False, allow_nan=False))
    else:
        for line in check_lines(state.text, state.charts):
            click.echo(line)
    sys.exit(UNDECIDED if state.word in ("out-of-control", "missed") else OK)
