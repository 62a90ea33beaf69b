"""`labbench compensate`: open and short the jig."""

from __future__ import annotations

__all__ = ["command"]

import getpass
import json
import sys
from pathlib import Path

import click

from labbench.fronts.terminal.exits import speaking
from labbench.fronts.terminal.options import bench_option, data_option, json_option, where_data


@click.command("compensate")
@click.option("--load", metavar="VALUE", help='Read a standard resistor too, such as "100 Ω 0.1 %" '
              "[default: the bench file's, where relays reach it].")  # fmt: skip
@click.option("--placements", type=click.IntRange(1, 20), default=1, show_default=True,
              help="Place the short so often; from three on the jig's own contact scatter is used "
              "instead of the class's.")  # fmt: skip
@click.option("--temperature", type=click.FloatRange(-20, 80), help="Of the bench, in °C; kept "
              "with it.")  # fmt: skip
@click.option("--who", help="Who measures [default: as last time, else the user logged in].")
@bench_option
@data_option
@json_option
def command(
    load: str | None,
    placements: int,
    temperature: float | None,
    who: str | None,
    bench: Path | None,
    data: Path | None,
    as_json: bool,
) -> None:
    """Read the jig open, then shorted on a copper strip; check both and keep them.

    Every later sweep is corrected with it. A short that is no short, or an open that is not open,
    is refused with its numbers, and the earlier compensation stays in force.
    """
    from labbench.compose import data_folder, load_bench, open_bench
    from labbench.fronts.terminal.person import TerminalPerson
    from labbench.jobs.compensate import compensate, compensation_lines
    from labbench.jobs.run import StopFlag

    with speaking():
        folder = data_folder(where_data(data))
        file = load_bench(bench, folder)
        name = who or folder.read_last_used().operator or getpass.getuser()
        stop = StopFlag()
        person = TerminalPerson(interactive=sys.stdin.isatty())
        with stop.catching_interrupts(), open_bench(file, folder, operator=person) as opened:
            taken = compensate(
                opened, who=name, operator=person,
                data=folder, stop=stop, load=load, placements=placements,
                temperature_c=temperature,
            )  # fmt: skip
        if as_json:
            click.echo(
                json.dumps(
                    {
                        "taken_utc": taken.taken_utc,
                        "fixture": taken.fixture,
                        "frequency_hz": taken.frequency_hz,
                        "placements": taken.placements,
                        "contact_resistance_ohm": taken.contact_resistance_ohm,
                        "contact_inductance_h": taken.contact_inductance_h,
                        "u_load_relative": taken.u_load_relative,
                        "short_ohm": [[z.real, z.imag] for z in taken.short_ohm],
                        "open_ohm": [None if z is None else [z.real, z.imag]
                                     for z in taken.open_ohm],
                    }
                )
            )  # fmt: skip
            return
        for line in compensation_lines(taken):
            click.echo(line)
