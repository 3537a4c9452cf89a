"""A day under way on both databases: told by many at once, planned, never torn."""

import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest

from tests.service import Service, service
from tests.whole import look_through

DAY = "/v1/days/2026-12-04"
NOW = "2026-12-04T09:00:00+00:00"
FIRST = {"mira": "501", "hanno": "506"}  # in the morning's plan
PART, STORE = "PINS-6", "canal_counter"  # nobody fetches there in this test
SPENT = "BLANK-81"  # not for the first visits: those must find what they need


def tell(s: Service, van: str, number: int) -> list[str]:
    """Tell a van's own facts; return what became of them."""
    facts: list[dict[str, Any]] = [
        {
            "id": f"{van}-{number}-late",
            "kind": "late",
            "late_s": 60 * number,
            "at": f"2026-12-04T08:{number:02d}:00Z",
            "van_id": van,
        },
        {
            "id": f"{van}-{number}-cell",
            "kind": "used",
            "parts": [{"part_id": "CELL-20", "quantity": 1}],
            "at": f"2026-12-04T08:{number:02d}:10Z",
            "van_id": van,
        },
    ]
    body = {"sent_at": "2026-12-04T09:00:00Z", "facts": facts}
    results = []
    for _ in range(2):  # each is sent twice, as phones in poor coverage do
        answer = s.office.post(f"{DAY}/facts", json=body)
        assert answer.status_code == 200, answer.text
        results += [each["result"] for each in answer.json()["results"]]
    return results


def test_sixteen_clients_at_once_leave_one_story_and_true_stock(
    url: str, tmp_path: Path
) -> None:
    with service(tmp_path, now="2026-12-04T09:00:00+00:00", url=url) as s:
        with ThreadPoolExecutor(16) as clients:
            vans = ("mira", "hanno") * 8
            told = list(clients.map(lambda row: tell(s, vans[row], row), range(16)))
        s.work()
        ids, _ = look_through(s.desk, "2026-12-04")  # 'used' was refused without cells
        taken = sum(each.count("taken") for each in told)
        assert len(ids) == taken
        assert s.office.get(f"{DAY}/plan").json()["facts"] == taken
        assert {"taken", "refused", "known"} >= {each for all_ in told for each in all_}
        assert all(each[0] == "taken" and each[2] == "known" for each in told)


class Client:
    """One of sixteen: it tells, asks or looks, and notes what it was answered."""

    def __init__(self, s: Service, number: int) -> None:
        self.s, self.number = s, number
        self.van = ("mira", "hanno")[number % 2]
        self.taken: list[str] = []
        self.known: list[str] = []
        self.booked: list[str] = []

    def tell(self, name: str, at: str, **fact: Any) -> str:
        """Tell one fact; return what became of it."""
        said = {"id": name, "at": f"2026-12-04T{at}:00Z", **fact}
        body = {"sent_at": NOW, "facts": [said]}
        answer = self.s.office.post(f"{DAY}/facts", json=body)
        assert answer.status_code == 200, answer.text
        result = str(answer.json()["results"][0]["result"])
        if result == "taken":
            self.taken.append(name)
        if result == "known":
            self.known.append(name)
        return result

    def drive(self) -> None:
        """Do the van's first visit, as another phone of the van says it too."""
        call = FIRST[self.van]
        for at, kind in (("08:00", "left"), ("08:10", "arrived"), ("08:50", "done")):
            name = f"{self.van}-{kind}"
            self.tell(name, at, kind=kind, van_id=self.van, call_id=call)

    def count(self) -> None:
        """Move stock: pieces come to the counter, and a van uses what it has."""
        piece = {"parts": [{"part_id": PART, "quantity": 1}]}
        spent = {"parts": [{"part_id": SPENT, "quantity": 1}]}
        for row in range(4):
            name = f"{self.number}-{row}"
            shop = {"kind": "received", "store_id": STORE, **piece}
            assert self.tell(f"{name}-in", "08:55", **shop) == "taken"
            self.tell(f"{name}-out", "08:56", kind="used", van_id=self.van, **spent)

    def ring(self) -> None:
        """Ask about an urgent call until an option is still good when it is taken."""
        call = {
            "id": f"U{self.number}",
            "place": {"name": "Quay", "lat_deg": 53.71, "lon_deg": -1.295},
            "kind": "lockout_vehicle",
        }
        row, until = 0, time.monotonic() + 300  # long where kernels compile meanwhile
        while time.monotonic() < until:
            row += 1
            asked = self.s.office.post(f"{DAY}/urgent", json={"call": call})
            if asked.status_code == 409:  # the rest has to be planned anew first,
                self.s.work()
                time.sleep(0.05)  # perhaps by another client
                continue
            assert asked.status_code == 201, asked.text
            path = f"{DAY}/urgent/{asked.json()['id']}/accept"
            key = {"Idempotency-Key": f"{self.number}-{row}"}
            taken = self.s.office.post(path, json={"option": 0}, headers=key)
            if taken.status_code == 201:
                again = self.s.office.post(path, json={"option": 0}, headers=key)
                assert again.json() == taken.json()
                self.booked.append(str(call["id"]))
                return
            assert taken.status_code == 409, taken.text
        raise AssertionError("the day never stood still")

    def look(self) -> None:
        """See plan and sheets: a call stands nowhere twice, versions only rise."""
        last = 0
        for _ in range(8):
            plan = self.s.office.get(f"{DAY}/plan").json()
            calls = [
                stop["call"]["id"]
                for van in plan["document"]["vans"]
                for stop in van["stops"]
                if stop["call"]
            ]
            assert len(calls) == len(set(calls))
            assert plan["version"] >= last
            last = plan["version"]
            answer = self.s.office.get(f"{DAY}/vans/{self.van}/sheet")
            keys = [stop["key"] for stop in answer.json()["stops"]]
            assert len(keys) == len(set(keys))
            self.s.work()


def shelved(s: Service) -> int:
    """Return how many pieces of a part lie at the counter."""
    items = s.office.get(f"{DAY}/stock?holder={STORE}").json()["items"]
    return sum(each["pieces"] for each in items if each["part_id"] == PART)


@pytest.mark.slow
def test_urgent_calls_visits_and_stock_of_sixteen_clients_leave_one_true_story(
    url: str, tmp_path: Path
) -> None:
    with service(tmp_path, now=NOW, url=url) as s:
        before = shelved(s)
        clients = [Client(s, number) for number in range(16)]
        roles = (Client.drive, Client.count, Client.ring, Client.look)
        with ThreadPoolExecutor(16) as pool:
            doing = [pool.submit(roles[c.number // 4], c) for c in clients]
            for each in doing:
                each.result()
        s.work()
        ids, plans = look_through(s.desk, "2026-12-04")
        taken = [name for client in clients for name in client.taken]
        assert len(taken) == len(set(taken))  # each fact was taken once,
        assert set(taken) <= ids
        known = [name for client in clients for name in client.known]
        assert {"mira-done", "hanno-done"} <= set(known) & set(taken)
        # Four clients of each van told its three facts: one was heard, one known.
        assert len(known) == 2 * 3
        # Four clients brought four pieces each.
        assert shelved(s) == before + 16
        booked = [name for client in clients for name in client.booked]
        assert sorted(booked) == ["U10", "U11", "U8", "U9"]
        calls = s.office.get(f"{DAY}/calls").json()["items"]
        assert {each["id"] for each in calls if each["booked"]} == set(booked)
        facts = s.office.get(f"{DAY}/facts?limit=200").json()["items"]
        assert [each["kind"] for each in facts].count("booked") == 4
        assert plans > 4
