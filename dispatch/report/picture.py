"""The two drawings of a day sheet, as plain coordinates: the route and the day strip.

Nothing here knows SVG or HTML. All coordinates are drawing units, x to the right and
y down, inside the box that each drawing names.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from dispatch.report.words import visits
from shared.model import Day, Place, Route, StopKind, Van, Way, Window
from shared.units import DistanceUnit

ROUTE_WIDTH, ROUTE_HEIGHT = 420.0, 320.0
TALL_HEIGHT = 520.0  # of a route on its roads that is higher than it is wide
STRIP_WIDTH = 760.0

_EARTH_M = 6_371_008.8  # mean radius (IUGG)
_MARGIN = 34.0
_DISC = 11.0  # radius of a stop's disc
_APART = 2 * _DISC + 3
_FINEST = 0.8  # of a road's bends
_FOOT = 26.0  # kept free below the route for the scale bar
_HOUR_S = 3600

Point = tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Disc:
    """A stop at a customer's or at a store.

    Parameters
    ----------
    mark : str
        As in the table of stops: a call's number, a restock stop's letter.
    store : bool
        A restock stop, drawn as a square.
    x, y : float
        Centre of the disc.
    at_x, at_y : float
        The stop itself; elsewhere than the disc where stops lie close together.
    """

    mark: str
    store: bool
    x: float
    y: float
    at_x: float
    at_y: float

    @property
    def moved(self) -> bool:
        """Whether the disc stands beside its stop.

        Returns
        -------
        bool
            More than one unit of the drawing away from it.
        """
        return math.dist((self.x, self.y), (self.at_x, self.at_y)) > 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Leg:
    """A line from stop to stop.

    Parameters
    ----------
    x1, y1, x2, y2 : float
        Its ends.
    points : tuple of points
        The bends of the road between them; empty: a straight line.
    arrow : tuple of points
        A small triangle that shows the way; empty on a short leg.
    back : bool
        It leads to the finish place.
    """

    x1: float
    y1: float
    x2: float
    y2: float
    arrow: tuple[Point, ...]
    back: bool
    points: tuple[Point, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """Where a van starts or finishes.

    Parameters
    ----------
    x, y : float
        The place.
    words : str
        'start', 'finish', or both.
    words_x, words_y : float
        Where the words stand.
    anchor : str
        'start', 'middle' or 'end': which end of the words stands there.
    """

    x: float
    y: float
    words: str
    words_x: float
    words_y: float
    anchor: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RouteDrawing:
    """A van's route seen from above, north is up.

    Parameters
    ----------
    width, height : float
        The box.
    legs, discs, marks : tuple
        What is in it.
    scale_width : float
        Length of the scale bar.
    scale_words : str
        What that length is on the ground.
    on_roads : bool
        The lines follow the roads.
    """

    width: float
    height: float
    legs: tuple[Leg, ...]
    discs: tuple[Disc, ...]
    marks: tuple[Mark, ...]
    scale_width: float
    scale_words: str
    on_roads: bool = False


def draw_route(day: Day, route: Route, ways: Sequence[Way | None] = ()) -> RouteDrawing:
    """Return a van's route on a small map: on its roads, or as straight lines.

    Parameters
    ----------
    day : Day
        The day.
    route : Route
        The van's route.
    ways : sequence of (Way or None), optional
        How it drives to each stop, and last to its finish.

    Returns
    -------
    RouteDrawing
        True to scale (equirectangular around the route's middle: over the reach of
        a day's driving the error cannot be seen).
    """
    van = next(van for van in day.vans if van.id == route.van_id)
    places = [van.start, *(stop.place for stop in route.stops), van.finish]
    known = [place for place in places if place is not None]
    bends = {
        number: [Place(lat_deg=lat, lon_deg=lon) for lat, lon in way.path]
        for number, way in enumerate(ways, start=1)
        if way is not None
    }
    all_places = [*known, *(bend for some in bends.values() for bend in some)]
    height = TALL_HEIGHT if bends and _is_tall(all_places) else ROUTE_HEIGHT
    box = _Frame(all_places, height)
    stops = [
        (box.put(place), tuple(map(box.put, bends.get(number, ()))))
        for number, place in enumerate(places)
        if place is not None
    ]
    path = [point for point, _ in stops]
    last = len(path) - 2 if van.finish is not None else None
    legs = tuple(
        _leg(here, there, points, back=number == last)
        for number, ((here, _), (there, points)) in enumerate(pairwise(stops))
        if math.dist(here, there) > 1.0 or points
    )
    marked = [
        (visit, box.put(visit.stop.place))
        for visit in visits(day, route)
        if visit.mark and visit.stop.place is not None
    ]
    points = [point for _, point in marked]
    ends = _ends(van, box)
    discs = tuple(
        Disc(
            mark=visit.mark,
            store=visit.store is not None,
            x=x,
            y=y,
            at_x=at[0],
            at_y=at[1],
        )
        for (visit, at), (x, y) in zip(
            marked, _spread(points, [point for point, _ in ends], height), strict=True
        )
    )
    unit_m = day.distance.metres
    scale = _round_length(box.metres(ROUTE_WIDTH / 3) / unit_m)
    return RouteDrawing(
        width=ROUTE_WIDTH,
        height=height,
        legs=legs,
        discs=discs,
        marks=tuple(
            _mark(point, words, _obstacles(discs, legs), height)
            for point, words in ends
        ),
        scale_width=box.units(scale * unit_m),
        scale_words=(
            f"{1000 * scale:g} m"
            if scale < 1 and day.distance is DistanceUnit.KM
            else f"{scale:g} {day.distance}"
        ),
        on_roads=bool(bends),
    )


class _Frame:
    """Fits places into the route's box."""

    def __init__(self, places: Sequence[Place], height: float) -> None:
        self._height = height
        self._lon_deg = places[0].lon_deg if places else 0.0
        lats = [place.lat_deg for place in places] or [0.0]
        self._squeeze = math.cos(math.radians((min(lats) + max(lats)) / 2))
        xs, ys = zip(*map(self._metres, places), strict=True) if places else ([0], [0])
        self._middle = ((min(xs) + max(xs)) / 2, (min(ys) + max(ys)) / 2)
        wide, high = max(max(xs) - min(xs), 500.0), max(max(ys) - min(ys), 500.0)
        self._scale = min(
            (ROUTE_WIDTH - 2 * _MARGIN) / wide,
            (height - 2 * _MARGIN - _FOOT) / high,
        )

    def _metres(self, place: Place) -> Point:
        # Around the first place, so that the date line is a line like any other.
        east_deg = (place.lon_deg - self._lon_deg + 180.0) % 360.0 - 180.0
        metres_per_deg = math.radians(1.0) * _EARTH_M
        return (
            east_deg * self._squeeze * metres_per_deg,
            -place.lat_deg * metres_per_deg,
        )

    def put(self, place: Place) -> Point:
        """Return where a place is in the box."""
        x, y = self._metres(place)
        return (
            ROUTE_WIDTH / 2 + (x - self._middle[0]) * self._scale,
            (self._height - _FOOT) / 2 + (y - self._middle[1]) * self._scale,
        )

    def units(self, length_m: float) -> float:
        """Return metres on the ground as drawing units."""
        return length_m * self._scale

    def metres(self, units: float) -> float:
        """Return drawing units as metres on the ground."""
        return units / self._scale


def _leg(here: Point, there: Point, points: Sequence[Point] = (), *, back: bool) -> Leg:
    bends = _thinned(points)
    line = [here, *bends, there]
    length = sum(math.dist(one, other) for one, other in pairwise(line))
    arrow: tuple[Point, ...] = ()
    if length > 4 * _DISC:
        # Past the middle: the arrows of a way out and back do not meet.
        tip, along = _along(line, 0.58 * length)
        arrow = (
            tip,
            (
                tip[0] - 8 * along[0] - 4 * along[1],
                tip[1] - 8 * along[1] + 4 * along[0],
            ),
            (
                tip[0] - 8 * along[0] + 4 * along[1],
                tip[1] - 8 * along[1] - 4 * along[0],
            ),
        )
    return Leg(
        x1=here[0],
        y1=here[1],
        x2=there[0],
        y2=there[1],
        arrow=arrow,
        back=back,
        points=bends,
    )


def _thinned(points: Sequence[Point]) -> tuple[Point, ...]:
    """Leave out bends that nobody could see."""
    kept: list[Point] = []
    for point in points:
        if not kept or math.dist(kept[-1], point) >= _FINEST:
            kept.append(point)
    return tuple(kept)


def _along(line: Sequence[Point], length: float) -> tuple[Point, Point]:
    """Return the point so far along a line, and which way the line goes there."""
    for one, other in pairwise(line):
        step = math.dist(one, other)
        if step > 0 and length <= step:
            east, south = (other[0] - one[0]) / step, (other[1] - one[1]) / step
            return (one[0] + length * east, one[1] + length * south), (east, south)
        length -= step
    return line[-1], (1.0, 0.0)


def _ends(van: Van, box: _Frame) -> list[tuple[Point, str]]:
    if van.start is not None and van.start == van.finish:
        return [(box.put(van.start), "start and finish")]
    return [
        (box.put(place), words)
        for place, words in ((van.start, "start"), (van.finish, "finish"))
        if place is not None
    ]


def _is_tall(places: Sequence[Place]) -> bool:
    """Return whether places reach farther south to north than west to east."""
    lats = [place.lat_deg for place in places]
    lons = [place.lon_deg for place in places]
    squeeze = math.cos(math.radians((min(lats) + max(lats)) / 2))
    return max(lats) - min(lats) > (max(lons) - min(lons)) * squeeze


def _spread(
    points: Sequence[Point], fixed: Sequence[Point], height: float
) -> list[Point]:
    """Push discs apart until none covers another, as far as the box has room."""
    placed = list(points)
    for _ in range(300):
        calm = True
        for i, here in enumerate(placed):
            for j, other in enumerate([*placed, *fixed]):
                gap = math.dist(here, other)
                if i == j or gap >= _APART:
                    continue
                calm = False
                # Discs on one spot part in directions of their own.
                angle = (
                    math.atan2(here[1] - other[1], here[0] - other[0])
                    if gap > 0.01  # noqa: PLR2004 - a hair
                    else 2.4 * i
                )
                step = (_APART - gap) / 2 + 0.1
                here = _keep_inside(  # noqa: PLW2901 - it moves on
                    (
                        here[0] + step * math.cos(angle),
                        here[1] + step * math.sin(angle),
                    ),
                    height,
                )
            placed[i] = here
        if calm:
            break
    return placed


def _keep_inside(point: Point, height: float) -> Point:
    edge = _DISC + 2
    return (
        min(max(point[0], edge), ROUTE_WIDTH - edge),
        min(max(point[1], edge), height - _FOOT - edge),
    )


def _obstacles(discs: Sequence[Disc], legs: Sequence[Leg]) -> list[Point]:
    """Return points that words should not cover: discs first of all, then legs."""
    along = [
        (one[0] + part * (other[0] - one[0]), one[1] + part * (other[1] - one[1]))
        for leg in legs
        for one, other in pairwise([(leg.x1, leg.y1), *leg.points, (leg.x2, leg.y2)])
        for part in (
            (step / 24 for step in range(25)) if not leg.points else (0.0, 1.0)
        )
    ]
    return [*[(disc.x, disc.y) for disc in discs] * 8, *along]


def _mark(point: Point, words: str, obstacles: Sequence[Point], height: float) -> Mark:
    """Place the words of a mark where they cover least."""
    x, y = point
    length = 6.2 * len(words)
    choices: list[tuple[bool, int, int, float, float, str]] = []
    for words_x, words_y, anchor, left in (
        (x + 14, y + 4, "start", x + 14),
        (x - 14, y + 4, "end", x - 14 - length),
        (x, y + 25, "middle", x - length / 2),
        (x, y - 17, "middle", x - length / 2),
        (x + 10, y + 25, "end", x + 10 - length),
        (x - 10, y + 25, "start", x - 10),
        (x + 10, y - 17, "end", x + 10 - length),
        (x - 10, y - 17, "start", x - 10),
    ):
        outside = left < 2 or left + length > ROUTE_WIDTH - 2  # noqa: PLR2004 - edge
        outside = outside or not 10 < words_y < height - _FOOT + 6  # noqa: PLR2004
        covered = sum(
            left - 6 < x_there < left + length + 6
            and abs(y_there - (words_y - 4)) < _DISC
            for x_there, y_there in obstacles
        )
        choices.append((outside, covered, len(choices), words_x, words_y, anchor))
    *_, words_x, words_y, anchor = min(choices)
    return Mark(x=x, y=y, words=words, words_x=words_x, words_y=words_y, anchor=anchor)


def _round_length(length_m: float) -> float:
    """Return the longest of 1, 2 or 5 times a power of ten that fits."""
    power = 10.0 ** math.floor(math.log10(length_m))
    return max(step * power for step in (1, 2, 5) if step * power <= length_m)


# --- the day strip -------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Bar:
    """A span of the day.

    Parameters
    ----------
    what : str
        'drive', 'wait', 'work', 'restock' or 'break'.
    x, width : float
        From where, and how long.
    words : str
        What stands in it: a stop's number or letter, or nothing.
    """

    what: str
    x: float
    width: float
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Bracket:
    """The window in which a stop may begin, drawn above the strip.

    Parameters
    ----------
    number : int
        The stop.
    x, width : float
        From where, and how long.
    y : float
        Height; brackets that would touch stand in different rows.
    promised : bool
        Told to the customer; otherwise when the customer is there.
    late : bool
        The promise is broken.
    """

    number: int
    x: float
    width: float
    y: float
    promised: bool
    late: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Tick:
    """A full hour on the axis.

    Parameters
    ----------
    x : float
        Where.
    words : str
        The hour.
    """

    x: float
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class StripDrawing:
    """A van's day from left to right.

    Parameters
    ----------
    width, height : float
        The box.
    y : float
        Middle of the strip.
    leave_x, finish_x : float
        Where the day sets off and ends.
    shift_x : float
        End of the shift.
    shift_words : str
        The same in words.
    bars, brackets, ticks : tuple
        What is in it.
    """

    width: float
    height: float
    y: float
    leave_x: float
    finish_x: float
    shift_x: float
    shift_words: str
    bars: tuple[Bar, ...]
    brackets: tuple[Bracket, ...]
    ticks: tuple[Tick, ...]


_LEFT, _RIGHT = 44.0, 18.0
_ROW = 17.0
_NUMBER = 16.0  # room for a bracket's number, left of it


def draw_strip(day: Day, route: Route) -> StripDrawing:
    """Return a van's day as a strip of drives, waits, visits and the break.

    Parameters
    ----------
    day : Day
        The day.
    route : Route
        The van's route.

    Returns
    -------
    StripDrawing
        From the full hour before the van sets off to the one after it is back, the
        shift included.
    """
    van = next(van for van in day.vans if van.id == route.van_id)
    first_s = min(van.shift.start_s, route.leave_s) // _HOUR_S * _HOUR_S
    last_s = -(-max(van.shift.end_s, route.finish_s) // _HOUR_S) * _HOUR_S
    scale = (STRIP_WIDTH - _LEFT - _RIGHT) / (last_s - first_s)

    def put(time_s: int) -> float:
        return _LEFT + (min(max(time_s, first_s), last_s) - first_s) * scale

    brackets = _brackets(day, route, put(first_s), put(last_s), scale, first_s)
    y = max((bracket.y for bracket in brackets), default=4.0) + 36
    hours = range(first_s, last_s + 1, _HOUR_S)
    every = 1 if len(hours) <= 14 else 2  # noqa: PLR2004 - more than fit side by side
    return StripDrawing(
        width=STRIP_WIDTH,
        height=y + 58,
        y=y,
        leave_x=put(route.leave_s),
        finish_x=put(route.finish_s),
        shift_x=put(van.shift.end_s),
        shift_words=f"shift ends {day.clock.hhmm(van.shift.end_s)}",
        bars=tuple(
            Bar(what=what, x=put(start_s), width=put(end_s) - put(start_s), words=words)
            for what, start_s, end_s, words in _spans(day, route)
            if end_s > start_s
        ),
        brackets=brackets,
        ticks=tuple(
            Tick(x=put(time_s), words=day.clock.hhmm(time_s).split(" ")[0])
            for time_s in hours[::every]
        ),
    )


def _spans(day: Day, route: Route) -> list[tuple[str, int, int, str]]:
    spans = []
    for visit in visits(day, route):
        stop = visit.stop
        spans.append(("drive", visit.leave_s, stop.arrive_s, ""))
        spans.append(("wait", stop.arrive_s, stop.start_s, ""))
        what = {
            StopKind.BREAK: "break",
            StopKind.RESTOCK: "restock",
            StopKind.CALL: "work",
        }[stop.kind]
        spans.append((what, stop.start_s, stop.finish_s, visit.mark))
    spans.append(("drive", route.stops[-1].finish_s, route.finish_s, ""))
    return spans


def _brackets(
    day: Day, route: Route, left: float, right: float, scale: float, first_s: int
) -> tuple[Bracket, ...]:
    found: list[tuple[float, float, int, bool, bool]] = []
    for visit in visits(day, route):
        if visit.call is None or visit.number is None:
            continue
        window = visit.call.promise or _around(visit.call.windows, visit.stop.start_s)
        if window is None:
            continue
        x, end = (
            min(max(left + (time_s - first_s) * scale, left), right)
            for time_s in (window.start_s, window.end_s)
        )
        found.append(
            (
                x,
                end,
                visit.number,
                visit.call.promise is not None,
                visit.stop.late_s > 0,
            )
        )
    rows: list[float] = []  # where each row is taken up to
    brackets = []
    for x, end, number, promised, late in sorted(found):
        row = next(
            (row for row, taken in enumerate(rows) if taken + 4 <= x - _NUMBER),
            len(rows),
        )
        if row == len(rows):
            rows.append(end)
        rows[row] = end
        brackets.append((row, x, end, number, promised, late))
    return tuple(
        Bracket(
            number=number,
            x=x,
            width=end - x,
            # The first row lies lowest, next to the strip.
            y=12 + (len(rows) - 1 - row) * _ROW,
            promised=promised,
            late=late,
        )
        for row, x, end, number, promised, late in brackets
    )


def _around(windows: Sequence[Window], time_s: int) -> Window | None:
    return next((w for w in windows if w.start_s <= time_s <= w.end_s), None)
