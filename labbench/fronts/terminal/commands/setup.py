"""`labbench setup`: four questions, then a bench file."""

from __future__ import annotations

__all__ = ["command"]

import json
import sys
from pathlib import Path
from typing import Any

import click

from labbench.fronts.terminal.exits import speaking
from labbench.fronts.terminal.options import data_option, json_option, where_data

_NONE = "none"
_BY_HAND = "by-hand"
_ROLES = {"impedance_meter": "LCR meter", "supply": "supply", "multimeter": "multimeter"}


@click.command("setup")
@click.argument("file", type=click.Path(dir_okay=False, path_type=Path), default="bench.toml")
@click.option("--impedance-meter", metavar="ADDRESS", help="Address of the LCR meter, `by-hand`, "
              "or `none`.")  # fmt: skip
@click.option("--impedance-meter-class", metavar="CLASS", help="Its accuracy class.")
@click.option("--supply", metavar="ADDRESS", help="Address of the bench supply, or `none`.")
@click.option("--supply-class", metavar="CLASS", help="Its accuracy class.")
@click.option("--channels", type=click.IntRange(1, 8), default=1, show_default=True,
              help="Channels of the supply.")  # fmt: skip
@click.option("--multimeter", metavar="ADDRESS", help="Address of the multimeter, `by-hand`, or "
              "`none`.")  # fmt: skip
@click.option("--multimeter-class", metavar="CLASS", help="Its accuracy class.")
@click.option("--resistor", "resistors", multiple=True, metavar="VALUE",
              help="A series resistor that you have, such as '100 Ω 1 %'; or `none`.")  # fmt: skip
@click.option("--dialect", "dialects", multiple=True, metavar="ROLE=DIALECT",
              help="Take this dialect, whatever the trial says (role: impedance_meter, supply, "
              "multimeter).")  # fmt: skip
@click.option("--name", default="bench-1", show_default=True, help="Name of the bench.")
@click.option("--mains", type=click.Choice(["50", "60"]), default="50", show_default=True,
              help="Frequency of the mains in Hz.")  # fmt: skip
@click.option("--voltage-limit", default="5 V", show_default=True,
              help="What the bench must never exceed.")  # fmt: skip
@click.option("--current-limit", default="3 A", show_default=True,
              help="What the bench must never exceed.")  # fmt: skip
@click.option("--scan", is_flag=True, help="Ask the network who is there (broadcasts on every "
              "interface, some seconds).")  # fmt: skip
@click.option("--simulated", metavar="SCENARIO", is_flag=False, flag_value="one-coil",
              help="Write a bench file for a simulated bench "
              "[without SCENARIO: one-coil].")  # fmt: skip
@click.option("--force", is_flag=True, help="Write over a file that is there.")
@data_option
@json_option
def command(
    file: Path,
    impedance_meter: str | None,
    impedance_meter_class: str | None,
    supply: str | None,
    supply_class: str | None,
    channels: int,
    multimeter: str | None,
    multimeter_class: str | None,
    resistors: tuple[str, ...],
    dialects: tuple[str, ...],
    name: str,
    mains: str,
    voltage_limit: str,
    current_limit: str,
    scan: bool,
    simulated: str | None,
    force: bool,
    data: Path | None,
    as_json: bool,
) -> None:
    """Ask four things and write a bench file: LCR meter, supply, multimeter, series resistors.

    Each instrument is asked who it is, and the dialects of its role are tried with queries that
    measure and change nothing; nothing is energised. Every question can be answered ahead with an
    option; without a terminal, what is not given is taken as `none`. FILE [default: bench.toml] is
    never written over without --force.
    """
    from labbench.compose import data_folder
    from labbench.errors import InputError
    from labbench.jobs.setup import (
        JIG,
        BenchAnswers,
        bench_file_text,
        resistor_lines,
        write_bench_file,
    )

    with speaking():
        if file.exists() and not force:
            raise InputError(
                f"{file} exists already and was not touched",
                hint="give another file name, or --force to write over it",
            )
        folder = data_folder(where_data(data))
        if simulated is not None:
            _simulated(file, simulated, folder, force=force, as_json=as_json)
            return
        asking = _Asking(folder, _chosen_dialects(dialects), interactive=sys.stdin.isatty())
        asking.show_what_is_there(scan=scan)
        answers = BenchAnswers(
            name=name,
            mains_hz=float(mains),
            impedance_meter=asking.instrument(
                "impedance_meter", impedance_meter, impedance_meter_class
            ),
            supply=asking.instrument("supply", supply, supply_class, channels=channels),
            multimeter=asking.instrument("multimeter", multimeter, multimeter_class),
            series_resistors=asking.resistors(resistors),
            voltage_limit=voltage_limit,
            current_limit=current_limit,
        )
        write_bench_file(file, bench_file_text(answers), replace=force)
        folder.write_last_used(bench=str(file.absolute()))
        for line in (*resistor_lines(answers.series_resistors), JIG):
            click.echo(line, err=True)
        _say_written(file, as_json=as_json, trials=asking.trials)
        click.echo(
            "Next:  labbench bench            is everything well?\n"
            "       labbench verify R47       a first coil, from what is printed on it",
            err=True,
        )


def _chosen_dialects(given: tuple[str, ...]) -> dict[str, str]:
    from labbench.errors import InputError

    chosen: dict[str, str] = {}
    for text in given:
        role, _, dialect = text.partition("=")
        if role not in _ROLES or not dialect:
            raise InputError(
                f"--dialect {text}: must be ROLE=DIALECT with a role of {', '.join(_ROLES)}"
            )
        # The bench file may be used from another folder than this one.
        chosen[role] = str(Path(dialect).absolute()) if dialect.endswith(".toml") else dialect
    return chosen


def _simulated(file: Path, scenario: str, folder: Any, *, force: bool, as_json: bool) -> None:
    """Write the bench file of a simulated bench on ports that are free now; say how to start it."""
    from labbench.compose import serving
    from labbench.jobs.setup import write_bench_file

    with serving(scenario) as served:
        text, addresses = served.bench_toml, dict(served.addresses)
        specimens = served.specimens
    write_bench_file(
        file, f"# A simulated bench: nothing here touches hardware.\n{text}", replace=force
    )
    folder.write_last_used(bench=str(file.absolute()))
    start = f"labbench simulate {scenario} --write-bench {file}"
    first = specimens[0]
    _say_written(file, as_json=as_json, addresses=addresses, start=start)
    click.echo(
        f"Start it in another terminal and leave it running:\n  {start}\n"
        f"Then:  labbench verify {first[1]} --specimen {first[0]}",
        err=True,
    )


def _say_written(file: Path, *, as_json: bool, trials: Any = (), **more: object) -> None:
    if as_json:
        tried = [
            {"role": t.role, "dialect": t.dialect, "identity": t.identity, "tried": t.tried,
             "worked": t.worked}
            for t in trials
        ]  # fmt: skip
        click.echo(json.dumps({"written": str(file), "tried": tried, **more}, ensure_ascii=False))
    else:
        click.echo(f"written {file}")


class _Asking:
    """Ask what was not given as an option; without a terminal that is taken as none."""

    def __init__(self, folder: Any, dialects: dict[str, str], *, interactive: bool) -> None:
        self._folder = folder
        self._dialects = dialects
        self._interactive = interactive
        self._found: list[str] = []
        self.trials: list[Any] = []

    def show_what_is_there(self, *, scan: bool) -> None:
        from labbench.compose import scan_network, serial_ports

        ports = serial_ports()
        click.echo("Serial ports of this computer:" + ("" if ports else " none"), err=True)
        for resource, description in ports:
            click.echo(f"  {resource}  {description}".rstrip(), err=True)
        self._found = [resource for resource, _ in ports]
        if scan:
            click.echo("Asking the network ...", err=True)
            answered = scan_network()
            self._found += [resource for resource, _ in answered]
            for resource, why in answered:
                click.echo(f"  {resource}  {why}", err=True)
            if not answered:
                click.echo("  nobody answered", err=True)
        else:
            click.echo("The network is not asked (--scan asks it).", err=True)

    def instrument(
        self, role: str, given: str | None, class_name: str | None, *, channels: int = 1
    ) -> Any:
        """Find out how a role is reached; None for a role that the bench lacks."""
        from labbench.errors import InputError
        from labbench.jobs.setup import CLASSES, InstrumentAnswer, check_class

        what = _ROLES[role]
        resource = given or self._ask_address(role)
        if resource == _NONE:
            return None
        if role == "supply" and resource == _BY_HAND:
            raise InputError(
                "a supply is never used by hand: nobody could see it off in time",
                hint="give its address, or none",
            )
        if class_name is None and self._interactive:
            class_name = click.prompt(
                f"  accuracy class of the {what} ({', '.join(CLASSES[role])}; Enter: the most "
                "cautious)",
                default=CLASSES[role][0], show_default=False, err=True,
            )  # fmt: skip
        class_name = class_name or CLASSES[role][0]
        check_class(role, class_name)
        if resource == _BY_HAND:
            return InstrumentAnswer(resource=resource, class_=class_name)
        dialect, identity = self._dialect_for(role, resource)
        return InstrumentAnswer(
            resource=resource, class_=class_name, dialect=dialect, identity=identity,
            channels=channels,
        )  # fmt: skip

    def resistors(self, given: tuple[str, ...]) -> tuple[str, ...]:
        """Find out which series resistors there are."""
        from labbench.jobs.setup import ADVISED_RESISTORS

        if not given and self._interactive:
            all_of_them = ", ".join(value for value, _ in ADVISED_RESISTORS)
            text = click.prompt(
                f"4. Series resistors, comma between them (all: {all_of_them}; Enter: none)",
                default=_NONE, show_default=False, err=True,
            )  # fmt: skip
            if text.strip() == "all":
                return tuple(value for value, _ in ADVISED_RESISTORS)
            given = tuple(part.strip() for part in text.split(",") if part.strip())
        return () if given == (_NONE,) else given

    def _ask_address(self, role: str) -> str:
        if not self._interactive:
            return _NONE
        number = list(_ROLES).index(role) + 1
        by_hand = "" if role == "supply" else f"{_BY_HAND}, "
        example = self._found[0] if self._found else "TCPIP::192.168.1.20::5025::SOCKET"
        answer: str = click.prompt(
            f"{number}. How is the {_ROLES[role]} reached? (an address such as {example}, "
            f"{by_hand}{_NONE})",
            err=True,
        )
        return answer.strip()

    def _dialect_for(self, role: str, resource: str) -> tuple[str, str]:
        """Try the dialects of a role; return the one to take and who answered."""
        from labbench.compose import try_dialect, try_dialects
        from labbench.errors import InputError

        if role in self._dialects:
            chosen = self._dialects[role]
            trial = try_dialect(resource, chosen, self._folder)
            self.trials.append(trial)
            self._show(trial)
            return chosen, trial.identity
        trials = try_dialects(resource, role, self._folder)
        self.trials += trials
        click.echo(f"  {next((t.identity for t in trials if t.identity), '')}", err=True)
        for trial in trials:
            self._show(trial)
        best = trials[0]
        if best.fits:
            return best.dialect, best.identity
        if self._interactive and best.identity and click.confirm(
            f"  No dialect fits wholly. Take {best.dialect} all the same?", default=False, err=True
        ):  # fmt: skip
            return best.dialect, best.identity
        raise InputError(
            f"no shipped dialect fits the {_ROLES[role]} at {resource}: the best, {best.dialect}, "
            f"works in {best.worked} of {best.tried} lines",
            hint="copy it, edit it, and try it with `labbench bench --try-dialect FILE ADDRESS` "
            f"(DEVELOPERS.md, Teach it your instrument); then --dialect {role}=FILE",
        )

    def _show(self, trial: Any) -> None:
        click.echo(f"  {trial.dialect}: {trial.worked} of {trial.tried} lines work", err=True)
        for line in trial.lines:
            if line.problem is not None and trial.worked > trial.tried / 2:
                click.echo(f"    {line.key}: {line.problem}", err=True)
