"""Rail files: what stays on a rail, read strictly, every problem at once.

Does not cover what is made of it (tests/jobs/test_match) nor the schema's shape (test_schemas).
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from labbench.errors import FileProblems
from labbench.records.rail_file import RailFile, WithU95, load_rail_file

README = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
PASSIVE = """
schema = 1
sensing = "none"
duty = "10 %"
[[phases]]
name = "1"
coil = "1 mΩ ±0.4 %"
low_side = "2.4 mΩ"
high_side = "7 mΩ"
board = "0.2 mΩ"
[[phases]]
name = "2"
vacant = true
coil = "1 mΩ"
high_side = "7 mΩ"
"""


def read(tmp_path: Path, text: str) -> RailFile:
    path = tmp_path / "rail.toml"
    path.write_text(text, encoding="utf-8")
    return load_rail_file(path)


def problems(tmp_path: Path, text: str) -> str:
    with pytest.raises(FileProblems) as caught:
        read(tmp_path, text)
    return caught.value.message


def test_the_file_in_the_readme_reads_as_it_says(tmp_path: Path) -> None:
    (example,) = re.findall(r"^    schema = 1\n    board.*?(?=^\S)", README, re.DOTALL | re.M)
    rail = read(tmp_path, re.sub(r"^    ", "", example, flags=re.M))
    assert (rail.board, rail.rail, rail.sensing) == ("radar-supply", "core", "dcr")
    assert rail.current_a == 60.0
    assert [phase.name for phase in rail.kept] == ["1", "2"]
    assert rail.kept[0].coil == WithU95(1.44e-3, 0.004)
    assert rail.kept[0].temperature_c == 28.0
    assert rail.kept[1].specimen == "D7"
    assert rail.vacant is not None
    assert rail.vacant.offset_v == pytest.approx(1e-4)


def test_a_rail_without_a_current_loop_says_all_that_lies_in_the_path(tmp_path: Path) -> None:
    rail = read(tmp_path, PASSIVE)
    assert rail.duty == pytest.approx(0.1)
    assert rail.vacant is not None
    assert rail.vacant.missing() == ("low_side",)
    assert WithU95(2e-3, 0.01).u_ohm == pytest.approx(1e-5)
    assert WithU95(2e-3).u_ohm == 0.0


def test_every_mistake_of_the_text_is_told_with_its_line(tmp_path: Path) -> None:
    said = problems(
        tmp_path,
        'schema = 1\nsensing = "dcx"\ncurrent = "60 V"\n[[phases]]\nname = "1"\n'
        'col = "1.5 mΩ"\n[[phases]]\nname = ""\ncoil = "-1 mΩ"\n',
    )
    for text in ("line 2, sensing", "did you mean 'dcr'", "line 3, current", "needs A",
                 "line 6, phases[0].col: unknown key; did you mean coil?", "line 8",
                 "line 9, phases[1].coil"):  # fmt: skip
        assert text in said, said


def test_every_mistake_between_the_phases_is_told_at_once(tmp_path: Path) -> None:
    said = problems(
        tmp_path,
        'schema = 1\n[[phases]]\nname = "1"\noffset = "1 mV"\n[[phases]]\nname = "1"\n'
        'vacant = true\nspecimen = "D4"\n[[phases]]\nname = "3"\nvacant = true\n'
        'temperature = "30 °C"\n',
    )
    for text in ("stands 2 times", "coil: missing", "current: needed with an offset",
                 "it holds no part", "a second vacant phase", "no coil is given"):  # fmt: skip
        assert text in said, said


@pytest.mark.parametrize(
    ("old", "new", "text"),
    [
        ('duty = "10 %"\n', "", "duty: needed"),
        ('duty = "10 %"', 'duty = "100 %"', "between 0 and 100 %"),
        ("vacant = true\n", "", "phases: without a current loop the vacant phase"),
        ("vacant = true\n", 'vacant = true\nlow_side = "2 mΩ"\n', "nothing is left out"),
        ('low_side = "2.4 mΩ"\n', "", "low_side: missing"),
        ('coil = "1 mΩ"\n', "", "choose one at a time"),
        ('low_side = "2.4 mΩ"\n', 'low_side = "2.4 mΩ"\nspecimen = "D4"\n', "left out is nothing"),
    ],
)
def test_a_rail_without_a_current_loop_is_refused_when_its_path_is_not_whole(
    tmp_path: Path, old: str, new: str, text: str
) -> None:
    assert old in PASSIVE
    assert text in problems(tmp_path, PASSIVE.replace(old, new))


def test_a_resistance_that_is_given_twice_is_refused(tmp_path: Path) -> None:
    said = problems(
        tmp_path, 'schema = 1\n[[phases]]\nname = "1"\nspecimen = "D4"\ncoil = "1 mΩ"\n'
    )
    assert "given twice" in said


def test_a_rail_without_a_phase_that_stays_is_refused(tmp_path: Path) -> None:
    assert "no phase stays" in problems(
        tmp_path, 'schema = 1\n[[phases]]\nname = "1"\nvacant = true\n'
    )
