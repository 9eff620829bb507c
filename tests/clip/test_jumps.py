"""Pictures that jump away and come back, as damage does; what moves before a camera does not."""

import tracemalloc
from functools import lru_cache

import cv2
import numpy as np
import pytest

from clipmark.clip import open_clip
from clipmark.clip.jumps import Jumps, Structure

WIDTH, HEIGHT, GROUP = 320, 180, 30


def smooth(seed, size=(HEIGHT, WIDTH), fine=12, low=60, high=190):
    """Blotches of some px, as walls and floors are."""
    noise = np.random.default_rng(seed).normal(size=size).astype(np.float32)
    soft = cv2.GaussianBlur(noise, (0, 0), fine / 2)
    soft = (soft - soft.min()) / np.ptp(soft)
    return low + (high - low) * soft


BACKGROUND = smooth(1)
TRUCK = smooth(2, (40, 84), 4, 20, 230)
HAND = smooth(3, (90, 60), 20, 120, 225)
RUBBISH = smooth(4, fine=9, low=16, high=235)


def laid(picture, thing, left, top):
    """A thing laid on the picture, in px, in part outside it if need be."""
    moved = np.array([[1, 0, left], [0, 1, top]], np.float32)
    size = (picture.shape[1], picture.shape[0])
    mask = cv2.warpAffine(np.ones(thing.shape, np.float32), moved, size)
    return picture * (1 - mask) + cv2.warpAffine(thing.astype(np.float32), moved, size) * mask


def filmed(count=90, truck_px=0.6, start=-10.0, hand=None, light=None, shake=0.0):
    """A truck that goes over the background, with grain; `hand` gives (left, top) of a frame."""
    return _filmed(count, truck_px, start, hand, light, shake).copy()


@lru_cache(8)  # each test takes a few films, each in every structure
def _filmed(count, truck_px, start, hand, light, shake):
    rng = np.random.default_rng(5)
    grain = rng.normal(0, 2, (7, HEIGHT, WIDTH)).astype(np.float32)
    sway = np.cumsum(rng.normal(0, shake, (count, 2)), axis=0)
    pictures = np.empty((count, HEIGHT, WIDTH), np.uint8)
    for number in range(count):
        picture = laid(BACKGROUND, TRUCK, start + truck_px * number, 110)
        if hand is not None and (where := hand(number)) is not None:
            picture = laid(picture, HAND, *where)
        if shake:
            moved = np.array([[1, 0, sway[number, 0]], [0, 1, sway[number, 1]]], np.float32)
            picture = cv2.warpAffine(picture, moved, (WIDTH, HEIGHT), borderMode=cv2.BORDER_REFLECT)
        if light is not None:
            picture = picture * light(number)
        pictures[number] = np.clip(picture + grain[number * 3 % 7], 16, 235)
    return pictures


def groups(count=90, group=GROUP, lead=0, run=1):
    """Key frames every so often, each after so many leading pictures; every `run`th an anchor."""
    keys = {key: max(0, key - lead) for key in range(0, count, group)}
    return Structure(keys, tuple(k % run == 0 for k in range(count)), lead + 1)


def suspect(pictures, structure, black=16, white=235):
    jumps = Jumps(structure, black, white)
    for ordinal, luma in enumerate(pictures):
        jumps.take(ordinal, luma)
    return jumps.suspect()


def hurt(pictures, first, last, rows=slice(40, 72), columns=slice(200, 264), share=1.0):
    """Other content in a part of some pictures."""
    for number in range(first, last + 1):
        part = pictures[number][rows, columns].astype(np.float32)
        part += (RUBBISH[rows, columns] - part) * share
        pictures[number][rows, columns] = part.astype(np.uint8)
    return pictures


def test_a_part_overwritten_until_the_next_key_frame_is_named():
    assert suspect(hurt(filmed(), 37, 59), groups()) == tuple(range(37, 60))


def test_a_group_overwritten_from_its_key_frame_on_is_named():
    assert suspect(hurt(filmed(), 30, 59), groups()) == tuple(range(30, 60))


def test_groups_of_eight_frames_are_enough():
    pictures, structure = filmed(24), groups(24, group=8)
    assert suspect(hurt(pictures, 10, 15), structure) == tuple(range(10, 16))


def test_a_part_that_heals_over_the_leading_pictures_is_named():
    """Pictures before the key frame are made of it and of the last, damaged, picture."""
    pictures = hurt(filmed(), 37, 55)
    for number, share in ((56, 0.75), (57, 0.6), (58, 0.4), (59, 0.25)):
        hurt(pictures, number, number, share=share)
    found = suspect(pictures, groups(lead=4, run=5))
    assert set(range(40, 60)) <= set(found) <= set(range(33, 60))


def test_pictures_that_no_other_is_made_from_are_named_alone():
    assert suspect(hurt(filmed(), 43, 44), groups(run=3)) == (43, 44)


def test_one_picture_of_a_clip_of_key_frames_is_named():
    assert suspect(hurt(filmed(), 41, 41), Structure({}, (True,) * 90, 1)) == (41,)


def test_the_same_in_ten_bits():
    eight = hurt(filmed(), 37, 59)
    ten = eight.astype(np.uint16) * 4
    assert suspect(ten, groups(), 64, 940) == suspect(eight, groups())


def test_what_is_small_is_not_called_damage():
    pictures = hurt(filmed(), 37, 59, slice(40, 52), slice(200, 212))
    assert suspect(pictures, groups()) == ()


def test_damage_after_the_last_key_frame_has_no_end_to_be_known_by():
    assert suspect(hurt(filmed(40), 37, 39), groups(40)) == ()
    assert suspect(hurt(filmed(40), 20, 39), groups(40, group=40)) == ()


def test_nothing_is_compared_over_a_gap():
    pictures = hurt(filmed(), 37, 59)
    jumps = Jumps(groups(), 16, 235)
    for ordinal in [*range(55), *range(60, 90)]:
        jumps.take(ordinal, pictures[ordinal])
    assert jumps.suspect() == ()


STRUCTURES = {
    "groups": groups(),
    "open groups": groups(lead=4, run=5),
    "short groups": groups(group=8, lead=2, run=3),
    "key frames only": Structure({}, (True,) * 90, 1),
}


@pytest.fixture(params=STRUCTURES)
def structure(request):
    return STRUCTURES[request.param]


@pytest.mark.parametrize(
    ("truck_px", "shake"), [(0.0, 0.3), (0.6, 0.0), (0.6, 0.3), (3.0, 0.0), (11.0, 0.0)]
)
def test_a_truck_that_passes_is_no_damage(structure, truck_px, shake):
    assert suspect(filmed(truck_px=truck_px, start=-84, shake=shake), structure) == ()


def _hand(frames, stay):
    def at(number):
        away = max(0, number - (59 - frames)) + max(0, 59 - frames - stay - number)
        share = np.sin(np.pi / 2 * away / (frames + 1)) ** 2
        aside = 50 * share if number < 59 - frames else 0  # it goes another way than it came
        return None if away > frames else (120 + aside, 60 - 150 * share)

    return at


_HANDS = {(frames, stay): _hand(frames, stay) for frames in (8, 14) for stay in (0, 12)}


@pytest.mark.parametrize("stay", [0, 12])
@pytest.mark.parametrize("frames", [8, 14])
def test_a_hand_that_is_gone_just_at_a_key_frame_is_no_damage(structure, stay, frames):
    """It comes and goes in a quarter or half a second; last seen in the frame before."""

    def hand(number):
        away = max(0, number - (59 - frames)) + max(0, 59 - frames - stay - number)
        return (
            None
            if away > frames
            else (120, 60 - 150 * np.sin(np.pi / 2 * away / (frames + 1)) ** 2)
        )

    assert suspect(filmed(hand=hand), structure) == ()


LIGHTS = {
    "mains": lambda n: 1 + 0.08 * np.sin(2 * np.pi * 0.31 * n),
    "a step of the exposure": lambda n: 1.25 if n >= 60 else 1.0,
    "a flash": lambda n: 1.5 if n == 45 else 1.0,
    "dark until the key frame": lambda n: 0.7 if 41 <= n < 60 else 1.0,
    "a lamp in half of the picture": lambda n: (
        1 + 0.4 * (n in (33, 34, 59)) * (np.arange(WIDTH) > WIDTH // 2)
    ),
}


@pytest.mark.parametrize("light", LIGHTS)
def test_light_that_changes_is_no_damage(structure, light):
    assert suspect(filmed(light=LIGHTS[light]), structure) == ()


def test_a_lamp_that_blinks_is_no_damage(structure):
    pictures = filmed()
    for number in range(90):
        if number % 10 < 2:
            pictures[number][60:84, 200:232] = 230
    assert suspect(pictures, structure) == ()


def test_a_cut_at_a_key_frame_is_no_damage(structure):
    pictures = filmed()
    pictures[60:] = np.clip(smooth(9) + (pictures[60:].astype(int) - BACKGROUND) * 0.3, 16, 235)
    assert suspect(pictures, structure) == ()


@pytest.mark.parametrize("truck_px", [0.6, 3.0])
def test_a_truck_that_is_gone_after_a_cut_is_no_damage(structure, truck_px):
    pictures = filmed(truck_px=truck_px)
    pictures[60:] = filmed(count=30, truck_px=truck_px, start=-100)
    assert suspect(pictures, structure) == ()


@pytest.mark.parametrize(("truck_px", "repeated"), [(0.6, 4), (3.0, 1), (3.0, 4)])
def test_pictures_repeated_before_every_key_frame_are_no_damage(structure, truck_px, repeated):
    pictures = filmed(truck_px=truck_px)
    for key in range(30, 90, 30):
        pictures[key - repeated : key] = pictures[key - repeated - 1]
    assert suspect(pictures, structure) == ()


def test_pictures_that_grow_coarse_and_are_fresh_at_key_frames_are_no_damage(structure):
    """What low rates do: detail fades towards the end of each group."""
    pictures = filmed()
    for number in range(90):
        age = number % GROUP
        if age:
            pictures[number] = cv2.GaussianBlur(pictures[number], (0, 0), 0.4 + age / 12)
    assert suspect(pictures, structure) == ()


@pytest.mark.parametrize("size", [(1, 1), (7, 9), (8, 200), (200, 8)])
def test_no_picture_is_too_small_to_be_looked_at(structure, size):
    assert (
        suspect(np.random.default_rng(1).integers(16, 235, (90, *size), np.uint8), structure) == ()
    )


def test_what_is_kept_grows_by_a_few_numbers_a_frame():
    pictures = np.random.default_rng(1).integers(16, 235, (30, HEIGHT, WIDTH), np.uint8)
    kept = {}
    for count in (150, 450):
        tracemalloc.start()
        jumps = Jumps(groups(count, lead=2, run=3), 16, 235)
        for ordinal in range(count):
            jumps.take(ordinal, pictures[ordinal % 30])
        kept[count] = tracemalloc.get_traced_memory()[0]
        tracemalloc.stop()
    # the blocks of one picture are 3,520 bytes
    assert (kept[450] - kept[150]) / 300 < 400


def test_the_index_says_where_damage_ends(footage):
    with open_clip(footage("HEVC open group")) as clip:
        open_ = Structure.of(clip.index)
    with open_clip(footage("short groups")) as clip:
        closed = Structure.of(clip.index)
    with open_clip(footage("MJPEG in AVI")) as clip:
        every = Structure.of(clip.index)
    assert list(open_.keys) == list(closed.keys) == [0, 20, 40]
    assert closed.keys == {0: 0, 20: 20, 40: 40}
    assert all(first < key for key, first in open_.keys.items() if key)
    assert (closed.reach, every.keys, every.reach) == (1, {}, 1)
    assert open_.reach == max(key - first for key, first in open_.keys.items()) + 1
    assert all(every.anchors)
    assert not all(closed.anchors)
