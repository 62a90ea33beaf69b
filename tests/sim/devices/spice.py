"""Writes devices as ngspice netlists, from their figures alone, each equation spelt out again.

Nothing here calls the simulator's laws: temperature laws, exponents and knees are written a
second time, as behavioural sources that ngspice evaluates and differentiates itself.
"""

from __future__ import annotations

import math

from sim.physics.devices.mosfet import Mosfet
from sim.physics.devices.mosfet_construction import Junction
from sim.physics.devices.stage_construction import SwitchFigures

K_OVER_Q = 1.380649e-23 / 1.602176634e-19  # exact, SI


def kt_q(celsius: float) -> float:
    return K_OVER_Q * (celsius + 273.15)


def ln1exp(x: str) -> str:
    """ln(1 + e^x), straight where e^x would overflow."""
    return f"((({x}) > 40) ? ({x}) : ln(1+exp(min({x},40))))"


def saturation_a(junction: Junction, celsius: float, power_of_t: float = 3.0) -> float:
    slope = junction.emission * kt_q(25.0)
    at_25 = 1e-3 / (math.exp((junction.forward_v - 1e-3 * junction.series_ohm) / slope) - 1)
    ratio = (celsius + 273.15) / 298.15
    arrhenius = junction.gap_v / junction.emission * (1 / kt_q(25.0) - 1 / kt_q(celsius))
    return float(at_25 * ratio ** (power_of_t / junction.emission) * math.exp(arrhenius))


def diode(
    name: str, anode: str, cathode: str, junction: Junction, celsius: float, power_of_t: float = 3.0
) -> str:
    slope = junction.emission * kt_q(celsius)
    return (
        f"r{name} {anode} {name}i {junction.series_ohm:.17g}\n"
        f"b{name} {name}i {cathode} I={saturation_a(junction, celsius, power_of_t):.17g}"
        f"*(exp(min(v({name}i,{cathode})/{slope:.17g},200))-1)\n"
    )


def channel(
    name: str,
    nodes: tuple[str, str, str],
    gain: float,
    ideality: float,
    threshold_v: float,
    celsius: float,
    sign: float = 1.0,
) -> str:
    drain, gate, source = nodes
    u = kt_q(celsius)
    gs, ds = f"({sign:g}*v({gate},{source}))", f"({sign:g}*v({drain},{source}))"
    near = ln1exp(f"({gs}-{threshold_v:.17g})/{2 * ideality * u:.17g}")
    far = ln1exp(f"(({gs}-{threshold_v:.17g})/{ideality:.17g}-{ds})/{2 * u:.17g}")
    scale = sign * 2 * ideality * gain * u * u
    return f"b{name} {drain} {source} I={scale:.17g}*({near}^2-{far}^2)\n"


def blocking(
    name: str,
    high: str,
    low: str,
    *,
    leakage_a: float,
    reference_v: float,
    exponent: float,
    doubling_k: float,
    breakdown_v: float,
    breakdown_ohm: float,
    celsius: float,
) -> str:
    """Leakage and breakdown between two nodes, the first the higher in blocking."""
    volts = f"v({high},{low})"
    current = leakage_a * 2 ** ((celsius - 25) / doubling_k)
    scale = current / ((1 + reference_v / 0.7) ** exponent - 1)
    straight = f"{scale * exponent / 0.7:.17g}*{volts}"
    bent = f"{scale:.17g}*((1+max({volts},0)/0.7)^{exponent:.17g}-1)"
    voltage = breakdown_v * (1 + 0.0008 * (celsius - 25))
    width = 0.012 * voltage
    knee = voltage - width * math.log(math.exp(250e-6 * breakdown_ohm / width) - 1)
    avalanche = f"{width / breakdown_ohm:.17g}*{ln1exp(f'({volts}-{knee:.17g})/{width:.17g}')}"
    return (
        f"b{name}l {high} {low} I=({volts} > 0) ? ({bent}) : ({straight})\n"
        f"b{name}a {high} {low} I={avalanche}\n"
    )


def mosfet(
    part: Mosfet, celsius: float, *, level_1: bool = False, diode_model: bool = False
) -> str:
    """Write a part between nodes d, g and s."""
    own = part.parameters
    limits = part.construction.limits
    n_channel = part.construction.polarity == "n"
    warmer = celsius - 25
    kelvin_ratio = (celsius + 273.15) / 298.15
    metal = own.metal_ohm * (1 + 0.0039 * warmer)
    drift = own.drift_ohm * kelvin_ratio**1.35
    gain = own.gain_a_per_v2 * kelvin_ratio**-1.5
    threshold = own.threshold_v - 4.5e-3 * warmer
    text = f"rd d di {drift + 0.6 * metal:.17g}\nrs si s {0.4 * metal:.17g}\n"
    if level_1:
        text += (
            "mch di g si si square w=1 l=1\n"
            f".model square nmos level=1 kp={gain:.17g} vto={threshold:.17g} gamma=0 lambda=0"
            " is=1e-30 tox=1e-7\n"
        )
    else:
        sign = 1.0 if n_channel else -1.0
        text += channel("ch", ("di", "g", "si"), gain, own.ideality, threshold, celsius, sign)
    high, low = ("d", "si") if n_channel else ("si", "d")
    text += blocking(
        "off",
        high,
        low,
        leakage_a=own.leakage_a,
        reference_v=limits.drain_source_v,
        exponent=own.leakage_exponent,
        doubling_k=own.doubling_k,
        breakdown_v=own.breakdown_v,
        breakdown_ohm=own.breakdown_ohm,
        celsius=celsius,
    )
    if diode_model:
        text += (
            f"dbody {low} {high} body\n.model body d is={saturation_a(own.body, celsius):.17g}"
            f" n={own.body.emission:.17g} rs={own.body.series_ohm:.17g}\n"
        )
    else:
        text += diode("body", low, high, own.body, celsius)
    if own.schottky is not None:
        text += diode("schottky", low, high, own.schottky, celsius, power_of_t=2.0)
    text += "rds d si 2e13\nrgs g si 2e13\nrgd g d 2e13\n"
    text += f"bgate g si I={own.gate_leakage_a:.17g}*(v(g,si)/10)*sqrt(abs(v(g,si))/10)\n"
    if own.clamp_v > 0:
        width = 0.012 * own.clamp_v
        knee = own.clamp_v - width * math.log(math.exp(1e-3 * own.clamp_ohm / width) - 1)
        for name, plus, minus in (("one", "g", "si"), ("two", "si", "g")):
            x = f"(v({plus},{minus})-{knee:.17g})/{width:.17g}"
            text += f"bcl{name} {plus} {minus} I={width / own.clamp_ohm:.17g}*{ln1exp(x)}\n"
    return text


def switch(name: str, nodes: tuple[str, str, str], figures: SwitchFigures, input_v: float) -> str:
    """Write one switch of a power stage at 25 C between drain, gate and source."""
    drain, gate, source = nodes
    inner = f"{name}i"
    return (
        f"r{name} {drain} {inner} {figures.drift_ohm:.17g}\n"
        + channel(
            name,
            (inner, gate, source),
            figures.gain_a_per_v2,
            figures.ideality,
            figures.threshold_v,
            25.0,
        )
        + blocking(
            f"{name}off",
            drain,
            source,
            leakage_a=figures.leakage_a,
            reference_v=input_v,
            exponent=figures.leakage_exponent,
            doubling_k=figures.doubling_k,
            breakdown_v=figures.breakdown_v,
            breakdown_ohm=figures.breakdown_ohm,
            celsius=25.0,
        )
        + diode(f"{name}body", source, drain, figures.body, 25.0)
    )
