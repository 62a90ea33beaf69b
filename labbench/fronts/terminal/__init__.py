"""Answer `labbench ...` at a terminal."""

from __future__ import annotations

__all__ = ["main"]

from labbench.fronts.terminal.group import main
