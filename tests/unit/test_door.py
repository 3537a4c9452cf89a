"""Which tokens a process remembers, and how it hears of those that are revoked."""

import asyncio
from pathlib import Path

from api.access import revoke
from api.crew import Here
from api.desk import Desk
from api.feed import Feed
from api.security import Door, digest_of, make_key
from api.store import open_store
from api.store.keys import Key, find_key
from tests.service import Clock

KEY = Key(id="k", kind="van", van_id="mira", label="", created_ms=0, expires_ms=None)
LOW, HIGH = "0" * 64, "f" * 64  # digests: kept for 300 s, and nearly 600 s


class Hand:
    """Seconds, set by hand."""

    now_s = 1000.0

    def __call__(self) -> float:
        return self.now_s


def test_a_token_is_looked_up_again_after_two_seconds_if_nobody_hears_revocations() -> (
    None
):
    hand = Hand()
    door = Door(clock=hand)
    door.remember(LOW, KEY, door.age)
    hand.now_s += 1.9
    assert door.recall(LOW) is KEY
    hand.now_s += 0.2
    assert door.recall(LOW) is None


def test_a_token_is_remembered_for_minutes_while_revocations_are_heard() -> None:
    hand = Hand()
    door = Door(clock=hand)
    door.remember(LOW, KEY, door.age)
    door.remember(HIGH, KEY, door.age)
    hand.now_s += 299
    assert door.recall(LOW) is None  # nobody has vouched for so long
    door.vouch(hand.now_s - 0.2)
    assert door.recall(LOW) is KEY
    hand.now_s += 2
    assert door.recall(HIGH) is None  # heard up to 2.2 s ago
    door.vouch(hand.now_s)
    assert (door.recall(LOW), door.recall(HIGH)) == (None, KEY)  # 301 s
    hand.now_s += 300
    door.vouch(hand.now_s)
    assert door.recall(HIGH) is None  # 601 s


def test_a_token_that_was_looked_up_before_a_revocation_is_not_kept_after_it() -> None:
    door = Door(clock=Hand())
    age = door.age
    door.forget()
    door.remember(LOW, KEY, age)
    assert door.recall(LOW) is None


def test_what_another_process_revokes_is_heard_and_looked_up_again(
    tmp_path: Path,
) -> None:
    url = f"sqlite:///{tmp_path / 'keyround.db'}"
    here, there = (
        Desk(store=open_store(url), clock=Clock("2026-12-04T08:00:00Z"), crew=Here())
        for _ in range(2)
    )
    hand = Hand()
    door = Door(clock=hand)
    digest = digest_of(make_key(here, "mira"))
    with here.store.read() as transaction:
        key = find_key(transaction, digest)
    assert key is not None

    async def follow() -> None:
        feed = Feed(here, door)
        await feed.start()
        door.remember(digest, key, door.age)
        hand.now_s += 10
        # until it has looked, and vouched for it
        while door.recall(digest) is None:  # noqa: ASYNC110 - asked as requests do
            await asyncio.sleep(0.01)
        revoke(there, key.id, lambda: None)
        while door.recall(digest) is not None:  # noqa: ASYNC110
            await asyncio.sleep(0.01)
        await feed.stop()

    asyncio.run(asyncio.wait_for(follow(), 20))
    assert door.age == 1
    here.store.close()
    there.store.close()
