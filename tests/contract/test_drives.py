"""Drives that are kept across days, on every database."""

from api.store import SqlStore
from api.store.drives import find_drives, forget_drives, keep_drives

A, B, C = (47_149_180, 9_516_990), (47_209_430, 9_531_050), (47_101_090, -9_530_340)
KNOWN = {(A, B): (600, 8000), (B, A): (620, 8100), (A, C): (-1, -1)}


def test_kept_drives_are_found_among_their_points(store: SqlStore) -> None:
    with store.write() as transaction:
        assert keep_drives(transaction, "roads", KNOWN) == 3
    with store.read() as transaction:
        assert find_drives(transaction, "roads", [A, B, C]) == KNOWN
        among = find_drives(transaction, "roads", [A, B])
        assert among == {(A, B): (600, 8000), (B, A): (620, 8100)}
        assert find_drives(transaction, "other roads", [A, B, C]) == {}


def test_what_is_kept_already_stays_as_it_is(store: SqlStore) -> None:
    with store.write() as transaction:
        keep_drives(transaction, "roads", KNOWN)
    again = {(A, B): (999, 9), (C, A): (700, 9000)}
    with store.write() as transaction:
        assert keep_drives(transaction, "roads", again) == 1
    with store.read() as transaction:
        found = find_drives(transaction, "roads", [A, B, C])
    assert found == KNOWN | {(C, A): (700, 9000)}


def test_a_day_of_many_places_is_found_whole(store: SqlStore) -> None:
    points = [(47_000_000 + n, 9_500_000 + n) for n in range(900)]
    pairs = {(points[0], point): (n, n) for n, point in enumerate(points[1:], 1)}
    pairs |= {(point, points[0]): (n, n) for n, point in enumerate(points[1:], 1)}
    with store.write() as transaction:
        keep_drives(transaction, "roads", pairs)
    with store.read() as transaction:
        assert find_drives(transaction, "roads", points) == pairs


def test_drives_are_forgotten_with_their_time(store: SqlStore) -> None:
    with store.write() as transaction:
        keep_drives(transaction, "roads", KNOWN)
        now_ms = transaction.now_ms
    with store.write() as transaction:
        assert forget_drives(transaction, now_ms) == 0
        assert forget_drives(transaction, now_ms + 1) == 3
        assert find_drives(transaction, "roads", [A, B, C]) == {}
