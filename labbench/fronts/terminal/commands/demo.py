"""`labbench demo`: the main job on a simulated bench."""

from __future__ import annotations

__all__ = ["command"]

import json
import sys
import time
from pathlib import Path
from typing import Any

import click

from labbench.fronts.terminal.exits import OK, UNFIT, speaking


@click.command("demo")
@click.option("--seed", type=click.IntRange(min=0), help="Seed of all chance [default: the "
              "scenario's].")  # fmt: skip
@click.option("--scenario", default="harbour-buoys", show_default=True,
              help="A scenario file, or the name of a shipped one.")  # fmt: skip
@click.option("--clock-rate", type=click.FloatRange(min=0, min_open=True),
              help="Simulated seconds in a second [default: the scenario's].")  # fmt: skip
@click.option("--folder", type=click.Path(file_okay=False, path_type=Path),
              help="Where everything goes [default: a new demo-... here].")  # fmt: skip
@click.option("--no-wait", is_flag=True, help="Let simulated time jump instead of pass.")
@click.option("--no-report", is_flag=True, help="Leave the pages out.")
@click.option("--why", is_flag=True, help="Show the statistics behind each verdict.")
@click.option("--json", "as_json", is_flag=True, help="JSON lines only on stdout.")
def command(
    seed: int | None,
    scenario: str,
    clock_rate: float | None,
    folder: Path | None,
    no_wait: bool,
    no_report: bool,
    why: bool,
    as_json: bool,
) -> None:
    """Do the main job on a simulated bench: compensate, verify donors, judge, record, report.

    A workshop that refurbishes boards from harbour buoys has pulled eleven coils from boards that
    it gave up. What each coil really is, is read only after the last verdict is closed.

    Exit code 0 when every word agrees with that truth.
    """
    from labbench.compose import data_folder, open_simulated
    from labbench.fronts.terminal.person import TerminalPerson
    from labbench.jobs.compensate import compensate, compensation_lines
    from labbench.jobs.part_types import find
    from labbench.jobs.plain import to_json
    from labbench.jobs.verify import Outcome, Request, verify
    from labbench.reports.words import verdict_line, why_lines

    begun = time.monotonic()
    with speaking():
        data = data_folder(folder or _new_folder())
        person = TerminalPerson(
            interactive=False, quiet=True, answers={"look": "fine", "coil-resistance": "yes"}
        )
        outcomes: list[Outcome] = []
        donors: dict[str, str] = {}
        with open_simulated(
            scenario, data, seed=seed, clock_rate=clock_rate, waits=not no_wait
        ) as (served, opened):
            click.echo(
                f"simulated bench, scenario {served.name}, seed {served.seed}: "
                f"{len(served.specimens)} donor coils",
                err=as_json,
            )
            taken = compensate(opened, who="demo", operator=person, data=data)
            click.echo(next(iter(compensation_lines(taken))), err=True)
            for number, (name, type_name, donor) in enumerate(served.specimens, start=1):
                _progress(f"measuring {name} ({number} of {len(served.specimens)})")
                outcome = verify(
                    opened,
                    Request(
                        part=find(type_name, ()), specimen=name, position=name, who="demo",
                        donor=donor, customer_job="harbour buoys",
                        temperature_c=23.0, u_temperature_c=0.5,
                    ),
                    operator=person, data=data,
                )  # fmt: skip
                _progress("")
                outcomes.append(outcome)
                donors[name] = donor
                if as_json:
                    click.echo(json.dumps(to_json(outcome.judgement), ensure_ascii=False))
                else:
                    click.echo(verdict_line(outcome.judgement))
                    if why:
                        for line in why_lines(outcome.judgement):
                            click.echo(f"      {line}")
            # only now, with every journal closed
            wrong = _compare(outcomes, served.truth())
        if not no_report:
            _write_pages(outcomes, donors, data, served.name)
    for line in wrong:
        click.echo(line, err=True)
    agree = len(outcomes) - len(wrong)
    click.echo(
        f"{agree} of {len(outcomes)} agree with what the parts really are; "
        f"{time.monotonic() - begun:.1f} s",
        err=as_json,
    )
    if not no_report:
        click.echo(f"report    {data.reports / 'index.html'}", err=as_json)
    click.echo(f"journals  {data.journals}", err=as_json)
    click.echo(f"store     {data.store}", err=as_json)
    sys.exit(UNFIT if wrong else OK)


def _new_folder() -> Path:
    stem = time.strftime("demo-%Y%m%d-%H%M%S")
    path, number = Path(stem), 1
    while path.exists():
        number += 1
        path = Path(f"{stem}-{number}")
    return path


def _progress(text: str) -> None:
    if sys.stderr.isatty():
        click.echo(f"\r\033[K{text}", err=True, nl=False)
    elif text:
        click.echo(text, err=True)


def _compare(outcomes: list[Any], truth: Any) -> list[str]:
    wrong = []
    for outcome in outcomes:
        name, word = outcome.judgement.specimen, outcome.judgement.disposition
        real = truth[name]
        if word != real.disposition:
            fault = f" ({real.fault})" if real.fault else ""
            wrong.append(f"{name} was called {word} and is {real.disposition}{fault}")
    return wrong


def _write_pages(outcomes: list[Any], donors: dict[str, str], data: Any, name: str) -> None:
    from labbench.jobs.look_up import find_run, page_for
    from labbench.reports.overview import overview_page

    data.reports.mkdir(parents=True, exist_ok=True)
    entries = []
    for outcome in outcomes:
        link = f"{outcome.run}.html"
        page = page_for(find_run(data, outcome.run))
        (data.reports / link).write_text(page, encoding="utf-8")
        judgement = outcome.judgement
        entries.append((judgement, donors[judgement.specimen], link))
    page = overview_page(
        f"Donor coils: {name}",
        entries,
        note="All parts, lots and faults are invented.",
        simulated=True,
    )
    (data.reports / "index.html").write_text(page, encoding="utf-8")
