"""Tell whether a check standard still reads as it did: zone rules and EWMA on its own history."""

from __future__ import annotations

__all__ = ["CheckChart", "CheckPoint", "check_chart"]

from collections.abc import Sequence

from attrs import field, frozen

from labbench.lots.control_charts import (
    SETTLED_POINTS,
    Alarm,
    Ewma,
    Limits,
    ewma,
    history_limits,
    zone_alarms,
)

#: a scatter below this share of the stated standard uncertainty is a display that shows the same
#: digits every day, not a better bench
_LEAST_SHARE = 0.1


@frozen(kw_only=True)
class CheckPoint:
    """Hold one check of one characteristic: when (ISO), value and standard uncertainty (SI)."""

    utc: str
    value: float
    u: float
    run: str = ""


@frozen(kw_only=True)
class CheckChart:
    """Hold the chart of one characteristic; `limits` None: too few points yet.

    `alarms` are those of the last point alone, `past` all of them: what was out of control last
    month is history, not a state.
    """

    name: str
    unit: str
    points: tuple[CheckPoint, ...]
    limits: Limits | None
    ewma: Ewma | None
    alarms: tuple[str, ...]
    past: tuple[Alarm, ...] = field(default=())

    @property
    def in_control(self) -> bool:
        """Tell whether the last point breaks no rule (also while there are too few points)."""
        return not self.alarms


def check_chart(name: str, unit: str, points: Sequence[CheckPoint]) -> CheckChart:
    """Chart the checks of one characteristic, oldest first; judge the last.

    The limits come from the checks before the last one, and from the first 20 of them once there
    are so many: limits that followed a drift would never show it.
    """
    baseline = [point.value for point in points[:-1]][:SETTLED_POINTS]
    least = _LEAST_SHARE * max((point.u for point in points), default=0.0)
    limits = history_limits(baseline, least_sigma=least)
    if limits is None:
        return CheckChart(name=name, unit=unit, points=tuple(points), limits=None, ewma=None,
                          alarms=())  # fmt: skip
    values = [point.value for point in points]
    past = zone_alarms(values, limits)
    moving = ewma(values, limits)
    last = len(values) - 1
    alarms = [alarm.text for alarm in past if alarm.index == last]
    if last in moving.beyond:
        word = "above" if moving.averages[last] > limits.centre else "below"
        alarms.append(f"its moving average has drifted {word} the limits")
    return CheckChart(
        name=name, unit=unit, points=tuple(points), limits=limits, ewma=moving,
        alarms=tuple(alarms), past=past,
    )  # fmt: skip
