"""The shortest way through posts."""

from __future__ import annotations

from itertools import permutations

import numpy as np
import pytest

from fencemap.relate.posts import encloses, order_of, shortest_tour, swapped


def tour_length(xy, tour):
    """Length of a closed walk."""
    ring = xy[[*tour, tour[0]]]
    return float(np.hypot(*np.diff(ring, axis=0).T).sum())


@pytest.mark.parametrize("seed", range(8))
def test_the_tour_is_the_shortest_of_all(seed):
    """For eight posts around a plot the tour is as short as the best of all 2520 tours."""
    rng = np.random.default_rng(seed)
    angle = rng.permutation(np.linspace(0, 2 * np.pi, 8, endpoint=False))
    xy = np.column_stack([5 * np.cos(angle), 3 * np.sin(angle)]) + rng.normal(0, 0.2, (8, 2))
    best = min(tour_length(xy, [0, *rest]) for rest in permutations(range(1, 8)))
    assert tour_length(xy, shortest_tour(xy)) == pytest.approx(best, abs=1e-9)


def test_the_tour_begins_at_the_first_and_turns_one_way():
    """The same posts give the same ring, whichever way it was found."""
    xy = np.array([[0.0, 0], [4, 0], [4, 3], [2, 4], [0, 3]])
    assert shortest_tour(xy) == [0, 1, 2, 3, 4]


def test_a_ring_encloses_and_a_line_does_not():
    """A square encloses a surface; posts in a row, walked there and back, don't."""
    assert encloses(np.array([[0.0, 0], [3, 0], [3, 3], [0, 3]]))
    assert not encloses(np.array([[0.0, 0], [3, 0.05], [6, 0], [3, 0.0]]))
    assert not encloses(np.array([[0.0, 0], [1, 0]]))


def test_two_ends_open_the_ring_between_them():
    """Posts around three sides whose ends are known are opened between the ends, not at the longest leg."""
    xy = np.array([[0.0, 0], [0, 3], [4, 3], [4, 0]])  # the long leg is 1-2, the opening 3-0
    found = order_of(
        xy, np.full(4, np.nan), names=list("abcd"), ends=[0, 3], panels=set(), longest_m=9.0
    )
    assert found.walk == [0, 1, 2, 3]
    assert not found.closed


def test_swaps_at_the_ends_and_short_runs():
    """A straight run has no swap to name, and runs of three posts none at all."""
    line = np.column_stack([np.arange(6.0), np.zeros(6)])
    assert swapped(line, least_m=0.5) == []
    assert swapped(line[:3], least_m=0.5) == []
