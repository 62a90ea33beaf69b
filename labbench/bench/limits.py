"""Decide which voltage and current may be asked of the supply, and what may hit the part."""

from __future__ import annotations

__all__ = [
    "ASSUMED_OUTPUT_CAPACITANCE_F",
    "FREE_PART_POWER_W",
    "FREE_SURGE_J",
    "FREE_VOLTAGE_V",
    "Maximum",
    "Need",
    "check_request",
    "compliance_v",
    "surge_j",
]

import math

from attrs import field, frozen

from labbench.bench.bench_file import BenchLimits
from labbench.errors import LimitExceeded

#: without a resistor and without a declared need nothing above this touches a part
FREE_VOLTAGE_V = 0.2
#: energy that the supply's output capacitor may dissipate in a part where no step says otherwise
FREE_SURGE_J = 20e-6
#: power behind a series resistor that no part minds where no step says otherwise: 30 V, 10 kΩ
FREE_PART_POWER_W = 25e-3
#: taken where the bench file does not give the capacitance; large for a bench supply of this size
#: (common practice, no source)
ASSUMED_OUTPUT_CAPACITANCE_F = 1e-3


@frozen
class Maximum:
    """Hold a part's absolute maximum (V, A), where its type gives one."""

    of: str
    voltage_v: float | None = None
    current_a: float | None = None


@frozen
class Need:
    """Hold what a procedure declares it needs at most: each exception has its own limits.

    `surge_j` is the energy (J) that the supply's output capacitor may dissipate in the part.
    Behind a series resistor no source, and no charged capacitor, gives a part more than V^2/4R.
    """

    name: str
    voltage_v: float = FREE_VOLTAGE_V
    current_a: float = field(default=0.1)
    time_s: float = 60.0
    surge_j: float = FREE_SURGE_J
    #: resistor between supply and part (ohm): then `part_power_w` holds instead of `surge_j`
    series_ohm: float = 0.0
    part_power_w: float = FREE_PART_POWER_W
    #: channel that has to be on already: the gate is held before the drain is biased
    beside_channel: int | None = None


def compliance_v(current_a: float, leads_ohm: float, part_maximum_ohm: float) -> float:
    """Return the voltage that drives a current through a low resistance, and no more.

    I x (leads + part) + 0.2 V: an open part or a lost contact then sees 0.2 V more than the drop
    of the largest resistance that the part can have.
    """
    return current_a * (leads_ohm + part_maximum_ohm) + FREE_VOLTAGE_V


def surge_j(capacitance_f: float, voltage_v: float) -> float:
    """Return the energy C V^2 / 2 (J) that an output capacitor can dump into the part.

    The capacitor charges to the set voltage while a contact is open, and empties when it closes.
    """
    return 0.5 * capacitance_f * voltage_v**2


def check_request(
    *,
    volts: float,
    amps: float,
    bench: BenchLimits,
    need: Need,
    part: Maximum | None = None,
    output_capacitance_f: float | None = None,
) -> None:
    """Refuse what exceeds a limit; raise LimitExceeded with every limit that is exceeded.

    Energy rule 1: raise, never clip. The limit is the smallest of the bench file's, the part's
    absolute maximum and the procedure's declared need. The energy of the output capacitor is
    checked last, against the need; behind a series resistor it is the power into the part.
    """
    problems: list[str] = []
    sources: list[tuple[str, float | None, float | None]] = [
        ("the bench file", bench.voltage_v, bench.current_a),
        (f"the need of {need.name}", need.voltage_v, need.current_a),
    ]
    if part is not None:
        sources.append((f"the absolute maximum of {part.of}", part.voltage_v, part.current_a))
    for quantity, asked, unit, which in (("voltage", volts, "V", 1), ("current", amps, "A", 2)):
        if not (math.isfinite(asked) and asked > 0):
            problems.append(f"a {quantity} of {asked:g} {unit} cannot be asked for")
            continue
        for source in sources:
            limit = source[which]
            # rounding of a computed request is no excess
            if isinstance(limit, float | int) and asked > limit * (1 + 1e-9):
                problems.append(f"{asked:g} {unit} exceeds {limit:g} {unit} of {source[0]}")
    if not problems and need.series_ohm > 0:
        power = volts**2 / (4.0 * need.series_ohm)
        if power > need.part_power_w * (1 + 1e-9):
            problems.append(
                f"{volts:g} V behind {need.series_ohm:g} Ω can put {power * 1e3:.3g} mW into the "
                f"part, more than the {need.part_power_w * 1e3:g} mW of {need.name}"
            )
    elif not problems:
        known = output_capacitance_f is not None
        capacitance = output_capacitance_f if known else ASSUMED_OUTPUT_CAPACITANCE_F
        assert capacitance is not None
        energy = surge_j(capacitance, volts)
        if energy > need.surge_j * (1 + 1e-9):
            problems.append(
                f"the supply's output capacitor ({capacitance * 1e6:g} µF"
                f"{'' if known else ', assumed'}) holds {energy * 1e6:.3g} µJ at {volts:g} V, "
                f"more than the {need.surge_j * 1e6:g} µJ that {need.name} lets into the part"
            )
    if problems:
        raise LimitExceeded(
            f"refused for {need.name}: {'; '.join(problems)}; the output was not touched",
            hint="ask for less, or use a series resistor",
        )
