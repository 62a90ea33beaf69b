"""Gather the commands; each is loaded only when called, so `--help` costs what click costs."""

from __future__ import annotations

__all__ = ["CAUTION", "COMMANDS", "LazyGroup", "check_neighbours", "cli", "main"]

import importlib
import importlib.util
import os
import sys
from pathlib import Path

import click

import labbench

#: name: (what `labbench --help` says of it). The module of the same name in `commands` holds it.
COMMANDS = {
    "demo": "The main job on a simulated bench: compensate, verify donors, judge, record, report.",
    "setup": "Four questions, then a bench file; tries which dialect each instrument speaks.",
    "bench": "What is connected, is it healthy, how old are compensation and calibration.",
    "compensate": "Open and short the jig; stored with its age and its check.",
    "verify": "One coil or power switch, guided: look, measure, verdict, record.",
    "rail": "Is the load behind a rail alive, before a part is spent on it.",
    "gauge": "Prove the bench: gauge study (plan, run, report), check standard (check).",
    "judge": "Readings files: a verdict per line.",
    "types": "Part types: list, show, decode a marking.",
    "shelf": "Verified parts at hand: match for a rail, reserve, fit, outcome, return, scrap.",
    "history": "Search what was measured.",
    "report": "The page for a specimen: sweep, verdict, uncertainty, record.",
    "void": "Strike a mistaken run; it stays for ever, with who and why.",
    "simulate": "The virtual bench as servers for any VISA client.",
}


class LazyGroup(click.Group):
    """Load a command's module when that command is asked for, and not before."""

    def list_commands(self, _ctx: click.Context) -> list[str]:
        """Name the commands in the order of the work."""
        return list(COMMANDS)

    def get_command(self, _ctx: click.Context, name: str) -> click.Command | None:
        """Load one command."""
        if name not in COMMANDS:
            return None
        module = importlib.import_module(f"labbench.fronts.terminal.commands.{name}")
        command: click.Command = module.command
        return command

    def format_commands(self, _ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands without loading them."""
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Find the command; a slip of the keyboard gets a suggestion."""
        try:
            return super().resolve_command(ctx, args)
        except click.UsageError:
            import difflib

            near = difflib.get_close_matches(args[0], COMMANDS, n=1)
            hint = f" Did you mean {near[0]}?" if near else ""
            ctx.fail(f"there is no command {args[0]!r}.{hint}")


CAUTION = (
    "Scope: isolated low-voltage boards and loose parts, at most 60 V DC (from memory: check the "
    "standard). Anything mains-connected or above: stop, and leave it to a qualified person. "
    "Local electrical rules and licensed practice come first."
)


@click.group(
    cls=LazyGroup,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog=CAUTION,
)
@click.version_option(labbench.__version__, prog_name="labbench")
def cli() -> None:
    """Tell whether an inductor or a power switch is fit to solder in."""


def check_neighbours() -> None:
    """Refuse to start when `drivers` or `sim` is somebody else's package of that name.

    The three packages have short names; another distribution may bring its own `drivers`.
    """
    home = Path(labbench.__file__).resolve().parent.parent
    for name in ("drivers", "sim"):
        found = importlib.util.find_spec(name)
        origin = found.origin if found else None
        if origin is None or Path(origin).resolve().parent.parent != home:
            sys.exit(
                f"labbench: the package {name!r} beside labbench is hidden by {origin or 'nothing'}"
                f" (expected in {home}).\nInstall labbench in an environment of its own "
                "(a venv or pipx)."
            )


def main() -> None:
    """Run the command line and exit with its code."""
    check_neighbours()
    try:
        cli(standalone_mode=True)
    except BrokenPipeError:
        # the reader of our output went away (`labbench history | head`)
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(1)
