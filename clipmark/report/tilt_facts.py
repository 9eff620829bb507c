"""What is told of a side tilt, out of its reading in JSON form: events, others, the balance."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from clipmark.report.trace_facts import rows_of
from clipmark.report.words import measured, number
from clipmark.uncertainty.digits import number_of

MODEL = "first motion"


@dataclass(frozen=True)
class TiltEventFact:
    """One event of a side tilt by one criterion; degrees, seconds, None where unknown."""

    event: str
    criterion: str
    t_s: float
    t_u95_s: float | None
    frame: int | None
    tilt_deg: float | None
    u95_deg: float | None
    low_deg: float | None
    high_deg: float | None
    turned_deg: float | None
    rate_deg_s: float | None
    rate_u95_deg_s: float | None

    @property
    def is_first_motion(self) -> bool:
        """Whether it is read by the model and not seen by eye."""
        return self.criterion.startswith(MODEL)

    @property
    def name(self) -> str:
        """The event with its criterion, as it stands beside a figure."""
        return f"{self.event}, {self.criterion.replace(' deg', '°')}"

    @property
    def angle_words(self) -> str:
        """Its angle with U, or how far the platform had turned where nothing says what is level."""
        if self.tilt_deg is not None:
            return measured(self.tilt_deg, self.u95_deg, "°")
        turned = number(self.turned_deg, 2)
        return f"turned by {turned}° since the first frame"


def events_in(result: Mapping[str, object]) -> list[TiltEventFact]:
    """Events of a tilt reading in order of time, angles as magnitudes."""
    found = []
    for row in rows_of(result.get("events")):
        t_s = number_of(row.get("t_s"))
        if t_s is None:
            continue
        tilt = number_of(row.get("tilt_deg"))
        low, high = number_of(row.get("tilt_low95_deg")), number_of(row.get("tilt_high95_deg"))
        if tilt is not None and tilt < 0:
            tilt = -tilt
            low, high = (None if end is None else -end for end in (high, low))
        frame = row.get("frame")
        found.append(
            TiltEventFact(
                str(row.get("event") or "event"),
                str(row.get("criterion") or ""),
                t_s,
                number_of(row.get("t_u95_s")),
                frame if isinstance(frame, int) else None,
                tilt,
                number_of(row.get("tilt_u95_deg")),
                low,
                high,
                number_of(row.get("turned_deg")),
                number_of(row.get("rate_deg_s")),
                number_of(row.get("rate_u95_deg_s")),
            )
        )
    return sorted(found, key=lambda event: event.t_s)


def event_interval(
    result: Mapping[str, object], event: TiltEventFact
) -> tuple[float | None, float | None]:
    """95 % interval of an event's instant, s."""
    ends = result.get("t_interval95_s")
    if event.is_first_motion and isinstance(ends, (list, tuple)) and len(ends) == 2:
        low, high = number_of(ends[0]), number_of(ends[1])
        if low is not None and high is not None:
            return low, high
    if event.t_u95_s is None:
        return None, None
    return event.t_s - event.t_u95_s, event.t_s + event.t_u95_s


def event_words(event: TiltEventFact) -> str:
    """``both uphill wheels off, gap of 1 mm ...: 42.40 ± 0.21° at 2.939 ± 0.004 s, 1.50 ...``."""
    rate = measured(event.rate_deg_s, event.rate_u95_deg_s, "°/s") if event.rate_deg_s else ""
    when = f"at {measured(event.t_s, event.t_u95_s, 's')}"
    where = f", frame {event.frame}" if event.frame is not None else ""
    tail = f", {rate}" if rate else ""
    return f"{event.name}: {event.angle_words} {when}{where}{tail}"


def not_seen_words(result: Mapping[str, object]) -> list[str]:
    """``topple: not reached, up to a platform angle of 34.00 deg`` of every event not named."""
    return [
        f"{row.get('event')}: {row.get('said')}, {str(row.get('why')).replace(' deg', '°')}"
        for row in rows_of(result.get("other_events"))
    ]


def balance_words(result: Mapping[str, object]) -> list[str]:
    """Height and offset of the centre of gravity, and the stability factor, where joined."""
    cog = result.get("cog")
    if not isinstance(cog, Mapping):
        return []
    found = []
    for name, unit, what in (
        ("height", "mm", "centre of gravity, height"),
        ("offset", "mm", "its offset to the right"),
        ("stability_factor", "", "static stability factor"),
    ):
        tail = f"_{unit}" if unit else ""
        value = number_of(cog.get(f"{name}{tail}"))
        if value is not None:
            u95 = number_of(cog.get(f"{name}_u95{tail}"))
            found.append(f"{what} {measured(value, u95, unit)}")
    return found


def counting_event(result: Mapping[str, object], wanted: str = "") -> TiltEventFact | None:
    """The event that decides: that which the rule sheet wants, by its stated gap where it has one.

    Without a wish: both uphill wheels off, else whatever came first.
    """
    events = events_in(result)
    for event in (wanted, "both uphill wheels off"):
        named = [item for item in events if event and item.event == event]
        if named:
            seen = [item for item in named if not item.is_first_motion]
            return (seen or named)[0]
    return events[0] if events else None
