"""Check single values of a readings/1 line. Each raises MistakeError with what is wrong."""

from __future__ import annotations

__all__ = [
    "NO_UNCERTAINTY",
    "UNCERTAINTY",
    "not_negative",
    "positive",
    "status_mistake",
    "temperature",
    "text",
]

from labbench.files import MistakeError

UNCERTAINTY = "without its uncertainty a value decides nothing"
NO_UNCERTAINTY = f"missing: {UNCERTAINTY}"
_MAX_TEXT = 200


def text(value: str) -> None:
    """Refuse a text that is empty, long or not printable."""
    if not value.strip():
        raise MistakeError("must not be empty")
    if len(value) > _MAX_TEXT:
        raise MistakeError(f"must not be longer than {_MAX_TEXT} characters")
    if not value.isprintable():
        raise MistakeError("must not contain control characters")


def temperature(value: float) -> None:
    """Refuse a temperature (°C) that no part on a bench has."""
    if not -60 <= value <= 200:
        raise MistakeError(f"must lie between -60 and 200 °C, not {value:g}")


def positive(value: float) -> None:
    """Refuse zero and less."""
    if not value > 0:
        raise MistakeError(f"must be above zero, not {value:g}")


def not_negative(value: float) -> None:
    """Refuse less than zero."""
    if value < 0:
        raise MistakeError(f"must not be negative, not {value:g}")


def status_mistake(value: float | None, status: str) -> str | None:
    """Say what is wrong between a value and its status, or nothing."""
    if value is None and status == "ok":
        return "null needs a status: over-range, not-measured or unstable"
    if value is not None and status in ("over-range", "not-measured"):
        return f"has a value though its status is {status!r}"
    return None
