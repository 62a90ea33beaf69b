"""`labbench verify`: one specimen, guided."""

from __future__ import annotations

__all__ = ["command"]

import getpass
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

import click

from labbench.fronts.terminal.exits import OK, UNDECIDED, UNFIT, exit_code, speaking
from labbench.fronts.terminal.options import (
    bench_option,
    data_option,
    json_option,
    parts_option,
    where_data,
)

if TYPE_CHECKING:
    from labbench.jobs.in_place import InPlace

_LOOKS = ["fine", "discoloured", "cracked", "bulged", "not-looked"]


@click.command("verify")
@click.argument("part", metavar="TYPE|MARKING", required=False)
@click.option("--specimen", help="Its id [default: the next free number].")
@click.option("--position", help="Where the relay switch finds it [default: the specimen's id].")
@click.option("--donor", help="The board it came from [default: as last time].")
@click.option("--siblings", "lot", metavar="LOT", help="The lot whose parts are its siblings "
              "[default: as last time, else the donor].")  # fmt: skip
@click.option("--job", "customer_job", help="The repair it is for [default: as last time].")
@click.option("--who", help="Who measures [default: as last time, else the user logged in].")
@click.option("--temperature", type=click.FloatRange(-20, 80), help="Of the part, in °C "
              "[default: as last time, else 23, then with 2 K of doubt].")  # fmt: skip
@click.option("--look", type=click.Choice(_LOOKS), help="What it looks like, given ahead.")
@click.option("--risk", type=click.FloatRange(0, 0.5, min_open=True, max_open=True),
              help="Largest probability that an accepted characteristic is out of its limits "
              "[default: the bench file's].")  # fmt: skip
@click.option("--false-reject", type=click.FloatRange(0, 0.5, min_open=True, max_open=True),
              default=0.01, show_default=True,
              help="Largest share of healthy parts called unfit, over all tests made.")  # fmt: skip
@click.option("--screen", "way", flag_value="screen", help="Quick look at a switch by hand, three "
              "ties; best word: plausible [default where there are no relays].")  # fmt: skip
@click.option("--full", "way", flag_value="full", help="Every step on a switch, by hand as well.")
@click.option("--in-place", "way", flag_value="in-place", help="Look at a switch on its donor "
              "board, at 0.2 V: worth lifting, leave it, or cannot tell.")  # fmt: skip
@click.option("--rail", "rail_v", type=click.FloatRange(0, 48, min_open=True), metavar="VOLTS",
              help="The rail that a switch of unknown ratings worked on: it is tested at 1.25 "
              "times that.")  # fmt: skip
@click.option("--bias/--no-bias", default=None, help="Inductance under direct current, through a "
              "bias network [default: where bench and type have one].")  # fmt: skip
@click.option("--insulation", is_flag=True, help="Insulation of a coil's winding to its core: a "
              "third probe touches the core.")  # fmt: skip
@click.option("--breakdown", is_flag=True, help="Lead a switch into breakdown at 250 µA as well: "
              "beyond its rating, two channels in series.")  # fmt: skip
@click.option("--no-supply", is_flag=True, help="Leave out what needs the supply.")
@click.option("--unattended", is_flag=True, help="The supply may come on with nobody at the "
              "pedal (a simulated bench needs no such leave).")  # fmt: skip
@click.option("--just-lifted", is_flag=True, help="It came off the board this minute: start its "
              "clock, measure nothing, take the next part meanwhile.")  # fmt: skip
@click.option("--cooling", is_flag=True, help="List the parts that still cool.")
@click.option(
    "--adaptive",
    is_flag=True,
    help="Take only the frequencies that tell something new, instead of the whole sweep.",
)
@click.option("--fixed", is_flag=True, help="Take the fixed numbers of readings, instead of "
              "stopping when the verdict is settled.")  # fmt: skip
@click.option("--budget", is_flag=True, help="Show where each uncertainty comes from.")
@click.option("--why", is_flag=True, help="Show the statistics behind the verdict.")
@bench_option
@data_option
@parts_option
@json_option
def command(
    part: str | None,
    specimen: str | None,
    position: str | None,
    donor: str | None,
    lot: str | None,
    customer_job: str | None,
    who: str | None,
    temperature: float | None,
    look: str | None,
    risk: float | None,
    false_reject: float,
    way: str | None,
    rail_v: float | None,
    breakdown: bool,
    bias: bool | None,
    insulation: bool,
    no_supply: bool,
    unattended: bool,
    just_lifted: bool,
    cooling: bool,
    adaptive: bool,
    fixed: bool,
    budget: bool,
    why: bool,
    bench: Path | None,
    data: Path | None,
    parts: tuple[Path, ...],
    as_json: bool,
) -> None:
    """Verify one specimen: look, measure, verdict, record.

    TYPE is a part type (a name or a file); without one, what is printed on the part will do: `R47`
    is read as 0.47 µH, and that is said. Press the part into the jig: contact starts the sweep.
    What comes from the supply waits for Enter or the pedal. `s` and Enter, or Ctrl-C, stops with
    the output off.

    A switch (MOSFET) is looked at with supply and multimeter: shorts, gate and drain leakage, body
    diode, threshold, on-resistance, each hookup drawn or made by relays. A power stage likewise,
    once the pattern at 0.2 V has shown that it lies as marked.

    A part that was just lifted needs some two minutes: --just-lifted starts its clock, --cooling
    lists those that wait. A warm part is never failed: it is undecided until it is cool.

    Exit code: 0 fit, 1 unfit, 3 undecided or plausible, 2 input, 4 instrument or safety, 130
    stopped.
    """
    from labbench.compose import data_folder, load_bench, open_bench
    from labbench.fronts.terminal.person import TerminalPerson
    from labbench.fronts.terminal.warm import say_waiting, show_cooling
    from labbench.jobs import look_up, part_types
    from labbench.jobs.cooling import just_lifted as start_cooling
    from labbench.jobs.cooling import still_warm
    from labbench.jobs.in_place import look_in_place
    from labbench.jobs.plain import to_json
    from labbench.jobs.request import chosen_way
    from labbench.jobs.run import StopFlag
    from labbench.jobs.shelf_parts import told_elsewhere
    from labbench.jobs.verify import Request, verify
    from labbench.quantities import format_si
    from labbench.reports.budgets import budget_lines
    from labbench.reports.words import resonance_words, verdict_line, why_lines

    with speaking():
        folder = data_folder(where_data(data))
        if cooling:
            show_cooling(folder, as_json=as_json)
            return
        last = folder.read_last_used()
        specimen = specimen or look_up.next_specimen(folder)
        lifted, waiting = (None, None) if just_lifted else still_warm(folder, specimen)
        if waiting is not None:
            say_waiting(waiting, as_json=as_json)
        wanted = part or (lifted.type if lifted else None) or last.type
        if wanted is None:
            raise click.UsageError("which part? Give a part type, or what is printed on it (R47)")
        part_type, marking = part_types.for_any_name_or_marking(wanted, parts)
        if marking is not None:
            tolerance = marking.tolerance or 0.2
            click.echo(
                f"{wanted}: no part type of this name; read as a marking: "
                f"{format_si(marking.inductance_h, 'H')} ± {tolerance * 100:g} %"
                f"{'' if marking.tolerance else ' (assumed)'}. "
                "Best word without a type: plausible.",
                err=True,
            )
        if lifted is not None:
            donor, lot = donor or lifted.donor, lot or lifted.lot
            position = position or lifted.position
            customer_job = customer_job or lifted.customer_job
        if just_lifted:
            say_waiting(
                start_cooling(
                    folder, specimen=specimen, type_name=wanted, position=position,
                    room_c=_temperature(temperature, last.temperature_c),
                    donor=donor or last.donor, lot=lot, customer_job=customer_job or last.job,
                ),
                as_json=as_json,
            )  # fmt: skip
        file = load_bench(bench, folder)
        interactive = sys.stdin.isatty()
        answers: dict[str, str] = {}
        if look is not None:
            answers["look"] = look
        elif not interactive:
            answers["look"] = "not-looked"
        with_supply = not no_supply
        may_energise = interactive or unattended or file.simulation is not None
        if with_supply and not may_energise:
            with_supply = False
            click.echo(
                "nobody is at the pedal: the supply stays off (--unattended would allow it)",
                err=True,
            )
        if not interactive or unattended:
            answers |= {"coil-resistance": "yes", "switch-test": "yes", "cleaned-and-dry": "yes",
                        "coil-bias": "yes", "coil-insulation": "yes"}  # fmt: skip
        if not interactive and file.simulation is not None:
            answers["all-off"] = "yes"
        person = TerminalPerson(interactive=interactive, answers=answers)
        if position is None and specimen in file.positions:
            position = specimen
        elif position is None and (named := file.part_positions):
            click.echo(
                f"the relay switch has no position {specimen!r}: measuring what lies in the jig "
                f"itself (--position takes one of {', '.join(named)})", err=True,
            )  # fmt: skip
        request = Request(
            part=part_type,
            specimen=specimen,
            position=position if file.instruments.switch else specimen,
            who=who or last.operator or getpass.getuser(),
            donor=donor or last.donor,
            # a lot belongs to its donor: another donor drops it
            lot=lot or (last.lot if donor in (None, last.donor) else None),
            customer_job=customer_job or last.job,
            temperature_c=_temperature(temperature, last.temperature_c),
            u_temperature_c=0.5 if temperature is not None else 2.0,
            risk=risk,
            false_reject=false_reject,
            with_look=True,
            with_supply=with_supply,
            until_decided=not fixed,
            adaptive=adaptive,
            bias=bias,
            insulation=insulation,
            way=chosen_way(part_type.family, way, has_relays=file.instruments.switch is not None),
            rail_v=rail_v,
            breakdown=breakdown,
        )
        folder.write_last_used(
            type=wanted, donor=request.donor, lot=request.lot or "", job=request.customer_job,
            operator=request.who, temperature_c=temperature,
        )  # fmt: skip
        stop = StopFlag()
        with stop.catching_interrupts(), open_bench(file, folder, operator=person) as opened:
            if request.way == "in-place":
                _say_in_place(
                    look_in_place(opened, request, operator=person, data=folder, stop=stop),
                    as_json=as_json,
                )
            outcome = verify(opened, request, operator=person, data=folder, stop=stop)
    if as_json:
        click.echo(json.dumps(to_json(outcome.judgement), ensure_ascii=False, allow_nan=False))
    else:
        click.echo(verdict_line(outcome.judgement))
    if why:
        for line in why_lines(outcome.judgement):
            click.echo(f"      {line}", err=as_json)
        if resonance := resonance_words(outcome.readings):
            click.echo(f"      self-resonance: {resonance}", err=as_json)
    if budget:
        for line in budget_lines(outcome.budgets):
            click.echo(f"      {line}", err=as_json)
    if outcome.siblings:
        click.echo(f"      compared with its siblings {', '.join(outcome.siblings)}", err=True)
    if elsewhere := told_elsewhere(folder, specimen):
        click.echo(f"      note: {elsewhere}", err=True)
    click.echo(f"      run {outcome.run}; labbench report {specimen} writes the page", err=True)
    sys.exit(exit_code(outcome.judgement.disposition))


def _say_in_place(seen: InPlace, *, as_json: bool) -> NoReturn:
    """Print the word on a part that is still on its board, and exit with its code."""
    if as_json:
        click.echo(json.dumps(seen.to_json(), ensure_ascii=False))
    else:
        click.echo(f"{seen.specimen:<4} {seen.word.upper():<14} {seen.because}")
    click.echo(f"      run {seen.run}; never a reason to solder it in", err=True)
    sys.exit({"worth lifting": OK, "leave it": UNFIT, "cannot tell": UNDECIDED}[seen.word])


def _temperature(given: float | None, last: float | None) -> float:
    if given is not None:
        return given
    return last if last is not None else 23.0
