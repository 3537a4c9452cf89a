import math
import re
from dataclasses import replace
from html.parser import HTMLParser
from itertools import combinations
from xml.etree.ElementTree import Element, fromstring

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dispatch.report.picture import draw_route, draw_strip
from dispatch.report.sheet import sheet_html
from shared.model import Day, Place, Route
from shared.units import DistanceUnit
from tests.unit.sample_answer import ANSWER, DAY, HOSTILE, PLAN, hostile_answer

VOID = {"meta", "input", "br", "link", "img", "hr"}


class Reader(HTMLParser):
    """Collects what a browser would see, and whether every element is closed."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if not self.open or self.open[-1] != "style":
            self.text.append(data)


def read(html: str) -> Reader:
    reader = Reader()
    reader.feed(html)
    reader.close()
    assert reader.open == []
    return reader


def words(html: str) -> str:
    return " ".join(" ".join(read(html).text).split())


SHEETS = [sheet_html(ANSWER, route) for route in PLAN.routes]


@pytest.mark.parametrize("number", [0, 1, 2])
def test_the_sheet_shows_every_stop_and_every_part(number: int) -> None:
    text = words(SHEETS[number])
    calls = {call.id: call for call in DAY.calls}
    for stop in PLAN.routes[number].stops:
        assert DAY.clock.hhmm(stop.start_s) in text
        assert f"to {DAY.clock.hhmm(stop.finish_s)}" in text
        if stop.call_id is not None:
            call = calls[stop.call_id]
            for shown in (call.customer, call.phone, call.place.name, call.note):
                assert shown in text
    for line in ANSWER.pick_lists[number].lines:
        assert line.name in text
        assert line.bin in text
        assert not line.load or f"load {line.load}" in text


def test_the_emergency_comes_before_the_stops_on_every_sheet() -> None:
    for sheet in SHEETS:
        text = words(sheet)
        assert text.index("A child, an animal") < text.index("Before you leave")


def test_a_caution_stands_only_on_the_sheets_it_concerns() -> None:
    # Van North has the work at the steering column, van South has none.
    assert "steering column" in SHEETS[0]
    assert "steering column" not in SHEETS[1]


def test_ready_items_show_how_far_they_are() -> None:
    text = words(SHEETS[0])
    for shown in (
        "code: open",
        "proof of authority: done",
        "proof of authority: waived by office",
        "all existing keys there: open",
    ):
        assert shown in text


def test_a_broken_promise_is_at_the_top_of_its_van_s_sheet_and_at_the_stop() -> None:
    text = words(SHEETS[2])
    late = "promised until 11:00, starts 11:35, 35 min late"
    assert text.count(late) == 2
    assert text.index(f"Call C12, Wilma Castlegate: {late}") < text.index("Stops")
    assert text.rindex(late) > text.index("Stops")
    assert not any("romise broken" in words(sheet) for sheet in SHEETS[:2])


def test_a_restock_stop_has_a_list_to_tick_off() -> None:
    text = words(SHEETS[2]).partition("Stops")[2]
    assert "Restock" in text
    assert "bin A5: 1 \u00d7 Chip blank, edge cut, long head (BLANK-5)" in text
    assert "2 \u00d7 Door cylinder 40/40 (CYL-40), for call C12" in text
    assert "to pay there: 33.00" in text
    assert "open 07:00 to 16:00" in text
    assert "bring back: reading scope" in text


def test_what_is_handed_over_is_on_both_sheets_before_leaving() -> None:
    giver, taker = words(SHEETS[0]), words(SHEETS[2])
    assert "hand 1 to van East Flat cell 3 V" in giver.partition("Stops")[0]
    assert "1 from van North Flat cell 3 V" in taker.partition("Stops")[0]


def test_shared_tools_limits_links_and_wishes_are_on_the_sheet() -> None:
    text = words(SHEETS[2])
    assert "take along reading scope from the morning on, bring back" in text
    assert "collect: code cutter" in text
    assert "Driving 45 min of 4 h" in text
    assert "On duty 4 h 18 of 9 h" in text
    assert "check them against the local rules" in text
    assert "after call C2 (van North, done 10:16)" in text
    assert "customer would rather have 08:00 to 09:00" in text


def test_a_provisional_sheet_says_so() -> None:
    sheet = sheet_html(ANSWER, PLAN.routes[2], provisional=True)
    assert "Provisional: this day will be planned anew" in words(sheet)
    assert not any("Provisional" in words(sheet) for sheet in SHEETS)


def test_no_code_is_on_the_sheet() -> None:
    assert not any("9911" in sheet for sheet in SHEETS)


def test_a_sheet_asks_nothing_of_the_network_and_runs_no_script() -> None:
    for sheet in (*SHEETS, sheet_html(hostile_answer(), PLAN.routes[0])):
        reader = read(sheet)
        for tag, attributes in reader.tags:
            assert tag not in {"script", "link", "img", "iframe", "object", "form"}
            assert "src" not in attributes
            assert not any(name.startswith("on") for name in attributes)
            link = attributes.get("href")
            assert link is None or link.startswith(("tel:", "geo:"))
        assert "url(http" not in sheet
        assert "@import" not in sheet


def test_hostile_names_stay_words() -> None:
    for route in hostile_answer().plan.routes:
        html = sheet_html(hostile_answer(), route)
        assert "<script" not in html
        assert "<script>alert('x')</script>" in words(html)
        assert "\x1b" not in html
        assert HOSTILE not in html


def test_the_phone_link_dials_digits_only() -> None:
    calls = tuple(replace(c, phone="+49 (0)555/01-01") for c in DAY.calls)
    html = sheet_html(replace(ANSWER, day=replace(DAY, calls=calls)), PLAN.routes[0])
    links = [a.get("href") for tag, a in read(html).tags if tag == "a"]
    assert "tel:+490555" + "0101" in links


# --- drawings ----------------------------------------------------------------


def drawings(html: str) -> list[Element]:
    found = re.findall(r"<svg.*?</svg>", html, re.DOTALL)
    return [fromstring(svg) for svg in found]  # noqa: S314 - our own output


NUMBERS = re.compile(r"-?\d+(?:\.\d+)?")


def points(drawing: Element) -> list[tuple[float, float]]:
    """Return every point that a drawing's elements reach."""
    found: list[tuple[float, float]] = []
    for element in drawing.iter():
        get = element.get
        if element.tag == "circle":
            x, y, r = (float(get(key, "nan")) for key in ("cx", "cy", "r"))
            found += [(x - r, y - r), (x + r, y + r)]
        elif element.tag == "rect":
            x, y, w, h = (float(get(k, "nan")) for k in ("x", "y", "width", "height"))
            assert w >= 0
            found += [(x, y), (x + w, y + h)]
        elif element.tag == "text":
            found.append((float(get("x", "nan")), float(get("y", "nan"))))
        elif element.tag == "path":
            found += walk(get("d", ""))
    return found


def walk(path: str) -> list[tuple[float, float]]:
    """Return the corners of a path of lines (M, L, H, V and their relatives)."""
    x = y = 0.0
    found = []
    for command, rest in re.findall(r"([MLHVmlhvZ])([^MLHVmlhvZ]*)", path):
        values = [float(number) for number in NUMBERS.findall(rest)]
        while values:
            if command in "Hh":
                x = values.pop(0) + (x if command == "h" else 0)
            elif command in "Vv":
                y = values.pop(0) + (y if command == "v" else 0)
            else:
                dx, dy = values.pop(0), values.pop(0)
                relative = command.islower()
                x, y = (x + dx, y + dy) if relative else (dx, dy)
            found.append((x, y))
    return found


def assert_inside(html: str) -> None:
    pictures = drawings(html)
    assert len(pictures) == 2
    for picture in pictures:
        _, _, width, height = map(float, picture.get("viewBox", "").split())
        seen = points(picture)
        assert len(seen) > 5
        for x, y in seen:
            assert -0.05 <= x <= width + 0.05
            assert -0.05 <= y <= height + 0.05


@pytest.mark.parametrize("number", [0, 1, 2])
def test_drawings_stay_inside_their_box(number: int) -> None:
    assert_inside(SHEETS[number])


def moved(route: Route, places: list[Place]) -> Route:
    stops = tuple(
        replace(stop, place=place)
        for stop, place in zip(route.stops, places, strict=True)
    )
    return replace(route, stops=stops)


PLACES = st.builds(
    Place,
    lat_deg=st.floats(-80, 80),
    lon_deg=st.floats(-180, 180),
    name=st.just("somewhere"),
)
NEAR = st.builds(Place, lat_deg=st.floats(50, 50.0001), lon_deg=st.floats(8, 8.0001))


@settings(max_examples=60, deadline=None)
@given(
    st.lists(PLACES, min_size=5, max_size=5)
    | st.lists(NEAR, min_size=5, max_size=5)
    | PLACES.map(lambda place: [place] * 5),
    st.none() | PLACES,
    st.none() | PLACES,
)
def test_drawings_stay_inside_their_box_wherever_calls_are(
    places: list[Place], start: Place | None, finish: Place | None
) -> None:
    van = replace(DAY.vans[0], start=start, finish=finish)
    route = moved(PLAN.routes[0], places)
    day = replace(DAY, vans=(van, DAY.vans[1]))
    answer = replace(ANSWER, day=day, plan=replace(PLAN, routes=(route,)))
    assert_inside(sheet_html(answer, route))


def crowd(count: int) -> tuple[Day, Route]:
    """Return a day with so many calls at one door."""
    call, stop = DAY.calls[0], PLAN.routes[0].stops[0]
    calls = tuple(replace(call, id=f"C{n}") for n in range(count))
    stops = tuple(replace(stop, call_id=c.id, place=c.place) for c in calls)
    return replace(DAY, calls=calls), replace(PLAN.routes[0], stops=stops)


def test_numbers_of_stops_at_one_door_do_not_cover_each_other() -> None:
    drawing = draw_route(*crowd(12))
    assert len(drawing.discs) == 12
    for one, other in combinations(drawing.discs, 2):
        assert math.dist((one.x, one.y), (other.x, other.y)) >= 22  # two radii
    assert {(d.at_x, d.at_y) for d in drawing.discs} == {
        (drawing.discs[0].at_x, drawing.discs[0].at_y)
    }


def test_the_picture_is_true_to_scale_and_north_is_up() -> None:
    van = DAY.vans[0]
    assert van.start is not None
    places = [
        replace(van.start, lat_deg=50.09),  # 0.09 degrees of latitude: 10.0 km
        replace(van.start, lon_deg=8.14),  # 0.14 degrees at 50 degrees: 10.0 km
        van.start,
        van.start,
        van.start,
    ]
    route = moved(PLAN.routes[0], places)
    drawing = draw_route(DAY, route)
    mark = drawing.marks[0]
    north, east = drawing.legs[0], drawing.legs[1]
    assert north.y2 < mark.y
    assert math.isclose(north.x2, mark.x, abs_tol=0.5)
    assert east.x2 > mark.x
    up, right = mark.y - north.y2, east.x2 - mark.x
    assert math.isclose(up, right, rel_tol=0.01)
    kilometres = float(drawing.scale_words.removesuffix(" km"))
    assert math.isclose(up / 10.0, drawing.scale_width / kilometres, rel_tol=0.01)

    drawing = draw_route(replace(DAY, distance=DistanceUnit.MI), route)
    miles = float(drawing.scale_words.removesuffix(" mi"))
    assert math.isclose(up / 6.214, drawing.scale_width / miles, rel_tol=0.01)


def test_the_day_strip_leaves_no_gap_and_no_overlap() -> None:
    for route in PLAN.routes:
        strip = draw_strip(DAY, route)
        x = strip.leave_x
        for bar in strip.bars:
            assert math.isclose(bar.x, x, abs_tol=1e-6)
            x = bar.x + bar.width
        assert math.isclose(x, strip.finish_x, abs_tol=1e-6)
        work = [bar.words for bar in strip.bars if bar.what == "work"]
        assert work == [str(n + 1) for n in range(len(route.call_ids))]
    letters = [bar.words for bar in strip.bars if bar.what == "restock"]
    assert letters == ["A", "B"]  # of the last one, East


def test_a_visit_starts_under_its_promise() -> None:
    strip = draw_strip(DAY, PLAN.routes[0])
    brackets = {str(b.number): b for b in strip.brackets}
    for bar in strip.bars:
        if bar.what == "work":
            bracket = brackets[bar.words]
            assert bracket.x - 0.01 <= bar.x <= bracket.x + bracket.width + 0.01


def test_a_late_visit_starts_after_its_bracket_which_says_so() -> None:
    strip = draw_strip(DAY, PLAN.routes[2])
    (late,) = [bracket for bracket in strip.brackets if bracket.late]
    (bar,) = [b for b in strip.bars if b.words == str(late.number)]
    assert bar.x > late.x + late.width


def test_restock_stops_are_squares_on_the_picture() -> None:
    drawing = draw_route(DAY, PLAN.routes[2])
    assert [(disc.mark, disc.store) for disc in drawing.discs] == [
        ("1", False),
        ("A", True),
        ("2", False),
        ("B", True),
        ("3", False),
    ]


def test_brackets_in_one_row_do_not_touch() -> None:
    day, route = crowd(6)
    strip = draw_strip(day, route)
    for one, other in combinations(strip.brackets, 2):
        apart = one.x + one.width <= other.x or other.x + other.width <= one.x
        assert apart or one.y != other.y


def test_the_day_of_the_clock_change_is_drawn_with_its_own_hours() -> None:
    autumn = replace(DAY, date=DAY.date.replace(month=10, day=25))
    ticks = [tick.words for tick in draw_strip(autumn, PLAN.routes[0]).ticks]
    # 8 hours after midnight it is 07:00 on a day of 25 hours.
    assert ticks[0] == "07:00"
