"""Put what the study of MOSFETs counted into its page: goals, sound parts, faults by severity."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from sim.physics.devices.mosfet_faults import DRAIN_SOURCE, GATE_SOURCE
from tests.studies.switch_severities import BANDS, Band
from tests.studies.tally import Tally, lines_of, lower_bound, upper_bound


def _names(band: Band, type_name: str, goal: str) -> bool:
    """Tell whether a band counts for a goal with this type."""
    if band.goal == "not schottky":
        return goal == "detect" and "schottky" not in type_name
    if band.goal == "gate":
        return goal == "detect" and "clamp" not in type_name
    if band.goal == "soft":
        return goal == "soft" or (goal == "detect" and "schottky" not in type_name)
    return band.goal == goal


def _rate(hits: int, count: int) -> str:
    return (
        f"{100.0 * hits / count:.1f} % of {count} (at least {100 * lower_bound(hits, count):.1f})"
    )


def goal_lines(
    healthy: Mapping[str, Tally], faults: Mapping[str, Mapping[str, Tally]],
    small: Sequence[tuple[str, float, Tally]],
) -> list[str]:  # fmt: skip
    """Hold what was found against the goals; bounds are one-sided, 95 %."""
    by_name = {band.name: band for band in BANDS}

    def gathered(goal: str, types: Sequence[str] = ()) -> Tally:
        total = Tally()
        for type_name in types or tuple(faults):
            for name, tally in faults[type_name].items():
                if _names(by_name[name], type_name, goal):
                    total = total.merged(tally)
        return total

    rows = []
    for type_name, tally in healthy.items():
        bad = tally.words["unfit"]
        rows.append(
            (
                f"false reject, {type_name}",
                "at most 1 %",
                f"{bad} of {tally.count} (at most {100 * upper_bound(bad, tally.count):.2f} %)",
            )
        )
        hot, asked = tally.unfit_by["hot"], tally.asked_by["hot"]
        rows.append(
            (
                f"the same, hot up to 45 °C, {type_name}",
                "at most 2 %",
                f"{hot} of {asked} (at most {100 * upper_bound(hot, asked):.2f} %)",
            )
        )
    for words, goal, wanted in (
        ("leaks 10 Ω-10 MΩ, gates, shorts, open, low breakdown", "detect", "at least 99 %"),
        ("on-resistance from +15 % up", "on-resistance", "at least 98 %"),
        ("on-resistance, exactly +15 %", "at 15 %", "(the edge of the goal)"),
        ("threshold from ±0.25 V up", "threshold", "at least 98 %"),
        ("threshold, exactly ±0.25 V", "at 0.25 V", "(the edge of the goal)"),
    ):
        total = gathered(goal)
        rows.append((words, wanted, _rate(total.words["unfit"], total.count)))
    schottky = faults["nfet-30v-schottky"]
    to_500k = schottky["leak drain-source, 10 Ω-10 kΩ"].merged(
        schottky["leak drain-source, 10-500 kΩ"]
    )
    rows.append(
        (
            "Schottky type, drain leak to 500 kΩ",
            "at least 95 %",
            _rate(to_500k.words["unfit"], to_500k.count),
        )
    )
    everything = Tally()
    for type_name in faults:
        for name, tally in faults[type_name].items():
            if by_name[name].goal:
                everything = everything.merged(tally)
    named = Tally()
    for type_name in faults:
        for tally in faults[type_name].values():
            named = named.merged(tally)
    rows.append(
        (
            "named right, of those called unfit",
            "at least 90 %",
            f"{100.0 * named.named / max(1, named.words['unfit']):.1f} %",
        )
    )
    clean = 100.0 * everything.words["unfit"] / everything.count
    spoiled = 100.0 * everything.unfit_by["1 of 5"] / everything.asked_by["1 of 5"]
    rows.append(
        (
            "loss of detection with one bad sibling of five",
            "at most 2 points",
            f"{clean - spoiled:.1f} points ({clean:.1f} to {spoiled:.1f} %)",
        )
    )
    for path in (DRAIN_SOURCE, GATE_SOURCE):
        for road, words in (("", "five siblings"), ("none", "no siblings")):
            found = [
                ohm for p, ohm, t in small
                if p == path
                and (t.words["unfit"] if not road else t.unfit_by[road])
                >= 0.95 * (t.count if not road else t.asked_by[road])
            ]  # fmt: skip
            wanted = {
                ("drain-source", ""): "3 GΩ",
                ("drain-source", "none"): "1 GΩ",
                ("gate-source", ""): "10 GΩ clean",
            }.get((path, road), "")
            rows.append(
                (
                    f"largest {path} leak found in 95 %, {words} (nfet-30v-5m)",
                    wanted,
                    f"{max(found, default=0.0):.0e} Ω",
                )
            )
    return lines_of(("goal", "wanted", "found"), rows)


def report(
    healthy: Mapping[str, Tally], faults: Mapping[str, Mapping[str, Tally]],
    coarse: Mapping[str, Mapping[str, Tally]], small: Sequence[tuple[str, float, Tally]],
    hand_ohm: Mapping[str, float], *, seed: int,
) -> str:  # fmt: skip
    """Write the page of results."""
    first = next(iter(healthy.values()))
    lines = [
        "# MOSFETs: what is found, and what sound parts cost",
        "",
        f"Seed {seed}. Lots of six from the simulator's populations (`sim/physics/devices`), each",
        "measured in the loop of the bench with the errors of one session, judged with its five",
        "lot-mates as siblings at 1 % total false reject; room 23-27 °C, parts within 1 K of it.",
        "No threshold was set on these parts: rules and shares were tried out on lots of other",
        "seeds of the same populations, which flatters them. Per cent of parts unless a count is",
        "given; bounds are one-sided, 95 % (Clopper and Pearson 1934). All populations are",
        "invented; no hardware was measured, and real spreads will differ.",
        "",
        "## Against the goals",
        "",
        *goal_lines(healthy, faults, small),
        "",
        "## Sound parts",
        "",
        f"{first.count} of each type. `hot`: came at 25 to 45 °C and nobody said so.",
        "",
    ]
    roads = ("none", "1 of 5", "hot", "no meter", "ohmmeter", "diode test", "readback")
    lines += lines_of(
        ("type", "unfit", "undecided", "plausible", "fit", "unfit without siblings",
         "unfit, 1 of 5 bad", "hot unfit", "hot undecided", "ohmmeter", "diode test", "readback"),
        [
            (name, *(f"{t.share(w):.2f}" for w in ("unfit", "undecided", "plausible", "fit")),
             *(f"{100.0 * t.unfit_by[r] / max(1, t.asked_by[r]):.1f}"
               for r in ("none", "1 of 5", "hot", "hot undecided", *roads[4:])))
            for name, t in healthy.items()
        ],
    )  # fmt: skip
    lines += [
        "",
        "## Faults",
        "",
        "`named`: of those called unfit, the first finding or an alternative is the truth. `none`:",
        "no siblings; `1 of 5`: one sibling replaced by a faulty part; `no meter`: supply only,",
        "where the best word is plausible. By hand: ohmmeter at 0.5 V, gate tied to source (drain",
        "below the limit below, gate below 0.83 MΩ because fingers conduct), a diode test at 1 mA",
        "(2 kΩ), the supply's readback, zeroed (2 mA). Ohmmeter limits, set on other sound parts: "
        + ", ".join(f"{name} {ohm:.2g} Ω" for name, ohm in hand_ohm.items())
        + ".",
    ]
    header = ("fault", "unfit", "undecided", "plausible", "fit", "named", "none", "1 of 5",
              "no meter", "ohmmeter", "diode test", "readback")  # fmt: skip
    for type_name, rows in faults.items():
        count = next(iter(rows.values())).count
        lines += ["", f"### {type_name}, {count} parts a row", ""]
        lines += lines_of(header, [
            (name, *(f"{t.share(w):.0f}" for w in ("unfit", "undecided", "plausible", "fit")),
             t.named_share,
             *(t.share_by(r) for r in
               ("none", "1 of 5", "no meter", "ohmmeter", "diode test", "readback")))
            for name, t in rows.items()
        ])  # fmt: skip
    lines += ["", "## With a 4.5-digit multimeter", "", "Unfit, per cent.", ""]
    lines += lines_of(
        ("fault", *coarse),
        [(band.name, *(f"{coarse[name][band.name].share('unfit'):.0f}" for name in coarse))
         for band in BANDS],
    )  # fmt: skip
    lines += ["", "## Small leaks, nfet-30v-5m", "", "Unfit, per cent.", ""]
    lines += lines_of(
        ("path", "leak", "five siblings", "no siblings"),
        [(path, f"{ohm:.0e} Ω", f"{t.share('unfit'):.0f}", t.share_by("none"))
         for path, ohm, t in small],
    )  # fmt: skip
    return "\n".join(lines) + "\n"
