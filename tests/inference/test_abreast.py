"""Working on several things at once."""

import threading
import time

import pytest

from fiberward.inference.abreast import abreast


def test_answers_come_in_the_order_of_the_items_whichever_is_done_first():
    def slow_first(item: int) -> int:
        time.sleep(0.02 * (item == 0))
        return item * item

    assert list(abreast(slow_first, range(6), 3)) == [0, 1, 4, 9, 16, 25]
    assert list(abreast(slow_first, range(6), 1)) == [0, 1, 4, 9, 16, 25]


def test_two_are_in_hand_at_a_time_and_no_more():
    both, most, now, lock = threading.Barrier(2, timeout=20), 0, 0, threading.Lock()

    def work(item: int) -> None:
        nonlocal most, now
        with lock:
            now += 1
            most = max(most, now)
        both.wait()  # passes only if another one is in hand
        with lock:
            now -= 1

    list(abreast(work, range(4), 2))
    assert most == 2


def test_one_at_a_time_is_done_in_the_caller_s_own_thread_when_asked_for():
    begun: list[int] = []

    def work(item: int) -> threading.Thread:
        begun.append(item)
        return threading.current_thread()

    answers = abreast(work, range(3), 1)
    assert next(answers) is threading.current_thread()
    assert begun == [0]


def test_what_goes_wrong_is_raised_and_what_has_not_begun_is_left():
    begun: list[int] = []

    def work(item: int) -> int:
        begun.append(item)
        if item == 1:
            raise ValueError("number 1")
        time.sleep(0.01)
        return item

    with pytest.raises(ValueError, match="number 1"):
        list(abreast(work, range(200), 2))
    assert len(begun) < 200
