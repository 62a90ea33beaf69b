"""Construction files: all of ours load, and a wrong one is told everything at once.

Does not cover the physics of what they describe.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from sim.physics.construction_file import (
    CONSTRUCTIONS,
    construction,
    construction_names,
    load_construction,
)
from sim.text import TextError


def changed(tmp_path: Path, name: str, *changes: tuple[str, str]) -> Path:
    text = (CONSTRUCTIONS / f"{name}.toml").read_text(encoding="utf-8")
    for old, new in changes:
        assert text.count(old) >= 1, old
        text = text.replace(old, new, 1)
    path = tmp_path / f"{name}.toml"
    path.write_text(text, encoding="utf-8")
    return path


def problems(path: Path) -> str:
    with pytest.raises(TextError) as caught:
        load_construction(path)
    assert str(path) in str(caught.value)
    return str(caught.value)


@pytest.mark.parametrize("name", construction_names())
def test_every_construction_loads(name: str) -> None:
    built = construction(name)
    assert built.name == name
    assert built.description
    assert construction(name) is built
    if built.material is not None:
        per_turn = built.nominal.inductance_h / built.winding.turns**2
        assert 0.5 * per_turn < built.turn_permeance_h < 4 * per_turn


# The calibration of an air coil moves the radius that the file states by next to nothing.
def test_the_air_coil_is_as_large_as_its_file_says() -> None:
    assert construction("air-220n").winding.mean_radius_m == pytest.approx(3.55e-3, rel=0.02)


def test_an_unknown_construction_gets_a_suggestion() -> None:
    with pytest.raises(TextError, match='did you mean "moulded-470n"'):
        construction("molded-470n")


def test_all_problems_are_told_at_once(tmp_path: Path) -> None:
    path = changed(
        tmp_path,
        "moulded-470n",
        ("schema = 1", "schema = 2"),
        ('name = "moulded-470n"', 'name = "moulded-471n"'),
        ("inductance_tolerance", "inductance_tolerence"),
        ('"1.5 mohm"', '"1,5 mohm"'),
        ("layers = 2", "layers = 0"),
        ('"powder"', '"powdr"'),
        ('thickness = "0.52 mm"', "thickness = 0.52"),
    )
    message = problems(path)
    for word in (
        "schema: 2 is not known",
        'name: "moulded-471n" differs from the name of the file',
        "nominal.inductance_tolerance: is missing",
        "nominal.inductance_tolerence: unknown key",
        '"1,5 mohm"',
        "winding.layers: 0 is outside",
        'core.material: "powdr" is not known; did you mean "powder"',
        "conductor.thickness: 0.52 has no unit",
    ):
        assert word in message


def test_a_spread_that_the_coil_cannot_have_is_refused(tmp_path: Path) -> None:
    path = changed(tmp_path, "air-220n", ('proximity = "5 %"', 'saturation = "5 %"'))
    message = problems(path)
    assert "spread.lot.proximity: is missing" in message
    assert "spread.lot.saturation: unknown key" in message


def test_leads_with_more_resistance_than_the_coil_are_refused(tmp_path: Path) -> None:
    path = changed(tmp_path, "moulded-470n", ('resistance = "0.16 mohm"', 'resistance = "2 mohm"'))
    assert "lead.resistance: must be below nominal.dc_resistance" in problems(path)


def test_an_air_coil_that_saturates_is_refused(tmp_path: Path) -> None:
    path = changed(tmp_path, "air-220n", ("[winding]", 'saturation = "10 A"\n\n[winding]'))
    assert "an air coil does not saturate" in problems(path)


def test_wire_that_does_not_fit_its_pitch_is_refused(tmp_path: Path) -> None:
    path = changed(
        tmp_path,
        "moulded-470n",
        ('turn_pitch = "1.85 mm"', 'turn_pitch = "1.2 mm"'),
        ('layer_pitch = "0.6 mm"', 'layer_pitch = "0.5 mm"'),
    )
    message = problems(path)
    assert "winding.turn_pitch: 1.2 mm is less than the conductor" in message
    assert "winding.layer_pitch: 0.5 mm is less than the conductor" in message


def test_a_winding_longer_than_its_rod_is_refused(tmp_path: Path) -> None:
    path = changed(tmp_path, "rod-10u", ('rod_length = "22 mm"', 'rod_length = "16 mm"'))
    assert "core.rod_length: 16 mm is less than the winding, 16.4 mm" in problems(path)


def test_an_inductance_that_the_winding_cannot_have_is_refused(tmp_path: Path) -> None:
    path = changed(tmp_path, "air-220n", ('"220 nH"', '"2 uH"'))
    assert "no coil like this measures 2e-06 H" in problems(path)
