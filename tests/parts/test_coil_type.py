"""Check how a coil's part type file is read.

Does not cover: how limits are decided on (tests/judging), other families than the coil, which are
only turned away here.
"""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest

from labbench.errors import FileProblems
from labbench.parts.coil_type import (
    CoilType,
    InductanceLimit,
    Population,
    ResistanceLimit,
    Saturation,
    Spread,
    read_coil_type,
)
from labbench.parts.limit_tables import tolerance_bounds

WHOLE = """\
schema = 1
name = "coil-470n"
family = "coil"
description = "output coil, 470 nH, moulded powder core"

[core]
material = "powder"
turns = 4

[limits]
inductance = { nominal = "470 nH", tolerance = "20 %", frequency = "100 kHz", level = "100 mV" }
dc_resistance = { nominal = "1.5 mΩ", tolerance = "10 %", temperature = "25 °C" }
saturation = { current = "28 A", drop = "30 %" }

[absolute_maximum]
current = "30 A"
"""


def write(folder: Path, text: str) -> Path:
    path = folder / "coil.toml"
    path.write_text(text, encoding="utf-8")
    return path


def with_limits(text: str) -> str:
    return f'schema = 1\nname = "c"\nfamily = "coil"\n[limits]\n{text}\n'


def problems(folder: Path, text: str) -> dict[str | None, str]:
    with pytest.raises(FileProblems) as found:
        read_coil_type(write(folder, text))
    return {problem.key: problem.message for problem in found.value.problems}


def test_a_saturation_current_is_typical_and_has_a_tolerance(tmp_path: Path) -> None:
    usual = read_coil_type(write(tmp_path, WHOLE)).saturation
    assert usual is not None
    # common practice, no source
    assert usual.lowest_a == pytest.approx(0.8 * 28.0)
    told = WHOLE.replace('drop = "30 %" }', 'drop = "30 %", tolerance = "10 %" }')
    narrow = read_coil_type(write(tmp_path, told)).saturation
    assert narrow is not None
    assert narrow.lowest_a == pytest.approx(0.9 * 28.0)


def test_an_insulation_has_a_least_resistance(tmp_path: Path) -> None:
    assert read_coil_type(write(tmp_path, WHOLE)).least_insulation_ohm is None
    told = with_limits('insulation = { minimum = "50 MΩ" }')
    assert read_coil_type(write(tmp_path, told)).least_insulation_ohm == 50e6
    wrong = with_limits('insulation = { minimum = "-50 MΩ" }')
    assert "limits.insulation.minimum" in problems(tmp_path, wrong)


def test_a_whole_coil_reads_in_si(tmp_path: Path) -> None:
    path = write(tmp_path, WHOLE)
    coil = read_coil_type(path)
    assert coil == CoilType(
        name="coil-470n",
        description="output coil, 470 nH, moulded powder core",
        material="powder",
        turns=4,
        inductance=(InductanceLimit(470e-9, 376e-9, 564e-9, 100e3, 0.1),),
        dc_resistance=(ResistanceLimit(1.5e-3, 1.35e-3, 1.65e-3, 25.0),),
        saturation=Saturation(28.0, 0.3),
        maximum_current_a=30.0,
    )
    assert coil.family == "coil"
    assert coil.assumed == ()
    assert coil.digest == hashlib.sha256(path.read_bytes()).hexdigest()
    assert coil.nominal_inductance_h == 470e-9
    assert coil.nominal_resistance_ohm == 1.5e-3


def test_any_limit_may_be_absent(tmp_path: Path) -> None:
    coil = read_coil_type(write(tmp_path, 'schema = 1\nname = "c"\nfamily = "coil"\n'))
    assert coil == CoilType(name="c")
    assert coil.nominal_inductance_h is None
    assert coil.nominal_resistance_ohm is None


def test_a_limit_is_one_table_or_a_list(tmp_path: Path) -> None:
    coil = read_coil_type(
        write(
            tmp_path,
            with_limits(
                'inductance = [{ minimum = "400 nH", frequency = "1 kHz" },'
                ' { minimum = "380 nH", maximum = "560 nH", frequency = "1 MHz" }]'
            ),
        )
    )
    assert coil.inductance == (
        InductanceLimit(None, 400e-9, None, 1e3),
        InductanceLimit(None, 380e-9, 560e-9, 1e6),
    )
    assert coil.nominal_inductance_h == pytest.approx(470e-9, rel=1e-12)


def test_a_maximum_alone_limits_one_side_and_gives_no_nominal(tmp_path: Path) -> None:
    coil = read_coil_type(
        write(tmp_path, with_limits('dc_resistance = { maximum = "2 mΩ", temperature = "20 °C" }'))
    )
    assert coil.dc_resistance == (ResistanceLimit(None, None, 2e-3, 20.0),)
    assert coil.nominal_resistance_ohm is None


def test_a_resistance_without_its_temperature_is_assumed_and_says_so(tmp_path: Path) -> None:
    coil = read_coil_type(write(tmp_path, with_limits('dc_resistance = { maximum = "2 mΩ" }')))
    assert coil.dc_resistance[0].temperature_c == 25.0
    assert coil.assumed == ("dc resistance is meant at 25 °C: none given",)


def test_spreads_and_their_origin_are_kept(tmp_path: Path) -> None:
    coil = read_coil_type(
        write(
            tmp_path,
            'schema = 1\nname = "c"\nfamily = "coil"\nlearned_from = ["D1", "D2"]\n'
            'assumed = ["x"]\n[population]\ninductance = { lot_to_lot = "4 %" }\n',
        )
    )
    assert coil.population == Population(inductance=Spread(lot_to_lot=0.04))
    assert coil.learned_from == ("D1", "D2")
    assert coil.assumed == ("x",)


def test_bounds_are_the_numbers_a_person_expects() -> None:
    assert tolerance_bounds(470e-9, 0.2) == (376e-9, 564e-9)
    assert tolerance_bounds(10e-6, 0.2) == (8e-6, 12e-6)


def test_several_mistakes_are_told_at_once(tmp_path: Path) -> None:
    text = (
        WHOLE.replace("description", "descripton")
        .replace('material = "powder"', 'material = "powdr"')
        .replace("turns = 4", "turns = 0")
        .replace('"470 nH"', '"470 nF"')
        .replace('frequency = "100 kHz"', 'freqency = "100 kHz"')
        .replace('"25 °C"', '"250 °C"')
        .replace('drop = "30 %"', 'drop = "130 %"')
        .replace('current = "30 A"', 'current = "-30 A"')
    )
    with pytest.raises(FileProblems) as found:
        read_coil_type(write(tmp_path, text))
    by_key = {problem.key: problem for problem in found.value.problems}
    assert set(by_key) == {
        "descripton",
        "core.material",
        "core.turns",
        "limits.inductance.nominal",
        "limits.inductance.frequency",
        "limits.inductance.freqency",
        "limits.dc_resistance.temperature",
        "limits.saturation.drop",
        "absolute_maximum.current",
    }
    assert by_key["core.material"].suggestion == "'powder'"
    assert by_key["limits.inductance.freqency"].suggestion == "frequency"
    assert by_key["descripton"].suggestion == "description"
    assert by_key["core.turns"].line == 8
    # inside an inline table the line of the table is given
    assert by_key["limits.inductance.nominal"].line == 11


@pytest.mark.parametrize(
    ("limit", "key", "reason"),
    [
        ('nominal = "1 Ω"', "tolerance", "limits nothing"),
        ('tolerance = "1 %"', "tolerance", "nominal is missing"),
        ('nominal = "1 Ω", tolerance = "1 %", maximum = "2 Ω"', "tolerance", "one of them"),
        ('minimum = "2 Ω", maximum = "1 Ω"', "minimum", "below maximum"),
        ('minimum = "1 Ω", maximum = "1 Ω"', "minimum", "below maximum"),
        ('nominal = "3 Ω", maximum = "2 Ω"', "nominal", "above maximum"),
        ('nominal = "1 Ω", minimum = "2 Ω"', "nominal", "below minimum"),
        ('nominal = "0 Ω", tolerance = "1 %"', "nominal", "above zero"),
        ('nominal = "1 Ω", tolerance = "100 %"', "tolerance", "between 0 and 100 %"),
    ],
)
def test_a_limit_that_cannot_be_is_refused(
    tmp_path: Path, limit: str, key: str, reason: str
) -> None:
    found = problems(tmp_path, with_limits(f'dc_resistance = {{ {limit}, temperature = "25 °C" }}'))
    assert reason in found[f"limits.dc_resistance.{key}"]


def test_an_empty_limit_is_refused(tmp_path: Path) -> None:
    assert (
        "needs nominal"
        in problems(tmp_path, with_limits("dc_resistance = {}"))["limits.dc_resistance"]
    )


def test_a_missing_family_is_one_problem_among_the_others(tmp_path: Path) -> None:
    assert problems(tmp_path, "schema = 1\n").keys() == {"family", "name"}


@pytest.mark.parametrize("name", ["", "a/b", "a b", "..\\\\a"])
def test_a_name_that_is_no_file_name_is_refused(tmp_path: Path, name: str) -> None:
    text = f'schema = 1\nname = "{name}"\nfamily = "coil"\n'
    assert "file name" in problems(tmp_path, text)["name"]
