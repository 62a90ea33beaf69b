"""Dialect files: every problem at once, and what the shipped ones hold.

Does NOT cover whether an instrument understands the spelling: `tests/drivers_with_sim` asks the
simulated ones, and only a person with a real instrument can ask that.
"""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

from drivers import shipped_dialects
from drivers.dialect import Dialect, command, fill, query, template_problems
from drivers.dialect_roles import (
    ImpedanceMeterDialect,
    MultimeterDialect,
    SupplyDialect,
    SwitchDialect,
    load_dialect,
)
from labbench.errors import FileProblems

ROLES: dict[str, type[Dialect]] = {
    "impedance-calculate-tree": ImpedanceMeterDialect,
    "impedance-function-tree": ImpedanceMeterDialect,
    "multimeter-scpi99": MultimeterDialect,
    "multimeter-sense-fetch": MultimeterDialect,
    "supply-channel-list": SupplyDialect,
    "supply-scpi99": SupplyDialect,
    "switch-output-tree": SwitchDialect,
    "switch-scpi99": SwitchDialect,
}


def changed(tmp_path: Path, name: str, *changes: tuple[str, str]) -> Path:
    text = shipped_dialects()[name].read_text(encoding="utf-8")
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new)
    path = tmp_path / f"{name}.toml"
    path.write_text(text, encoding="utf-8")
    return path


def problems(path: Path, cls: type[Dialect]) -> dict[str, str]:
    with pytest.raises(FileProblems) as told:
        load_dialect(path, cls)
    assert all(problem.file == str(path) for problem in told.value.problems)
    return {str(problem.key): str(problem) for problem in told.value.problems}


def test_there_are_two_shipped_dialects_for_every_role() -> None:
    assert set(shipped_dialects()) == set(ROLES)
    assert all(list(ROLES.values()).count(role) == 2 for role in ROLES.values())


@pytest.mark.parametrize("name", sorted(ROLES))
def test_a_shipped_dialect_loads_and_says_where_its_spelling_comes_from(name: str) -> None:
    loaded = load_dialect(name, ROLES[name])
    assert loaded.dialect.name == name == loaded.path.stem
    assert "SCPI-99" in loaded.dialect.source
    assert "from memory" in loaded.dialect.source
    assert len(loaded.sha256) == 64


@pytest.mark.parametrize("name", sorted(ROLES))
def test_a_copy_of_a_shipped_dialect_is_read_from_its_file(name: str, tmp_path: Path) -> None:
    path = changed(tmp_path, name, ('reply = "2 s"', 'reply = "500 ms"'))
    assert load_dialect(path, ROLES[name]).dialect.timing.reply == 0.5
    assert load_dialect(str(path), ROLES[name]).path == path


def test_every_problem_of_a_dialect_is_listed_at_once(tmp_path: Path) -> None:
    path = changed(
        tmp_path,
        "supply-scpi99",
        ('read_terminator = "\\n"', 'read_terminater = "\\n"'),
        ("quirks = []", 'quirks = ["no-error-cue"]'),
        ('reply = "2 s"', 'reply = "2"'),
        ('off = "250 ms"', 'off = "20 s"'),
        ("relative = 1e-3", "relative = 2.0"),
        ('voltage = "1 mV"', 'voltage = "1 mA"'),
        ("over_range = 9.9e37", "over_range = 0.0"),
        ("VOLT {voltage_v}", "VOLT {voltage}"),
        ('"INST:NSEL {channel};:OUTP 0"', '"INST:NSEL {channel};:OUTP?"'),
        (':OUTP?", reply = "boolean"', ':OUTP?", reply = "number"'),
        (':MEAS:VOLT?", reply = "number"', ':MEAS:VOLT", reply = "float"'),
        ("constant_current = 0", "constant_current = 16"),
        ('clear_status = "*CLS"', "clear_status = 3"),
    )
    found = problems(path, SupplyDialect)
    assert set(found) == {
        "link.read_terminater",
        "link.read_terminator",
        "link.quirks[0]",
        "timing.reply",
        "timing.off",
        "readback.relative",
        "readback.voltage",
        "numbers.over_range",
        "commands.set_voltage",
        "commands.switch_off",
        "commands.is_on.reply",
        "commands.read_voltage.send",
        "commands.read_voltage.reply",
        "condition_bits.constant_current",
        "commands.clear_status",
    }
    assert "did you mean read_terminator?" in found["link.read_terminater"]
    assert "did you mean 'no-error-queue'?" in found["link.quirks[0]"]
    assert (
        "unknown place {voltage} (known here: {voltage_v}, {channel})"
        in (found["commands.set_voltage"])
    )
    assert "lacks the place {voltage_v}" in found["commands.set_voltage"]
    assert "is a query" in found["commands.switch_off"]
    assert "'boolean'" in found["commands.is_on.reply"]
    assert "no question mark" in found["commands.read_voltage.send"]
    assert "no kind of reply" in found["commands.read_voltage.reply"]
    assert "line " in found["timing.reply"]


@pytest.mark.parametrize("name", sorted(ROLES))
def test_no_key_may_be_left_out_of_the_link(name: str, tmp_path: Path) -> None:
    path = changed(tmp_path, name, ('write_terminator = "\\n"\n', ""), ("quirks = []\n", ""))
    found = problems(path, ROLES[name])
    assert set(found) == {"link.write_terminator", "link.quirks"}


def test_a_dialect_for_another_role_is_refused_in_one_sentence() -> None:
    with pytest.raises(FileProblems, match="for the role 'supply', not for 'multimeter'"):
        load_dialect("supply-scpi99", MultimeterDialect)


def test_a_name_that_is_none_gets_a_suggestion() -> None:
    with pytest.raises(FileProblems, match="did you mean supply-scpi99") as told:
        load_dialect("suply-scpi99", SupplyDialect)
    assert "switch-scpi99" in str(told.value.hint)


def test_a_file_that_is_none_says_so(tmp_path: Path) -> None:
    with pytest.raises(FileProblems, match="no such file"):
        load_dialect(tmp_path / "mine.toml", SupplyDialect)


def test_a_setting_and_its_read_back_come_together(tmp_path: Path) -> None:
    path = changed(tmp_path, "impedance-function-tree", ('set_own_correction_off = "CORR 0"\n', ""))
    assert "own_correction" in str(problems(path, ImpedanceMeterDialect))
    path = changed(
        tmp_path,
        "supply-scpi99",
        ('selected_channel = { send = "INST:NSEL?", reply = "integer" }\n', ""),
        ("[condition_bits] # of the condition register\n", ""),
        ("constant_current = 0\nconstant_voltage = 1\n", ""),
    )
    found = problems(path, SupplyDialect)
    assert any("selected_channel" in key for key in found)


def test_condition_bits_come_with_the_query_for_them(tmp_path: Path) -> None:
    text = shipped_dialects()["supply-scpi99"].read_text(encoding="utf-8")
    without = "".join(
        line for line in text.splitlines(keepends=True) if not line.startswith("condition = ")
    )
    path = tmp_path / "supply.toml"
    path.write_text(without, encoding="utf-8")
    assert "comes together" in str(problems(path, SupplyDialect))


def test_reading_status_must_leave_a_way_to_be_good(tmp_path: Path) -> None:
    path = changed(tmp_path, "impedance-function-tree", ('0 = "ok"', '0 = "unstable"'))
    assert "no reading would be good" in str(problems(path, ImpedanceMeterDialect))
    path = changed(tmp_path, "impedance-function-tree", ('0 = "ok"', '0 = "ok"\nx = "ok"'))
    assert "reading_status.x" in problems(path, ImpedanceMeterDialect)


def test_ranges_must_ascend(tmp_path: Path) -> None:
    path = changed(
        tmp_path, "multimeter-scpi99", ('["100 mV", "1 V", "10 V",', '["1 V", "100 mV", "10 V",')
    )
    assert "ascending" in problems(path, MultimeterDialect)["ranges.dc_voltage"]


@pytest.mark.parametrize(
    ("template", "told"),
    [
        ("", "is empty"),
        ("VOLT {voltage_v}\n", "printable"),
        ("VOLT {voltage_v} Ω", "printable"),
        ("VOLT {voltage_v", "unpaired braces"),
        ("VOLT {voltage_v:.3f}", "the driver formats numbers"),
        ("VOLT {voltage_v!r}", "the driver formats numbers"),
        ("VOLT {0}", "unknown place {0}"),
        ("VOLT {}", "unknown place {}"),
        ("VOLT {voltage_v.real}", "unknown place {voltage_v.real}"),
        ("VOLT", "lacks the place {voltage_v}"),
    ],
)
def test_a_template_that_cannot_be_filled_is_told(template: str, told: str) -> None:
    assert told in template_problems(template, ("voltage_v",), ())


def test_a_good_template_has_no_problem_and_is_filled() -> None:
    assert template_problems("VOLT {voltage_v},(@{channel})", ("voltage_v",), ("channel",)) == ""
    assert fill("VOLT {voltage_v}", {"voltage_v": "1.5", "channel": "1"}) == "VOLT 1.5"
    assert set(command()) == set(query("number")) == {"check"}


@pytest.mark.parametrize("name", sorted(ROLES))
def test_no_shipped_dialect_holds_a_header_that_is_neither_short_nor_long_form(name: str) -> None:
    # SCPI-99 vol. 1, 6.2.1: the short form is the first four letters, three where the fourth is a
    # vowel; words of up to four letters are not shortened. Long forms from the public vectors.
    long_forms = [
        "VOLTage", "CURRent", "FREQuency", "MEASure", "OUTPut", "CORRection", "RANGe", "STATus",
        "PROTection", "RESistance", "FRESistance", "ERRor", "APERture", "IMPedance", "SYSTem",
        "FUNCtion", "AVERage", "COUNt", "AUTO", "TRIGger", "SOURce", "READ", "INSTrument",
        "NSELect", "TRIPped", "CLEar", "QUEStionable", "CONDition", "CONFigure", "NPLCycles",
        "ROUTe", "CLOSe", "OPEN", "STATe", "CALCulate", "FORMat", "UNIT", "ANGLe", "INITiate",
        "FETCh", "ISUMmary", "DELay", "WDOG",
    ]  # fmt: skip
    short = {"".join(letter for letter in word if letter.isupper()) for word in long_forms}
    words: set[str] = set()

    def collect(table: object) -> None:
        if isinstance(table, dict):
            for key, entry in table.items():
                if key not in ("reply", "words", "name"):
                    collect(entry)
        elif isinstance(table, list):
            for entry in table:
                collect(entry)
        elif isinstance(table, str):
            for unit in table.split(";"):
                header = unit.split()[0].rstrip("?")
                if not header.startswith("*"):
                    mnemonics = header.strip(":").split(":")
                    # a numeric suffix is none of the word (6.2.5.2)
                    words.update(re.sub(r"(\d+|\{channel\})$", "", word) for word in mnemonics)

    collect(tomllib.loads(shipped_dialects()[name].read_text(encoding="utf-8"))["commands"])
    assert words
    assert words <= short


def test_problems_of_a_serial_line_are_listed_at_once(tmp_path: Path) -> None:
    path = changed(
        tmp_path,
        "supply-scpi99",
        ("baud = 9600", "baud = 9601"),
        ('parity = "none"', 'parity = "evn"'),
        ("stop_bits = 1", "stop_bits = 3"),
        ("data_bits = 8\n", ""),
        ('flow_control = "none"', 'flow_control = "none"\nquiet = "20 s"\nspeed = 9600'),
        ("quirks = []", "quirks = []\nbaud = 9600"),
    )
    assert set(problems(path, SupplyDialect)) == {
        "serial.baud",
        "serial.parity",
        "serial.stop_bits",
        "serial.data_bits",
        "serial.quiet",
        "serial.speed",
        "link.baud",
    }


def test_a_dialect_without_a_serial_table_is_one_for_other_links(tmp_path: Path) -> None:
    text = shipped_dialects()["supply-scpi99"].read_text(encoding="utf-8")
    path = tmp_path / "own.toml"
    path.write_text(
        text[: text.index("[serial]")] + text[text.index("[timing]") :], encoding="utf-8"
    )
    assert load_dialect(path, SupplyDialect).dialect.serial is None


def test_a_fixed_setting_has_a_name_of_its_own_and_words_to_be_read_back(tmp_path: Path) -> None:
    path = changed(
        tmp_path,
        "impedance-calculate-tree",
        ('name = "second number"', 'name = "first number"'),
    )
    assert "has 'first number' twice" in problems(path, ImpedanceMeterDialect)["commands.fixed"]
    path = changed(
        tmp_path,
        "impedance-calculate-tree",
        ('words = ["DEG"]', "words = []"),
        ('set = "AVER 1"', 'set = "AVER?"'),
    )
    found = problems(path, ImpedanceMeterDialect)
    assert any("at least one spelling" in problem for problem in found.values())
    assert any("is a query" in problem for problem in found.values())


@pytest.mark.parametrize(
    "template", ["VOLT:APER 1", "VOLT:APER {seconds} {periods}", "VOLT:APER {s}", "VOLT:APER?"]
)
def test_an_integration_time_is_spelt_in_seconds_or_in_mains_periods(
    tmp_path: Path, template: str
) -> None:
    path = changed(tmp_path, "multimeter-sense-fetch", ("VOLT:APER {seconds}", template))
    assert set(problems(path, MultimeterDialect)) == {"commands.dc_voltage.set_integration"}


def test_a_switch_is_spelt_by_lists_or_relay_by_relay_but_not_half(tmp_path: Path) -> None:
    for name, changes in (
        ("switch-output-tree", [('open_channel = "OUTP{channel} 0"\n', "")]),
        ("switch-scpi99", [('close_channels = "ROUT:CLOS {channels}"\n', "")]),
    ):
        found = problems(changed(tmp_path, name, *changes), SwitchDialect)
        assert any("needs all of" in problem for problem in found.values()), found


def test_the_relays_of_a_switch_are_a_channel_list(tmp_path: Path) -> None:
    path = changed(tmp_path, "switch-output-tree", ("[link]", 'relays = "101 to 120"\n\n[link]'))
    assert "no channel list" in problems(path, SwitchDialect)["relays"]
    path = changed(tmp_path, "switch-output-tree", ("[link]", 'relays = "(@101:103)"\n\n[link]'))
    assert load_dialect(path, SwitchDialect).dialect.every_relay == (101, 102, 103)
