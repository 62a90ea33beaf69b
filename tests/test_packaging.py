"""Hold pyproject, packages, README and files to each other: what a user installs and reads is so.

Does not build anything: tests/packaging/check_wheel.py builds the wheel and tries it. Does not
check that importing keeps to the contracts (`lint-imports` does), only that no package lacks one.
"""

from __future__ import annotations

import ast
import fnmatch
import importlib
import importlib.metadata
import re
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import click
import pytest

import labbench
from labbench.bench.bench_file import load_bench_file
from labbench.fronts.terminal.group import COMMANDS, cli

ROOT = Path(__file__).resolve().parent.parent
PACKAGES = ("labbench", "drivers", "sim")
#: where the modules say in `__all__` what others may use
WITH_ALL = ("labbench", "drivers")

#: distribution: the module that it brings, where the names differ
MODULE_OF = {
    "import-linter": "importlinter",
    "pyserial": "serial",
    "pyvisa-py": "pyvisa_py",
    "scikit-learn": "sklearn",
    "scikit-rf": "skrf",
    "SQLAlchemy": "sqlalchemy",
}
#: programs and type stubs: used by name in Makefile or configuration, never imported
TOOLS = {
    "build": "tests/packaging/check_wheel.py",
    "coverage": "Makefile",
    "import-linter": "Makefile",
    "mypy": "Makefile",
    "pytest-xdist": "Makefile",
    "ruff": "Makefile",
}
#: pyvisa finds this one itself, when a resource manager is asked for it
PYVISA_PY_IS_ASKED_FOR = 'pyvisa.ResourceManager("@py")'


@pytest.fixture(scope="module")
def pyproject() -> dict[str, Any]:
    return tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))


def sources(*folders: str) -> Iterator[Path]:
    for folder in folders:
        yield from sorted((ROOT / folder).rglob("*.py"))


def imported_modules(*folders: str) -> set[str]:
    """Give the first part of every absolute import, also of those inside functions."""
    found: set[str] = set()
    for path in sources(*folders):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                found |= {alias.name.split(".")[0] for alias in node.names}
            elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
                found.add(node.module.split(".")[0])
    return found


def distribution(requirement: str) -> str:
    return re.split(r"[\s\[<>=!~;]", requirement, maxsplit=1)[0]


def module_of(name: str) -> str:
    return MODULE_OF.get(name, name)


def committed_files() -> list[Path]:
    """List what git would commit: tracked files, and new ones that are not ignored."""
    listed = subprocess.run(
        ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
        cwd=ROOT,
        capture_output=True,
        check=True,
        encoding="utf-8",
    ).stdout
    return [path for name in listed.split("\0") if name and (path := ROOT / name).is_file()]


# --- pyproject -----------------------------------------------------------------------------------


def test_it_can_never_be_uploaded_to_an_index_by_mistake(pyproject: dict[str, Any]) -> None:
    assert "Private :: Do Not Upload" in pyproject["project"]["classifiers"]


def test_it_says_which_python_it_needs_as_the_readme_does(pyproject: dict[str, Any]) -> None:
    requires = pyproject["project"]["requires-python"]
    assert requires == ">=3.11"
    oldest = requires.removeprefix(">=")
    assert f"It needs Python {oldest} to" in (ROOT / "README.md").read_text(encoding="utf-8")
    assert pyproject["tool"]["mypy"]["python_version"] == oldest
    assert pyproject["tool"]["ruff"]["target-version"] == f"py{oldest.replace('.', '')}"


def test_its_version_is_the_one_that_journals_record(pyproject: dict[str, Any]) -> None:
    assert pyproject["project"]["version"] == labbench.__version__


def test_every_runtime_dependency_is_imported_and_bounded(pyproject: dict[str, Any]) -> None:
    imported = imported_modules(*PACKAGES)
    for requirement in pyproject["project"]["dependencies"]:
        name = distribution(requirement)
        assert ">=" in requirement, requirement
        if name == "pyvisa-py":
            text = (ROOT / "drivers" / "transport.py").read_text(encoding="utf-8")
            assert PYVISA_PY_IS_ASKED_FOR in text
        elif name == "pyserial":
            # pyvisa-py loads it for serial lines, and does not bring it
            extras = importlib.metadata.requires("pyvisa-py") or []
            assert any(distribution(line) == "pyserial" and "serial" in line for line in extras)
        else:
            assert module_of(name) in imported, f"nothing imports {name}"


def test_everything_imported_at_run_time_is_a_runtime_dependency(
    pyproject: dict[str, Any],
) -> None:
    known = {module_of(distribution(r)) for r in pyproject["project"]["dependencies"]}
    known |= {*sys.stdlib_module_names, *PACKAGES}
    assert imported_modules(*PACKAGES) - known == set()


def test_everything_that_tests_import_is_in_an_extra(pyproject: dict[str, Any]) -> None:
    known = {module_of(distribution(r)) for r in _all_requirements(pyproject)}
    known |= {*sys.stdlib_module_names, *PACKAGES, "tests"}
    assert imported_modules("tests") - known == set()


def test_every_development_dependency_is_used(pyproject: dict[str, Any]) -> None:
    imported = imported_modules("tests", *PACKAGES)
    extras = pyproject["project"]["optional-dependencies"]
    unused = []
    for requirement in [*extras["test"], *extras["dev"]]:
        name = distribution(requirement)
        if name == pyproject["project"]["name"]:
            continue  # dev holds test
        if name in TOOLS:
            text = (ROOT / TOOLS[name]).read_text(encoding="utf-8")
            words = {name, module_of(name), "lint-imports" if name == "import-linter" else name}
            used = any(re.search(rf"\b{re.escape(word)}\b", text) for word in words)
        elif stub := re.fullmatch(r"types-(.+)|(.+)-stubs", name):
            used = (stub[1] or stub[2]).replace("-", "_") in imported
        else:
            used = module_of(name) in imported
        if not used:
            unused.append(name)
    assert unused == []


def test_the_command_starts_what_it_says(pyproject: dict[str, Any]) -> None:
    module, _, name = pyproject["project"]["scripts"]["labbench"].partition(":")
    assert callable(getattr(importlib.import_module(module), name))


# --- packages ------------------------------------------------------------------------------------


def test_every_folder_with_modules_is_a_package_that_gets_installed(
    pyproject: dict[str, Any],
) -> None:
    patterns = pyproject["tool"]["setuptools"]["packages"]["find"]["include"]
    for path in sources(*PACKAGES):
        folder = path.parent.relative_to(ROOT)
        assert (ROOT / folder / "__init__.py").is_file(), f"{folder} has modules and no __init__.py"
        name = ".".join(folder.parts)
        assert any(fnmatch.fnmatchcase(name, pattern) for pattern in patterns), name


def test_every_data_file_gets_installed(pyproject: dict[str, Any]) -> None:
    package_data = pyproject["tool"]["setuptools"]["package-data"]
    for package in PACKAGES:
        for path in (ROOT / package).rglob("*"):
            if path.is_dir() or path.suffix in (".py", ".pyc"):
                continue
            inside = path.relative_to(ROOT / package).as_posix()
            patterns = [pattern.removeprefix("**/") for pattern in package_data[package]]
            assert any(fnmatch.fnmatch(Path(inside).name, pattern) for pattern in patterns), (
                f"{package}/{inside} is no package data"
            )


def test_every_package_says_that_it_is_typed() -> None:
    for package in PACKAGES:
        assert (ROOT / package / "py.typed").is_file()


def test_every_part_of_labbench_stands_in_an_import_contract(pyproject: dict[str, Any]) -> None:
    contracts = pyproject["tool"]["importlinter"]["contracts"]
    held = {name for contract in contracts for name in contract["source_modules"]}
    parts = {
        f"labbench.{path.stem}"
        for path in (ROOT / "labbench").iterdir()
        if (path / "__init__.py").is_file() or (path.suffix == ".py" and path.stem != "__init__")
    }
    # compose opens benches: it alone may import everything
    assert parts - held == {"labbench.compose"}
    named = held | {name for contract in contracts for name in contract["forbidden_modules"]}
    assert {name for name in named if name.startswith("labbench.")} - parts == {
        "labbench.records.readings_file",
        "labbench.records.store",
    }


@pytest.mark.parametrize(
    "path", list(sources(*WITH_ALL)), ids=lambda path: path.relative_to(ROOT).as_posix()
)
def test_all_lists_what_a_module_defines_for_others(path: Path) -> None:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    listed = _listed(tree)
    defined, imported = _defined(tree)
    if path.name == "__init__.py" and listed is None:
        # a package's docstring, and perhaps its version
        assert defined - {"__version__"} == set()
        return
    assert listed is not None, "has no __all__"
    assert listed == sorted(listed, key=_as_ruff_sorts)
    assert defined - set(listed) == set(), "public and not in __all__"
    assert set(listed) - defined - imported == set(), "in __all__ and not there"


def _listed(tree: ast.Module) -> list[str] | None:
    for node in tree.body:
        if isinstance(node, ast.Assign) and any(
            isinstance(target, ast.Name) and target.id == "__all__" for target in node.targets
        ):
            names: list[str] = ast.literal_eval(node.value)
            return names
    return None


def _defined(tree: ast.Module) -> tuple[set[str], set[str]]:
    """Give the public names that a module defines, and those that it imports."""
    defined: set[str] = set()
    imported: set[str] = set()
    for node in tree.body:
        if isinstance(node, ast.FunctionDef | ast.ClassDef):
            defined.add(node.name)
        elif isinstance(node, ast.Assign | ast.AnnAssign):
            if _is_type_variable(node.value):
                continue  # of use inside the module only
            targets = node.targets if isinstance(node, ast.Assign) else [node.target]
            for target in targets:
                defined |= {n.id for n in ast.walk(target) if isinstance(n, ast.Name)}
        elif isinstance(node, ast.Import | ast.ImportFrom):
            imported |= {alias.asname or alias.name for alias in node.names}
    return {name for name in defined if not name.startswith("_")}, imported


def _is_type_variable(value: ast.expr | None) -> bool:
    return (
        isinstance(value, ast.Call)
        and isinstance(value.func, ast.Name)
        and value.func.id in ("TypeVar", "ParamSpec")
    )


def _as_ruff_sorts(name: str) -> tuple[int, str]:
    # constants, classes, the rest (ruff's RUF022)
    return (0 if name.isupper() else 1 if name[:1].isupper() else 2, name)


# --- files ---------------------------------------------------------------------------------------


def test_no_file_names_an_index_or_a_place_on_one_machine() -> None:
    # written in pieces, or this file would be the first to hold them
    hosts = [
        ".".join(parts)
        for parts in (
            ("pypi", "org"), ("pythonhosted", "org"), ("npmjs", "org"), ("npmjs", "com"),
            ("jsdelivr", "net"), ("unpkg", "com"), ("anaconda", "org"), ("crates", "io"),
            ("proxy", "golang", "org"), ("deb", "debian", "org"),
        )
    ]  # fmt: skip
    places = ["/".join(("", name, "")) for name in ("work", "tmp", "root", "home", "Users", "opt")]
    bad = re.compile(
        "|".join(re.escape(text) for text in hosts)
        # at the start of a path, not inside one or inside an address
        + r"|(?<![\w./:-])(?:" + "|".join(re.escape(text) for text in places) + r")\w",
    )  # fmt: skip
    found = []
    for path in committed_files():
        text = path.read_bytes().decode("utf-8", "replace")
        for number, line in enumerate(text.splitlines(), start=1):
            if bad.search(line):
                found.append(f"{path.relative_to(ROOT)}:{number}: {line.strip()[:80]}")
    assert found == []


def test_no_large_or_generated_file_is_committed() -> None:
    for path in committed_files():
        assert path.stat().st_size < 500_000, path
        assert path.suffix not in (".pyc", ".sqlite", ".whl", ".log"), path


# --- README --------------------------------------------------------------------------------------


def readme() -> str:
    return (ROOT / "README.md").read_text(encoding="utf-8")


def test_the_bench_file_in_the_readme_can_be_loaded(tmp_path: Path) -> None:
    (example,) = re.findall(r"```toml\n(.*?)```", readme(), flags=re.DOTALL)
    path = tmp_path / "bench.toml"
    path.write_text(example, encoding="utf-8")
    bench = load_bench_file(path)
    assert bench.name == "bench-1"
    assert bench.mains_hz == 50.0
    assert bench.instruments.impedance_meter is not None
    assert bench.instruments.impedance_meter.class_ == "bench-1MHz"
    assert bench.instruments.supply is not None
    assert bench.instruments.supply.output_capacitance_f == pytest.approx(220e-6)
    assert bench.fixture.supply_leads_ohm == pytest.approx(30e-3)
    assert bench.limits is not None
    assert (bench.limits.voltage_v, bench.limits.current_a) == (30.0, 5.0)


def commands_in_the_readme() -> list[tuple[str, ...]]:
    """List every `labbench ...` of a code block or a code span, without what follows a #."""
    found = []
    for line in re.findall(r"^ {4}(?:\S*[/\\])?(labbench .*)$", readme(), flags=re.MULTILINE):
        found.append(tuple(line.partition(" #")[0].split()[1:]))
    for span in re.findall(r"`(labbench [^`]+)`", readme()):
        found.append(tuple(span.split()[1:]))
    return found


def test_every_command_in_the_readme_exists_with_its_options() -> None:
    lines = commands_in_the_readme()
    assert len(lines) > 8
    for words in lines:
        command: click.Command = cli
        context = click.Context(cli, info_name="labbench")
        for word in words:
            if isinstance(command, click.Group):
                found = command.get_command(context, word)
                assert found is not None, f"labbench {' '.join(words)}: no command {word}"
                command = found
            elif word.startswith("--"):
                options = {
                    text
                    for option in command.params
                    for text in (*option.opts, *option.secondary_opts)
                }
                assert word in options, f"labbench {' '.join(words)}: no option {word}"


def test_the_readme_shows_every_command() -> None:
    shown = {words[0] for words in commands_in_the_readme() if words}
    assert set(COMMANDS) - shown == set()


def test_the_readme_names_targets_that_make_knows() -> None:
    makefile = (ROOT / "Makefile").read_text(encoding="utf-8")
    targets = set(re.findall(r"\bmake ([a-z]+)\b", readme())) - {"sure"}
    assert {"demo", "test", "check", "study", "bench"} <= targets
    for target in targets:
        assert re.search(rf"^{target}:", makefile, flags=re.MULTILINE), target


def _all_requirements(pyproject: dict[str, Any]) -> list[str]:
    project = pyproject["project"]
    extras = project["optional-dependencies"].values()
    return [*project["dependencies"], *(line for extra in extras for line in extra)]
