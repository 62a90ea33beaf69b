"""Say what a part type of a MOSFET or a power stage holds, a line each."""

from __future__ import annotations

__all__ = ["mosfet_lines", "stage_lines"]

from collections.abc import Iterator

from labbench.parts.mosfet_type import MosfetType, VoltageLimit
from labbench.parts.stage_type import StageType
from labbench.quantities import format_si


def mosfet_lines(part: MosfetType) -> Iterator[str]:
    """Yield what a MOSFET's type says after its head."""
    features = ", ".join(feature.replace("-", " ") for feature in part.features)
    yield f"  {part.polarity}-channel{', with ' + features if features else ''}"
    for name, leaks, at in (
        ("drain leakage", part.drain_leakage, "drain to source"),
        ("gate leakage", part.gate_leakage, "gate to source"),
    ):
        for leak in leaks:
            yield (
                f"  {name:<14} at most {format_si(leak.upper_a, 'A')}  at "
                f"{format_si(leak.voltage_v, 'V')} {at}, {leak.temperature_c:g} °C"
            )
    for name, voltages in (
        ("threshold", part.threshold), ("body diode", part.body_diode),
        ("breakdown", part.breakdown),
    ):  # fmt: skip
        for limit in voltages:
            yield f"  {name:<14} {_voltage(limit)}"
    for ohms in part.on_resistance:
        current = f", {format_si(ohms.current_a, 'A')}" if ohms.current_a else ""
        yield (
            f"  {'on-resistance':<14} {_span(ohms.lower_ohm, ohms.upper_ohm, 'Ω')}  at "
            f"{format_si(ohms.gate_source_v, 'V')} gate to source{current}"
        )
    yield from _most(
        ("drain to source", part.maximum_drain_source_v, "V"),
        ("gate to source", part.maximum_gate_source_v, "V"),
        ("drain", part.maximum_current_a, "A"),
    )


def stage_lines(part: StageType) -> Iterator[str]:
    """Yield what a power stage's type says after its head."""
    for role, numbers in part.pins.items():
        yield f"  pin {role:<16} {', '.join(map(str, numbers))}"
    for limit in part.limits:
        state = " ".join(limit.state.values())
        yield (
            f"  {limit.step:<14} {limit.path:<10} {state:<8} "
            f"{_span(limit.lower, limit.upper, 'Ω' if limit.unit == 'ohm' else limit.unit)}"
        )
    yield from _most(
        ("vin", part.maximum_vin_v, "V"), ("vdrv", part.maximum_vdrv_v, "V"),
        ("output", part.maximum_current_a, "A"),
    )  # fmt: skip


def _voltage(limit: VoltageLimit) -> str:
    return f"{_span(limit.lower_v, limit.upper_v, 'V')}  at {format_si(limit.current_a, 'A')}"


def _span(lower: float | None, upper: float | None, unit: str) -> str:
    if lower is not None and upper is not None:
        return f"{format_si(lower, unit)} to {format_si(upper, unit)}"
    if upper is not None:
        return f"at most {format_si(upper, unit)}"
    return f"at least {format_si(lower, unit)}" if lower is not None else "no limit"


def _most(*maxima: tuple[str, float | None, str]) -> Iterator[str]:
    for name, value, unit in maxima:
        if value is not None:
            yield f"  {'never above':<14} {format_si(value, unit)} {name}"
