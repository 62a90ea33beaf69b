"""Say what a gauge study found in words that a technician understands, and as a table."""

from __future__ import annotations

__all__ = [
    "GOOD_PERCENT",
    "USABLE_PERCENT",
    "StudyReport",
    "component_words",
    "gauge_lines",
    "gauge_verdict",
    "nested_lines",
    "nested_verdict",
    "ordered",
    "p_text",
    "sd_text",
]

from collections.abc import Iterator, Mapping

from attrs import frozen

from labbench.lots.average_and_range import AverageAndRange
from labbench.lots.gauge_study import Component, GaugeStudy, Nested, ReadingNoise
from labbench.lots.study_data import StudyBlock
from labbench.quantities import format_si

#: shares of the tolerance (or of the total) up to which a bench is good, and still of use (common
#: practice of gauge studies, no source)
GOOD_PERCENT, USABLE_PERCENT = 10.0, 30.0

_CAUSES: Mapping[str, str] = {
    "noise": "noise of the reading: average longer",
    "placement": "where the probes touch: press home, same place each time",
    "repeatability": "the bench repeating itself: noise, and where the probes touch",
    "operator": "who measures: agree how the part is held and pressed",
    "day": "the day: compensate each morning, watch the temperature",
    "part x operator": "people handle different parts differently",
    "part x day": "parts that changed between days",
    "operator x day": "people who differ from day to day",
    "part x operator x day": "parts, people and days together",
}


@frozen(kw_only=True, eq=False)
class StudyReport:
    """Hold a study with all that is said of it. `unit` is "" where a file names none."""

    title: str
    quantity: str
    unit: str
    block: StudyBlock
    study: GaugeStudy
    noise: ReadingNoise | None
    ranges: AverageAndRange | None
    lower: float | None = None
    upper: float | None = None
    facts: tuple[tuple[str, str], ...] = ()
    simulated: bool = False


def gauge_verdict(report: StudyReport) -> str:
    """Return one or two sentences: how much the bench scatters, what for it is good, and why."""
    grr = report.study.components["grr"]
    against_tolerance = grr.tolerance_percent is not None
    share = grr.tolerance_percent if grr.tolerance_percent is not None else grr.study_percent
    of = "the tolerance" if against_tolerance else "what these parts differ by, all told"
    if share <= GOOD_PERCENT:
        word = "good enough to sort parts"
    elif share <= USABLE_PERCENT:
        word = "good enough for clear cases; parts near a limit stay undecided"
    else:
        word = "not good enough: it would sort by chance"
    if report.study.categories < 2 and not against_tolerance:
        word = "it cannot tell these parts apart"
    return f"the bench scatters {_percent(share)} of {of}: {word}; most of it is {_cause(report)}"


def _percent(share: float) -> str:
    return f"{share:.0f} %" if share >= 1.0 else f"{share:.1g} %"


def _cause(report: StudyReport) -> str:
    """Name the largest component of what is not the part."""
    shares = {
        name: component.sd
        for name, component in report.study.components.items()
        if name not in ("part", "grr", "total", "repeatability")
    }
    if report.noise is not None:
        shares["noise"] = report.noise.within_sd
        shares["placement"] = report.noise.placement_sd
    else:
        shares["repeatability"] = report.study.components["repeatability"].sd
    largest = max(shares, key=lambda name: shares[name])
    return _CAUSES.get(largest, largest)


def p_text(p: float | None) -> str:
    """Return a p-value with four digits; none where nothing was tested."""
    if p is None:
        return ""
    return f"{p:.4f}" if p >= 5e-5 else "< 0.0001"


def component_words(name: str) -> str:
    """Return a component's name with the short form that the trade uses."""
    return {
        "repeatability": "repeatability (EV)",
        "operator": "between operators (AV)",
        "grr": "bench and people (GRR)",
        "part": "between parts (PV)",
        "total": "total (TV)",
        "day": "between days",
    }.get(name, name)


def sd_text(value: float, unit: str) -> str:
    """Return a standard deviation with its unit, or as a plain number where there is none."""
    if not unit or value == 0.0:
        return f"{value:.4g}" + (f" {unit}" if unit and value == 0.0 else "")
    return format_si(value, unit, 3)


def ordered(study: GaugeStudy) -> list[Component]:
    """Return the components in the order of a table: bench, people, together, parts, total."""
    last = ("grr", "part", "total")
    first = [c for name, c in study.components.items() if name not in last]
    return [*first, *(study.components[name] for name in last)]


def gauge_lines(report: StudyReport) -> Iterator[str]:
    """Yield the table at a terminal, a line each."""
    study, unit = report.study, report.unit
    shape = ", ".join(f"{n} {name}{'s' if n != 1 else ''}" for name, n in study.levels.items())
    yield f"{report.title}: {report.quantity}; {shape}"
    head = f"{'component':<26}{'sd':>11}  {f'{100 * study.confidence:.0f} % interval':<23}"
    yield f"{head}{'% of TV':>8}{'% var.':>8}{'% tol.':>8}"
    for component in ordered(study):
        interval = f"{sd_text(component.lower, unit)} to {sd_text(component.upper, unit)}"
        tolerance = component.tolerance_percent
        yield (
            f"{component_words(component.name):<26}{sd_text(component.sd, unit):>11}  "
            f"{interval:<23}{component.study_percent:>8.2f}{component.contribution_percent:>8.2f}"
            + (f"{tolerance:>8.2f}" if tolerance is not None else f"{'':>8}")
        ).rstrip()
    if report.noise is not None:
        noise = report.noise
        yield (
            f"repeatability is noise {sd_text(noise.within_sd, unit)} ({noise.within_df} df) and "
            f"placement {sd_text(noise.placement_sd, unit)}"
        )
    yield f"distinct categories: {study.categories} (1.41 PV/GRR, cut to a whole number)"
    if study.pooled:
        yield f"pooled with repeatability (p > 0.25): {', '.join(study.pooled)}"
    for effect in study.effects:
        tested = f"F {effect.f:.3f}  p {p_text(effect.p)}" if effect.f is not None else ""
        yield (
            f"  {effect.name:<24} SS {effect.ss:<12.6g} df {effect.df:<4} MS {effect.ms:<12.6g} "
            f"{tested}"
        ).rstrip()
    if report.ranges is not None:
        r = report.ranges
        yield (
            f"by average and range: EV {sd_text(r.ev, unit)}, AV {sd_text(r.av, unit)}, "
            f"GRR {sd_text(r.grr, unit)}, PV {sd_text(r.pv, unit)}, TV {sd_text(r.tv, unit)}, "
            f"categories {r.categories}"
        )
        parts, people = report.block.names["part"], report.block.names["operator"]
        limit = sd_text(r.range_limit, unit)
        for part, person in r.beyond:
            yield (
                f"  part {parts[part]}, {people[person]}: range above {limit}: "
                "one reading is probably a slip"
            )
    operators = study.levels.get("operator", 1)
    if operators < 5:
        who = "one person" if operators == 1 else f"{operators} people"
        yield f"{who} measured: what people add is known only roughly"


def nested_lines(nested: Nested, unit: str) -> Iterator[str]:
    """Yield the table of a nested study: readings, days, runs."""
    levels = (
        ("1 readings within a day", nested.level_1),
        ("2 day averages within a run", nested.level_2),
        ("3 run averages", nested.level_3),
    )
    yield f"{'level':<30}{'sd':>12}{'df':>6}"
    for name, level in levels:
        if level is not None:
            yield f"{name:<30}{sd_text(level[0], unit):>12}{level[1]:>6}"
    for word, variance in (("days", nested.day_variance), ("runs", nested.run_variance)):
        if variance is not None:
            note = "" if variance > 0 else " (the estimate is negative: nothing is seen)"
            yield f"what {word} add: {sd_text(max(0.0, variance) ** 0.5, unit)}{note}"
    yield f"a single reading, any day and run: {sd_text(nested.measurement_sd, unit)}"


def nested_verdict(nested: Nested) -> str:
    """Return a sentence: which level most of the scatter comes from."""
    shares = {
        "from reading to reading": nested.level_1[0] ** 2,
        "from day to day": max(0.0, nested.day_variance),
        "from run to run": max(0.0, nested.run_variance or 0.0),
    }
    total = sum(shares.values())
    largest = max(shares, key=lambda name: shares[name])
    percent = 100.0 * shares[largest] / total
    return f"{percent:.0f} % of the scatter of a single reading arises {largest}"
