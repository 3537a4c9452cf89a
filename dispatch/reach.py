"""Which vans could serve a call at all, before any route is drawn.

Only what holds whatever the rest of the day looks like: skills, equipment, the
required van, and whether a single permitted second to start exists. Driving and
stock are left out, so "no" is certain and "yes" is a maybe.
"""

from shared.model import Call, Day, Van, Window


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
        In the order of the day's vans; the required van only, where one is named.
    """
    return tuple(
        van
        for van in day.vans
        if call.required_van in (None, van.id)
        and call.skills <= van.skills
        and call.equipment <= van.equipment
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
        Seconds since local midnight, inside availability, promise, shift with
        overtime, and not before the slowest open ready item; ``None`` when there
        is no such second.
    """
    length_s = day.planned_s(call)
    back_s = van.shift.end_s + van.overtime_limit_s
    first_s, last_s = van.shift.start_s, back_s - length_s
    if call.promise is not None:
        first_s = max(first_s, call.promise.start_s)
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
