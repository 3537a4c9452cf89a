"""Which vans could serve a call at all, before any route is drawn.

Only what holds whatever the rest of the day looks like: skills, equipment, the
required van, whether roads lead there at all, and whether a single permitted second to
start exists. Driving times and stock are left out, so "no" is certain and "yes" is a
maybe.
"""

from shared.model import Call, Day, Store, Van, Window


def shared_tools(day: Day, van: Van) -> frozenset[str]:
    """Return the shared tools that a van could carry.

    Parameters
    ----------
    day : Day
        The day.
    van : Van
        One of its vans.

    Returns
    -------
    frozenset of str
        Equipment words; none for a van that does not load at the shop, and none that
        it carries anyway.
    """
    tools = {tool.id for tool in day.tools if tool.quantity > 0}
    return frozenset(tools - van.equipment) if van.loads_at_shop else frozenset()


def able_vans(day: Day, call: Call) -> tuple[Van, ...]:
    """Return the vans whose driver and equipment can do the call.

    Parameters
    ----------
    day : Day
        The day.
    call : Call
        One of its calls.

    Returns
    -------
    tuple of Van
        In the order of the day's vans, those left out that are off that day; the
        required van only, where one is named; none for a call that is barred.
        A tool that the vans share is there for each that could carry it.
    """
    if day.bar(call) is not None:
        return ()
    return tuple(
        van
        for van in day.vans
        if day.date not in van.off
        and call.required_van in (None, van.id)
        and call.skills <= van.skills
        and call.equipment - van.equipment <= shared_tools(day, van)
    )


def latest_start_s(day: Day, call: Call, van: Van) -> int | None:
    """Return the last second at which a van might start a call, driving left out.

    Parameters
    ----------
    day : Day
        The day.
    call : Call
        One of its calls.
    van : Van
        One of its vans.

    Returns
    -------
    int or None
        Seconds since local midnight, inside availability, promise (where the day
        lets it break: not before it), shift with overtime, and not before the
        slowest open ready item; ``None`` when there is no such second, or the visit
        alone is longer than the van may work.
    """
    length_s = day.planned_s(call, van)
    if van.work_limit_s is not None and length_s > van.work_limit_s:
        return None
    back_s = van.shift.end_s + van.overtime_limit_s
    first_s, last_s = van.shift.start_s, back_s - length_s
    if call.promise is not None:
        first_s = max(first_s, call.promise.start_s)
        if not day.promises_may_break:
            last_s = min(last_s, call.promise.end_s)
    ready_s = day.ready_s(call)
    if ready_s is not None:
        first_s = max(first_s, ready_s)
    latest_s: int | None = None
    for window in call.windows or (Window(start_s=first_s, end_s=back_s),):
        opens_s = max(first_s, window.start_s)
        closes_s = min(last_s, window.end_s - length_s)
        if opens_s <= closes_s:
            latest_s = closes_s if latest_s is None else max(latest_s, closes_s)
    return latest_s


def latest_start_any_s(day: Day, call: Call) -> int | None:
    """Return the last second at which any able van might start a call.

    Parameters
    ----------
    day : Day
        The day.
    call : Call
        One of its calls.

    Returns
    -------
    int or None
        Seconds since local midnight; ``None`` when no van ever could.
    """
    starts = (latest_start_s(day, call, van) for van in able_vans(day, call))
    return max((start for start in starts if start is not None), default=None)


def can_fetch(van: Van, store: Store, by_s: int) -> bool:
    """Return whether a van might stop at a store and be done there in time.

    Parameters
    ----------
    van : Van
        The van.
    store : Store
        The shop or a counter.
    by_s : int
        When it has to be done, seconds since local midnight; driving left out.

    Returns
    -------
    bool
        False for a store at which no van stops on its way.
    """
    if store.restock_s is None:
        return False
    done_s, closes_s = van.shift.start_s + store.restock_s, by_s
    if store.opening is not None:
        done_s = max(done_s, store.opening.start_s + store.restock_s)
        closes_s = min(closes_s, store.opening.end_s)
    return done_s <= closes_s
