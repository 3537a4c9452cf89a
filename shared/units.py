"""Units at the border: local clock times, seconds of the day, money.

Core time is whole seconds since local midnight of the plan's day, counted as
they pass: on a day of 23 or 25 hours "14:00" is not 14 * 3600.
Core money is the *cost unit*, 1/18 000 cent: a rate in cents per kilometre is
exactly 18 units per metre and a rate in cents per hour exactly 5 units per
second, so that no cost is ever rounded before it is shown.
"""

import re
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from enum import StrEnum
from zoneinfo import ZoneInfo

UNITS_PER_CENT = 18_000
UNITS_PER_METRE = 18  # for each cent per kilometre
UNITS_PER_SECOND = 5  # for each cent per hour

_CLOCK = re.compile(r"([0-9]{1,2})[:.]([0-9]{2})(?::([0-9]{2}))?")


def cents(units: int) -> int:
    """Return cost units as whole cents, halves rounded up.

    Parameters
    ----------
    units : int
        Cost units, 1/18 000 cent.

    Returns
    -------
    int
        Cents.
    """
    return (units + UNITS_PER_CENT // 2) // UNITS_PER_CENT


def money(amount_cents: int) -> str:
    """Return cents as a plain decimal amount, without a currency sign.

    Parameters
    ----------
    amount_cents : int
        Cents, any sign.

    Returns
    -------
    str
        For example ``45.00``.
    """
    sign = "-" if amount_cents < 0 else ""
    whole, rest = divmod(abs(amount_cents), 100)
    return f"{sign}{whole}.{rest:02d}"


def minutes(duration_s: int) -> str:
    """Return a duration as people say it: ``45 min`` or ``2 h 05``.

    Parameters
    ----------
    duration_s : int
        Seconds, not negative; rounded up to the whole minute.

    Returns
    -------
    str
        The words.
    """
    whole = -(-duration_s // 60)
    if whole < 60:  # noqa: PLR2004 - minutes of an hour
        return f"{whole} min"
    return f"{whole // 60} h {whole % 60:02d}"


class DistanceUnit(StrEnum):
    """What people read distances and speeds in; the core counts metres."""

    KM = "km"
    MI = "mi"

    @property
    def metres(self) -> float:
        """How many metres one is; the international mile is exact, from memory.

        Returns
        -------
        float
            Metres.
        """
        return {DistanceUnit.KM: 1000.0, DistanceUnit.MI: 1609.344}[self]

    def number(self, distance_m: int) -> str:
        """Return metres in this unit with one decimal, halves rounded up: ``6.4``.

        Parameters
        ----------
        distance_m : int
            Metres, not negative.

        Returns
        -------
        str
            Without the unit's name.
        """
        unit_mm = round(1000 * self.metres)
        tenths = (10_000 * distance_m + unit_mm // 2) // unit_mm
        return f"{tenths // 10}.{tenths % 10}"

    def say(self, distance_m: int) -> str:
        """Return metres in this unit with one decimal and its name: ``6.4 km``.

        Parameters
        ----------
        distance_m : int
            Metres, not negative.

        Returns
        -------
        str
            As :meth:`number`, and ``km`` or ``mi``.
        """
        return f"{self.number(distance_m)} {self}"

    def say_speed(self, speed_kmh: float) -> str:
        """Return a speed in this unit an hour: ``48 km/h`` or ``30 mph``.

        Parameters
        ----------
        speed_kmh : float
            Kilometres an hour.

        Returns
        -------
        str
            Miles an hour as a whole number.
        """
        if self is DistanceUnit.MI:
            return f"{speed_kmh * 1000 / self.metres:.0f} mph"
        return f"{speed_kmh:g} km/h"


@dataclass(frozen=True, slots=True)
class DayClock:
    """Turns local clock times of one day into seconds, and back.

    Parameters
    ----------
    day : datetime.date
        The plan's day.
    zone : zoneinfo.ZoneInfo
        The zone the customers live in.
    """

    day: date
    zone: ZoneInfo

    def midnight(self) -> datetime:
        """Return the day's first instant, in UTC.

        Returns
        -------
        datetime.datetime
            Aware.
        """
        return datetime(
            self.day.year, self.day.month, self.day.day, tzinfo=self.zone
        ).astimezone(UTC)

    def seconds(self, clock: str) -> int:
        """Return the seconds from midnight to a local clock time.

        Parameters
        ----------
        clock : str
            ``8:30``, ``08:30``, ``08.30`` or ``08:30:00``; hours 24 to 47 are the
            next day's.

        Returns
        -------
        int
            Seconds passed since local midnight.

        Raises
        ------
        ValueError
            When it is not a clock time, or a clock time that the change to
            summer time skips on that day.
        """
        match = _CLOCK.fullmatch(clock.strip())
        if match is None:
            raise ValueError(f"{clock!r} is not a clock time such as 08:30")
        hour, minute, second = (int(group or 0) for group in match.groups())
        if hour >= 48 or minute >= 60 or second >= 60:  # noqa: PLR2004
            raise ValueError(f"{clock!r} is not a clock time such as 08:30")
        local = datetime(
            self.day.year, self.day.month, self.day.day, tzinfo=self.zone
        ) + timedelta(days=hour // 24, hours=hour % 24, minutes=minute, seconds=second)
        instant = local.astimezone(UTC)
        if instant.astimezone(self.zone).replace(tzinfo=None) != local.replace(
            tzinfo=None
        ):
            raise ValueError(f"{clock} does not exist on {self.day}: the clock jumps")
        return round((instant - self.midnight()).total_seconds())

    def instant(self, time_s: int) -> datetime:
        """Return the aware local time of a second of the day.

        Parameters
        ----------
        time_s : int
            Seconds since local midnight, any sign.

        Returns
        -------
        datetime.datetime
            Aware, in the day's zone.
        """
        return (self.midnight() + timedelta(seconds=time_s)).astimezone(self.zone)

    def hhmm(self, time_s: int) -> str:
        """Return the local clock time of a second of the day, to the minute.

        Parameters
        ----------
        time_s : int
            Seconds since local midnight.

        Returns
        -------
        str
            ``10:40``; ``00:30 (+1)`` on the next day, ``19:00 (-1)`` the evening
            before. Seconds are cut, as a watch shows them.
        """
        local = self.instant(time_s)
        days = (local.date() - self.day).days
        suffix = f" ({days:+d})" if days else ""
        return f"{local:%H:%M}{suffix}"

    def spoken(self, time_s: int) -> str:
        """Return the same as :meth:`hhmm`, in words for another day.

        Parameters
        ----------
        time_s : int
            Seconds since local midnight.

        Returns
        -------
        str
            ``10:40``; ``00:30 the next day``, ``19:00 the day before``,
            ``08:00 3 days before``.
        """
        local = self.instant(time_s)
        days = (local.date() - self.day).days
        if days == 0:
            return f"{local:%H:%M}"
        near = {1: "the next day", -1: "the day before"}
        far = f"{abs(days)} days {'later' if days > 0 else 'before'}"
        return f"{local:%H:%M} {near.get(days, far)}"


def as_percent(chance: float) -> int:
    """Return a chance as a whole percentage that says neither never nor always.

    Parameters
    ----------
    chance : float
        0 to 1.

    Returns
    -------
    int
        0 and 100 only where the chance is exactly that; otherwise 1 to 99.
    """
    if chance <= 0.0 or chance >= 1.0:
        return round(100 * chance)
    return min(99, max(1, round(100 * chance)))
