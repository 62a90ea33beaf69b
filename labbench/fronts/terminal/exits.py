"""Turn dispositions and errors into exit codes and sentences."""

from __future__ import annotations

__all__ = [
    "ERROR",
    "INPUT",
    "OK",
    "STOPPED",
    "UNDECIDED",
    "UNFIT",
    "exit_code",
    "say_error",
    "speaking",
    "worst",
]

import sys
from collections.abc import Iterable, Iterator
from contextlib import contextmanager

import click

from labbench.errors import (
    CompensationError,
    InputError,
    LabbenchError,
    OutputStateUnknown,
    StoppedByPerson,
)

OK, UNFIT, INPUT, UNDECIDED, ERROR, STOPPED = 0, 1, 2, 3, 4, 130
_CODES = {"fit": OK, "unfit": UNFIT, "undecided": UNDECIDED, "plausible": UNDECIDED}
_ORDER = (ERROR, INPUT, UNFIT, UNDECIDED, OK)


def exit_code(disposition: str) -> int:
    """Return the exit code of one disposition."""
    return _CODES[disposition]


def worst(codes: Iterable[int]) -> int:
    """Return the worst of several exit codes: 4 > 2 > 1 > 3 > 0."""
    return min(codes, key=_ORDER.index, default=OK)


@contextmanager
def speaking() -> Iterator[None]:
    """Turn an error of ours into a sentence on stderr and the right exit code."""
    try:
        yield
    except OutputStateUnknown as error:
        banner = "!" * 78
        click.secho(
            f"{banner}\nTHE SUPPLY MAY STILL BE ON. Use the supply's own switch, now.\n{banner}",
            err=True, fg="red", bold=True,
        )  # fmt: skip
        say_error(error)
        sys.exit(ERROR)
    except StoppedByPerson as error:
        say_error(error)
        sys.exit(STOPPED)
    except (InputError, CompensationError) as error:
        say_error(error)
        sys.exit(INPUT)
    except LabbenchError as error:
        say_error(error)
        sys.exit(ERROR)
    except KeyboardInterrupt:
        # outside a run: nothing was energised
        click.echo("stopped", err=True)
        sys.exit(STOPPED)


def say_error(error: LabbenchError) -> None:
    """Print what happened and what to do next."""
    click.echo(f"labbench: {error.message}", err=True)
    if error.hint:
        click.echo(f"  next: {error.hint}", err=True)
    for note in getattr(error, "__notes__", ()):
        click.echo(f"  {note}", err=True)
