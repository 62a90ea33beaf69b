"""Hold the options that several commands share."""

from __future__ import annotations

__all__ = ["bench_option", "data_option", "json_option", "parts_option", "where_data"]

import os
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

F = TypeVar("F", bound=Callable[..., Any])


def where_data(given: Path | None) -> Path:
    """Return the data folder: the option, else LABBENCH_DATA, else the user's own folder."""
    if given is not None:
        return given
    if told := os.environ.get("LABBENCH_DATA"):
        return Path(told)
    return Path(click.get_app_dir("labbench"))


def data_option(function: F) -> F:
    """Add --data."""
    return click.option(
        "--data",
        "data",
        type=click.Path(file_okay=False, path_type=Path),
        help="Folder of journals, store, compensations and reports "
        "[default: LABBENCH_DATA, or the user's application folder].",
    )(function)


def bench_option(function: F) -> F:
    """Add --bench."""
    return click.option(
        "--bench",
        "bench",
        type=click.Path(dir_okay=False, path_type=Path),
        help="The bench file [default: the one used last, else bench.toml here].",
    )(function)


def parts_option(function: F) -> F:
    """Add --parts."""
    return click.option(
        "--parts",
        "parts",
        multiple=True,
        type=click.Path(file_okay=False, path_type=Path),
        help="Folder with part types, searched before the user's library and the shipped one.",
    )(function)


def json_option(function: F) -> F:
    """Add --json."""
    return click.option(
        "--json", "as_json", is_flag=True,
        help="JSON lines only on stdout; everything else goes to stderr.",
    )(function)  # fmt: skip
