"""Stories as pictures: instants and amounts turned into places on the page, and the same in words."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from audit.figures import cut, figure, letters
from audit.findings.result import Kind, Lane, Scene, Span, Story, Stretch, Usage
from audit.report.visible import visible
from audit.timeline.instants import DAY, HOUR, MINUTE, stamp

TOP, TOP_OF_FAULT_ALONE = 58, 20
"""Room above the lanes: for the wait, what is missing of it and the fault; for the fault alone."""
LETTER, BOLD_LETTER = 6.3, 7.4
"""Width of a letter, roughly: labels that would run into each other are left out; every one is in the words."""
LONGEST = 34
"""Letters of a label; a longer one is cut."""
LANE = 19
"""Letters of a lane's name before it."""
NAMED = 40
"""How many things a picture's words name."""
PLOT_TOP, PLOT_BOTTOM, LEVELS_LEFT = 24, 168, 52
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
STEPS = (
    *(minutes * MINUTE for minutes in (1, 2, 5, 10, 15, 30)),
    *(hours * HOUR for hours in (1, 2, 3, 6, 12)),
    *(days * DAY for days in (1, 2, 7, 14, 28, 56, 112, 224, 448)),
)


@dataclass(frozen=True)
class Frame:
    """How wide a picture is, and where its time begins and ends; `lane` is the height of a lane, whose name is before
    it, or where `named` is not 0 above it, in so much room; there are `ticks` at most."""

    width: int
    left: int
    right: int
    lane: int
    named: int
    ticks: int


BROAD = Frame(width=640, left=112, right=632, lane=34, named=0, ticks=8)
NARROW = Frame(width=350, left=2, right=346, lane=50, named=16, ticks=4)
"""For a telephone: drawn anew, since what is only made smaller can't be read."""


@dataclass(frozen=True)
class Bar:
    """One thing on a lane; `said` is shown when it is pointed at, `later` is how far its other reading reaches."""

    kind: Kind
    x: float
    width: float
    said: str
    later: float | None


@dataclass(frozen=True)
class Label:
    """Text at what it is of, at x; `anchor` is start, middle or end, and `shift` how far from x there is room."""

    x: float
    text: str
    anchor: str = "start"
    shift: float = 0


@dataclass(frozen=True)
class DrawnLane:
    """A lane with its bars and the labels that have room."""

    name: str
    y: int
    bars: tuple[Bar, ...]
    labels: tuple[Label, ...]


@dataclass(frozen=True)
class Zone:
    """A stretch of time with its label above."""

    x: float
    width: float
    label: Label


@dataclass(frozen=True)
class DrawnScene:
    """A scene ready to be drawn; `says` is the same in words."""

    finding_id: str
    frame: Frame
    top: int
    height: int
    lanes: tuple[DrawnLane, ...]
    wait: Zone | None
    short: Zone | None
    fault: Label | None
    ticks: tuple[Label, ...]
    days: tuple[Label, ...]
    says: str
    shape: str = "scene"


@dataclass(frozen=True)
class DrawnUsage:
    """A saw tooth ready to be drawn; `says` is the same in words."""

    finding_id: str
    frame: Frame
    boot: str
    line: str
    excess: str
    limit_y: float
    limit: str
    seasons: tuple[tuple[float, float], ...]
    treatments: tuple[float, ...]
    swaps: tuple[Label, ...]
    over: Label
    levels: tuple[tuple[float, str], ...]
    ticks: tuple[Label, ...]
    unit: str
    says: str
    shape: str = "usage"


def draw(story: Story, frame: Frame = BROAD) -> DrawnScene | DrawnUsage:
    """Turn a story into a picture."""
    return _scene(story, frame) if isinstance(story, Scene) else _usage(story, frame)


@dataclass(frozen=True)
class _Scale:
    """Instants as places between `left` and the right edge of a frame."""

    start: int
    end: int
    frame: Frame
    left: int

    def x(self, at: int) -> float:
        inside = min(max(at, self.start), self.end)
        span = self.frame.right - self.left
        return round(self.left + (inside - self.start) / max(self.end - self.start, 1) * span, 1)


def _scene(scene: Scene, frame: Frame) -> DrawnScene:
    scale = _Scale(scene.start, scene.end, frame, frame.left)
    top = TOP if scene.wait or scene.short else TOP_OF_FAULT_ALONE
    lanes = tuple(_lane(lane, top + number * frame.lane, scale) for number, lane in enumerate(scene.lanes))
    ticks, days = _ticks(scale)
    return DrawnScene(
        finding_id=scene.finding_id,
        frame=frame,
        top=top,
        height=top + len(lanes) * frame.lane + 36,
        lanes=lanes,
        wait=None if scene.wait is None else _zone(scene.wait, scale),
        short=None if scene.short is None else _zone(scene.short, scale),
        fault=None
        if scene.fault is None
        else _label(scale.x(scene.fault[0]), scene.fault[1], frame, f" {_clock(scene.fault[0])}"),
        ticks=ticks,
        days=days,
        says=" ".join(_scene_in_words(scene)),
    )


def _zone(stretch: Stretch, scale: _Scale) -> Zone:
    x, end = scale.x(stretch.start), scale.x(stretch.end)
    return Zone(x, round(max(end - x, 1.5), 1), _label(x, stretch.label, scale.frame))


def _label(x: float, text: str, frame: Frame, last: str = "") -> Label:
    """A label that begins at x, or ends there where it would run out of the picture, or at the edge where it would run
    out both ways. Of one that the picture is too narrow for the text is cut, and what comes `last` is kept."""
    text = cut(visible(text), min(LONGEST, int(frame.right / BOLD_LETTER) - len(last))) + last
    width = letters(text) * BOLD_LETTER
    if x + width <= frame.right:
        return Label(x, text)
    if x >= width:
        return Label(min(x, frame.right), text, "end")
    return Label(x, text, "end", round(frame.right - x, 1))


def _lane(lane: Lane, y: int, scale: _Scale) -> DrawnLane:
    bars = []
    for span in lane.spans:
        x, end = scale.x(span.start), scale.x(span.end)
        later = None if span.later is None else round(max(scale.x(span.later) - end, 1.5), 1)
        bars.append(Bar(span.kind, x, round(max(end - x, 2.0), 1), visible(_said(span)), later))
    name = cut(visible(lane.name), LONGEST if scale.frame.named else LANE)
    return DrawnLane(name, y, tuple(bars), tuple(_names(lane, scale)))


def _names(lane: Lane, scale: _Scale) -> Iterator[Label]:
    """The names of things, of close neighbours once with their number, where they have room: treatments first."""
    taken: list[tuple[float, float]] = []
    right = scale.frame.right
    if lane.left_out:
        more = f"and {lane.left_out:,} more"
        taken.append((right - len(more) * LETTER, right))
        yield Label(right, more, "end")
    # Treatments take their room first: a finding is mostly about one.
    for group in sorted(_groups(lane.spans, scale), key=lambda group: group[0].kind != "treatment"):
        text = _name(group)
        x = scale.x(group[0].start)
        end = x + letters(text) * LETTER + 6
        label = Label(x, text)
        if end > scale.frame.width:
            x, end, label = right - (end - x), right, Label(right, text, "end")
        if all(end <= left or x >= right for left, right in taken):
            taken.append((x, end))
            yield label


def _groups(spans: tuple[Span, ...], scale: _Scale) -> list[list[Span]]:
    groups: list[list[Span]] = []
    for span in spans:
        if groups and _close(groups[-1][-1], span, scale):
            groups[-1].append(span)
        else:
            groups.append([span])
    return groups


def _name(group: list[Span]) -> str:
    if len(group) == 1:
        text = group[0].record if group[0].kind == "flight" else group[0].name
    else:
        names = list(dict.fromkeys(span.name.partition(",")[0] for span in group))
        text = ", ".join(names) if len(names) > 1 else f"{names[0]} × {len(group)}"
    return visible(cut(text, LONGEST))


def _close(one: Span, other: Span, scale: _Scale) -> bool:
    return one.kind == other.kind != "boot" and scale.x(other.start) - scale.x(one.end) < 18


def _said(span: Span) -> str:
    named = f"{span.name} ({span.record})" if span.record else span.name
    if span.later is not None:
        return f"{named}, {_clock(span.start)} to {_clock(span.end)} or {_clock(span.later)}: the hour that came twice"
    return f"{named}, {_clock(span.start)} to {_clock(span.end)}"


def _scene_in_words(scene: Scene) -> Iterator[str]:
    if scene.wait:
        yield f"From {_clock(scene.wait.start)} to {_clock(scene.wait.end)}: {scene.wait.label}."
    if scene.fault:
        yield f"The fault, {_clock(scene.fault[0])}: {scene.fault[1]}."
    if scene.short:
        yield f"From {_clock(scene.short.start)} to {_clock(scene.short.end)}: {scene.short.label}."
    for lane in scene.lanes:
        said = "; ".join(map(_said, lane.spans[:NAMED])) or "nothing recorded"
        yield f"{lane.name}: {said}{f'; and {lane.left_out:,} more' if lane.left_out else ''}."


def _usage(usage: Usage, frame: Frame) -> DrawnUsage:
    scale = _Scale(usage.start, usage.end, frame, LEVELS_LEFT)
    highest = max(usage.most, usage.limit) * 1.12

    def y(amount: float) -> float:
        return round(PLOT_BOTTOM - amount / highest * (PLOT_BOTTOM - PLOT_TOP), 1)

    points = _thinned([(scale.x(at), y(amount)) for at, amount in usage.points])
    limit_y = y(usage.limit)
    # What lies above the limit is drawn once more, filled: heights are counted from the top.
    above = [(x, min(height, limit_y)) for x, height in points]
    ticks, _ = _ticks(scale)
    return DrawnUsage(
        finding_id=usage.finding_id,
        frame=frame,
        boot=visible(usage.boot),
        line="M" + "L".join(f"{x},{height}" for x, height in points),
        excess=f"M{points[0][0]},{limit_y}L"
        + "L".join(f"{x},{height}" for x, height in above)
        + f"L{points[-1][0]},{limit_y}Z",
        limit_y=limit_y,
        limit=f"{figure(usage.limit)} {usage.unit} allowed",
        seasons=tuple((scale.x(a), round(scale.x(b) - scale.x(a), 1)) for a, b in usage.counted),
        treatments=tuple(scale.x(at) for at in usage.treatments),
        swaps=tuple(_label(scale.x(at), f"boot {what}", frame) for at, what in usage.swaps),
        over=_label(scale.x(usage.over), f"over the limit {_clock(usage.over)}", frame),
        levels=((y(0), "0"), (limit_y, figure(usage.limit))),
        ticks=ticks,
        unit=usage.unit,
        says=visible(" ".join(_usage_in_words(usage))),
    )


def _thinned(points: list[tuple[float, float]]) -> list[tuple[float, float]]:
    """Leave out points that nobody could tell from the one before."""
    kept = points[:1]
    for point in points[1:-1]:
        if abs(point[0] - kept[-1][0]) >= 1 or abs(point[1] - kept[-1][1]) >= 1:
            kept.append(point)
    return kept + points[-1:]


def _usage_in_words(usage: Usage) -> Iterator[str]:
    yield f"{usage.boot}: {usage.unit} since the last treatment; {figure(usage.limit)} are allowed."
    yield f"The limit was passed on {_clock(usage.over)}; the most was {figure(usage.most)}."
    if usage.treatments:
        shown = ", ".join(_clock(at) for at in usage.treatments[:NAMED])
        left = len(usage.treatments) - NAMED
        yield f"Treated {shown}{f' and {left:,} times more' if left > 0 else ''}."
    else:
        yield "Never treated in this time."
    for at, what in usage.swaps:
        yield f"Boot {what} {_clock(at)}."
    for a, b in usage.counted:
        yield f"Season: from {stamp(a):%Y-%m-%d} until before {stamp(b):%Y-%m-%d}."


def _clock(at: int) -> str:
    return f"{_EPOCH + timedelta(microseconds=at):%Y-%m-%d %H:%M}"


def _ticks(scale: _Scale) -> tuple[tuple[Label, ...], tuple[Label, ...]]:
    """Ticks at round times: those of a day carry the clock, and each new day its date below."""
    span = scale.end - scale.start
    step = next((step for step in STEPS if span // step < scale.frame.ticks), STEPS[-1])
    ticks, days = [], []
    day = None
    at = -(-scale.start // step) * step
    while at <= scale.end:
        moment = stamp(at)
        if step >= DAY:
            ticks.append(_under(scale.x(at), f"{moment.day} {moment:%b %Y}", scale.frame))
        else:
            ticks.append(_under(scale.x(at), f"{moment:%H:%M}", scale.frame))
            if moment.date() != day:
                day = moment.date()
                days.append(_under(scale.x(at), f"{moment.day} {moment:%b %Y}", scale.frame))
        at += step
    return tuple(_apart(ticks)), tuple(_apart(days))


def _apart(labels: list[Label]) -> Iterator[Label]:
    """Leave out a label at the edge that would run into the one before."""
    for before, label in zip([None, *labels], labels, strict=False):
        left = label.x - letters(label.text) * LETTER * (0.5 if label.anchor == "middle" else 1)
        if before is None or left > before.x + letters(before.text) * LETTER / 2:
            yield label


def _under(x: float, text: str, frame: Frame) -> Label:
    """A label in the middle below a tick, or beginning or ending there at the edge of the picture."""
    half = letters(text) * LETTER / 2
    if x - half < 0:
        return Label(x, text)
    return Label(x, text, "middle" if x + half <= frame.width else "end")
