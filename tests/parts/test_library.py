"""Check where part types are found, and that every shipped one can be read.

Does not cover: markings, which need no file (test_markings.py).
"""

from __future__ import annotations

from pathlib import Path

import pytest

from labbench.errors import FileProblems
from labbench.parts import library
from labbench.parts.library import (
    find_coil_type,
    find_part_type,
    list_part_types,
    shipped_directory,
    user_directory,
)

SWITCHES = {
    "nfet-30v-5m": "mosfet",
    "nfet-25v-1m5": "mosfet",
    "pfet-30v-12m": "mosfet",
    "nfet-30v-schottky": "mosfet",
    "nfet-20v-clamp": "mosfet",
    "stage-25v-50a": "power-stage",
}
SHIPPED = {
    "coil-470n": (470e-9, 1.5e-3, "powder", 4),
    "coil-1u0": (1e-6, 3e-3, "powder", 6),
    "coil-4u7": (4.7e-6, 16e-3, "powder", 12),
    "coil-22u": (22e-6, 58e-3, "powder", 25),
    "coil-10u": (10e-6, 9e-3, "ferrite", 10),
}


@pytest.fixture(autouse=True)
def own_library(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    folder = tmp_path / "user"
    monkeypatch.setattr(library, "user_directory", lambda: folder)
    return folder


def add(folder: Path, name: str, *, file: str | None = None, description: str = "") -> Path:
    folder.mkdir(exist_ok=True)
    path = folder / f"{file or name}.toml"
    path.write_text(
        f'schema = 1\nname = "{name}"\nfamily = "coil"\ndescription = "{description}"\n',
        encoding="utf-8",
    )
    return path


@pytest.mark.parametrize("name", SHIPPED)
def test_a_shipped_part_type_reads(name: str) -> None:
    coil = find_coil_type(name)
    inductance, resistance, material, turns = SHIPPED[name]
    assert coil.nominal_inductance_h == inductance
    assert coil.nominal_resistance_ohm == resistance
    assert (coil.material, coil.turns) == (material, turns)
    assert coil.inductance[0].lower_h == pytest.approx(0.8 * inductance)
    assert coil.dc_resistance[0].upper_ohm == pytest.approx(1.1 * resistance)


@pytest.mark.parametrize("name", SWITCHES)
def test_a_shipped_switch_reads_by_its_family(name: str) -> None:
    assert find_part_type(name).family == SWITCHES[name]
    with pytest.raises(FileProblems, match="coils only"):
        find_coil_type(name)


@pytest.mark.parametrize(("family", "near"), [("coils", "'coil'"), ("mosfets", "'mosfet'")])
def test_an_unknown_family_names_the_nearest(tmp_path: Path, family: str, near: str) -> None:
    path = add(tmp_path, "x")
    path.write_text(f'schema = 1\nname = "x"\nfamily = "{family}"\n', encoding="utf-8")
    with pytest.raises(FileProblems) as found:
        find_part_type(str(path))
    (problem,) = found.value.problems
    assert (problem.key, problem.suggestion) == ("family", near)


def test_everything_shipped_is_listed_whole() -> None:
    listed = list_part_types()
    assert {entry.name for entry in listed} == set(SHIPPED) | set(SWITCHES)
    assert all(entry.problem is None and not entry.hidden for entry in listed)
    assert {path.stem for path in shipped_directory().iterdir()} == set(SHIPPED) | set(SWITCHES)


def test_a_folder_given_comes_before_the_users_own_and_that_before_the_shipped(
    tmp_path: Path, own_library: Path
) -> None:
    given = tmp_path / "given"
    add(own_library, "coil-470n", description="own")
    assert find_part_type("coil-470n", directories=[]).description == "own"
    add(given, "coil-470n", description="given")
    assert find_part_type("coil-470n", directories=[given]).description == "given"
    listed = [entry for entry in list_part_types([given]) if entry.name == "coil-470n"]
    assert [entry.hidden for entry in listed] == [False, True, True]


def test_a_path_is_read_as_a_path_whatever_name_it_holds(tmp_path: Path) -> None:
    path = add(tmp_path, "c", file="other")
    assert find_part_type(str(path)).name == "c"


def test_an_unknown_name_gives_the_nearest() -> None:
    with pytest.raises(FileProblems) as found:
        find_part_type("coil-470")
    (problem,) = found.value.problems
    assert problem.suggestion in {"coil-470n", "coil-4u7"}
    assert found.value.hint is not None


def test_a_file_whose_name_disagrees_is_refused_in_a_library(own_library: Path) -> None:
    add(own_library, "coil-470n", file="my-coil")
    with pytest.raises(FileProblems) as found:
        find_part_type("my-coil")
    assert found.value.problems[0].key == "name"
    assert found.value.problems[0].suggestion == "'my-coil'"


def test_a_broken_file_is_listed_with_its_problems_and_hides_nothing_else(
    own_library: Path,
) -> None:
    own_library.mkdir()
    (own_library / "broken.toml").write_text("schema = ", encoding="utf-8")
    listed = {entry.name: entry for entry in list_part_types()}
    assert listed["broken"].part is None
    assert listed["broken"].problem is not None
    assert listed["coil-470n"].part is not None


def test_a_folder_that_is_none_is_named(tmp_path: Path) -> None:
    with pytest.raises(FileProblems, match="nowhere"):
        find_part_type("coil-470n", directories=[tmp_path / "nowhere"])


def test_the_users_folder_is_their_own() -> None:
    assert user_directory().name == "parts"
    assert user_directory() != shipped_directory()
