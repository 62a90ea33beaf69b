"""Draw readings and judgements of every shape that the data classes allow (hypothesis)."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from hypothesis import strategies as st

from labbench.results import (
    BiasPoint,
    BodyDiode,
    Breakdown,
    Capacitance,
    Characteristic,
    Contact,
    DcResistance,
    DrainLeakage,
    Finding,
    GateLeakage,
    Impedance,
    Insulation,
    Judgement,
    LoadReading,
    OnResistance,
    Readings,
    ShortCheck,
    StageReading,
    Threshold,
    Visual,
    WouldDecide,
)

NAMES = st.text(
    st.characters(codec="utf-8", categories=("L", "N", "P", "S")), min_size=1, max_size=12
)
POSITIVE = st.floats(min_value=1e-12, max_value=1e9)
TEMPERATURES = st.floats(min_value=-60, max_value=200)
FAULTS = st.sampled_from(
    ["short", "leak", "weak-gate", "high-on-resistance", "threshold-shift",
     "shorted-turn", "fused-winding", "cracked-core", "lossy-core", "high-resistance-joint",
     "open-winding", "winding-to-core-leak", "not-as-marked"]
)  # fmt: skip


@st.composite
def impedances(draw: st.DrawFn) -> Impedance:
    """Draw a sweep; some points are over range, not measured or unstable."""
    frequencies = sorted(draw(st.sets(POSITIVE, min_size=1, max_size=6)))
    statuses = [
        draw(st.sampled_from(["ok", "ok", "over-range", "not-measured", "unstable"]))
        for _ in frequencies
    ]
    with_status = any(status != "ok" for status in statuses) or draw(st.booleans())

    def column(values: st.SearchStrategy[float]) -> tuple[float | None, ...]:
        return tuple(
            None if status in ("over-range", "not-measured") else draw(values)
            for status in statuses
        )

    return Impedance(
        frequency_hz=tuple(frequencies),
        resistance_ohm=column(POSITIVE),
        reactance_ohm=column(st.floats(min_value=-1e9, max_value=1e9)),
        u_resistance_ohm=column(POSITIVE),
        u_reactance_ohm=column(POSITIVE),
        u_gain_relative=draw(st.none() | st.tuples(*[st.floats(0, 0.5) for _ in frequencies])),
        status=tuple(statuses) if with_status else None,  # type: ignore[arg-type]
        greater_than_ohm=tuple(
            draw(POSITIVE) if status == "over-range" else None for status in statuses
        )
        if with_status
        else None,
    )


@st.composite
def dc_resistances(draw: st.DrawFn, *, temperature_c: float | None) -> DcResistance:
    """Draw a DC resistance, in range or out of it; a line's temperature would fill in its own."""
    common: dict[str, Any] = {
        "temperature_c": draw(
            TEMPERATURES if temperature_c is not None else st.none() | TEMPERATURES
        ),
        "u_temperature_c": draw(st.none() | st.floats(0, 5)),
        "method": draw(st.none() | NAMES),
        "current_a": draw(st.none() | POSITIVE),
    }
    status = draw(st.sampled_from(["ok", "over-range", "not-measured", "unstable"]))
    if status in ("ok", "unstable"):
        return DcResistance(
            value_ohm=draw(POSITIVE),
            u_ohm=draw(POSITIVE),
            dof=draw(st.none() | POSITIVE),
            status=status,  # type: ignore[arg-type]
            **common,
        )
    over = status == "over-range"
    below = over and draw(st.booleans())
    return DcResistance(
        value_ohm=None,
        status=status,  # type: ignore[arg-type]
        greater_than_ohm=draw(POSITIVE) if over and not below else None,
        less_than_ohm=draw(POSITIVE) if below else None,
        **common,
    )


@st.composite
def bias_points(draw: st.DrawFn) -> tuple[BiasPoint, ...]:
    """Draw points of different currents, the last one perhaps taken again."""
    currents = draw(st.lists(st.floats(0, 50), unique=True, max_size=3))
    again = draw(st.booleans())
    points = [
        BiasPoint(current, draw(POSITIVE), draw(POSITIVE), False, draw(st.none() | POSITIVE))
        for current in currents
    ]
    if points and again:
        points.append(BiasPoint(points[-1].current_a, draw(POSITIVE), draw(POSITIVE), repeat=True))
    return tuple(points)


@st.composite
def insulations(draw: st.DrawFn) -> tuple[Insulation, ...]:
    """Draw the insulation at different voltages: a value, or a bound."""
    found = []
    for volts in draw(st.lists(POSITIVE, unique=True, max_size=1)):
        if draw(st.booleans()):
            found.append(Insulation(volts, draw(POSITIVE), draw(POSITIVE)))
        else:
            found.append(
                Insulation(volts, None, status="over-range", greater_than_ohm=draw(POSITIVE))
            )
    return tuple(found)


def valued(unit: str, **more: st.SearchStrategy[Any]) -> st.SearchStrategy[dict[str, Any]]:
    """Draw a value with its uncertainty, or a bound, or neither; `unit` ends the bound's name."""
    value, u = {
        "ohm": ("value_ohm", "u_ohm"),
        "a": ("current_a", "u_current_a"),
        "v": ("voltage_v", "u_voltage_v"),
    }[unit]
    have = st.fixed_dictionaries(
        {value: POSITIVE, u: POSITIVE, "status": st.sampled_from(["ok", "unstable"])}
    )
    bound = st.sampled_from(["greater_than", "less_than"]).flatmap(
        lambda name: st.fixed_dictionaries(
            {value: st.none(), "status": st.just("over-range"), f"{name}_{unit}": POSITIVE}
        )
    )
    none = st.fixed_dictionaries({value: st.none(), "status": st.just("not-measured")})
    return st.tuples(have | bound | none, st.fixed_dictionaries(more)).map(
        lambda pair: {**pair[0], **pair[1]}
    )


def entries(
    cls: Callable[..., Any], unit: str, key: str, **more: st.SearchStrategy[Any]
) -> st.SearchStrategy[tuple[Any, ...]]:
    """Draw entries of a block, whose `key` is different in each; leave it out of `more`."""

    def numbered(drawn: list[dict[str, Any]]) -> tuple[Any, ...]:
        return tuple(cls(**{key: 0.1 + index / 8}, **each) for index, each in enumerate(drawn))

    return st.lists(valued(unit, **more), max_size=2).map(numbered)


def switch_blocks() -> dict[str, st.SearchStrategy[Any]]:
    """Name strategies for the blocks of switches, stages and loads."""
    method = st.none() | st.sampled_from(["meter", "series-resistor", "supply-readback"])

    def short(given: dict[str, Any]) -> ShortCheck:
        given["resistance_ohm"] = given.pop("value_ohm")
        return ShortCheck(path="drain-source", **given)

    def stage(given: dict[str, Any]) -> StageReading:
        names = {"value_ohm": "value", "u_ohm": "u"}
        plain = {names.get(k, k.removesuffix("_ohm")): v for k, v in given.items()}
        return StageReading(unit="ohm", **plain)

    state = st.dictionaries(NAMES, NAMES | st.floats(-10, 10), max_size=3)
    return {
        "cleaned": st.none() | st.booleans(),
        "short_check": valued("ohm", polarity=st.sampled_from("+-")).map(short).map(lambda s: (s,)),
        "gate_leakage": entries(GateLeakage, "a", "voltage_v", method=method),
        "drain_leakage": entries(DrainLeakage, "a", "voltage_v", method=method),
        "body_diode": entries(BodyDiode, "v", "current_a"),
        "threshold": entries(Threshold, "v", "current_a"),
        "on_resistance": entries(
            OnResistance, "ohm", "gate_source_v", current_a=st.none() | POSITIVE
        ),
        "breakdown": entries(Breakdown, "v", "current_a"),
        "capacitance": st.builds(
            Capacitance, NAMES, POSITIVE, POSITIVE, st.floats(-1, 1), POSITIVE, POSITIVE
        ).map(lambda c: (c,)),
        "stage": valued("ohm", step=NAMES, path=NAMES, state=state).map(stage).map(lambda s: (s,)),
        "load": entries(
            LoadReading, "a", "voltage_v", u_voltage_v=st.none() | POSITIVE, method=method
        ),
    }


@st.composite
def switch_samples(draw: st.DrawFn) -> dict[str, Any]:
    """Draw some of the blocks of a switch, a stage or a load, with what a load needs."""
    blocks = switch_blocks()
    chosen = draw(st.sets(st.sampled_from(sorted(blocks))))
    drawn = {name: draw(blocks[name]) for name in chosen}
    if drawn.get("load"):
        drawn |= {"board": draw(NAMES), "rail": draw(NAMES)}
    return drawn


@st.composite
def readings_samples(draw: st.DrawFn) -> Readings:
    """Draw one line's readings."""
    temperature_c = draw(st.none() | TEMPERATURES)
    switch = draw(switch_samples())
    roles = ["test", "sibling", "good"] if switch.get("load") else ["test", "sibling"]
    return Readings(
        **switch,
        specimen=draw(NAMES),
        type=draw(NAMES),
        lot=draw(st.none() | NAMES),
        role=draw(st.sampled_from(roles)),
        temperature_c=temperature_c,
        session=draw(st.none() | NAMES),
        impedance=draw(st.none() | impedances()),
        contact=draw(st.none() | st.builds(Contact, st.floats(0, 1), st.floats(0, 1e-6))),
        dc_resistance=draw(st.none() | dc_resistances(temperature_c=temperature_c)),
        bias=draw(bias_points()),
        insulation=draw(insulations()),
        visual=draw(
            st.none()
            | st.sampled_from(["fine", "discoloured", "cracked", "bulged", "not-looked"]).map(
                Visual
            )
        ),
        operator=draw(st.none() | NAMES),
    )


def judgement_samples() -> st.SearchStrategy[Judgement]:
    """Draw a judgement with findings, characteristics and actions."""
    probability = st.floats(0, 1)
    numbers = st.none() | st.floats(allow_nan=False)
    return st.builds(
        Judgement,
        specimen=NAMES,
        type=NAMES,
        disposition=st.sampled_from(["fit", "unfit", "undecided", "plausible"]),
        findings=st.lists(
            st.builds(
                Finding,
                fault=FAULTS,
                path=st.none() | NAMES,
                grade=st.sampled_from(["sure", "suspect"]),
                probability=probability,
                alternatives=st.lists(FAULTS, max_size=2).map(tuple),
                because=NAMES,
                details=st.dictionaries(NAMES, numbers, max_size=3),
            ),
            max_size=3,
        ).map(tuple),
        characteristics=st.lists(
            st.builds(
                Characteristic,
                name=NAMES,
                conditions=st.dictionaries(NAMES, st.floats(-1e9, 1e9), max_size=2),
                value=numbers,
                unit=st.sampled_from(["H", "ohm"]),
                expanded_uncertainty=st.none() | POSITIVE,
                coverage=st.floats(0.5, 0.999),
                lower=numbers,
                upper=numbers,
                verdict=st.sampled_from(["conforms", "fails", "undecided", "not-measured"]),
                probability_conforming=st.none() | probability,
                status=st.sampled_from(["ok", "over-range", "not-measured", "unstable"]),
            ),
            max_size=3,
        ).map(tuple),
        would_decide=st.lists(st.builds(WouldDecide, NAMES, NAMES), max_size=2).map(tuple),
    )
