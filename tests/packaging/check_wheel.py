"""Build the wheel, install it into an empty environment, and use it from another folder.

    python tests/packaging/check_wheel.py

Needs `build` and an index (or a cache) for the dependencies. Prints what was checked; exit code 1
at the first thing that is not as it should be. Builds from a copy, so the checkout stays clean.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import tempfile
import venv
import zipfile
from collections.abc import Sequence
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
PACKAGES = ("labbench", "drivers", "sim")
BUILT_FROM = ("pyproject.toml", "README.md", *PACKAGES)
FROZEN_JOURNAL = ROOT / "tests" / "records" / "frozen" / "journal-1-demo.jsonl"

#: at least one of each must be inside, besides being the same as in the checkout
MUST_HOLD = {
    "schemas": "labbench/schemas/*.json",
    "part types": "labbench/parts/shipped/*.toml",
    "page templates": "labbench/reports/templates/*.html",
    "page style": "labbench/reports/templates/*.css",
    "dialects": "drivers/dialects/*.toml",
    "constructions": "sim/constructions/*.toml",
    "scenarios": "sim/scenarios/*.toml",
    "error texts": "sim/scpi/*.csv",
}


class NotAsItShouldBe(Exception):
    """Report the first thing that is wrong with the wheel."""


def main() -> int:
    """Check everything; return the exit code."""
    try:
        with tempfile.TemporaryDirectory() as name:
            check(Path(name))
    except NotAsItShouldBe as wrong:
        print(f"NOT as it should be: {wrong}")
        return 1
    print("the wheel is as it should be")
    return 0


def check(folder: Path) -> None:
    """Do all checks in an empty folder."""
    wheel = build(folder)
    check_contents(wheel)
    home = folder / "installed"
    python = install(wheel, home)
    elsewhere = folder / "somewhere else"
    elsewhere.mkdir()
    check_smoke(python, elsewhere)
    check_neighbours(python, folder / "hiding", elsewhere)


def build(folder: Path) -> Path:
    """Build the wheel from a copy of what it is made of."""
    source = folder / "source"
    source.mkdir()
    unwanted = shutil.ignore_patterns("__pycache__", "*.pyc", "*.egg-info")
    for name in BUILT_FROM:
        if (ROOT / name).is_dir():
            shutil.copytree(ROOT / name, source / name, ignore=unwanted)
        else:
            shutil.copy2(ROOT / name, source / name)
    run([sys.executable, "-m", "build", "--wheel", "--outdir", str(folder / "dist"), str(source)])
    wheels = list((folder / "dist").glob("*.whl"))
    if len(wheels) != 1:
        raise NotAsItShouldBe(f"{len(wheels)} wheels were built")
    said("built", wheels[0].name)
    return wheels[0]


def check_contents(wheel: Path) -> None:
    """Compare the wheel with the checkout: every file of the three packages, and no other."""
    expected = {
        path.relative_to(ROOT).as_posix()
        for package in PACKAGES
        for path in (ROOT / package).rglob("*")
        if path.is_file() and "__pycache__" not in path.parts and path.suffix != ".pyc"
    }
    with zipfile.ZipFile(wheel) as file:
        inside = {name for name in file.namelist() if ".dist-info/" not in name}
        metadata_names = [name for name in file.namelist() if name.endswith("/METADATA")]
        metadata = file.read(metadata_names[0]).decode()
    if missing := sorted(expected - inside):
        raise NotAsItShouldBe(f"missing in the wheel: {', '.join(missing)}")
    if more := sorted(inside - expected):
        raise NotAsItShouldBe(f"in the wheel and not in the checkout: {', '.join(more)}")
    for what, pattern in MUST_HOLD.items():
        if not any(Path(name).match(pattern) for name in inside):
            raise NotAsItShouldBe(f"there are no {what} ({pattern}) inside")
    if "Classifier: Private :: Do Not Upload" not in metadata:
        raise NotAsItShouldBe("an index would take it: the Private classifier is missing")
    said("holds", f"{len(inside)} files, all of the checkout's: {', '.join(MUST_HOLD)}")


def install(wheel: Path, home: Path) -> Path:
    """Install it into an empty environment; give that one's Python."""
    venv.create(home, with_pip=True)
    python = home / ("Scripts" if os.name == "nt" else "bin") / "python"
    run([str(python), "-m", "pip", "install", "--quiet", "--disable-pip-version-check", str(wheel)])
    run([str(python), "-m", "pip", "--disable-pip-version-check", "check"])
    said("installed", "with its dependencies into an empty environment; pip check finds no trouble")
    return python


def check_smoke(python: Path, elsewhere: Path) -> None:
    """Use it as a user would, from a folder that is not the checkout."""
    labbench = str(python.with_name("labbench"))
    help_text = run([labbench, "--help"], cwd=elsewhere)
    if "verify" not in help_text or "60 V DC" not in help_text:
        raise NotAsItShouldBe(f"labbench --help says {help_text!r}")
    types = run([labbench, "types", "list"], cwd=elsewhere)
    for path in (ROOT / "labbench" / "parts" / "shipped").glob("*.toml"):
        if path.stem not in types:
            raise NotAsItShouldBe(f"labbench types list does not list {path.stem}")
    said("--help, types list", "as expected")

    verdicts = run(
        [labbench, "demo", "--no-wait", "--no-report", "--json", "--folder", "demo"], cwd=elsewhere
    )
    words = [json.loads(line)["disposition"] for line in verdicts.splitlines()]
    if len(words) < 8 or {"fit", "unfit"} - set(words):
        raise NotAsItShouldBe(f"the demo gave {words}")
    said("demo", f"agrees with its truth, {len(words)} coils")
    page = run([labbench, "report", "D3", "--data", "demo"], cwd=elsewhere)
    said("report", page.strip().splitlines()[-1])

    readings = next(
        event["data"]["readings"]
        for line in FROZEN_JOURNAL.read_text(encoding="utf-8").splitlines()
        if (event := json.loads(line))["kind"] == "measured"
    )
    (elsewhere / "readings.jsonl").write_text(json.dumps(readings) + "\n", encoding="utf-8")
    judged = run([labbench, "judge", "readings.jsonl", "--json"], cwd=elsewhere, code=1)
    verdict = json.loads(judged)
    if verdict["schema"] != "verdict/1" or verdict["disposition"] != "unfit":
        raise NotAsItShouldBe(f"a coil with a shorted turn was judged {judged}")
    said("judge", "a shorted turn is unfit, exit code 1")

    where = run(
        [str(python), "-c", "import labbench, drivers, sim; "
         "print(labbench.__file__, drivers.__file__, sim.__file__, sep='\\n')"],
        cwd=elsewhere,
    )  # fmt: skip
    if str(ROOT) in where:
        raise NotAsItShouldBe(f"the checkout was used instead of the wheel: {where}")


def check_neighbours(python: Path, hiding: Path, elsewhere: Path) -> None:
    """See that a foreign package of the name of one of ours stops the start, with the reason."""
    labbench = str(python.with_name("labbench"))
    for name in ("drivers", "sim"):
        foreign = hiding / name
        (foreign / name).mkdir(parents=True)
        (foreign / name / "__init__.py").write_text("", encoding="utf-8")
        said_of_it = run(
            [labbench, "types", "list"], cwd=elsewhere, code=1, also_err=True,
            environment={"PYTHONPATH": str(foreign)},
        )  # fmt: skip
        if f"the package {name!r} beside labbench is hidden by" not in said_of_it:
            raise NotAsItShouldBe(f"a foreign {name!r} was not noticed: {said_of_it}")
        if str(foreign) not in said_of_it or "environment of its own" not in said_of_it:
            raise NotAsItShouldBe(f"it is not said which {name!r} it is, or what to do")
    said("neighbours", "a foreign `drivers` or `sim` is refused at the start, by name")


def run(
    command: Sequence[str],
    *,
    cwd: Path | None = None,
    code: int = 0,
    also_err: bool = False,
    environment: dict[str, str] | None = None,
) -> str:
    """Run a program; give its output, or say what went wrong when its exit code is another."""
    clean = {key: value for key, value in os.environ.items() if key != "PYTHONPATH"}
    done = subprocess.run(
        command,
        cwd=cwd,
        env={**clean, "PYTHONIOENCODING": "utf-8", **(environment or {})},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        encoding="utf-8",
        check=False,
    )
    if done.returncode != code:
        raise NotAsItShouldBe(
            f"{' '.join(map(str, command))}: exit code {done.returncode}, {code} was expected\n"
            f"{done.stdout}{done.stderr}"
        )
    return done.stdout + (done.stderr if also_err else "")


def said(what: str, result: str) -> None:
    """Print one line."""
    print(f"{what:<20}{result}", flush=True)


if __name__ == "__main__":
    sys.exit(main())
