"""Lay out the benches of the safety study: every fault of every family, as scenario files.

Resistances and factors are invented; each fault is taken where it does most harm to bench or part
(a hard one) and where it is hardest to see (a soft one). All names are of the demo's workshop.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from attrs import frozen

#: fault of a MOSFET, nine kinds, and its tables
FET_FAULTS: Mapping[str, tuple[str, ...]] = {
    "none": ("",),
    "gate leak": (
        'fault = "leak", path = "gate-source", resistance = "1 kΩ"',
        'fault = "leak", path = "gate-drain", resistance = "1 kΩ"',
        'fault = "leak", path = "gate-drain", resistance = "5 MΩ"',
    ),
    "drain leak": (
        'fault = "leak", path = "drain-source", resistance = "12 Ω"',
        'fault = "leak", path = "drain-source", resistance = "1.2 kΩ"',
        'fault = "leak", path = "drain-source", resistance = "10 kΩ"',
        'fault = "leak", path = "drain-source", resistance = "1 MΩ"',
    ),
    "short": (
        'fault = "short", path = "drain-source", resistance = "2 mΩ"',
        'fault = "short", path = "gate-source", resistance = "200 mΩ"',
        'fault = "short", path = "gate-drain", resistance = "2 Ω"',
        'fault = "short", path = "all", resistance = "20 mΩ"',
    ),
    "high on-resistance": (
        'fault = "high-on-resistance", factor = 2.5',
        'fault = "high-on-resistance", factor = 40',
    ),
    "threshold shift": (
        'fault = "threshold-shift", by = "-800 mV"',
        'fault = "threshold-shift", by = "2.5 V"',
    ),
    "weak gate": ('fault = "weak-gate", current = "300 µA", exponent = 4, polarity = 0.2',),
    "soft drain": ('fault = "leak", path = "drain-source", current = "200 µA", exponent = 5',),
    "low breakdown": ('fault = "low-breakdown", factor = 0.4',),
    "open": (
        'fault = "open", terminal = "source"',
        'fault = "open", terminal = "gate"',
        'fault = "open", terminal = "drain"',
    ),
}  # fmt: skip

#: fault of a power stage, nineteen kinds, and its tables
STAGE_FAULTS: Mapping[str, tuple[str, ...]] = {
    "none": ("",),
    "high-side short": ('fault = "short", path = "vin-sw", resistance = "5 mΩ"',),
    "low-side short": ('fault = "short", path = "sw-pgnd", resistance = "5 mΩ"',),
    "high-side leak": (
        'fault = "leak", path = "vin-sw", resistance = "1.2 kΩ"',
        'fault = "leak", path = "vin-sw", resistance = "10 MΩ"',
    ),
    "low-side leak": ('fault = "leak", path = "sw-pgnd", resistance = "1.2 kΩ"',),
    "input leak": ('fault = "leak", path = "vin-pgnd", resistance = "1.2 kΩ"',),
    "driver supply leak": ('fault = "leak", path = "vdrv-pgnd", resistance = "1.2 kΩ"',),
    "stuck high": ('fault = "output-stuck-high"',),
    "stuck low": ('fault = "output-stuck-low"',),
    "stuck off": ('fault = "output-stuck-off"',),
    "bond open": ('fault = "lifted-bond", pin = "sw", extra = "1 GΩ"',),
    "bond raised": (
        'fault = "lifted-bond", pin = "vin", extra = "1 mΩ"',
        'fault = "lifted-bond", pin = "pgnd", extra = "100 mΩ"',
    ),
    "bootstrap open": ('fault = "bootstrap-open"',),
    "bootstrap leak": ('fault = "bootstrap-leak", resistance = "10 kΩ"',),
    "logic-input leak": (
        'fault = "leak", path = "pwm", resistance = "5 kΩ"',
        'fault = "leak", path = "en", resistance = "5 kΩ"',
    ),
    "undervoltage shift": ('fault = "undervoltage-shift", by = "700 mV"',),
    "high-side on-resistance": ('fault = "high-on-resistance", path = "vin-sw", factor = 8',),
    "low-side on-resistance": ('fault = "high-on-resistance", path = "sw-pgnd", factor = 8',),
    "high-side gate leak": ('fault = "leak", path = "hs-gate", resistance = "200 Ω"',),
    "low-side gate leak": ('fault = "leak", path = "ls-gate", resistance = "200 Ω"',),
}  # fmt: skip

LOAD_FAULTS: Mapping[str, tuple[str, ...]] = {
    "none": ("",),
    "short": ('fault = "short", resistance = "3 mΩ"', 'fault = "short", resistance = "300 mΩ"'),
}

BOARD_FAULTS: Mapping[str, tuple[str, ...]] = {
    "none": ("",),
    "phase short": (
        'fault = "short", phase = 1, path = "vin-sw", resistance = "6 mΩ"',
        'fault = "short", phase = 1, path = "sw-pgnd", resistance = "6 mΩ"',
    ),
    "phase leak": ('fault = "leak", phase = 1, path = "vin-sw", resistance = "2 kΩ"',),
    "phase stuck high": ('fault = "output-stuck-high", phase = 1',),
    "phase stuck low": ('fault = "output-stuck-low", phase = 1',),
}

#: part type and construction of the MOSFETs, by word
FETS: Mapping[str, tuple[str, str]] = {
    "n-channel": ("nfet-30v-5m", "trench-30v-5m"),
    "n-channel, 1.5 mΩ": ("nfet-25v-1m5", "trench-25v-1m5"),
    "p-channel": ("pfet-30v-12m", "trench-p-30v-12m"),
    "Schottky": ("nfet-30v-schottky", "trench-30v-schottky"),
    "clamp": ("nfet-20v-clamp", "trench-20v-clamp"),
}
STAGE = ("stage-25v-50a", "halfbridge-25v-50a")
LOADS: Mapping[str, tuple[str, str]] = {
    name: (name, f"load-{name}") for name in ("core", "processor", "memory", "logic")
}
BOARDS: Mapping[str, tuple[str, str]] = {
    "core": ("core", "board-radar-core"), "memory": ("memory", "board-radar-memory"),
}  # fmt: skip


@frozen
class Laid:
    """Hold one part as it lies on a bench."""

    specimen: str
    part_type: str
    fault: str


@frozen(kw_only=True)
class Instruments:
    """Say what a bench has; the capacitance is that of a supply's output."""

    channels: int = 2
    capacitance: str = "220 µF"
    multimeter: bool = True
    impedance_meter: bool = True


def lay_out(
    path: Path, part: tuple[str, str], faults: Mapping[str, Sequence[str]],
    instruments: Instruments, seed: int,
) -> list[Laid]:  # fmt: skip
    """Write a scenario with a specimen for each fault; tell which is which."""
    part_type, construction = part
    lines = [
        f'schema = 1\nname = "safety"\nseed = {seed}\njig = "switch"\n',
        '[instruments.supply]\nclass = "1mV-1mA"\n'
        f'channels = {instruments.channels}\noutput_capacitance = "{instruments.capacitance}"\n',
        "[instruments.switch]\n",
    ]
    if instruments.multimeter:
        lines.append('[instruments.multimeter]\nclass = "6.5-digit"\n')
    if instruments.impedance_meter:
        lines.append('[instruments.impedance_meter]\nclass = "bench-1MHz"\n')
    lines.append('[fixture]\nsupply_leads = "30 mΩ"\n')
    lines.append(f'[[lots]]\nname = "buoys"\nconstruction = "{construction}"\n')
    laid: list[Laid] = []
    for fault, tables in faults.items():
        for table in tables:
            number = len(laid) + 1
            laid.append(Laid(f"X{number}", part_type, fault))
            lines.append(
                f'[[specimens]]\nname = "X{number}"\nposition = {100 + number}\n'
                f'type = "{part_type}"\nlot = "buoys"\ndonor = "radar 1"\n'
                + (f"fault = {{ {table} }}\n" if table else "")
            )
    path.write_text("\n".join(lines), encoding="utf-8")
    return laid
