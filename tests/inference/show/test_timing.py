"""`doctor --timing`: which number of threads is worth having, and what it costs to inspect."""

import json

import pytest

from fiberward.inference.show import app, timing
from fiberward.inference.show.timing import measure_timing, steps_of_threads
from fiberward.model.shipped import SHIPPED_MODEL


@pytest.mark.parametrize(
    ("most", "steps"),
    [(1, [1]), (2, [1, 2]), (3, [1, 2, 3]), (8, [1, 2, 4, 8]), (12, [1, 2, 4, 8, 12])],
)
def test_threads_are_tried_by_doubling_up_to_what_is_allowed(most, steps):
    assert steps_of_threads(most) == steps


@pytest.mark.parametrize(
    ("seconds", "worth"), [((4.0, 2.0, 1.0), 4), ((4.0, 1.05, 1.0), 2), ((1.0, 1.2, 1.5), 1)]
)
def test_more_threads_are_advised_only_where_they_pay(monkeypatch, seconds, worth):
    told = iter(seconds)
    monkeypatch.setattr(timing, "Segmenter", lambda model, threads: None)
    monkeypatch.setattr(timing, "least_wall_s", lambda work: next(told))
    monkeypatch.setattr(timing, "matrix_gflop_per_s", lambda: 100.0)
    monkeypatch.setattr(timing, "whole_s", lambda model, threads: 0.1 * threads)
    timed = measure_timing(SHIPPED_MODEL, 4)
    assert timed.net_s == dict(zip((1, 2, 4), seconds, strict=True))
    assert (timed.threads, timed.view_s) == (worth, pytest.approx(0.1 * worth))


def test_the_least_of_the_runs_after_the_first_counts(monkeypatch):
    clock = iter((10.0, 13.0, 20.0, 21.0, 30.0, 32.0))
    monkeypatch.setattr(timing.time, "perf_counter", lambda: next(clock))
    runs = []
    assert timing.least_wall_s(lambda: runs.append(1)) == 1.0
    assert len(runs) == 1 + timing.REPEATS


@pytest.mark.long
def test_the_doctor_times_the_shipped_net(capsys):
    """A view takes longer as a part of a whole inspection than in the net alone."""
    assert app.main(["doctor", "--timing", "--json"]) == 0
    timed = json.loads(capsys.readouterr().out)["timing"]
    assert timed["gflop_per_s"] > 0
    assert timed["view_s"] > 0.5 * min(timed["net_s"].values()) > 0
    assert str(timed["threads"]) in timed["net_s"]
