"""Places: standard competition ranking ("1224"), for one set of totals and for many draws. Pure."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

IntArray = NDArray[np.int64]
FloatArray = NDArray[np.float64]
SURE = 0.95
_NEIGHBOURS = 25  # rows behind a row whose order against it is looked at


def tie_ranks(keys: Sequence[tuple[object, ...]]) -> IntArray:
    """Rank of each tie-break key, smallest first, equal ones alike; shape (n,)."""
    order = {key: at for at, key in enumerate(sorted(set(keys)))}
    return np.array([order[key] for key in keys], dtype=np.int64)


def competition_places(totals: IntArray, ties: IntArray, highest_wins: bool) -> IntArray:
    """Places, 1 first; equal totals with equal tie-break ranks share the better place.

    Parameters
    ----------
    totals : ndarray of int, shape (n, draws)
        In whole units, so that equal decimals are equal.
    ties : ndarray of int, shape (n,)
        Rank by tie-breaks; the smaller is ahead.

    Returns
    -------
    ndarray of int, shape (n, draws)
    """
    rows = len(totals)
    keys = (-totals if highest_wins else totals) * (int(ties.max(initial=0)) + 1) + ties[:, None]
    order = np.argsort(keys, axis=0, kind="stable")
    ranked = np.take_along_axis(keys, order, axis=0)
    at = np.broadcast_to(np.arange(1, rows + 1)[:, None], ranked.shape).copy()
    at[1:][ranked[1:] == ranked[:-1]] = 0
    shared = np.maximum.accumulate(at, axis=0)
    places = np.empty_like(shared)
    np.put_along_axis(places, order, shared, axis=0)
    return places


def place_shares(places: IntArray) -> FloatArray:
    """Share of the draws in which each row has each place, shape (n, n)."""
    rows, draws = places.shape
    flat = np.arange(rows)[:, None] * rows + (places - 1)
    counts = np.bincount(flat.ravel(), minlength=rows * rows).reshape(rows, rows)
    return np.asarray(counts / draws, dtype=np.float64)


def not_separated(places: IntArray, order: Sequence[int]) -> dict[int, list[int]]:
    """For each row the others whose order against it holds in less than 95 % of the draws.

    `order` lists the rows by place. Rows that tie in every draw are tied, not unseparated.
    """
    found: dict[int, list[int]] = {row: [] for row in order}
    for at, row in enumerate(order):
        for other in order[at + 1 : at + 1 + _NEIGHBOURS]:
            ahead = float(np.mean(places[row] < places[other]))
            if ahead < SURE and not bool(np.all(places[row] == places[other])):
                found[row].append(other)
                found[other].append(row)
    return found
