"""Writes the invented log of a demo day: python -m tests.invent_log FILE.

Everything in it is made up from a seed: lengths, drivers, drives, typing errors.
"""

import sys
from datetime import date, timedelta
from pathlib import Path

import numpy as np

from dispatch.travel.profile import arrive_s
from shared.model import Traffic
from shared.trade import kinds

ROWS = 600
DRIVERS = ("Robin Ashdene", "Wren Calloway", "Toby Marsh")
PACE = (0.92, 1.0, 1.18)
GROUPS = {
    "add_key": ("small hatchback", "family estate", "city car", "delivery van"),
    "all_keys_lost": ("small hatchback", "family estate", "city car"),
    "lockout_vehicle": ("small hatchback", "family estate", "city car"),
    "rekey": ("front door", "back door", "shop door"),
    "lock_change": ("front door", "back door", "shop door"),
    "lockout_house": ("front door", "flat door"),
    "ignition_cylinder": ("family estate", "delivery van"),
}
TRUTH = (1000,) * 7 + (700, 720, 850) + (920,) * 6 + (680, 640, 800) + (1000,) * 5
HEADER = (
    "date,call,kind,group,driver,left,arrived,km,"
    "start,finish,outcome,promise,chance,note"
)


def log_text(seed: int = 5, rows: int = ROWS) -> str:
    """Return an invented log of so many visits."""
    rng = np.random.default_rng(seed)
    table = kinds()
    names = [name for name in GROUPS if name in table]
    factor = {name: rng.uniform(0.8, 1.4) for name in names}
    of_group = {
        (name, group): rng.uniform(0.75, 1.3)
        for name in names
        for group in GROUPS[name]
    }
    lines = [HEADER]
    day, clock = date(2025, 10, 6), [8 * 3600] * len(DRIVERS)
    truth = Traffic(slot_s=3600, speed_permille=TRUTH)
    while len(lines) <= rows:
        who = int(np.argmin(clock))
        if clock[who] > 16 * 3600:
            day += timedelta(days=3 if day.weekday() == 4 else 1)
            clock = [8 * 3600] * len(DRIVERS)
            continue
        name = names[int(rng.choice(len(names), p=_falling(len(names))))]
        group = GROUPS[name][int(rng.integers(len(GROUPS[name])))]
        km = float(rng.gamma(2.0, 2.5)) + 0.4
        base_s = (150 + km * 1000 / (44 / 3.6)) * float(np.exp(rng.normal(0, 0.12)))
        left_s = clock[who] + 60 * int(rng.integers(1, 6))
        arrived_s = arrive_s(truth, left_s, round(base_s))
        scale = 0.32 if name != "all_keys_lost" else 0.5
        length_s = table[name].median_s * factor[name] * of_group[name, group]
        length_s *= PACE[who] * float(np.exp(rng.normal(0, scale)))
        outcome, note = "done", ""
        if name in {"add_key", "all_keys_lost"} and rng.random() < 0.08:
            outcome, note, length_s = "given up", "waited for the code", 20 * 60.0
        start_s = arrived_s + 60 * int(rng.integers(1, 4))
        finish_s = start_s + 60 * max(2, round(length_s / 60))
        promised = 3600 * round((start_s - rng.integers(-900, 6300)) / 3600)
        lines.append(
            _line(day, len(lines), rng)
            + f"{name},{group},{DRIVERS[who]},{_hm(left_s)},{_hm(arrived_s)},{km:.1f},"
            f"{_hm(start_s)},{_typed(finish_s, rng)},{outcome},"
            f"{_hm(promised)}-{_hm(promised + 7200)},,{note}"
        )
        clock[who] = finish_s
    return "\n".join(lines) + "\n"


def _line(day: date, number: int, rng: np.random.Generator) -> str:
    written = day.isoformat() if rng.random() < 0.97 else f"{day:%d.%m.%Y}"
    return f"{written},L{number:03d},"


def _typed(second: int, rng: np.random.Generator) -> str:
    """Return a clock time, one in sixty typed wrongly."""
    if rng.random() < 1 / 60:
        second += int(rng.choice([-10, 10, -2, 5])) * 3600
    return _hm(max(second, 0))


def _hm(second: int) -> str:
    hour, minute = divmod(int(second) // 60 % 1440, 60)
    return f"{hour:02d}:{minute:02d}"


def _falling(number: int) -> list[float]:
    share = 1 / np.arange(1, number + 1)
    return list(share / share.sum())


if __name__ == "__main__":
    Path(sys.argv[1]).write_text(log_text(), encoding="utf-8", newline="\n")
