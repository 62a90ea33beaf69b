"""Name what is wrong with the channel of a MOSFET: threshold, on-resistance, and its diode."""

from __future__ import annotations

__all__ = ["name_channel"]

from collections.abc import Iterator, Sequence

from labbench.judging.switch_evidence import Deviation
from labbench.judging.switch_findings import loudest, make_finding
from labbench.quantities import format_si
from labbench.results import Characteristic, Finding, Grade


def name_channel(
    found: Sequence[Deviation], characteristics: Sequence[Characteristic]
) -> Iterator[Finding]:
    """Yield what threshold, on-resistance and body diode show."""
    threshold = loudest(found, ("threshold",))
    failed = {c.name: c for c in characteristics if c.verdict == "fails"}
    if threshold is not None or "threshold" in failed:
        if threshold is not None:
            grade: Grade = "sure" if threshold.sure or "threshold" in failed else "suspect"
            because = (
                f"threshold {format_si(threshold.value, 'V')}, its siblings "
                f"{format_si(threshold.expected, 'V')}"
            )
            yield make_finding("threshold-shift", "gate-source", grade, threshold.p, because,
                           "not-as-marked")  # fmt: skip
        else:
            yield make_finding("threshold-shift", "gate-source", "sure", 0.0,
                           f"threshold {_against(failed['threshold'])}",
                           "not-as-marked")  # fmt: skip
    ohms = loudest(found, ("on-resistance", "gate-ratio"))
    if ohms is not None or "on-resistance" in failed:
        if "on-resistance" in failed:
            because = f"on-resistance {_against(failed['on-resistance'])}"
            yield make_finding("high-on-resistance", "drain-source", "sure", 0.0, because,
                           "lifted-bond", "threshold-shift")  # fmt: skip
        elif ohms is not None and ohms.test == "on-resistance":
            grade = "sure" if ohms.sure else "suspect"
            because = (
                f"on-resistance {format_si(ohms.value, 'Ω')} at {ohms.at:.3g} V on the gate, its "
                f"siblings {format_si(ohms.expected, 'Ω')}"
            )
            if ohms.z > 0.0:
                yield make_finding("high-on-resistance", "drain-source", grade, ohms.p, because,
                               "lifted-bond", "threshold-shift")  # fmt: skip
            elif threshold is None:
                yield make_finding("not-as-marked", None, grade, ohms.p, because)
        elif ohms is not None and threshold is None:
            grade = "sure" if ohms.sure else "suspect"
            because = (
                f"on-resistance falls to {ohms.value:.2f} with the gate voltage, of its siblings "
                f"to {ohms.expected:.2f}"
            )
            if ohms.z > 0.0:
                yield make_finding("high-on-resistance", "drain-source", grade, ohms.p, because,
                               "threshold-shift", "lifted-bond")  # fmt: skip
            else:
                yield make_finding("threshold-shift", "gate-source", grade, ohms.p, because,
                               "high-on-resistance")  # fmt: skip
    diode = loudest(found, ("body-diode",))
    if diode is not None and "body-diode" not in failed:
        grade = "sure" if diode.sure and abs(diode.value - diode.expected) > 0.025 else "suspect"
        because = (
            f"body diode {format_si(diode.value, 'V')}, of its siblings "
            f"{format_si(diode.expected, 'V')}"
        )
        yield make_finding("not-as-marked", None, grade, diode.p, because)
    elif "body-diode" in failed:
        because = f"body diode {_against(failed['body-diode'])}"
        yield make_finding("lifted-bond", "drain-source", "sure", 0.0, because, "not-as-marked")


def _against(c: Characteristic) -> str:
    unit = "Ω" if c.unit == "ohm" else c.unit
    value = "over range" if c.value is None else format_si(c.value, unit)
    if c.upper is not None and (c.value is None or c.value > c.upper):
        return f"{value}, should be below {format_si(c.upper, unit)}"
    return f"{value}, should be above {format_si(c.lower or 0.0, unit)}"
