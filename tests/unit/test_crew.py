"""Who works out what has to be answered now."""

import os
import time
from functools import partial
from multiprocessing import active_children

import pytest

from api.crew import Pool
from api.telephone import rehearse
from shared.errors import Unavailable


def test_work_is_done_in_another_process_and_its_errors_come_back() -> None:
    pool = Pool(os.getpid)
    try:
        assert pool.call(os.getpid) != os.getpid()
        assert pool.call(divmod, 7, 2) == (3, 1)
        with pytest.raises(ZeroDivisionError):
            pool.call(divmod, 7, 0)
    finally:
        pool.close()


def test_a_child_that_dies_costs_one_answer_and_is_replaced() -> None:
    pool = Pool(os.getpid)
    try:
        with pytest.raises(Unavailable):
            pool.call(os._exit, 1)
        assert pool.call(divmod, 7, 2) == (3, 1)
    finally:
        pool.close()


def test_the_child_gets_ready_before_anybody_waits_for_it() -> None:
    before = set(active_children())
    pool = Pool(os.getpid)
    try:
        assert len(set(active_children()) - before) == 1
    finally:
        pool.close()


def test_closing_waits_for_no_child_that_is_busy() -> None:
    before = set(active_children())
    pool = Pool(partial(time.sleep, 600))
    (child,) = set(active_children()) - before
    pool.close()
    child.join(30)
    assert not child.is_alive()


def test_what_the_child_rehearses_is_a_whole_answer() -> None:
    first, *_ = rehearse().options
    assert first.van_id is not None
