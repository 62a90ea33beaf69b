"""`labbench gauge plan`, `run` and `report`."""

from __future__ import annotations

__all__ = ["plan_command", "report_command", "run_command"]

import getpass
import json
import re
from pathlib import Path

import click

from labbench.fronts.terminal.exits import speaking
from labbench.fronts.terminal.options import (
    bench_option,
    data_option,
    json_option,
    parts_option,
    where_data,
)

_PLAN = click.Path(dir_okay=False, path_type=Path)


@click.command("plan", short_help="Plan a gauge study: which parts, who, in which order.")
@click.argument("type_", metavar="TYPE")
@click.argument("specimens", metavar="PART...", nargs=-1, required=True)
@click.option("--operator", "operators", multiple=True, help="Who measures; repeat it "
              "[default: as last time, else the user logged in].")  # fmt: skip
@click.option("--trials", type=click.IntRange(2), default=3, show_default=True,
              help="How often each measures each part.")  # fmt: skip
@click.option("--days", type=click.IntRange(1), default=1, show_default=True,
              help="On how many days all of it is done.")  # fmt: skip
@click.option("--readings", type=click.IntRange(1), default=2, show_default=True,
              help="Readings a placement, to tell noise from where the probes touch.")  # fmt: skip
@click.option("--characteristic", type=click.Choice(["inductance", "dc-resistance"]),
              default="inductance", show_default=True, help="What is measured.")  # fmt: skip
@click.option("--frequency", metavar="QUANTITY", help='Of an inductance, such as "100 kHz" '
              "[default: where the type has its limit].")  # fmt: skip
@click.option("--name", help="Of the study [default: the plan file's name].")
@click.option("--seed", type=click.IntRange(0), help="Of the random order [default: drawn].")
@click.option("--out", type=_PLAN, default=Path("gauge-plan.json"), show_default=True,
              help="The plan file to write.")  # fmt: skip
@data_option
@parts_option
@json_option
def plan_command(
    type_: str,
    specimens: tuple[str, ...],
    operators: tuple[str, ...],
    trials: int,
    days: int,
    readings: int,
    characteristic: str,
    frequency: str | None,
    name: str | None,
    seed: int | None,
    out: Path,
    data: Path | None,
    parts: tuple[Path, ...],
    as_json: bool,
) -> None:
    """Plan a gauge study of PARTs of a part type: who measures which when, in random order.

    Ten parts that span what is met, three people and three trials are usual. With a relay switch
    the parts are named as its positions. The parts go by code letters: lay them out by the printed
    list, and let somebody else hand them over.
    """
    from labbench.compose import data_folder
    from labbench.jobs import part_types
    from labbench.jobs.gauge_plan import make_plan, save_plan
    from labbench.quantities import parse_quantity

    with speaking():
        last = data_folder(where_data(data)).read_last_used()
        part, _ = part_types.for_name_or_marking(type_, parts)
        plan = make_plan(
            part, study=name or out.stem,
            characteristic="inductance" if characteristic == "inductance" else "dc-resistance",
            frequency_hz=parse_quantity(frequency, "Hz") if frequency else None,
            parts=specimens, operators=operators or (last.operator or getpass.getuser(),),
            trials=trials, days=days, readings=readings, seed=seed, type_name=type_,
        )  # fmt: skip
        save_plan(plan, out)
    if as_json:
        click.echo(json.dumps({"plan": str(out), "study": plan.study, "seed": plan.seed,
                               "measurements": len(plan.entries), "codes": plan.codes},
                              ensure_ascii=False))  # fmt: skip
        return
    click.echo(f"{out}: {len(plan.entries)} measurements, seed {plan.seed}")
    for code, specimen in plan.codes.items():
        click.echo(f"  {code}  {specimen}")
    click.echo(f"then: labbench gauge run {out}")


@click.command("run", short_help="Walk through a plan on the bench; stop and go on any time.")
@click.argument("plan_file", metavar="PLAN", type=_PLAN)
@click.option("--operator", "who", help="Who measures now [default: as last time, else the user "
              "logged in].")  # fmt: skip
@click.option("--everybody", is_flag=True, help="Walk through the whole plan, whoever it names "
              "(a simulated bench has no hands).")  # fmt: skip
@click.option("--day", type=click.IntRange(1), help="Only this day of the plan.")
@click.option("--temperature", type=click.FloatRange(-20, 80), help="Of the parts, in °C "
              "[default: as last time, else 23].")  # fmt: skip
@click.option("--unattended", is_flag=True, help="The supply may come on with nobody at the "
              "pedal (a simulated bench needs no such leave).")  # fmt: skip
@bench_option
@data_option
@parts_option
@json_option
def run_command(
    plan_file: Path,
    who: str | None,
    everybody: bool,
    day: int | None,
    temperature: float | None,
    unattended: bool,
    bench: Path | None,
    data: Path | None,
    parts: tuple[Path, ...],
    as_json: bool,
) -> None:
    """Walk through a plan on the bench; stop (`s`, Ctrl-C) and go on later with the same command.

    Each measurement is a run of its own in the record. What was read is not shown: who knows it
    would read it again. `labbench void RUN` strikes a slip, and it is measured anew.
    """
    from labbench.compose import data_folder, load_bench, open_bench
    from labbench.fronts.terminal.pedal import person_at_terminal
    from labbench.jobs import part_types
    from labbench.jobs.gauge_plan import load_plan
    from labbench.jobs.gauge_run import run_study
    from labbench.jobs.run import StopFlag

    with speaking():
        folder = data_folder(where_data(data))
        file = load_bench(bench, folder)
        plan = load_plan(plan_file)
        part, _ = part_types.for_name_or_marking(plan.type, parts)
        last = folder.read_last_used()
        name = who or last.operator or getpass.getuser()
        if name not in plan.operators and len(plan.operators) == 1 and who is None:
            name = plan.operators[0]
        person = person_at_terminal(unattended=unattended or file.simulation is not None)
        stop = StopFlag()
        with stop.catching_interrupts(), open_bench(file, folder, operator=person) as opened:
            now = run_study(
                opened, plan, part, measured_by=name, operator=person, data=folder, stop=stop,
                day=day, everybody=everybody,
                temperature_c=temperature if temperature is not None
                else last.temperature_c if last.temperature_c is not None else 23.0,
            )  # fmt: skip
    done, left = len(now.readings), len(now.waiting)
    if as_json:
        click.echo(json.dumps({"study": plan.study, "done": done, "waiting": left}))
        return
    if left:
        first = now.waiting[0]
        click.echo(f"{done} done, {left} to do; the next: day {first.day}, {first.operator}")
    else:
        click.echo(f"all {done} done; then: labbench gauge report {plan_file}")


@click.command("report", short_help="Report a gauge study: a verdict in words, and its numbers.")
@click.argument("plan_file", metavar="[PLAN]", type=_PLAN, required=False)
@click.option("--csv", "csv_file", type=_PLAN, help="Report readings from a CSV file instead: "
              "columns part, value and, as far as they matter, operator, day, trial.")  # fmt: skip
@click.option("--nested", is_flag=True, help="With --csv: a line a day, with run, part, value "
              "(the day's average), sd, readings.")  # fmt: skip
@click.option("--lower", type=float, help="With --csv: lower limit.")
@click.option("--upper", type=float, help="With --csv: upper limit.")
@click.option("--unit", default="", help="With --csv: unit of the values (H, ohm, V, A).")
@click.option("--out", type=_PLAN, help="Where to write the page [default: the data folder's "
              "reports; none for --nested].")  # fmt: skip
@data_option
@parts_option
@json_option
def report_command(
    plan_file: Path | None,
    csv_file: Path | None,
    nested: bool,
    lower: float | None,
    upper: float | None,
    unit: str,
    out: Path | None,
    data: Path | None,
    parts: tuple[Path, ...],
    as_json: bool,
) -> None:
    """Report a gauge study: a verdict in words, the components, the table, a page with plots."""
    from labbench.compose import data_folder
    from labbench.jobs import gauge_report, part_types
    from labbench.jobs.gauge_plan import load_plan
    from labbench.reports.gauge import gauge_page
    from labbench.reports.gauge_words import (
        gauge_lines,
        gauge_verdict,
        nested_lines,
        nested_verdict,
    )

    if (plan_file is None) == (csv_file is None):
        raise click.UsageError("give either a PLAN or --csv FILE")
    if csv_file is None and (nested or unit or lower is not None or upper is not None):
        raise click.UsageError("--nested, --lower, --upper and --unit go with --csv")
    with speaking():
        folder = data_folder(where_data(data))
        if csv_file is not None and nested:
            found = gauge_report.nested_from_csv(csv_file)
            if as_json:
                click.echo(json.dumps(gauge_report.nested_json(found), allow_nan=False))
                return
            click.echo(nested_verdict(found))
            for line in nested_lines(found, unit):
                click.echo(line)
            return
        if csv_file is not None:
            report = gauge_report.report_from_csv(csv_file, lower=lower, upper=upper, unit=unit)
        else:
            assert plan_file is not None
            plan = load_plan(plan_file)
            part, _ = part_types.for_name_or_marking(plan.type, parts)
            report = gauge_report.report_from_plan(plan, part, folder)
        path = out or folder.reports / f"gauge-{_file_name(report.title)}.html"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(gauge_page(report), encoding="utf-8")
    if as_json:
        plain = {**gauge_report.gauge_json(report), "page": str(path)}
        click.echo(json.dumps(plain, ensure_ascii=False, allow_nan=False))
        return
    click.echo(gauge_verdict(report))
    for line in gauge_lines(report):
        click.echo(line)
    click.echo(f"page: {path}")


def _file_name(title: str) -> str:
    """Return a study's name as part of a file's name."""
    return re.sub(r"[^A-Za-z0-9._-]+", "-", title).strip("-.") or "study"
