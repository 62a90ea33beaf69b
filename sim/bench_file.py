"""Write the bench file that fits a scenario's servers."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence

from sim.scenario import SCENARIOS, SWITCH, Scenario
from sim.standard import TOLERANCE
from sim.switch_hookups import hookups
from sim.switch_jig import CHECK_RELAY
from sim.wiring import LOAD_RELAY, supply_path_ohm

_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")


def bench_file(
    scenario: Scenario, addresses: Mapping[str, str], *, seed: int, clock_rate: float
) -> str:
    """Return the text of a bench file: TOML, with what the scenario says of its instruments."""
    lines = [
        "schema = 1",
        f"name = {_text(scenario.name)}",
        f"mains = {_text(f'{scenario.mains_hz:g} Hz')}",
        "risk = 0.05",
    ]
    for role, address in addresses.items():
        lines += ["", f"[instruments.{role}]", f"resource = {_text(address)}"]
        lines += [f"dialect = {_text(scenario.dialect(role))}", *_figures(scenario, role)]
    # as a person finds it, by shorting the jig
    path_ohm = supply_path_ohm(scenario.fixture, by_hand=not scenario.has_switch)
    lines += [
        "",
        "[fixture]",
        f"series_resistors = {_texts(scenario.series_resistors)}",
        f"supply_leads = {_text(f'{1e3 * path_ohm:g} mΩ')}",
    ]
    if scenario.fixture.load_ohm > 0.0:
        load = f"{scenario.fixture.load_ohm:g} Ω {100.0 * TOLERANCE:g} %"
        lines.append(f"load = {_text(load)}")
    if scenario.fixture.core_probe:
        lines.append("core_probe = true")
    network = scenario.fixture.bias_network
    if network is not None:
        lines += [
            "",
            "[fixture.bias_network]",
            f"current = {_text(f'{network.highest_a:g} A')}",
            f"resistance = {_text(f'{1e3 * network.choke_ohm:g} mΩ')}",
            f"choke_drop = {_text(f'{100.0 * network.choke_drop:g} %')}",
        ]
    if scenario.supply is not None:
        lines += [
            "",
            "[limits]",
            f"voltage = {_text(f'{scenario.supply.highest_v:g} V')}",
            f"current = {_text(f'{scenario.supply.highest_a:g} A')}",
        ]
    if scenario.has_switch:
        lines += ["", "[hookups]", *_hookups(scenario), "", "[positions]", *_positions(scenario)]
    lines += [
        "",
        "[simulation]",
        f"scenario = {_text(_source(scenario))}",
        f"seed = {seed}",
        f"clock_rate = {clock_rate!r}",
    ]
    return "\n".join(lines) + "\n"


def _figures(scenario: Scenario, role: str) -> list[str]:
    if role == "impedance_meter" and scenario.impedance_meter is not None:
        meter = scenario.impedance_meter
        dates = (("calibrated", meter.calibrated), ("due", meter.due))
        return [f"class = {_text(meter.class_name)}"] + [
            f"{key} = {day.isoformat()}" for key, day in dates if day is not None
        ]
    if role == "supply" and scenario.supply is not None:
        return [
            f"class = {_text(scenario.supply.class_name)}",
            f"channels = {scenario.supply.channels}",
            f"output_capacitance = {_text(f'{scenario.supply.output_f * 1e6:g} µF')}",
        ]
    if role == "multimeter" and scenario.multimeter_class is not None:
        return [f"class = {_text(scenario.multimeter_class)}"]
    return []


def _hookups(scenario: Scenario) -> list[str]:
    if scenario.jig == SWITCH:
        return _switch_hookups(scenario)
    coil_hookups = []
    if scenario.impedance_meter is not None:
        coil_hookups.append('coil-impedance = "(@201,202)"')
    if scenario.supply is not None:
        sense = ",205,206" if scenario.multimeter_class is not None else ""
        coil_hookups.append(f'coil-kelvin = "(@203,204{sense})"')
        if scenario.fixture.bias_network is not None and scenario.impedance_meter is not None:
            coil_hookups.append('coil-bias = "(@209,210,211,212)"')
        if scenario.fixture.core_probe and scenario.multimeter_class is not None:
            coil_hookups.append('coil-insulation = "(@213,214,215,216)"')
    return coil_hookups


def _switch_hookups(scenario: Scenario) -> list[str]:
    families = sorted({scenario.family(spec) for spec in scenario.specimens})
    found = hookups(
        families,
        channels=scenario.supply.channels if scenario.supply is not None else 0,
        meter=scenario.multimeter_class is not None,
        bridge=scenario.impedance_meter is not None,
    )
    return [f"{name} = {_text(numbers)}" for name, numbers in found.items()]


def _positions(scenario: Scenario) -> list[str]:
    named = [(each.name, each.position) for each in scenario.specimens]
    named += [("open", 198), ("short", 199)]
    if scenario.jig == SWITCH:
        named.append(("check", CHECK_RELAY))
    if scenario.fixture.load_ohm > 0.0:
        named.append(("load", LOAD_RELAY))
    return [f'{_key(name)} = "(@{position})"' for name, position in named]


def _source(scenario: Scenario) -> str:
    """Return what finds the scenario again: its file, or the name of one of the simulator's."""
    if scenario.path is None or scenario.path.parent == SCENARIOS:
        return scenario.name if scenario.path is None else scenario.path.stem
    return str(scenario.path.resolve())


def _key(name: str) -> str:
    return name if _BARE_KEY.fullmatch(name) else _text(name)


def _text(value: str) -> str:
    # A JSON string is a TOML basic string, but for the control character DEL.
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def _texts(values: Sequence[str]) -> str:
    return "[" + ", ".join(_text(value) for value in values) + "]"
