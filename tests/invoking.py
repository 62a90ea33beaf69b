"""Run a command of the terminal in this process and keep what it said."""

from __future__ import annotations

import inspect
import json
from pathlib import Path
from typing import Any

import jsonschema
from attrs import frozen
from click.testing import CliRunner

from labbench.fronts.terminal.group import cli
from labbench.schemas import load_schema


@frozen
class Said:
    """Hold the exit code, stdout and stderr of a command."""

    code: int
    out: str
    err: str

    @property
    def rows(self) -> list[dict[str, Any]]:
        """Read stdout as JSON lines; anything else on stdout fails."""
        return [json.loads(line) for line in self.out.splitlines()]

    @property
    def verdict(self) -> dict[str, Any]:
        """Read the one verdict on stdout and hold it against its schema."""
        (row,) = self.rows
        jsonschema.validate(row, load_schema("verdict-1"))
        return row


def invoke(*arguments: object, data: Path | None = None, input: str = "") -> Said:
    """Run `labbench ARGUMENTS`; an exception that is not turned into a sentence fails the test."""
    # click before 8.2 mixes the two streams unless told otherwise
    mixes = "mix_stderr" in inspect.signature(CliRunner).parameters
    options: dict[str, Any] = {"mix_stderr": False} if mixes else {}
    runner = CliRunner(**options)
    environment = {} if data is None else {"LABBENCH_DATA": str(data)}
    result = runner.invoke(cli, [str(a) for a in arguments], input=input, env=environment)
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return Said(result.exit_code, result.stdout, result.stderr)
