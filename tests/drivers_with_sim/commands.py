"""Say what each shipped dialect can send, with values that the simulated instruments take."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import attrs

from drivers.dialect import Dialect, Query
from drivers.dialect_roles import (
    ImpedanceMeterDialect,
    MultimeterDialect,
    SupplyDialect,
    SwitchDialect,
)

ROLES: dict[str, type[Dialect]] = {
    "impedance_meter": ImpedanceMeterDialect,
    "supply": SupplyDialect,
    "multimeter": MultimeterDialect,
    "switch": SwitchDialect,
}
#: every shipped dialect by role; a test holds this equal to the files
DIALECTS: dict[str, tuple[str, ...]] = {
    "impedance_meter": ("impedance-function-tree", "impedance-calculate-tree"),
    "supply": ("supply-scpi99", "supply-channel-list"),
    "multimeter": ("multimeter-scpi99", "multimeter-sense-fetch"),
    "switch": ("switch-scpi99", "switch-output-tree"),
}
PAIRS = [(role, name) for role, names in DIALECTS.items() for name in names]
_VALUES = {
    "frequency_hz": "100000",
    "level_v": "0.3",
    "aperture_s": "0.05",
    "averages": "2",
    "channel": "1",
    "voltage_v": "0.5",
    "current_a": "0.1",
    "over_voltage_v": "2",
    "periods": "1",
    "seconds": "2",
    "channels": "(@101)",
}
#: each function of the multimeter has ranges of its own (V, Ω)
_RANGES = {"dc_voltage": "1", "resistance": "1000", "four_wire_resistance": "1000"}


#: name, command, what to put into its places
_Command = tuple[str, str | Query, Mapping[str, str]]


def commands_of(role: str, dialect: Dialect) -> Iterator[_Command]:
    """List (name, command, places) of everything that a dialect can send."""
    values = dict(_VALUES)
    if role == "switch":
        values["channel"] = "101"
    if role == "multimeter":
        values["seconds"] = "0.02"
    for name, entry in attrs.asdict(dialect.commands, recurse=False).items():
        yield from _within(name, entry, values)


def _within(name: str, entry: Any, values: Mapping[str, str]) -> Iterator[_Command]:
    if isinstance(entry, str | Query):
        yield name, entry, values
    elif isinstance(entry, tuple):
        for setting in entry:
            yield f"{name}.{setting.name}.set", setting.set, values
            yield f"{name}.{setting.name}.read", setting.read, values
    elif entry is not None:
        for inner, each in attrs.asdict(entry, recurse=False).items():
            if isinstance(each, str | Query):
                yield f"{name}.{inner}", each, {**values, "range": _RANGES[name]}
