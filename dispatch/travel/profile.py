"""Driving time by the time of day, exact and without ever running backwards.

As in Ichoua, S., Gendreau, M. and Potvin, J.-Y. (2003), Vehicle dispatching with
time-dependent travel times, European Journal of Operational Research
144(2):379-396: not the travel time is given per slot, but the speed, and the drive
passes through the slots. Who leaves later then never arrives earlier (FIFO).

All arithmetic is in integers. The unit of ground covered is the permille-second:
one second at free flow covers 1000. The search has its own version on arrays; this
one is for writing plans out, and for checking it.
"""

from shared.model import Traffic


def covered(traffic: Traffic, time_s: int) -> int:
    """Return the ground covered by driving from midnight on, W(t).

    Parameters
    ----------
    traffic : Traffic
        Speed per slot; the last one holds on.
    time_s : int
        Seconds since midnight, 0 or more.

    Returns
    -------
    int
        Permille-seconds: the sum of the speeds of all seconds before ``time_s``.
    """
    slot_s, speeds = traffic.slot_s, traffic.speed_permille
    slot = max(0, min(time_s // slot_s, len(speeds) - 1))
    return slot_s * sum(speeds[:slot]) + speeds[slot] * (time_s - slot * slot_s)


def reached_s(traffic: Traffic, ground: int) -> int:
    """Return the first whole second by which so much ground is covered.

    Parameters
    ----------
    traffic : Traffic
        Speed per slot; the last one holds on.
    ground : int
        Permille-seconds since midnight, 0 or more.

    Returns
    -------
    int
        The smallest t with ``covered(traffic, t) >= ground``.
    """
    return _drive_on(traffic, 0, ground)


def arrive_s(traffic: Traffic, depart_s: int, base_s: int) -> int:
    """Return when a drive ends.

    Parameters
    ----------
    traffic : Traffic
        Speed per slot; the last one holds on.
    depart_s : int
        Second of departure since midnight, 0 or more.
    base_s : int
        Length of the drive in seconds at free flow, 0 or more.

    Returns
    -------
    int
        The smallest t with ``W(t) >= W(depart_s) + 1000 * base_s``.
    """
    return _drive_on(traffic, depart_s, 1000 * base_s)


def _drive_on(traffic: Traffic, time_s: int, left: int) -> int:
    """Return the first second by which so much more ground is covered."""
    slot_s, speeds = traffic.slot_s, traffic.speed_permille
    last = len(speeds) - 1
    slot = time_s // slot_s
    slot = 0 if slot < 0 else min(slot, last)
    # Most drives are through with their slot, or the next: no need to look them up.
    while slot < last:
        ahead = speeds[slot] * ((slot + 1) * slot_s - time_s)
        if left <= ahead:
            break
        left -= ahead
        slot += 1
        time_s = slot * slot_s
    return time_s - -left // speeds[slot]


def depart_latest_s(traffic: Traffic, arrive_by_s: int, base_s: int) -> int | None:
    """Return the last second to leave and still be there in time.

    Parameters
    ----------
    traffic : Traffic
        Speed per slot; the last one holds on.
    arrive_by_s : int
        Second to be there, since midnight.
    base_s : int
        Length of the drive in seconds at free flow, 0 or more.

    Returns
    -------
    int or None
        The largest departure that arrives at or before ``arrive_by_s``; ``None``
        when it would be before midnight.
    """
    if arrive_by_s < 0:
        return None
    slot_s, speeds = traffic.slot_s, traffic.speed_permille
    slot, left = min(arrive_by_s // slot_s, len(speeds) - 1), 1000 * base_s
    while slot > 0:
        behind = speeds[slot] * (arrive_by_s - slot * slot_s)
        if left <= behind:
            break
        left -= behind
        arrive_by_s = slot * slot_s
        slot -= 1
    depart_s = arrive_by_s + -left // speeds[slot]
    return depart_s if depart_s >= 0 else None
