"""A day under way on both databases: told by many at once, planned, never torn."""

from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

from api.course import pieces_of
from api.desk import in_force, know
from api.store.plans import placed_on
from api.store.stock import list_balances
from tests.service import Service, service

DAY = "/v1/days/2026-12-04"


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
        with s.store.read() as transaction:
            known = know(s.desk, transaction, "2026-12-04")
            taken = sum(each.count("taken") for each in told)
            assert [each.seq for each in known.told] == list(range(1, taken + 1))
            assert len({each.fact.id for each in known.told}) == taken
            pieces = {
                (each.holder, each.part_id): each.pieces
                for each in list_balances(transaction, "2026-12-04")
                if each.pieces
            }
            assert pieces == {
                (holder, part_id): count
                for holder, stock in pieces_of(known.state).items()
                for part_id, count in stock.items()
            }  # where no cell was left, 'used' was refused
            force = in_force(s.desk, transaction, "2026-12-04")
            assert force is not None
            assert force.version.facts == taken
            assert placed_on(transaction, "2026-12-04") == {
                call_id: route.van_id
                for route in force.plan.routes
                for call_id in route.call_ids
            }
        assert {"taken", "refused", "known"} >= {each for all_ in told for each in all_}
        assert all(each[0] == "taken" and each[2] == "known" for each in told)
