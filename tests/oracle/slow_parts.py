"""Who gets which piece, over all choices and all places where pieces lie.

Shares no code with the engine.
"""

from collections.abc import Iterator, Mapping
from typing import NamedTuple

from shared.model import Day, Issue, Need, Origin, Store, Van

Served = tuple[tuple[str, tuple[str, ...]], ...]
"""One van's calls, each with the restock stops that come before it, by call."""


BOUGHT = (Origin.SHOP, Origin.RESTOCK)


class Take(NamedTuple):
    """Some pieces of one part, from one place."""

    place: str  # 'van:<id>', 'shop' or 'store:<id>'
    part_id: str
    pieces: int
    origin: Origin
    extra_cents: int


class Option(NamedTuple):
    """One way to serve one need; comparing compares what is minimised."""

    cost: tuple[int, int, int, int]  # cents, rank, handed over, from stores
    choice: str
    takes: tuple[Take, ...]


class Wish(NamedTuple):
    """One need of one call on one van, and all ways to serve it, the best first."""

    van_id: str
    call_id: str
    row: int
    options: list[Option]


class Parts:
    """The day's pieces.

    Parameters
    ----------
    day : Day
        The question.
    """

    def __init__(self, day: Day) -> None:
        self.day = day
        self.stores: dict[str, Store] = {"shop": day.shop} | {
            f"store:{store.id}": store for store in day.counters
        }
        self.stocks: dict[str, Mapping[str, int]] = {
            place: store.stock for place, store in self.stores.items()
        } | {f"van:{van.id}": van.stock for van in day.vans}
        self._known: dict[tuple[Served, ...], int | None] = {}

    def least_cents(self, served: tuple[Served, ...]) -> int | None:
        """Return what all needs cost beyond the wanted parts; ``None``: too few."""
        if served not in self._known:
            found = self._search(served)
            self._known[served] = None if found is None else found[0][0]
        return self._known[served]

    def issues(self, served: tuple[Served, ...]) -> tuple[Issue, ...]:
        """Return the best way to give out the pieces.

        It costs the least, then has the least total rank of alternatives, then hands
        over the fewest pieces, then takes the fewest from stores.
        """
        found = self._search(served)
        if found is None:
            raise ValueError("the stock does not suffice for these routes")
        return tuple(
            issue
            for wish, option in zip(self._wishes(served), found[1], strict=True)
            for issue in _issues(self.day, wish, option)
        )

    def _wishes(self, served: tuple[Served, ...]) -> list[Wish]:
        calls = {call.id: call for call in self.day.calls}
        return [
            Wish(van.id, call_id, row, sorted(self._options(van, stops, need)))
            for van, mine in zip(self.day.vans, served, strict=True)
            for call_id, stops in mine
            for row, need in enumerate(calls[call_id].needs)
        ]

    def _options(
        self, van: Van, stops: tuple[str, ...], need: Need
    ) -> Iterator[Option]:
        wanted_cents = _price(self.day, need.alternatives[0])
        for rank, choice in enumerate(need.alternatives):
            dearer = max(0, _price(self.day, choice) - wanted_cents) * need.quantity
            for takes in self._takes(van, stops, pieces_of(self.day, choice), need):
                cost = (
                    dearer + sum(take.extra_cents for take in takes),
                    rank,
                    sum(take.pieces for take in takes if take.origin is Origin.VAN),
                    sum(take.pieces for take in takes if take.origin in BOUGHT),
                )
                yield Option(cost, choice, takes)

    def _takes(
        self, van: Van, stops: tuple[str, ...], pieces: Mapping[str, int], need: Need
    ) -> list[tuple[Take, ...]]:
        found: list[tuple[Take, ...]] = [()]
        for part_id, count in pieces.items():
            places = [
                (place, origin)
                for place, origin in self._reach(van, stops)
                if self.stocks[place].get(part_id, 0)
            ]
            found = [
                (*before, *takes)
                for before in found
                for takes in self._splits(places, part_id, count * need.quantity)
            ]
        return found

    def _splits(
        self, places: list[tuple[str, Origin]], part_id: str, pieces: int
    ) -> Iterator[tuple[Take, ...]]:
        """Yield all ways to take so many pieces from these places."""
        if not places:
            if pieces == 0:
                yield ()
            return
        (place, origin), *others = places
        for count in range(min(pieces, self.stocks[place][part_id]) + 1):
            cents = count * self._surcharge(place, part_id)
            mine = (Take(place, part_id, count, origin, cents),) if count else ()
            for takes in self._splits(others, part_id, pieces - count):
                yield (*mine, *takes)

    def _surcharge(self, place: str, part_id: str) -> int:
        if not place.startswith("store:"):
            return 0
        usual = _price(self.day, part_id)
        return max(0, self.stores[place].prices.get(part_id, usual) - usual)

    def _reach(self, van: Van, stops: tuple[str, ...]) -> Iterator[tuple[str, Origin]]:
        yield f"van:{van.id}", Origin.ABOARD
        if van.loads_at_shop:
            yield "shop", Origin.SHOP
        for other in self.day.vans if self.day.exchange else ():
            if (
                other.id != van.id
                and van.start is not None
                and other.start is not None
                and van.start.lat_deg == other.start.lat_deg
                and van.start.lon_deg == other.start.lon_deg
            ):
                yield f"van:{other.id}", Origin.VAN
        for stop in stops:
            yield stop, Origin.RESTOCK

    def _search(
        self, served: tuple[Served, ...]
    ) -> tuple[tuple[int, int, int, int], list[Option]] | None:
        """Return the least total and the options that make it.

        Every stop has something to fetch: where that costs more than the best way
        to give the pieces out, the stop is there for nothing.
        """
        errands = frozenset(
            (van.id, stop)
            for van, mine in zip(self.day.vans, served, strict=True)
            for _, stops in mine
            for stop in stops
        )
        best = self._dig(served, frozenset())
        if best is None or not errands:
            return best
        busy = self._dig(served, errands)
        return busy if busy is not None and busy[0] == best[0] else None

    def _dig(
        self, served: tuple[Served, ...], errands: frozenset[tuple[str, str]]
    ) -> tuple[tuple[int, int, int, int], list[Option]] | None:
        """Return the least total that runs these errands at least, depth first."""
        wishes = self._wishes(served)
        if not all(wish.options for wish in wishes):
            return None
        floor = [(0, 0, 0, 0)]
        for wish in reversed(wishes):
            floor.append(_add(floor[-1], wish.options[0].cost))
        floor.reverse()  # what the wishes from here on cost at least
        used: dict[tuple[str, str], int] = {}
        best: tuple[tuple[int, int, int, int], list[Option]] | None = None
        seen: dict[object, tuple[int, int, int, int]] = {}
        chosen: list[Option] = []

        def go_on(row: int, cost: tuple[int, int, int, int]) -> None:
            nonlocal best
            if best is not None and _add(cost, floor[row]) >= best[0]:
                return
            run = frozenset(
                (wish.van_id, take.place)
                for wish, option in zip(wishes, chosen, strict=False)
                for take in option.takes
                if take.origin is Origin.RESTOCK
            )
            if row == len(wishes):
                if run >= errands:
                    best = cost, list(chosen)
                return
            state = row, run, frozenset(item for item in used.items() if item[1])
            if state in seen and seen[state] <= cost:
                return
            seen[state] = cost
            for option in wishes[row].options:
                if self._take(used, option, 1):
                    chosen.append(option)
                    go_on(row + 1, _add(cost, option.cost))
                    chosen.pop()
                self._take(used, option, -1)

        go_on(0, (0, 0, 0, 0))
        return best

    def _take(
        self, used: dict[tuple[str, str], int], option: Option, sign: int
    ) -> bool:
        """Take an option's pieces, or give them back; say whether there are so many."""
        fits = True
        for take in option.takes:
            key = take.place, take.part_id
            used[key] = used.get(key, 0) + sign * take.pieces
            fits &= used[key] <= self.stocks[take.place][take.part_id]
        return fits


def _add(
    one: tuple[int, int, int, int], other: tuple[int, int, int, int]
) -> tuple[int, int, int, int]:
    return (
        one[0] + other[0],
        one[1] + other[1],
        one[2] + other[2],
        one[3] + other[3],
    )


def pieces_of(day: Day, choice: str) -> dict[str, int]:
    """Return the pieces of one part, or of one kit."""
    part = day.parts.get(choice)
    if part is None or not part.components:
        return {choice: 1}
    pieces: dict[str, int] = {}
    for part_id, count in part.components:
        pieces[part_id] = pieces.get(part_id, 0) + count
    return pieces


def _price(day: Day, choice: str) -> int:
    return sum(
        count * day.parts[part_id].unit_cost_cents
        for part_id, count in pieces_of(day, choice).items()
        if part_id in day.parts
    )


def _issues(day: Day, wish: Wish, option: Option) -> Iterator[Issue]:
    dearer = option.cost[0] - sum(take.extra_cents for take in option.takes)
    stores = {f"store:{store.id}": store.id for store in day.counters}
    stores["shop"] = day.shop.id
    for row, take in enumerate(option.takes):
        handed = take.origin is Origin.VAN
        fetched = take.origin is Origin.RESTOCK
        yield Issue(
            van_id=wish.van_id,
            part_id=take.part_id,
            quantity=take.pieces,
            origin=take.origin,
            call_id=wish.call_id,
            need=wish.row,
            chosen=option.choice,
            from_van=take.place.removeprefix("van:") if handed else None,
            store_id=stores[take.place] if fetched else None,
            extra_cents=take.extra_cents + (dearer if row == 0 else 0),
        )
