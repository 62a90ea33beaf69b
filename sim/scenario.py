"""Reads a scenario: which instruments stand on the virtual bench and what lies beside it.

The keys are documented in README.md. A file with mistakes gets all of them at once.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path

from sim.bias_network import BiasNetwork, usual_network
from sim.instruments.classes import IMPEDANCE_METERS, MULTIMETERS, SUPPLIES
from sim.link_faults import FaultSchedule, read_schedules
from sim.links.kinds import KINDS, USUAL_KIND
from sim.physics.coil import Coil
from sim.physics.construction_file import construction, construction_names
from sim.physics.devices.board_faults import BoardFault
from sim.physics.devices.board_files import board_names, read_board_fault
from sim.physics.devices.fault_file import DeviceFault, read_device_fault
from sim.physics.devices.files import device_construction, device_names
from sim.physics.devices.load_construction import LoadConstruction
from sim.physics.devices.mosfet_construction import MosfetConstruction
from sim.physics.faults import Fault, read_fault
from sim.profiles.catalogue import PROFILES, usual_dialect
from sim.switch_jig import SERIES_RESISTORS, TERMINALS
from sim.text import Table, TextError, did_you_mean, load_toml
from sim.wiring import Fixture

SCENARIOS = Path(__file__).parent / "scenarios"
SCHEMA = 1
COIL, SWITCH = "coil", "switch"
JIGS = (COIL, SWITCH)
ROLES = ("impedance_meter", "supply", "multimeter", "switch")
_POSITIONS = (101, 190)
_RESERVED_NAMES = ("open", "short", "load")


@dataclass(frozen=True, slots=True)
class ImpedanceMeterSpec:
    """An LCR meter of a class, with the dates on its calibration label."""

    class_name: str
    calibrated: date | None
    due: date | None


@dataclass(frozen=True, slots=True)
class SupplySpec:
    """A bench supply of a class."""

    class_name: str
    channels: int
    output_f: float
    highest_v: float
    highest_a: float


@dataclass(frozen=True, slots=True)
class LotSpec:
    """Parts made together: one construction, one draw of what a lot has in common."""

    name: str
    construction: str


@dataclass(frozen=True, slots=True)
class SpecimenSpec:
    """One part on the bench; `part_type` is what the technician is told that it is.

    A coil has a `fault`, a switch, stage or load a `device_fault`; `turned` lies in the jig the
    other way round, `shifted` one place along, and `contamination_ohm` is what flux or water
    conducts over it; the terminal `not_touching` lies beside its contacts.
    """

    name: str
    position: int
    lot: str
    part_type: str
    donor: str
    fault: Fault | None
    not_as_marked: bool
    temperature_c: float
    just_lifted_c: float | None
    device_fault: DeviceFault | BoardFault | None = None
    contamination_ohm: float = math.inf
    turned: bool = False
    shifted: bool = False
    not_touching: str = ""


@dataclass(frozen=True, slots=True)
class Scenario:
    """A whole virtual bench, as data."""

    name: str
    description: str
    seed: int
    clock_rate: float
    mains_hz: float
    ambient_c: float
    impedance_meter: ImpedanceMeterSpec | None
    supply: SupplySpec | None
    multimeter_class: str | None
    has_switch: bool
    fixture: Fixture
    series_resistors: tuple[str, ...]
    lots: tuple[LotSpec, ...]
    specimens: tuple[SpecimenSpec, ...]
    path: Path | None = None
    link_faults: Mapping[str, FaultSchedule] = field(default_factory=dict)
    links: Mapping[str, str] = field(default_factory=dict)
    dialects: Mapping[str, str] = field(default_factory=dict)
    jig: str = COIL

    def family(self, spec: SpecimenSpec) -> str:
        """Give the family of a specimen of the switch jig: mosfet, stage, load or board."""
        (lot,) = [lot for lot in self.lots if lot.name == spec.lot]
        return device_family(lot.construction)

    def link(self, role: str) -> str:
        """Give the kind of link by which an instrument is reached."""
        return self.links.get(role, USUAL_KIND)

    def dialect(self, role: str) -> str:
        """Give the command profile that an instrument has."""
        return self.dialects.get(role, usual_dialect(role))

    def specimen(self, name: str) -> SpecimenSpec:
        """Give a specimen by name; raise KeyError with a suggestion."""
        for found in self.specimens:
            if found.name == name:
                return found
        known = [found.name for found in self.specimens]
        raise KeyError(f'no specimen "{name}"; {did_you_mean(name, known)}')


def device_family(construction: str) -> str:
    """Give the family that a construction of a device belongs to."""
    if construction in board_names():
        return "board"
    built = device_construction(construction)
    if isinstance(built, MosfetConstruction):
        return "mosfet"
    return "load" if isinstance(built, LoadConstruction) else "stage"


def scenario_names() -> list[str]:
    """List the scenarios that come with the simulator."""
    return sorted(path.stem for path in SCENARIOS.glob("*.toml"))


def load_scenario(source: str | Path) -> Scenario:
    """Read a scenario by path, or by name if it is one that comes with the simulator.

    Raise TextError with every problem in the file.
    """
    path = Path(source)
    if path.suffix != ".toml" and not path.exists():
        names = scenario_names()
        if str(source) not in names:
            raise TextError(
                f'scenario "{source}"', [f"is not known; {did_you_mean(str(source), names)}"]
            )
        path = SCENARIOS / f"{source}.toml"
    problems: list[str] = []
    found = _read(Table(load_toml(path), "", problems), path)
    if problems:
        raise TextError(str(path), problems)
    return found


def _read(table: Table, path: Path) -> Scenario:
    schema = table.whole("schema")
    if schema != SCHEMA and "schema" in table:
        table.problem("schema", f"{schema} is not a schema that is known here; known: {SCHEMA}")
    name = table.text("name")
    description = table.text("description", "")
    seed = table.whole("seed")
    clock_rate = table.quantity("clock_rate", "", 1.0, at_least=1e-3, at_most=1e6)
    mains_hz = table.quantity("mains", "Hz", 50.0, at_least=45.0, at_most=65.0)
    ambient_c = table.quantity("ambient", "degC", 23.0, at_least=5.0, at_most=40.0)

    instruments = table.table("instruments")
    found = {role: instruments.table(role) for role in ROLES if role in instruments}
    instruments.refuse_the_rest(ROLES)
    links = {role: each.text("link", USUAL_KIND, known=KINDS) for role, each in found.items()}
    dialects = {
        role: each.text("dialect", usual_dialect(role), known=PROFILES[role])
        for role, each in found.items()
    }
    meter = _impedance_meter(found["impedance_meter"]) if "impedance_meter" in found else None
    supply = _supply(found["supply"]) if "supply" in found else None
    multimeter_class = None
    if "multimeter" in found:
        multimeter_class = found["multimeter"].text("class", known=MULTIMETERS)
        found["multimeter"].refuse_the_rest()
    has_switch = "switch" in found
    if has_switch:
        found["switch"].refuse_the_rest()

    jig = table.text("jig", COIL, known=JIGS)
    fixture, series_resistors = _fixture(table.table("fixture"), meter, jig)
    lots = _lots(table.tables("lots"), jig)
    specimens = _specimens(table.tables("specimens"), lots, ambient_c, jig)
    if not specimens:
        table.problem("specimens", "there is nothing to measure")
    link_faults = read_schedules(table.tables("link_faults"), links)
    table.refuse_the_rest()
    return Scenario(
        name=name,
        description=description,
        seed=seed,
        clock_rate=clock_rate,
        mains_hz=mains_hz,
        ambient_c=ambient_c,
        impedance_meter=meter,
        supply=supply,
        multimeter_class=multimeter_class,
        has_switch=has_switch,
        fixture=fixture,
        series_resistors=series_resistors,
        lots=tuple(lots),
        specimens=tuple(specimens),
        path=path,
        link_faults=link_faults,
        links=links,
        dialects=dialects,
        jig=jig,
    )


def _impedance_meter(table: Table) -> ImpedanceMeterSpec:
    spec = ImpedanceMeterSpec(
        table.text("class", known=IMPEDANCE_METERS), _date(table, "calibrated"), _date(table, "due")
    )
    if spec.calibrated and spec.due and spec.due < spec.calibrated:
        table.problem("due", "lies before the calibration")
    table.refuse_the_rest()
    return spec


def _date(table: Table, key: str) -> date | None:
    value = table.raw(key)
    if value is None or type(value) is date:
        return value
    table.problem(key, f"{value!r} is not a date such as 2026-03-01")
    return None


def _supply(table: Table) -> SupplySpec:
    class_name = table.text("class", known=SUPPLIES)
    figures = SUPPLIES.get(class_name, SUPPLIES["1mV-1mA"])
    spec = SupplySpec(
        class_name=class_name,
        channels=table.whole("channels", 1, at_least=1, at_most=2),
        output_f=table.quantity(
            "output_capacitance", "F", figures.output_f, at_least=1e-6, at_most=0.1
        ),
        highest_v=table.quantity(
            "maximum_voltage", "V", figures.highest_v, at_least=1.0, at_most=60.0
        ),
        highest_a=table.quantity(
            "maximum_current", "A", figures.highest_a, at_least=0.1, at_most=30.0
        ),
    )
    table.refuse_the_rest()
    return spec


def _fixture(
    table: Table, meter: ImpedanceMeterSpec | None, jig: str
) -> tuple[Fixture, tuple[str, ...]]:
    class_name = meter.class_name if meter is not None else ""
    usual = IMPEDANCE_METERS.get(class_name, IMPEDANCE_METERS["bench-1MHz"])

    def read(key: str, unit: str, default: float, at_most: float, at_least: float = 0.0) -> float:
        return table.quantity(key, unit, default, at_least=at_least, at_most=at_most)

    fixture = Fixture(
        series_ohm=read("series_resistance", "ohm", usual.fixture_ohm, 10.0, 1e-6),
        series_h=read("series_inductance", "H", usual.fixture_h, 10e-6),
        shunt_f=read("shunt_capacitance", "F", usual.fixture_f, 1e-9, 1e-15),
        leakage_ohm=read("leakage_resistance", "ohm", 200e9, 1e15, 1e6),
        contact_sd_ohm=read("contact_resistance_sd", "ohm", usual.contact_sd_ohm, 1.0),
        contact_sd_h=read("contact_inductance_sd", "H", usual.contact_sd_h, 1e-6),
        supply_leads_ohm=read("supply_leads", "ohm", 30e-3, 10.0, 1e-4),
        strip_ohm=read("strip_resistance", "ohm", 15e-6, 0.1),
        strip_h=read("strip_inductance", "H", 0.3e-9, 1e-6),
        load_ohm=read("load", "ohm", 0.0, 1e5),
        bias_network=_bias_network(table.table("bias_network"))
        if "bias_network" in table
        else None,
        core_probe=table.truth("core_probe", False),
    )
    if jig == SWITCH:
        # They are part of the matrix.
        table.refuse_the_rest()
        return fixture, SERIES_RESISTORS
    resistors = table.raw("series_resistors", [])
    if not isinstance(resistors, list) or not all(isinstance(item, str) for item in resistors):
        table.problem("series_resistors", 'must be a list of texts such as "10 kΩ 0.1 %"')
        resistors = []
    table.refuse_the_rest()
    return fixture, tuple(resistors)


def _bias_network(table: Table) -> BiasNetwork:
    usual = usual_network()
    network = BiasNetwork(
        choke_h=table.quantity("choke", "H", usual.choke_h, at_least=1e-6, at_most=1.0),
        choke_ohm=table.quantity("resistance", "ohm", usual.choke_ohm, at_least=1e-4, at_most=10.0),
        choke_drop=table.quantity("choke_drop", "%", usual.choke_drop, at_least=0.0, at_most=0.5),
        highest_a=table.quantity("current", "A", usual.highest_a, at_least=0.1, at_most=100.0),
        block_f=table.quantity("blocking", "F", usual.block_f, at_least=1e-7, at_most=1e-2),
    )
    table.refuse_the_rest()
    return network


def _lots(tables: Iterable[Table], jig: str) -> list[LotSpec]:
    known = _constructions(jig)
    lots: list[LotSpec] = []
    for table in tables:
        lot = LotSpec(table.text("name"), table.text("construction", known=known))
        if lot.name in [other.name for other in lots]:
            table.problem("name", f'there is another lot "{lot.name}"')
        table.refuse_the_rest()
        lots.append(lot)
    return lots


def _constructions(jig: str) -> list[str]:
    return [*device_names(), *board_names()] if jig == SWITCH else construction_names()


def _specimens(
    tables: list[Table], lots: list[LotSpec], ambient_c: float, jig: str
) -> list[SpecimenSpec]:
    constructions = {lot.name: lot.construction for lot in lots}
    taken: set[int] = set()
    names: set[str] = set()
    specimens: list[SpecimenSpec] = []
    for number, table in enumerate(tables):
        name = table.text("name")
        if name in names or name in _RESERVED_NAMES:
            table.problem("name", f'"{name}" is taken')
        position = table.whole(
            "position", _POSITIONS[0] + number, at_least=_POSITIONS[0], at_most=_POSITIONS[1]
        )
        if position in taken:
            table.problem("position", f"{position} is taken")
        lot = table.text("lot")
        if lot and lot not in constructions:
            table.problem("lot", f'there is no lot "{lot}"; {did_you_mean(lot, constructions)}')
        fault: Fault | None = None
        device_fault: DeviceFault | BoardFault | None = None
        contamination_ohm, turned, shifted, not_touching = math.inf, False, False, ""
        if jig == SWITCH:
            known = constructions.get(lot) in _constructions(jig)
            family = device_family(constructions[lot]) if known else ""
            if "fault" in table and family == "board":
                device_fault = read_board_fault(table.table("fault"))
            elif "fault" in table and family:
                device_fault = read_device_fault(table.table("fault"), family)
            elif "fault" in table:
                table.raw("fault")
            contamination_ohm = table.quantity(
                "contamination", "ohm", math.inf, at_least=1e3, at_most=1e15
            )
            turned = table.truth("turned", False)
            shifted = table.truth("shifted", False)
            if "not_touching" in table:
                known_terminals = tuple(TERMINALS.get(family, {}))
                not_touching = table.text("not_touching", known=known_terminals)
            if turned and shifted:
                table.problem("shifted", "a part lies turned or shifted; give one of the two")
        elif "fault" in table:
            fault = read_fault(table.table("fault"))
        if fault is not None and constructions.get(lot) in construction_names():
            try:
                Coil(construction(constructions[lot]), faults=(fault,))
            except ValueError as error:
                table.problem("fault", str(error))
        lifted = table.quantity("just_lifted", "degC", ambient_c, at_least=-10.0, at_most=300.0)
        specimens.append(
            SpecimenSpec(
                name=name,
                position=position,
                lot=lot,
                part_type=table.text("type"),
                donor=table.text("donor", "unknown"),
                fault=fault,
                not_as_marked=table.truth("not_as_marked", False),
                temperature_c=table.quantity(
                    "temperature", "degC", ambient_c, at_least=-10.0, at_most=100.0
                ),
                just_lifted_c=lifted if "just_lifted" in table else None,
                device_fault=device_fault,
                contamination_ohm=contamination_ohm,
                turned=turned,
                shifted=shifted,
                not_touching=not_touching,
            )
        )
        taken.add(position)
        names.add(name)
        table.refuse_the_rest()
    return specimens
