"""How often a ruling is wrong: claims at known distances from a known truth.

A claim just on the wrong side of the truth is the hardest: "stands" may then be said of it in at
most 5 of 100 cases, and so may "falls" of one that is just true. The rate is counted over simulated
readings of whole estimators, every input drawn anew, and held against 5 % with the allowance that
counting so many leaves (the one-sided 99.9 % point of the binomial distribution).
"""

import math
import zlib

import numpy as np
import pytest
from scipy import stats

from clipmark.audit.knowledge import CountDrawn, Drawn
from clipmark.audit.ruling import outcome_of
from clipmark.measure.crawl_stall_odds import stall_odds
from clipmark.motion.stalls import LEAST_DWELL_S
from tests.measure.crawl_moves import Filmed, Leg, film, read
from tests.measure.test_angle_model import plain_reading

DISTANCES = np.arange(0.0, 3.01, 0.25)  # of the limit from the truth, in U
COUNT_DISTANCES = (0.0, 0.5, 1.0, 2.0, 3.0)  # fewer, since a crawl drawn 100 times takes 5 s
DWELL_U_S = 0.015  # a stall's dwell at 60 frames/s, expanded; only the scale of the distances


def allowed(n):
    """Most wrong rulings among n that chance explains where 5 % are allowed."""
    return int(stats.binom.ppf(0.999, n, 0.05))


def angle_reading(rng, index, draws):
    """A simulated reading: truth and draws."""
    truth, model = plain_reading(rng, plumb=bool(index % 2))
    seed = zlib.crc32(b"%d" % index)
    return truth, Drawn(np.degrees(model.draw_rad(seed, draws)["ramp"]), "", seed, draws)


def wrong_angle_rulings(n, draws, seed):
    """Wrong "stands" and wrong "falls" among n, by distance, of claims above and below a limit."""
    rng = np.random.default_rng(seed)
    stands, falls = (np.zeros((2, len(DISTANCES)), dtype=int) for _ in range(2))
    for index in range(n):
        truth, known = angle_reading(rng, index, draws)
        for k, distance in enumerate(DISTANCES):
            off = max(distance * 2 * known.u, 1e-9)
            for side, way in enumerate((1, -1)):  # "at least", then "at most"
                false, true = truth + way * off, truth - way * off
                ends = [
                    (limit, math.inf) if way > 0 else (-math.inf, limit) for limit in (false, true)
                ]
                stands[side, k] += outcome_of(known.chance(*ends[0])) == "stands"
                falls[side, k] += outcome_of(known.chance(*ends[1])) == "falls"
    return stands, falls


def crawl_with_a_stand(rng, under_s):
    """A crawl that is under a tenth of its speed for about `under_s`: its scene."""
    ramp_s = rng.uniform(0.03, 0.08)
    leg = Leg(
        2.0,
        rng.uniform(20, 40),
        ripple=rng.uniform(0, 0.1),
        # a raised cosine is under a tenth from 0.795 of its length on
        stalls=((rng.uniform(0.7, 1.0), under_s + 2 * 0.795 * ramp_s),),
        stall_ramp=ramp_s,
    )
    noise = rng.uniform(0.005, 0.03)
    return film(Filmed((leg,), noise=noise, wheels=0, begin_s=0.15, end_s=1.85), rng)


def time_under(scene, limit_mm_s):
    """How long the true speed is under the limit, in the middle of the clip, s."""
    middle = (scene.dense_s > 0.4) & (scene.dense_s < 1.6)
    return float(np.count_nonzero(scene.speed[middle] < limit_mm_s) * np.diff(scene.dense_s[:2])[0])


def stalls_wrong(n, draws, seed):
    """Wrong "stands" and "falls" on counts of stalls, by distance, and how many crawls of each.

    One stand, too short for a stall (row 0: "1 or more" is false, "none" true) or long enough (row
    1: the other way round), by the true speed.
    """
    rng = np.random.default_rng(seed)
    stands, falls, there = (np.zeros((2, len(COUNT_DISTANCES)), dtype=int) for _ in range(3))
    for k, distance in enumerate(COUNT_DISTANCES):
        for index in range(n):
            way = 1 if index % 2 else -1
            scene = crawl_with_a_stand(rng, LEAST_DWELL_S + way * distance * DWELL_U_S)
            trace, _ = read(scene)
            is_stall = int(time_under(scene, trace.standing.limit) >= LEAST_DWELL_S)
            odds = stall_odds(trace, draws=draws, seed=int(rng.integers(2**31)))
            known = CountDrawn(odds.counts, "", odds.seed, odds.draws)
            some, none = known.chance(1, math.inf), known.chance(0, 0)
            false, true = (none, some) if is_stall else (some, none)
            there[is_stall, k] += 1
            stands[is_stall, k] += outcome_of(false) == "stands"
            falls[is_stall, k] += outcome_of(true) == "falls"
    return stands, falls, there


def test_rulings_on_angles_are_wrong_in_no_more_than_5_of_100_cases():
    stands, falls = wrong_angle_rulings(100, 1500, 7)
    assert stands.max() <= allowed(100), stands
    assert falls.max() <= allowed(100), falls


def test_a_claim_three_uncertainties_on_the_right_side_is_ruled_on_and_rightly():
    """A rule that never decides would never be wrong."""
    rng = np.random.default_rng(8)
    for index in range(25):
        truth, known = angle_reading(rng, index, 2000)
        off = 3 * 2 * known.u
        assert outcome_of(known.chance(truth - off, math.inf)) == "stands"
        assert outcome_of(known.chance(truth + off, math.inf)) == "falls"


@pytest.mark.slow
@pytest.mark.timeout(3600)
def test_rulings_on_angles_over_2000_readings():
    stands, falls = wrong_angle_rulings(2000, 4000, 17)
    print("\nstands wrong, % by distance in U:", (stands / 20).round(2).tolist())
    print("falls wrong, %:", (falls / 20).round(2).tolist())
    assert stands.max() <= allowed(2000), stands
    assert falls.max() <= allowed(2000), falls


@pytest.mark.slow
@pytest.mark.timeout(20_000)
def test_rulings_on_counts_of_stalls_over_2000_crawls():
    """About three hours on one core."""
    stands, falls, there = stalls_wrong(400, 100, 27)
    print("\ncrawls without and with a stall, by distance in U:", there.tolist())
    print("stands wrong:", stands.tolist(), "falls wrong:", falls.tolist())
    most = stats.binom.ppf(0.999, there, 0.05)
    assert (stands <= most).all(), stands
    assert (falls <= most).all(), falls
