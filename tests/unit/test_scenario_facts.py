"""What happened is read as it was meant, or every fault is named."""

from dataclasses import replace
from pathlib import Path

import pytest

from dispatch.generator import ALL, generate_day
from dispatch.scenario import add_facts, read_facts, write_facts
from shared.errors import InvalidInput
from shared.facts import Fact, FactKind, in_order
from shared.model import Day, Tool
from shared.trade import kinds
from tests.builders import HOUR_S, a_call, a_day, a_part, a_plan, a_van, window
from tests.walk import walk

DAY: Day = a_day(
    a_call("101"),
    a_call("102"),
    vans=(a_van("V1"), a_van("V2")),
    parts=(
        a_part("FOB"),
        a_part("CELL"),
        a_part("KIT", components=(("FOB", 1), ("CELL", 1))),
    ),
    tools=(Tool(id="laser_cutter"),),
    kinds=kinds(),
)
HEAD = "id,time,fact,van,call,store,parts,minutes,window,note\n"


def read(tmp_path: Path, text: str, booked: str = "") -> tuple[Fact, ...]:
    (tmp_path / "facts.csv").write_text(text, encoding="utf-8")
    if booked:
        (tmp_path / "booked.csv").write_text(booked, encoding="utf-8")
    return read_facts(tmp_path, DAY)


def faults(tmp_path: Path, text: str, booked: str = "") -> list[str]:
    with pytest.raises(InvalidInput) as caught:
        read(tmp_path, text, booked)
    return [str(fault) for fault in caught.value.faults]


def test_each_cell_says_what_the_guide_says(tmp_path: Path) -> None:
    facts = read(
        tmp_path,
        HEAD + "1,08:05,left,V1,101,,FOB x2 | CELL from V2 | tool laser_cutter,,,\n"
        "2,9:10,Done,V1,101,,nothing,,,quick\n"
        "3,09:20,late,V1,,,,25,,\n"
        "4,09:30,told,,102,,,,10:00-11:00,\n"
        "5,10:00,loaded,V1,,shop,FOB | tool laser_cutter back,,,\n"
        "6,10:30,no show,V1,102,,,,,\n",
    )
    assert facts == (
        Fact(
            id="1",
            kind=FactKind.LEFT,
            at_s=8 * HOUR_S + 300,
            van_id="V1",
            call_id="101",
            parts=(("FOB", 2),),
            handed=(("V2", "CELL", 1),),
            tools=("laser_cutter",),
        ),
        Fact(
            id="2",
            kind=FactKind.DONE,
            at_s=9 * HOUR_S + 600,
            van_id="V1",
            call_id="101",
            parts=(),
            note="quick",
        ),
        Fact(
            id="3",
            kind=FactKind.LATE,
            at_s=9 * HOUR_S + 1200,
            van_id="V1",
            late_s=1500,
        ),
        Fact(
            id="4",
            kind=FactKind.TOLD,
            at_s=9 * HOUR_S + 1800,
            call_id="102",
            window=window(10, 11),
        ),
        Fact(
            id="5",
            kind=FactKind.LOADED,
            at_s=10 * HOUR_S,
            van_id="V1",
            store_id="shop",
            parts=(("FOB", 1),),
            tools=(),
            returned=("laser_cutter",),
        ),
        Fact(
            id="6",
            kind=FactKind.NO_SHOW,
            at_s=10 * HOUR_S + 1800,
            van_id="V1",
            call_id="102",
        ),
    )


def test_semicolons_and_columns_in_another_order_will_do(tmp_path: Path) -> None:
    (fact,) = read(tmp_path, "Fact;ID;Van;Minutes;Time\nlate;1;V2;7,5;08.30\n")
    assert (fact.van_id, fact.late_s, fact.at_s) == ("V2", 450, 30600)


def test_a_call_of_the_day_itself_comes_from_its_own_table(tmp_path: Path) -> None:
    booked = "id,lat,lon,kind,priority\nE1,50.01,8.01,lockout_house,1\n"
    (fact, left) = read(
        tmp_path,
        HEAD + "1,10:40,booked,,E1,,,,,\n2,10:45,left,V1,E1,,,,,\n",
        booked,
    )
    assert fact.call is not None
    assert (fact.call.id, fact.call.priority) == ("E1", 1)
    assert fact.call.median_s == kinds()["lockout_house"].median_s
    assert left.call_id == "E1"
    assert left.parts is None  # as planned


def test_all_faults_of_both_tables_come_at_once(tmp_path: Path) -> None:
    booked = (
        "id,lat,lon,kind,after\n101,50.01,8.01,rekey,\nE2,50.01,8.01,juggling,101\n"
    )
    text = (
        HEAD + "1,8:75,left,V1,101,,,,,\n"
        "2,09:00,lefft,V1,101,,,,,\n"
        "3,09:00,left,V7,103,,,,,\n"
        "4,09:00,late,V1,,,,,,\n"
        "5,09:00,cancelled,V1,101,,,,,\n"
        "6,09:00,done,V1,101,,KIT,,,\n"
        "7,09:00,spoiled,V1,,,FOB from V2,,,\n"
        "8,09:00,left,V1,101,shop,,,,\n"
        "9,09:00,received,V1,,shop,FOB,,,\n"
        "10,09:00,late,V1,,,,5,,\n"
        "10,09:00,late,V1,,,,6,,\n"
        "11,09:00,left,V1,101,,tool lazer_cutter,,,\n"
    )
    found = faults(tmp_path, text, booked)
    for words in (
        "booked.csv, line 2, id: got '101'",
        "booked.csv, line 3, kind: got 'juggling'",
        "booked.csv, line 3, after: got '101'; expected nothing",
        "facts.csv, line 2, time: got '8:75'",
        "facts.csv, line 3, fact: got 'lefft'",
        "facts.csv, line 4, van: got 'V7'",
        "facts.csv, line 4, call: got '103'",
        "facts.csv, line 5, minutes: got nothing",
        "facts.csv, line 6, van: got 'V1'; expected nothing",
        "facts.csv, line 7, parts: got 'KIT'",
        "facts.csv, line 8, parts: got 'FOB from V2'",
        "facts.csv, line 9, store: got 'shop'; expected a call or a store",
        "facts.csv, line 10, van: got 'V1'; expected a van or a store",
        "facts.csv, line 12, id: got '10'; expected an id of its own",
        "facts.csv, line 13, parts: got 'tool lazer_cutter'",
    ):
        assert any(fault.startswith(words) for fault in found), words
    assert len(found) == 15
    assert "did you mean 'left'" in "\n".join(found)


def test_the_same_fact_told_twice_is_no_fault(tmp_path: Path) -> None:
    line = "1,09:00,late,V1,,,,5,,\n"
    assert len(read(tmp_path, HEAD + line + line)) == 2


def test_a_folder_without_facts_says_what_is_missing(tmp_path: Path) -> None:
    with pytest.raises(InvalidInput, match=r"facts\.csv"):
        read_facts(tmp_path, DAY)


@pytest.mark.parametrize("seed", range(12))
def test_what_is_written_is_read_back(seed: int, tmp_path: Path) -> None:
    day = generate_day(900 + seed, 5, 2, ease=0.5, clock_change=False, features=ALL)
    plan = a_plan({day.vans[0].id: tuple(call.id for call in day.calls)})
    newcomer = replace(day.calls[0], id="NEW", standing=None)
    booked = Fact(id="B", kind=FactKind.BOOKED, at_s=6 * HOUR_S, call=newcomer)
    facts = (booked, *walk(day, plan, seed).log)
    write_facts(day, facts, tmp_path)
    found = read_facts(tmp_path, day)
    assert found == in_order(facts)


def test_facts_are_added_as_the_table_is_written(tmp_path: Path) -> None:
    table = tmp_path / "facts.csv"
    said = "Fact;id;time;van;minutes;call;window\r\nlate;1;8:00;V1;5;;"
    table.write_bytes(said.encode())
    told = Fact(
        id="2", kind=FactKind.TOLD, at_s=9 * 3600, call_id="C1", window=window(10, 11)
    )
    assert add_facts(table, a_day(a_call("C1")), [told]) == (
        f"{said}\r\ntold;2;09:00;;;C1;10:00-11:00\r\n".encode()
    )


def test_a_table_without_the_columns_is_not_added_to(tmp_path: Path) -> None:
    table = tmp_path / "facts.csv"
    table.write_text("id,time,fact,van\n")
    told = Fact(
        id="2", kind=FactKind.TOLD, at_s=9 * 3600, call_id="C1", window=window(10, 11)
    )
    with pytest.raises(InvalidInput) as refused:
        add_facts(table, a_day(a_call("C1")), [told])
    assert [fault.column for fault in refused.value.faults] == ["call", "window"]
