"""`labbench simulate`: the virtual bench as servers for any VISA client."""

from __future__ import annotations

__all__ = ["command"]

import json
import signal
import threading
from pathlib import Path
from types import FrameType

import click

from labbench.fronts.terminal.exits import speaking
from labbench.fronts.terminal.options import json_option


@click.command("simulate")
@click.argument("scenario")
@click.option(
    "--write-bench", "bench_file", type=click.Path(dir_okay=False, path_type=Path),
    help="Write the bench file for these servers, then print `ready FILE`.",
)  # fmt: skip
@click.option("--seed", type=click.IntRange(min=0), help="Seed of all chance [default: the "
              "scenario's].")  # fmt: skip
@click.option("--clock-rate", type=click.FloatRange(min=0, min_open=True),
              help="Simulated seconds in a second [default: the scenario's].")  # fmt: skip
@click.option("--port", "ports", multiple=True, metavar="ROLE=PORT",
              help="A fixed port, such as supply=5026 [default: any free ones].")  # fmt: skip
@json_option
def command(
    scenario: str,
    bench_file: Path | None,
    seed: int | None,
    clock_rate: float | None,
    ports: tuple[str, ...],
    as_json: bool,
) -> None:
    """Serve a simulated bench on this machine until Ctrl-C.

    SCENARIO is a file, or the name of a shipped one (harbour-buoys, one-coil, ...). No hardware is
    touched; the instruments listen on 127.0.0.1 only.
    """
    from labbench.compose import serving

    with speaking():
        wanted = _ports(ports)
        stop = threading.Event()

        def on_signal(_number: int, _frame: FrameType | None) -> None:
            stop.set()

        for number in (signal.SIGINT, signal.SIGTERM):
            signal.signal(number, on_signal)
        with serving(scenario, seed=seed, clock_rate=clock_rate, ports=wanted) as served:
            click.echo(f"scenario {served.name}, seed {served.seed}", err=True)
            for role, address in served.addresses.items():
                click.echo(f"  {role:<16} {address}", err=True)
            if bench_file is not None:
                bench_file.parent.mkdir(parents=True, exist_ok=True)
                fresh = bench_file.with_name(f"{bench_file.name}.new")
                fresh.write_text(served.bench_toml, encoding="utf-8")
                fresh.replace(bench_file)
            if as_json:
                ready = {
                    "ready": True, "scenario": served.name, "seed": served.seed,
                    "addresses": dict(served.addresses),
                    "bench_file": str(bench_file) if bench_file else None,
                }  # fmt: skip
                click.echo(json.dumps(ready, ensure_ascii=False))
            else:
                click.echo(f"ready {bench_file}" if bench_file else "ready")
            # wake now and then: a signal does not end a wait without end on every system
            while not stop.wait(0.5):
                pass
        click.echo("servers closed", err=True)


def _ports(given: tuple[str, ...]) -> dict[str, int]:
    from labbench.errors import InputError

    roles = ("impedance_meter", "supply", "multimeter", "switch")
    found: dict[str, int] = {}
    for text in given:
        role, _, number = text.partition("=")
        if role not in roles or not number.isdigit() or not 0 <= int(number) <= 65535:
            raise InputError(
                f"--port {text}: must be ROLE=PORT with a role of {', '.join(roles)} "
                "and a port of 0 to 65535",
                hint="for example --port supply=5026",
            )
        found[role] = int(number)
    return found
