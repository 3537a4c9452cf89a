"""Whether what a store holds of a day fits together: nothing twice, no half plan."""

from collections import Counter

from api.course import pieces_of
from api.desk import Desk, in_force, know
from api.store.plans import find_sheet, list_versions, placed_on
from api.store.stock import list_balances


def look_through(desk: Desk, day_id: str) -> tuple[set[str], int]:
    """Fail where something of a planned day does not fit to the rest of it.

    Returns
    -------
    (set of str, int)
        The ids of its facts, and how many plans there are.
    """
    with desk.store.read() as transaction:
        known = know(desk, transaction, day_id)
        ids = Counter(each.fact.id for each in known.told)
        assert set(ids.values()) <= {1}
        numbers = [each.seq for each in known.told]
        assert numbers == list(range(1, len(numbers) + 1))
        pieces = {
            (each.holder, each.part_id): each.pieces
            for each in list_balances(transaction, day_id)
            if each.pieces
        }
        assert pieces == {
            (holder, part_id): count
            for holder, stock in pieces_of(known.state).items()
            for part_id, count in stock.items()
            if count
        }
        force = in_force(desk, transaction, day_id)
        assert force is not None
        assert placed_on(transaction, day_id) == {
            call_id: route.van_id
            for route in force.plan.routes
            for call_id in route.call_ids
        }
        versions = [each.version for each in list_versions(transaction, day_id)]
        assert versions == list(range(len(versions), 0, -1))
        for van in known.day.vans:
            sheet = find_sheet(transaction, day_id, van.id)
            assert sheet is not None
            assert sheet.version == force.version.version
    return set(ids), len(versions)
