"""Write a bench file from the answers to four questions, with what each line means beside it."""

from __future__ import annotations

__all__ = [
    "ADVISED_RESISTORS",
    "CLASSES",
    "JIG",
    "BenchAnswers",
    "InstrumentAnswer",
    "bench_file_text",
    "check_class",
    "resistor_lines",
    "write_bench_file",
]

import json
import os
from collections.abc import Mapping
from pathlib import Path

from attrs import field, frozen

from labbench.bench.bench_file import BY_HAND, load_bench_file
from labbench.errors import FileProblems, InputError, Problem
from labbench.metrology.accuracy import (
    IMPEDANCE_CLASSES,
    MULTIMETER_CLASSES,
    SUPPLY_CLASSES,
    impedance_accuracy,
    multimeter_accuracy,
    supply_accuracy,
)

#: role: its accuracy classes, the most cautious first
CLASSES: Mapping[str, tuple[str, ...]] = {
    "impedance_meter": tuple(IMPEDANCE_CLASSES),
    "supply": tuple(SUPPLY_CLASSES),
    "multimeter": tuple(MULTIMETER_CLASSES),
}

#: series resistors that power switches are measured through: value and tolerance, what for.
#: Coils need none. Common practice, no source.
ADVISED_RESISTORS: tuple[tuple[str, str], ...] = (
    ("100 Ω 1 %", "1 W or more: forward voltage of diodes, first power through a rail"),
    ("10 kΩ 0.1 %", "0.25 W: threshold"),
    ("100 kΩ 0.1 %", "0.25 W: leaks of some microampere"),
    ("1 MΩ 0.1 %", "0.25 W: leaks below a microampere; short leads, clean board"),
)

JIG = r"""
The jig: two contacts at each end of the part, joined only at the part itself.

                    terminal A                 terminal B
                  +-- force --+             +-- force --+
                  |           |   [ part ]  |           |
                  +-- sense --+             +-- sense --+

  coil impedance   LCR meter high -> A force and A sense    low -> B force and B sense
  dc resistance    supply + -> A force                      supply - -> B force
                   multimeter + -> A sense                  multimeter - -> B sense

  Without a multimeter leave the sense contacts free. The LCR meter's leads come off before the
  supply's go on. For the compensation: tips apart, then both tips on one piece of bare copper.
"""


@frozen(kw_only=True)
class InstrumentAnswer:
    """Hold how one instrument is reached; no dialect for a meter that is read by hand."""

    resource: str
    class_: str
    dialect: str | None = None
    identity: str | None = None
    channels: int = 1


@frozen(kw_only=True)
class BenchAnswers:
    """Hold the answers; a role that the bench lacks is None."""

    name: str = "bench-1"
    mains_hz: float = 50.0
    impedance_meter: InstrumentAnswer | None = None
    supply: InstrumentAnswer | None = None
    multimeter: InstrumentAnswer | None = None
    voltage_limit: str = "5 V"
    current_limit: str = "3 A"
    series_resistors: tuple[str, ...] = field(factory=tuple)


def check_class(role: str, name: str) -> None:
    """Raise InputError, with a suggestion, for an accuracy class that the role has not."""
    check = {
        "impedance_meter": impedance_accuracy,
        "supply": supply_accuracy,
        "multimeter": multimeter_accuracy,
    }
    check[role](name)


def resistor_lines(have: tuple[str, ...]) -> list[str]:
    """List the series resistors that are advised, and say which of them are there already."""
    lines = ["Series resistors (only power switches need them, coils do not):"]
    for value, use in ADVISED_RESISTORS:
        mark = "have" if any(_same(value, one) for one in have) else "    "
        lines.append(f"  {mark}  {value:<12}  {use}")
    return lines


def _same(one: str, other: str) -> bool:
    return one.split("Ω")[0].strip() == other.split("Ω")[0].strip()


def bench_file_text(answers: BenchAnswers) -> str:
    """Return the text of a bench file; every line that a person may want to change is explained.

    Raises InputError for a bench without any instrument.
    """
    if not (answers.impedance_meter or answers.supply or answers.multimeter):
        raise InputError(
            "a bench has at least one instrument, and no instrument was given",
            hint="give --impedance-meter ADDRESS (or by-hand), --supply, --multimeter; or run it "
            "at a terminal and answer the questions",
        )
    lines = [
        "# A bench. `labbench bench` says whether everything answers; README.md tells each key.",
        "schema = 1",
        f"name = {_text(answers.name)}",
        f"mains = {_text(f'{answers.mains_hz:g} Hz')}            # 50 Hz or 60 Hz: integration "
        "times that reject hum",
        "# largest probability that an accepted characteristic is out of its limits",
        "risk = 0.05",
    ]
    if answers.impedance_meter:
        lines += [
            "",
            "# The LCR meter. Its class gives cautious figures; single ones go into",
            "# [instruments.impedance_meter.accuracy], from its data sheet or certificate.",
            *_instrument("impedance_meter", answers.impedance_meter),
        ]
    if answers.supply:
        lines += [
            "",
            "# The bench supply. Capacitance at its output, where you know it:",
            '# output_capacitance = "220 µF"',
            *_instrument("supply", answers.supply),
            f"channels = {answers.supply.channels}",
        ]
    if answers.multimeter:
        lines += [
            "",
            "# The multimeter.",
            *_instrument("multimeter", answers.multimeter),
        ]
    lines += [
        "",
        "[fixture]",
        f"series_resistors = [{', '.join(map(_text, answers.series_resistors))}]",
    ]
    if answers.supply:
        lines += [
            "# all that lies between the supply's terminals and the part, both ways; find it by",
            "# shorting the jig. Left out, it counts as not known:",
            '# supply_leads = "30 mΩ"',
            "",
            "# What this bench must never exceed, whatever is asked: refused, never clipped.",
            "[limits]",
            f"voltage = {_text(answers.voltage_limit)}",
            f"current = {_text(answers.current_limit)}",
        ]
    lines += [
        "",
        "# With a relay switch: [instruments.switch], and which relays each hookup and position",
        "# closes in [hookups] and [positions] (README.md).",
    ]
    return "\n".join(lines) + "\n"


def _instrument(role: str, answer: InstrumentAnswer) -> list[str]:
    lines = [f"[instruments.{role}]"]
    if answer.resource == BY_HAND:
        lines.append(f"resource = {_text(answer.resource)}   # a person types what it shows")
    else:
        lines.append(f"resource = {_text(answer.resource)}")
        lines.append(f"dialect = {_text(answer.dialect or '')}")
        if answer.identity:
            lines.append("# another instrument at this address is refused")
            lines.append(f"identity = {_text(answer.identity)}")
    lines.append(f"class = {_text(answer.class_)}   # one of {', '.join(CLASSES[role])}")
    lines.append("# calibrated = 2026-03-01")
    lines.append("# due = 2027-03-01")
    return lines


def write_bench_file(path: Path, text: str, *, replace: bool = False) -> None:
    """Write a bench file whole, or not at all; one that is there is replaced only when told.

    Raises InputError where there is one already or it cannot be written, FileProblems where the
    text is no good bench file (then nothing is written).
    """
    if path.exists() and not replace:
        raise InputError(
            f"{path} exists already and was not touched",
            hint="give another file name, or --force to write over it",
        )
    fresh = path.with_name(f".{path.name}.{os.getpid()}.new")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        fresh.write_text(text, encoding="utf-8")
        try:
            load_bench_file(fresh)
        except FileProblems as error:
            raise FileProblems(
                [
                    Problem(str(path), p.message, p.key, p.line, p.suggestion)
                    for p in error.problems
                ],
                hint="nothing was written: answer these anew",
            ) from None
        if replace:
            fresh.replace(path)
        else:
            # made exclusively: nobody's file is written over, not even one made this moment
            os.link(fresh, path)
    except FileExistsError:
        raise InputError(f"{path} exists already and was not touched") from None
    except OSError as error:
        raise InputError(f"{path} cannot be written: {error.strerror}") from error
    finally:
        fresh.unlink(missing_ok=True)


def _text(value: str) -> str:
    return json.dumps(value, ensure_ascii=False)
