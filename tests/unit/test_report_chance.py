"""How likely promises are kept, as people and programs read it."""

import csv
import io
import json
from dataclasses import replace

from dispatch.report.csvfile import tables
from dispatch.report.document import document, plan_json
from dispatch.report.sheet import sheet_html
from dispatch.report.text import plan_text
from shared.model import Answer, Kept, StopKept
from tests.builders import HOUR_S, a_call, a_day, a_plan, window

CLEAR = StopKept(
    call_id="1", van_id="V1", kept=0.9349, again=0.0, arrive_s=(32_400, 32_400, 33_000)
)
VAGUE = StopKept(
    call_id="2",
    van_id="V1",
    kept=0.75,
    again=0.15,
    arrive_s=(9 * HOUR_S, 10 * HOUR_S, 11 * HOUR_S),
)
OPEN = replace(CLEAR, call_id="3", kept=None)


def an_answer(*stops: StopKept, learnt: str = "") -> Answer:
    """Return three calls, of which the third may be done at any time."""
    day = a_day(
        a_call("1", promise=window(9, 11)),
        a_call("2", promise=window(9, 12)),
        a_call("3"),
        learnt=learnt,
    )
    kept = Kept(stops=stops, all_kept=0.7021, draws=2000, source="the log")
    return Answer(
        day=day,
        plan=a_plan({"V1": ("1", "2", "3")}),
        pick_lists=(),
        shortages=(),
        purchases=(),
        tonight=(),
        cautions=(),
        kept=kept if stops else None,
    )


def test_the_text_says_it_per_stop_and_for_the_day() -> None:
    words = "Lengths of visits are learnt from 40 visits in log.csv."
    text = plan_text(an_answer(CLEAR, VAGUE, OPEN, learnt=words), 100)
    flat = " ".join(text.split())
    # 0.9349 + 0.75 = 1.6849
    assert (
        "On time: 1.7 of 2 promises and windows expected kept, all hold: 70 %, if "
        "lengths and traffic vary as the log says (2,000 days drawn)." in flat
    )
    assert "Second visits: 0.1 expected; the code is not bought for call 2" in flat
    assert words in flat
    assert "on time 93 %, there 09:00 to 09:10 on 8 days in 10" in flat
    assert "on time 75 %, there 09:00 to 11:00 on 8 days in 10, second visit 15" in flat
    assert flat.count("on time") == 2


def test_nothing_is_said_where_nobody_drew_days() -> None:
    answer = an_answer()
    assert "on time" not in plan_text(answer).lower()
    data = json.loads(plan_json(answer))
    assert data["kept"] is None
    assert data["vans"][0]["stops"][0]["on_time"] is None
    html = sheet_html(answer, answer.plan.routes[0])
    assert "on time" not in html


def test_programs_get_the_chances_themselves() -> None:
    data = json.loads(plan_json(an_answer(CLEAR, VAGUE, OPEN)))
    kept = data["kept"]
    assert (kept["promises"], kept["expected"], kept["all_kept"]) == (2, 1.6849, 0.7021)
    assert (kept["second_visits"], kept["draws"]) == (0.15, 2000)
    first, second, third = data["vans"][0]["stops"]
    assert (first["on_time"], second["on_time"], third["on_time"]) == (
        0.9349,
        0.75,
        None,
    )
    assert second["second_visit"] == 0.15
    assert second["early_at"].endswith("T09:00:00+01:00")
    assert second["late_at"].endswith("T11:00:00+01:00")


def test_a_spreadsheet_gets_whole_percentages() -> None:
    text = tables(document(an_answer(CLEAR, VAGUE, OPEN)))["stops.csv"]
    rows = list(csv.DictReader(io.StringIO(text)))
    assert [row["on_time_percent"] for row in rows] == ["93", "75", "", ""]
    assert [row["second_visit_percent"] for row in rows] == ["", "15", "", ""]


def test_a_doubtful_promise_stands_out_on_the_day_sheet() -> None:
    answer = an_answer(CLEAR, VAGUE, OPEN)
    html = sheet_html(answer, answer.plan.routes[0])
    assert '<b class="tight">on time 75 %</b>' in html
    assert "<b>on time 93 %</b>" in html
    assert "1.7 of 2 promises and windows" in html
