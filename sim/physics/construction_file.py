"""Reads construction files and adjusts the typical coil until it measures its nominal values."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Literal

from scipy.optimize import brentq

from sim.physics.coil import Coil
from sim.physics.construction import (
    FACTOR_NAMES,
    Conductor,
    Construction,
    CorePath,
    Insulation,
    Lead,
    Nominal,
)
from sim.physics.magnetics import FerriteCore, PowderCore
from sim.physics.winding import Winding
from sim.shipped import names_in, path_of, read_head
from sim.text import Table, TextError, load_toml

CONSTRUCTIONS = Path(__file__).parent.parent / "constructions"
_TINY = 1e-18  # quantities that must be above zero
_PLACES = {"at_least": 1e-6, "at_most": 1.0}  # lengths in metres


def construction_names() -> list[str]:
    """List the names of the constructions that come with the simulator."""
    return names_in(CONSTRUCTIONS)


@cache
def construction(name: str) -> Construction:
    """Give the construction of that name. Raises TextError with a suggestion if there is none."""
    return load_construction(path_of("construction", name, CONSTRUCTIONS))


def load_construction(path: Path) -> Construction:
    """Read a construction file and calibrate it. Raises TextError with every problem at once."""
    problems: list[str] = []
    built = _read(Table(load_toml(path), "", problems), path)
    if problems:
        raise TextError(str(path), problems)
    try:
        calibrated = _saturating_at_nominal(_measuring_nominal(built))
    except ValueError as error:
        raise TextError(str(path), [str(error)]) from error
    problems = _room(calibrated)
    if problems:
        raise TextError(str(path), problems)
    return calibrated


def _room(built: Construction) -> list[str]:
    """List what does not fit: conductors beside each other, the winding on its rod."""
    winding, conductor, path = built.winding, built.conductor, built.path
    along = across = 2 * built.wire_radius_m
    if conductor.form == "foil":
        along, across = built.section_m2 / conductor.thickness_m, conductor.thickness_m
    problems = []
    if along > winding.turn_pitch_m:
        problems.append(
            f"winding.turn_pitch: {winding.turn_pitch_m * 1e3:.3g} mm is less than the conductor,"
            f" which needs {along * 1e3:.3g} mm for its dc resistance"
        )
    if winding.layers > 1 and across > winding.layer_pitch_m:
        problems.append(
            f"winding.layer_pitch: {winding.layer_pitch_m * 1e3:.3g} mm is less than the"
            f" conductor, {across * 1e3:.3g} mm"
        )
    height = winding.rows * winding.turn_pitch_m
    if path is not None and path.shape == "rod" and path.rod_length_m < height:
        problems.append(
            f"core.rod_length: {path.rod_length_m * 1e3:.3g} mm is less than the winding,"
            f" {height * 1e3:.3g} mm"
        )
    return problems


def _measuring_nominal(built: Construction) -> Construction:
    """Set the core's permeance, or the radius of an air coil, so that L is nominal."""

    def with_setting(setting: float) -> Construction:
        if built.material is None:
            radius = built.winding.mean_radius_m * setting
            return replace(built, winding=replace(built.winding, mean_radius_m=radius))
        per_turn = built.nominal.inductance_h / built.winding.turns**2
        return replace(built, turn_permeance_h=per_turn * setting)

    def excess(setting: float) -> float:
        measured = Coil(with_setting(setting)).inductance_h(built.nominal.frequency_hz)
        return float(measured) / built.nominal.inductance_h - 1

    low, high = (0.7, 1.4) if built.material is None else (0.02, 20.0)
    if excess(low) > 0 or excess(high) < 0:
        what = "winding.mean_radius" if built.material is None else "winding"
        raise ValueError(f"{what}: no coil like this measures {built.nominal.inductance_h:g} H")
    return with_setting(brentq(excess, low, high, xtol=1e-13, rtol=1e-13))


def _saturating_at_nominal(built: Construction) -> Construction:
    """Set the core's saturation so that L has dropped as declared at the declared current."""
    material, nominal = built.material, built.nominal
    if material is None or nominal.saturation_a == 0:
        return built

    def with_setting(log_scale: float) -> Construction:
        current = nominal.saturation_a * math.exp(log_scale)
        return replace(built, material=replace(material, saturation_a=current))

    def excess(log_scale: float) -> float:
        coil = Coil(with_setting(log_scale))
        left = coil.saturated_inductance_h(nominal.saturation_a) / coil.saturated_inductance_h(0)
        return left - (1 - nominal.saturation_drop)

    return with_setting(brentq(excess, -4.0, 4.0, xtol=1e-10))


def _read(table: Table, path: Path) -> Construction:
    name = read_head(table, path)
    nominal = _nominal(table.table("nominal"))
    conductor = _conductor(table.table("conductor"))
    material, core_path = _core(table.table("core"), nominal.frequency_hz)
    if material is None and nominal.saturation_a:
        table.problem("nominal.saturation", "an air coil does not saturate")
    lead = _lead(table.table("lead"))
    if lead.resistance_ohm >= nominal.dc_resistance_ohm:
        table.problem("lead.resistance", "must be below nominal.dc_resistance")
    spread = table.table("spread")
    varying = _varying(conductor, material, core_path)
    built = Construction(
        name=name,
        description=table.text("description"),
        nominal=nominal,
        winding=_winding(table.table("winding")),
        conductor=conductor,
        lead=lead,
        material=material,
        path=core_path,
        insulation=_insulation(table.table("insulation")),
        lot_spread=_spreads(spread.table("lot"), varying),
        unit_spread=_spreads(spread.table("unit"), varying),
        margin=spread.quantity("margin", "%", at_least=0, at_most=0.9),
    )
    spread.refuse_the_rest()
    table.refuse_the_rest()
    return built


def _nominal(table: Table) -> Nominal:
    saturates = "saturation" in table
    nominal = Nominal(
        inductance_h=table.quantity("inductance", "H", at_least=_TINY),
        inductance_tolerance=table.quantity("inductance_tolerance", "%", at_least=0.01, at_most=1),
        frequency_hz=table.quantity("frequency", "Hz", at_least=1),
        dc_resistance_ohm=table.quantity("dc_resistance", "ohm", at_least=_TINY),
        dc_resistance_tolerance=table.quantity(
            "dc_resistance_tolerance", "%", at_least=0.01, at_most=1
        ),
        saturation_a=table.quantity("saturation", "A", at_least=1e-6) if saturates else 0.0,
        saturation_drop=table.quantity("saturation_drop", "%", 0.3, at_least=0.05, at_most=0.6),
    )
    table.refuse_the_rest()
    return nominal


def _winding(table: Table) -> Winding:
    winding = Winding(
        layers=table.whole("layers", at_least=1, at_most=50),
        rows=table.whole("rows", at_least=1, at_most=200),
        mean_radius_m=table.quantity("mean_radius", "m", **_PLACES),
        turn_pitch_m=table.quantity("turn_pitch", "m", **_PLACES),
        layer_pitch_m=table.quantity("layer_pitch", "m", **_PLACES),
    )
    if winding.layer_pitch_m * (winding.layers - 1) / 2 >= winding.mean_radius_m:
        table.problem("layer_pitch", "the innermost layer would lie beyond the axis")
    table.refuse_the_rest()
    return winding


def _conductor(table: Table) -> Conductor:
    form: Literal["foil", "round"] = "round"
    thickness = far = 0.0
    if table.text("form", known=("foil", "round")) == "foil":
        form = "foil"
        thickness = table.quantity("thickness", "m", **_PLACES)
        far = table.quantity("far_share", "%", at_least=0, at_most=1)
    table.refuse_the_rest()
    return Conductor(form=form, thickness_m=thickness, far_share=far)


def _lead(table: Table) -> Lead:
    lead = Lead(
        resistance_ohm=table.quantity("resistance", "ohm", at_least=_TINY),
        inductance_h=table.quantity("inductance", "H", at_least=_TINY),
        diameter_m=table.quantity("diameter", "m", **_PLACES),
    )
    table.refuse_the_rest()
    return lead


def _insulation(table: Table) -> Insulation:
    insulation = Insulation(
        turn_turn_f=table.quantity("turn_to_turn", "F", at_least=0),
        turn_core_f=table.quantity("turn_to_core", "F", at_least=_TINY),
        terminal_f=table.quantity("terminals", "F", at_least=0),
        turn_core_ohm=table.quantity("turn_to_core_resistance", "ohm", at_least=1),
    )
    table.refuse_the_rest()
    return insulation


def _core(
    table: Table, reference_hz: float
) -> tuple[PowderCore | FerriteCore | None, CorePath | None]:
    kind = table.text("material", known=("powder", "ferrite", "air"))
    material: PowderCore | FerriteCore | None = None
    path: CorePath | None = None
    if kind in ("powder", "ferrite"):
        material = (
            _powder(table, reference_hz) if kind == "powder" else _ferrite(table, reference_hz)
        )
        rod = table.text("shape", known=("closed", "rod")) == "rod"
        path = CorePath(
            shape="rod" if rod else "closed",
            common_share=0.0 if rod else table.quantity("common_share", "%", at_least=0, at_most=1),
            rod_length_m=table.quantity("rod_length", "m", **_PLACES) if rod else 0.0,
            rod_decay_m=table.quantity("rod_decay", "m", **_PLACES) if rod else 0.0,
        )
    table.refuse_the_rest()
    return material, path


def _powder(table: Table, reference_hz: float) -> PowderCore:
    return PowderCore(
        relaxation_hz=table.quantity("relaxation", "Hz", at_least=1),
        grain_spread=table.quantity("grain_spread", "", at_least=0, at_most=1),
        loss_angle_rad=table.quantity("loss_angle", "rad", at_least=0, at_most=0.5),
        reference_hz=reference_hz,
        field_spread=table.quantity("field_spread", "", at_least=0, at_most=1),
        temperature_coefficient_per_k=table.quantity("temperature_coefficient", "/K"),
    )


def _ferrite(table: Table, reference_hz: float) -> FerriteCore:
    return FerriteCore(
        initial_permeability=table.quantity("initial_permeability", "", at_least=2),
        residual_permeability=table.quantity("residual_permeability", "", at_least=1),
        relaxation_hz=table.quantity("relaxation", "Hz", at_least=1),
        loss_angle_rad=table.quantity("loss_angle", "rad", at_least=0, at_most=0.5),
        reference_hz=reference_hz,
        gap_ratio=table.quantity("gap_ratio", "", at_least=1e-6, at_most=1),
        temperature_coefficient_per_k=table.quantity("temperature_coefficient", "/K"),
    )


def _varying(
    conductor: Conductor, material: PowderCore | FerriteCore | None, path: CorePath | None
) -> list[str]:
    """List the factors that this kind of coil has."""
    absent: set[str] = set()
    if material is None:
        absent |= {"relaxation", "loss_angle", "leakage", "saturation"}
    elif path is not None and path.shape == "rod":
        absent |= {"leakage"}
    if conductor.form == "round":
        absent |= {"thickness"}
    return [name for name in FACTOR_NAMES if name not in absent]


def _spreads(table: Table, varying: list[str]) -> dict[str, float]:
    spreads = dict.fromkeys(FACTOR_NAMES, 0.0)
    for name in varying:
        spreads[name] = table.quantity(name, "%", at_least=0, at_most=1)
    table.refuse_the_rest()
    return spreads
