"""Reading the log of done jobs."""

import time
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from dispatch.scenario.joblog import JobLog, lines_of, read_log
from shared.errors import InvalidInput

LONDON = ZoneInfo("Europe/London")


def log(folder: Path, text: str, settings: str = "") -> JobLog:
    (folder / "log.csv").write_text(text, encoding="utf-8")
    if settings:
        (folder / "log.toml").write_text(settings, encoding="utf-8")
    return read_log(folder, LONDON)


def faults(folder: Path, text: str, settings: str = "") -> str:
    with pytest.raises(InvalidInput) as refused:
        log(folder, text, settings)
    return str(refused.value)


def reasons(read: JobLog) -> dict[str, int]:
    return {aside.reason: aside.rows for aside in read.aside}


def test_a_folder_without_a_log_has_an_empty_one(tmp_path: Path) -> None:
    assert read_log(tmp_path, LONDON).rows == 0


def test_a_plain_log_is_read_with_groups_and_drivers(tmp_path: Path) -> None:
    read = log(
        tmp_path,
        "kind,group,driver,start,finish,outcome\n"
        "rekey,Front Door,Robin,2026-03-04 08:00,2026-03-04 08:45,done\n"
        "Rekey,front  door,ROBIN,2026-03-04 09:00,2026-03-04 09:20,given up\n",
    )
    assert (read.groups, read.drivers, read.aside) == (("Front Door",), ("Robin",), ())
    assert read.visits.length_s.tolist() == [2700, 1200]
    assert read.visits.unfinished.tolist() == [False, True]
    assert read.visits.start_s.tolist() == [8 * 3600, 9 * 3600]
    assert read.visits.line.tolist() == [2, 3]


def test_semicolons_a_decimal_comma_and_minutes_alone_are_read(tmp_path: Path) -> None:
    read = log(tmp_path, "date;kind;minutes\n04.03.2026;rekey;45,5\n")
    assert read.visits.length_s.tolist() == [2730]
    assert read.visits.start_s.tolist() == [-1]  # nobody said when


def test_a_date_that_works_both_ways_is_a_fault_and_no_guess(tmp_path: Path) -> None:
    said = faults(tmp_path, "date,kind,minutes\n03/04/2026,rekey,45\n")
    assert "line 2, date: got '03/04/2026'" in said
    assert "day first" in said


def test_one_date_that_works_one_way_only_tells_the_order_and_that_is_said(
    tmp_path: Path,
) -> None:
    read = log(
        tmp_path, "date,kind,minutes\n03/04/2026,rekey,45\n25/04/2026,rekey,30\n"
    )
    days = read.visits.day
    assert days[1] - days[0] == 22  # 3 to 25 April
    assert read.notices == ("log.csv: dates with '/' read day first, as line 3 shows",)


def test_the_settings_can_tell_the_order_too(tmp_path: Path) -> None:
    text = "date,kind,minutes\n03/04/2026,rekey,45\n2026-03-05,rekey,45\n"
    read = log(tmp_path, text, "dates = 'month first'\n")
    assert read.visits.day[1] - read.visits.day[0] == 1  # 4 and 5 March


def test_of_both_orders_in_one_file_only_sure_dates_are_used(tmp_path: Path) -> None:
    read = log(
        tmp_path,
        "date,kind,minutes\n"
        "25/04/2026,rekey,45\n04/25/2026,rekey,45\n03/04/2026,rekey,45\n"
        "2026-04-25,rekey,45\n25.04.2026,rekey,45\n",
    )
    assert len(set(read.visits.day.tolist())) == 1
    assert reasons(read) == {
        "a date that could be read both ways in a file that has both": 1
    }


def test_swapped_start_and_finish_columns_are_a_fault(tmp_path: Path) -> None:
    rows = [f"rekey,2026-03-04 {h}:45,2026-03-04 {h}:00" for h in range(10, 16)]
    said = faults(tmp_path, "kind,start,finish\n" + "\n".join(rows) + "\n")
    assert "finish before start in 6 of 6 rows" in said
    assert "swapped" in said


def test_swapped_kind_and_driver_columns_are_a_fault(tmp_path: Path) -> None:
    rows = "Robin,rekey,45\n" * 5
    said = faults(tmp_path, "kind,driver,minutes\n" + rows)
    assert "kinds of work in the column 'driver'" in said


def test_single_rows_that_cannot_be_right_are_set_aside_and_counted(
    tmp_path: Path,
) -> None:
    good = "".join(
        f"rekey,2026-03-04 {hour}:00,2026-03-04 {hour}:30,\n" for hour in range(10, 20)
    )
    read = log(
        tmp_path,
        "kind,start,finish,outcome\n" + good + "rekey,2026-03-05 10:00,"
        "2026-03-05 09:30,\n"  # backwards
        "rekey,2026-02-30 10:00,2026-02-30 10:30,\n"  # no such date
        "lokcout,2026-03-05 10:00,2026-03-05 10:30,\n"
        "rekey,2026-03-05 10:00,2026-03-07 10:30,\n"  # two days
        "rekey,2026-03-05 11:00,2026-03-05 11:00,\n"
        "rekey,2026-03-05 12:00,,\n"
        "rekey,yesterday,2026-03-05 11:00,\n"
        "rekey,2026-03-05 13:00,2026-03-05 13:30,so so\n"
        "rekey,2026-03-04 10:00,2026-03-04 10:30,\n"  # the first one again
        "rekey,2026-03-29 01:30,2026-03-29 02:30,\n"  # the clock skips 01:30
        "rekey,2026-03-05 14:00+01:00,2026-03-05 15:00,\n",
    )
    assert len(read.visits.kind) == 10
    assert lines_of(read.aside) == 11
    assert reasons(read) == {
        "finish before start": 1,
        "no such date": 1,
        "a kind of work that is not known": 1,
        "more than 24 hours": 1,
        "finish at the very moment of start": 1,
        "no length": 1,
        "not a moment": 1,
        "an outcome that is not known": 1,
        "the same visit again": 1,
        "a clock time that the change to summer time skips or its end repeats": 1,
        "one time with an offset, the other without": 1,
    }
    (back,) = [a for a in read.aside if a.reason == "finish before start"]
    assert back.examples[0].row == 12
    assert back.examples[0].got == "'2026-03-05 10:00', '2026-03-05 09:30'"


def test_a_night_call_is_read_with_its_own_date_or_as_hour_24(tmp_path: Path) -> None:
    read = log(
        tmp_path,
        "date,kind,start,finish\n"
        "2026-03-04,rekey,23:30,24:15\n2026-03-04,rekey,23:30,2026-03-05 00:10\n",
    )
    assert read.visits.length_s.tolist() == [2700, 2400]


def test_two_time_zones_in_one_file_are_told_and_bare_clocks_not_trusted(
    tmp_path: Path,
) -> None:
    read = log(
        tmp_path,
        "kind,start,finish\n"
        # 10:00 to 12:30 by the wall, but half an hour in truth
        "rekey,2026-07-06T10:00+01:00,2026-07-06T12:30+03:00\n"
        "rekey,2026-07-06T10:00Z,2026-07-06T10:40Z\n"
        "rekey,2026-07-06 14:00+03:00,2026-07-06 14:20+03:00\n"
        "rekey,2026-07-06 14:00,2026-07-06 14:50\n",
    )
    assert read.visits.length_s.tolist() == [1800, 2400, 1200, 3000]
    # London summer time is an hour ahead of UTC; the last clock may be either one.
    assert read.visits.start_s.tolist() == [36000, 39600, 43200, -1]
    assert "+03:00 in 1 rows" in read.notices[0]
    assert "their lengths are used and their hours are not" in read.notices[0]


def test_a_drive_across_the_clock_change_takes_what_passes(tmp_path: Path) -> None:
    read = log(
        tmp_path,
        "kind,minutes,left,arrived,km\n"
        "rekey,45,2026-03-29 00:50,2026-03-29 02:10,9.5\n"  # 20 minutes
        "rekey,45,2026-03-30 09:10,2026-03-30 09:00,9.5\n"
        "rekey,45,2026-03-30 09:10,2026-03-30 09:30,\n",
    )
    assert read.drives.drive_s.tolist() == [1200]
    assert read.drives.road_m.tolist() == [9500]
    assert [(a.reason, a.rows) for a in read.aside_drives] == [
        ("arrived before left", 1),
        ("no distance", 1),
    ]
    assert len(read.visits.kind) == 3


def test_other_names_of_columns_and_kinds_are_told_in_the_settings(
    tmp_path: Path,
) -> None:
    read = log(
        tmp_path,
        "what,begin,end\nZylinder,2026-03-04 08:00,2026-03-04 08:45\n",
        '[columns]\nkind = "what"\nstart = "begin"\nfinish = "end"\n'
        '[kinds]\nZylinder = "lock_change"\n[estimates]\nrekey = [10, 20, 60]\n',
    )
    assert read.kinds[read.visits.kind[0]] == "lock_change"
    assert read.estimates == {"rekey": (600, 1200, 3600)}


def test_settings_that_make_no_sense_are_faults(tmp_path: Path) -> None:
    said = faults(
        tmp_path,
        "kind,minutes\nrekey,45\n",
        '[columns]\nknid = "what"\n[kinds]\nx = "rekye"\n'
        "[estimates]\nrekey = [20, 10, 60]\n",
    )
    assert "did you mean 'kind'" in said
    assert "did you mean 'rekey'" in said
    assert "least, most likely, most" in said


def test_missing_columns_are_a_fault_with_a_guess(tmp_path: Path) -> None:
    said = faults(tmp_path, "kind,strat,finish\nrekey,a,b\n")
    assert "is it 'strat'" in said


def test_minutes_that_disagree_with_start_and_finish_are_set_aside(
    tmp_path: Path,
) -> None:
    read = log(
        tmp_path,
        "date,kind,minutes,start,finish\n"
        "2026-03-04,rekey,45,08:00,08:45\n2026-03-04,rekey,45,09:00,09:15\n",
    )
    assert reasons(read) == {"minutes that are not those from start to finish": 1}


def test_parts_used_are_read_as_needs_are_written(tmp_path: Path) -> None:
    read = log(
        tmp_path,
        "kind,minutes,parts\nrekey,45,PIN-1 x12 | CYL-3\nrekey,0,CYL-3\n"
        "rekey,30,\nrekey,30,CYL-3 | two of them\n",
    )
    assert read.parts == ("PIN-1", "CYL-3")
    assert read.uses is not None
    # the second row is set aside, so the last one is visit 2
    assert read.uses.visit.tolist() == [0, 0, 2]
    assert read.uses.part.tolist() == [0, 1, 1]
    assert read.uses.quantity.tolist() == [12, 1, 1]
    assert "1 different cells of 'parts'" in read.notices[0]


@pytest.mark.slow
def test_three_hundred_thousand_rows_are_read_in_under_ten_seconds(
    tmp_path: Path,
) -> None:
    rows, moment = ["kind,driver,start,finish"], datetime(2020, 1, 1)  # noqa: DTZ001
    for number in range(300_000):
        start = moment + timedelta(minutes=7 * number)
        end = start + timedelta(minutes=(number % 90) - 3)
        rows.append(
            f"rekey,driver {number % 9},{start:%Y-%m-%d %H:%M},{end:%d.%m.%Y %H:%M}"
        )
    (tmp_path / "log.csv").write_text("\n".join(rows), encoding="utf-8")
    began = time.process_time()
    read = read_log(tmp_path, LONDON)
    assert time.process_time() - began < 10
    assert read.rows == 300_000 == len(read.visits.kind) + lines_of(read.aside)
    # of 90 in a row three end before they start and one at once
    assert reasons(read)["finish before start"] > 9_900
