"""The terminal's commands without a bench: help, suggestions, JSON on stdout, exit codes.

Does not cover runs on a bench (tests/end_to_end) nor what a verdict should be (tests/judging).
"""

from __future__ import annotations

import json
import re
import subprocess
import sys
from pathlib import Path

import click
import jsonschema
import pytest

from labbench.errors import (
    CompensationError,
    InputError,
    JournalFailed,
    LabbenchError,
    LinkLost,
    OutputStateUnknown,
    StepAborted,
    StoppedByPerson,
)
from labbench.fronts.terminal.exits import exit_code, speaking, worst
from labbench.fronts.terminal.group import COMMANDS, cli
from labbench.schemas import load_schema
from tests.invoking import invoke

README = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")


def commands() -> list[tuple[str, ...]]:
    """Name every command and subcommand."""
    found: list[tuple[str, ...]] = []
    context = click.Context(cli)
    for name in cli.list_commands(context):
        command = cli.get_command(context, name)
        assert command is not None
        if isinstance(command, click.Group):
            found += [(name, sub) for sub in command.commands]
        else:
            found.append((name,))
    return found


@pytest.mark.parametrize("words", commands(), ids=" ".join)
def test_every_command_explains_itself(words: tuple[str, ...]) -> None:
    said = invoke(*words, "--help")
    assert said.code == 0
    usage, _, rest = said.out.partition("\n\n")
    assert usage.startswith("Usage: ")
    assert len(rest.strip().splitlines()[0].strip()) > 20
    assert "--json" in said.out
    # an option without a word of explanation helps nobody
    command: click.Command | None = cli
    for word in words:
        assert isinstance(command, click.Group)
        command = command.get_command(click.Context(command), word)
    assert command is not None
    silent = [p.name for p in command.params if isinstance(p, click.Option) and not p.help]
    assert silent == []


@pytest.mark.parametrize("group", sorted({words[0] for words in commands() if len(words) > 1}))
def test_a_group_lists_its_commands_with_whole_sentences(group: str) -> None:
    listed = invoke(group, "--help").out.partition("Commands:")[2]
    assert listed.strip()
    assert "..." not in listed


@pytest.mark.parametrize("words", commands(), ids=" ".join)
def test_every_command_is_in_the_readme(words: tuple[str, ...]) -> None:
    assert re.search(rf"labbench {' '.join(words)}\b", README), f"README does not tell {words}"


def test_every_command_that_the_readme_tells_exists_with_its_options() -> None:
    known = commands()
    seen = set()
    for told in re.findall(r"labbench ([a-z][^\n`#]*)", README):
        words = tuple(told.split())
        found = [name for name in known if words[: len(name)] == name]
        if not found:
            continue
        (name,) = found
        seen.add(name)
        help_text = invoke(*name, "--help").out
        for option in re.findall(r"--[a-z-]+", told):
            assert option in help_text, f"labbench {' '.join(name)} has no {option}"
    assert seen == set(known)


def test_the_help_names_every_command_and_the_cautions_without_loading_any() -> None:
    said = invoke("--help")
    for name in COMMANDS:
        assert f"  {name} " in said.out
    assert "60 V DC" in said.out


def test_a_slip_of_the_keyboard_gets_a_suggestion() -> None:
    said = invoke("verfy", "coil-470n")
    assert said.code == 2
    assert "Did you mean verify?" in said.err
    assert invoke("zzzz").code == 2


def test_an_unknown_part_type_gets_a_suggestion() -> None:
    said = invoke("types", "show", "coil-47n")
    assert said.code == 2
    assert "did you mean coil-470n?" in said.err
    assert said.out == ""


def test_an_unreadable_marking_says_why() -> None:
    said = invoke("types", "decode", "hello")
    assert said.code == 2
    assert "hello" in said.err
    assert "labbench:" in said.err


def test_a_marking_is_decoded_with_what_else_it_could_mean() -> None:
    said = invoke("types", "decode", "100")
    assert said.code == 0
    assert said.out.splitlines()[0] == "100 = 10 µH"
    assert "could also mean: 100 µH" in said.out
    assert "AlternativeReading" not in said.out
    (row,) = invoke("types", "decode", "R47", "--json").rows
    assert row["inductance_h"] == pytest.approx(470e-9)


def test_part_types_are_listed_and_shown() -> None:
    names = [row["name"] for row in invoke("types", "list", "--json").rows]
    assert {"coil-470n", "coil-4u7"} <= set(names)
    assert "coil-470n" in invoke("types", "list").out
    shown = invoke("types", "show", "coil-470n").out
    for text in ("376 nH to 564 nH", "1.35 mΩ to 1.65 mΩ", "28 A", "4 turns"):
        assert text in shown
    (row,) = invoke("types", "show", "coil-470n", "--json").rows
    assert row["turns"] == 4


def test_every_mistake_of_a_part_type_is_told_at_once(tmp_path: Path) -> None:
    path = tmp_path / "coil-mine.toml"
    path.write_text(
        'schema = 1\nname = "coil-mine"\nfamly = "coil"\n[core]\nmaterial = "iron"\n[limits]\n'
        'inductance = { nominal = "470 nF", tolerance = "20 %", frequency = "100 kHz" }\n',
        encoding="utf-8",
    )
    said = invoke("types", "show", path)
    assert said.code == 2
    for word in ("famly", "did you mean", "family", "material", "powder", "nF"):
        assert word in said.err, said.err
    assert said.err.count(str(path)) >= 3
    judged = invoke("judge", "-", "--type", path)
    assert judged.code == 2
    assert "famly" in judged.err


def test_every_mistake_of_a_bench_file_is_told_at_once(tmp_path: Path) -> None:
    path = tmp_path / "bench.toml"
    path.write_text(
        'schema = 1\nname = "mine"\nmains = "50 Hzz"\n'
        '[instruments.suply]\nresource = "TCPIP::127.0.0.1::1::SOCKET"\n'
        "[limits]\nvoltage = 30\n",
        encoding="utf-8",
    )
    said = invoke("bench", "--bench", path, data=tmp_path / "data")
    assert said.code == 2
    for word in ("mains", "suply", "did you mean", "supply", "voltage"):
        assert word in said.err, said.err


def test_without_a_bench_file_the_way_to_one_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    said = invoke("verify", "coil-470n", data=tmp_path / "data")
    assert said.code == 2
    assert "no bench file" in said.err
    assert "labbench setup" in said.err


def test_a_verify_without_a_part_asks_which(tmp_path: Path) -> None:
    said = invoke("verify", "--bench", example_bench(tmp_path), data=tmp_path / "data")
    assert said.code == 2
    assert "which part?" in said.err


def example_bench(folder: Path) -> Path:
    """Write the bench file that the README shows."""
    (block,) = re.findall(r"```toml\n(.*?)```", README, re.DOTALL)
    path = folder / "bench.toml"
    path.write_text(block, encoding="utf-8")
    return path


def test_an_instrument_read_by_hand_is_refused_with_its_key(tmp_path: Path) -> None:
    path = example_bench(tmp_path)
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("TCPIP::192.0.2.12::5025::SOCKET", "by-hand"), encoding="utf-8")
    said = invoke("bench", "--bench", path, data=tmp_path / "data")
    assert said.code == 2
    assert "instruments.multimeter" in said.err


def test_an_unknown_scenario_gets_a_suggestion(tmp_path: Path) -> None:
    said = invoke("simulate", "harbor-buoys")
    assert said.code == 2
    assert "harbour-buoys" in said.err
    assert invoke("demo", "--scenario", "one-coal", "--folder", tmp_path / "d").code == 2


def test_a_port_that_is_none_is_refused() -> None:
    for port in ("supply", "supply=abc", "suply=5", "supply=70000"):
        said = invoke("simulate", "one-coil", "--port", port)
        assert said.code == 2
        assert "ROLE=PORT" in said.err


@pytest.mark.parametrize(
    ("error", "code"),
    [
        (InputError("no"), 2),
        (CompensationError("no"), 2),
        (LinkLost("no"), 4),
        (StepAborted("no"), 4),
        (JournalFailed("no"), 4),
        (OutputStateUnknown("no"), 4),
        (StoppedByPerson("no"), 130),
        (KeyboardInterrupt(), 130),
    ],
)
def test_each_kind_of_error_has_its_exit_code(
    error: BaseException, code: int, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as ended, speaking():
        raise error
    assert ended.value.code == code
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err


def test_an_error_is_told_with_what_to_do_next_and_what_else_went_wrong(
    capsys: pytest.CaptureFixture[str],
) -> None:
    error = LinkLost("the meter went away", hint="look at the cable")
    error.add_note("besides, the relays were not opened")
    with pytest.raises(SystemExit), speaking():
        raise error
    assert capsys.readouterr().err.splitlines() == [
        "labbench: the meter went away",
        "  next: look at the cable",
        "  besides, the relays were not opened",
    ]


def test_an_error_of_somebody_else_is_not_swallowed() -> None:
    with pytest.raises(ZeroDivisionError), speaking():
        raise ZeroDivisionError


def test_of_several_specimens_the_worst_decides() -> None:
    assert [exit_code(word) for word in ("fit", "unfit", "undecided", "plausible")] == [0, 1, 3, 3]
    assert worst([]) == 0
    assert worst([0, 3]) == 3
    assert worst([0, 3, 1]) == 1
    assert worst([0, 3, 1, 2]) == 2
    assert worst([4, 2, 1, 3, 0]) == 4
    assert issubclass(OutputStateUnknown, LabbenchError)


GOOD = {
    "schema": "readings/1", "type": "coil-470n", "temperature_c": 25.0,
    "impedance": {"frequency_hz": [1e3, 1e4, 1e5, 3e5, 1e6],
                  "resistance_ohm": [1.5e-3, 1.6e-3, 3.5e-3, 1.2e-2, 6e-2],
                  "reactance_ohm": [2.953e-3, 2.953e-2, 0.2953, 0.886, 2.95],
                  "u_resistance_ohm": [1e-4, 1e-4, 2e-4, 5e-4, 3e-3],
                  "u_reactance_ohm": [3e-5, 3e-5, 2e-4, 6e-4, 2e-3]},
    "dc_resistance": {"value_ohm": 1.5e-3, "u_ohm": 1e-5, "temperature_c": 25.0},
}  # fmt: skip


def line(specimen: str, **more: object) -> str:
    return json.dumps({**GOOD, "specimen": specimen, **more})


def test_a_line_that_cannot_be_read_is_told_in_its_place_and_the_others_are_judged(
    tmp_path: Path,
) -> None:
    path = tmp_path / "readings.jsonl"
    path.write_text(
        "\n".join(
            [line("A1"), '{"schema": "readings/1", "spec', line("A2", type="coil-47n"),
             line("A3", temperture_c=3), line("A1"), "", line("A4"),
             line("A5", temperature_c=float("nan"))]
        ) + "\n",
        encoding="utf-8",
    )  # fmt: skip
    said = invoke("judge", path, "--json")
    assert said.code == 2
    rows = said.rows
    for row in rows:
        name = row["schema"].replace("/", "-")
        jsonschema.validate(row, load_schema(name))
    assert [row["schema"] for row in rows] == [
        "verdict/1", "problem/1", "problem/1", "problem/1", "problem/1", "verdict/1", "problem/1",
    ]  # fmt: skip
    assert [row["line"] for row in rows if row["schema"] == "problem/1"] == [2, 3, 4, 5, 8]
    assert [row["specimen"] for row in rows if row["schema"] == "verdict/1"] == ["A1", "A4"]
    assert "did you mean coil-470n?" in rows[2]["message"]
    assert "temperature_c" in rows[3]["message"]
    assert "came before" in rows[4]["message"]
    # people read the same on stderr
    assert said.err.count("labbench: ") == 5
    text = invoke("judge", path)
    assert [out.split()[:2] for out in text.out.splitlines()] == [["A1", "FIT"], ["A4", "FIT"]]


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (
            line("A1").replace("A1", "Kölner Werft").encode("latin-1"),
            ("not UTF-8", "save the file"),
        ),
        (line("A1").encode("utf-16"), ("not UTF-8", "save the file")),
        (b"frequency;R;X\n1000;1,5e-3;2,95e-3", ("not a row of a table",)),
        (
            line("A1").replace('"value_ohm": 0.0015', '"value_ohm": 0,0015').encode(),
            ("a number takes a point, no comma",),
        ),
        (b"", ("no test line in", "readings.jsonl")),
    ],
    ids=["latin-1", "utf-16", "table", "decimal comma", "empty"],
)
def test_a_file_of_another_kind_is_refused_with_what_it_should_be(
    tmp_path: Path, content: bytes, words: tuple[str, ...]
) -> None:
    path = tmp_path / "readings.jsonl"
    path.write_bytes(content)
    said = invoke("judge", path)
    assert said.code == 2
    assert said.out == ""
    for word in words:
        assert word in said.err


def test_standard_input_that_is_no_utf_8_is_told_and_no_traceback() -> None:
    program = [sys.executable, "-c", "from labbench.fronts.terminal import main; main()"]
    latin = line("A1").replace("A1", "Kölner Werft").encode("latin-1")
    done = subprocess.run([*program, "judge", "-"], input=latin, capture_output=True, check=False)
    assert done.returncode == 2
    assert b"not UTF-8" in done.stderr
    assert b"Traceback" not in done.stderr


@pytest.mark.parametrize(
    "words",
    [("rail", "--readings"), ("gauge", "report", "--csv"), ("gauge", "report"),
     ("shelf", "match", "--type", "coil-470n", "--from")],
)  # fmt: skip
def test_a_file_that_is_no_utf_8_is_told_with_its_line_wherever_one_is_read(
    tmp_path: Path, words: tuple[str, ...]
) -> None:
    path = tmp_path / "latin.jsonl"
    path.write_bytes(b"first\nK\xf6lner Werft\n")
    more = ("--rail", path) if words[0] == "shelf" else ()
    said = invoke(*words, path, *more, data=tmp_path / "data")
    assert said.code == 2
    assert "is not UTF-8 text (line 2)" in said.err
    assert "codec" not in said.err


def test_a_marking_does_for_a_part_type_in_a_file_as_at_the_bench(tmp_path: Path) -> None:
    path = tmp_path / "readings.jsonl"
    path.write_text(line("A1", type="R47") + "\n", encoding="utf-8")
    said = invoke("judge", path, "--json")
    assert said.code == 3, said.err
    assert said.verdict["type"] == "R47"
    assert "decimal point" in invoke("judge", path, "--why").out
    assert invoke("judge", path, "--type", "R47", "--json").verdict["type"] == "R47"


def test_standard_input_is_judged_too() -> None:
    said = invoke("judge", "-", "--json", input=line("A1") + "\n")
    assert said.code == 0
    assert said.verdict["disposition"] == "fit"


def test_siblings_stand_anywhere_and_give_no_verdict_of_their_own(tmp_path: Path) -> None:
    first, second = tmp_path / "one.jsonl", tmp_path / "two.jsonl"
    first.write_text(line("A1", lot="pulled") + "\n", encoding="utf-8")
    second.write_text(
        "".join(line(f"S{n}", lot="pulled", role="sibling") + "\n" for n in range(4)),
        encoding="utf-8",
    )
    said = invoke("judge", first, second, "--json")
    assert said.verdict["specimen"] == "A1"
    nothing = invoke("judge", second)
    assert nothing.code == 2
    assert "no test line" in nothing.err


def test_why_tells_the_statistics_and_json_stays_json(tmp_path: Path) -> None:
    path = tmp_path / "readings.jsonl"
    path.write_text(line("A1") + "\n", encoding="utf-8")
    text = invoke("judge", path, "--why").out
    assert "P(conforms) = " in text
    assert "limits 376-564 nH" in text
    assert invoke("judge", path, "--why", "--json").verdict["specimen"] == "A1"


def test_a_file_that_is_not_there_is_named_before_anything_is_judged(tmp_path: Path) -> None:
    path = tmp_path / "readings.jsonl"
    path.write_text(line("A1") + "\n", encoding="utf-8")
    said = invoke("judge", path, tmp_path / "missing.jsonl")
    assert said.code == 2
    assert said.out == ""
    assert "missing.jsonl" in said.err


@pytest.mark.parametrize("risk", ["0", "0.6", "-1", "nan", "5 %"])
def test_a_risk_that_is_none_is_refused(risk: str) -> None:
    assert invoke("judge", "-", "--risk", risk, input=line("A1")).code == 2


def test_the_whole_program_starts_and_says_its_version() -> None:
    assert re.fullmatch(r"labbench, version \d+\.\d+\.\d+\n", invoke("--version").out)
