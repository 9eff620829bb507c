"""Wheels that lock, spin, lead and slip: their truth is what their surface speed integrates to."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import ndimage

from clipmark.errors import FootageError
from clipmark.sample import (
    Camera,
    Leg,
    Lock,
    Look,
    Motion,
    Renderer,
    Roll,
    Scene,
    Spin,
    Stop,
    Timing,
    Truck,
    scene_truth,
)
from clipmark.sample.truck import paint_wheel

BUSY = Motion(
    speed_mm_s=25.0,
    ripple=0.2,
    start_s=0.4,
    slip=0.05,
    slip_wave=(0.1, 1.7),
    wheel_lead_s=0.12,
    stops=(Stop(1.0, 0.5),),
    locks=(Lock(2.0, 0.3),),
    spins=(Spin(2.6, 0.4, 90.0),),
    legs=(Leg(3.2, 4.4, -20.0),),
    length_s=6.0,
)


def integral(speed, last_s, steps=400_000):
    """Trapezoids on a grid of its own, ten times as fine as the renderer's."""
    times = np.linspace(0.0, last_s, steps + 1)
    value = speed(times)
    return float(((value[1:] + value[:-1]) / 2).sum() * (last_s / steps))


@pytest.mark.parametrize("last_s", [0.45, 1.21, 2.17, 2.9, 5.0])
def test_the_wheels_turn_by_the_integral_of_their_surface_speed(last_s):
    # kinks at the ends of ramps leave the trapezoids a few 1e-6 mm
    expected = integral(BUSY.surface_speed, last_s)
    assert float(BUSY.turn_mm(last_s)) == pytest.approx(expected, abs=2e-5)


def test_with_slip_alone_the_surface_runs_at_speed_over_one_less_slip():
    motion = Motion(speed_mm_s=30.0, ripple=0.3, slip=0.2)
    t = np.linspace(0, 3, 50)
    assert motion.surface_speed(t) == pytest.approx(motion.speed(t) / 0.8, rel=1e-12)
    assert motion.turn_mm(t) == pytest.approx(motion.travel(t) / 0.8, rel=1e-12)


def test_locked_wheels_stand_while_the_body_slides_on():
    motion = Motion(speed_mm_s=30.0, locks=(Lock(1.0, 0.5),))
    inside = np.linspace(1.02, 1.48, 50)
    assert np.ptp(motion.turn_mm(inside)) < 1e-9
    assert np.ptp(motion.travel(inside)) == pytest.approx(30.0 * 0.46, abs=1e-6)


def test_a_spin_adds_its_speed_between_its_ramps():
    motion = Motion(spins=(Spin(0.5, 1.0, 80.0, ramp_s=0.1),))
    assert motion.moves
    # each raised cosine holds half of what its span would at full speed
    assert float(motion.turn_mm(2.0)) == pytest.approx(80.0 * 0.9, abs=1e-6)
    assert float(motion.travel(2.0)) == 0.0


@pytest.mark.parametrize(
    "motion",
    [
        Motion(speed_mm_s=40.0, start_s=1.0, wheel_lead_s=0.15),
        Motion(legs=(Leg(1.0, 3.0, 40.0, rise_s=0.25),), wheel_lead_s=0.15),
    ],
    ids=["start", "leg"],
)
def test_wheels_start_before_the_body_by_their_lead_and_stay_ahead(motion):
    t = np.linspace(0.7, 1.2, 200)
    assert motion.surface_speed(t) == pytest.approx(motion.speed(t + 0.15), abs=1e-9)
    ahead = float(motion.turn_mm(2.0) - motion.travel(2.0))
    assert ahead == pytest.approx(40.0 * 0.15, abs=1e-6)


def test_the_frames_truth_is_turn_speed_and_slip_of_the_wheels():
    motion = Motion(legs=(Leg(0.2, 1.2, 30.0),), slip=0.1, locks=(Lock(0.6, 0.2),))
    scene = Scene(motion=motion, timing=Timing(frames=91))
    frames = scene_truth(scene)["frames"]
    radius = scene.truck.wheel_mm / 2
    assert np.radians(frames["wheel_deg"][-1]) * radius == pytest.approx(
        integral(motion.surface_speed, 1.5), abs=2e-5
    )
    assert np.radians(frames["wheel_deg_s"][30]) * radius == pytest.approx(30.0 / 0.9)
    assert frames["slip"][30] == pytest.approx(0.1)
    assert frames["slip"][0] is None, "nothing turns at rest"
    assert frames["slip"][42] is None, "locked wheels do not turn"
    assert frames["speed_mm_s"][42] == pytest.approx(30.0)


def raster_luma(truck):
    return paint_wheel(truck, 14.0).rgba[..., :3].mean(axis=-1)


def change(truck, angle_deg):
    """RMS change of a painted wheel by a turn, as a share of its contrast."""
    before = ndimage.gaussian_filter(raster_luma(truck), 3.0)
    after = ndimage.rotate(before, angle_deg, reshape=False)
    return float((after - before).std() / before.std())


@pytest.mark.parametrize(
    ("spokes", "tyre"),
    [
        (6, "knobbly"),
        *(
            pytest.param(spokes, tyre, marks=pytest.mark.slow)
            for spokes, tyre in [(5, "knobbly"), (8, "knobbly"), (5, "smooth"), (8, "smooth")]
        ),
    ],
)
def test_an_even_rim_looks_the_same_after_a_turn_by_one_spoke_and_not_by_half(spokes, tyre):
    truck = Truck(spokes=spokes, rim_style="even", tyre_style=tyre)
    # the painted raster of 14 samples a mm leaves 0.1 to 0.4 % of the contrast, less when finer
    assert change(truck, 360 / spokes) < 0.004
    assert change(truck, 180 / spokes) > 0.1


@pytest.mark.slow
def test_a_spoked_and_a_plain_rim_show_every_turn_and_a_blank_one_none():
    assert change(Truck(spokes=6), 60.0) > 0.02
    plain = Truck(rim_style="plain", tyre_style="smooth")
    assert all(change(plain, angle) > 0.02 for angle in (60.0, 120.0, 180.0))
    blank = Truck(rim_style="blank")
    assert all(change(blank, angle) < 0.002 for angle in (20.0, 45.0, 77.0, 180.0))


@pytest.mark.slow
def test_a_rendered_even_wheel_is_the_same_one_spoke_later():
    truck = Truck(spokes=5, rim_style="even", tyre_style="smooth")
    once = 2 * np.pi / 5 * truck.wheel_mm / 2
    # spinning in place: one spoke's turn over the second
    motion = Motion(spins=(Spin(0.0, 1.1, once / 1.0, ramp_s=0.1),))
    scene = Scene(
        camera=Camera(width=640, height=360, view_deg=20.0),
        truck=truck,
        motion=motion,
        timing=Timing(frames=100),
        look=Look(tone="linear"),
    )
    renderer = Renderer(scene)
    first, half, last = (renderer.codes(k)[0] for k in (0, 33, 70))
    # 1.1 px/mm: the coarse raster looked up at other angles leaves single pixels at the tyre's edge
    assert (last - first).std() < 0.02 * (half - first).std()


# Mean and standard deviation of noise-free luma over 5 x 5 blocks of 30 px around the truck, as
# rendered before wheels had a speed of their own.
MEANS = [
    [111.064, 119.171, 125.251, 112.744, 119.998],
    [108.691, 120.355, 112.415, 136.815, 139.704],
    [108.873, 118.283, 125.631, 114.594, 116.763],
    [131.969, 114.139, 93.57, 99.139, 119.302],
    [108.785, 105.884, 107.924, 120.207, 128.079],
]
SPREADS = [
    [28.066, 6.508, 8.066, 21.506, 31.939],
    [37.449, 30.211, 27.327, 34.004, 29.967],
    [31.042, 31.891, 35.994, 20.47, 9.859],
    [36.629, 25.784, 5.604, 9.764, 12.586],
    [13.818, 15.903, 20.118, 16.851, 30.042],
]


def test_the_looks_of_before_are_unchanged():
    """Not a hash: the last digits, and so single roundings, differ between machines."""
    motion = Motion(speed_mm_s=30.0, ripple=0.2, stops=(Stop(0.02, 0.2),), start_s=-0.1)
    camera = Camera(width=480, height=270, readout_s=0.02, exposure_s=0.01)
    scene = Scene(camera=camera, motion=motion, timing=Timing(frames=6))
    luma = Renderer(scene).codes(4)[0][60:210, 180:330].astype(np.float64)
    blocks = luma.reshape(5, 30, 5, 30)
    assert blocks.mean(axis=(1, 3)) == pytest.approx(np.array(MEANS), abs=0.002)
    assert blocks.std(axis=(1, 3)) == pytest.approx(np.array(SPREADS), abs=0.002)


def test_unknown_wheels_and_endless_slip_are_refused_in_sentences():
    for scene, sentence in (
        (
            Scene(truck=Truck(rim_style="wire")),
            "the rim style 'wire' is not known; use spoked, even, plain or blank",
        ),
        (
            Scene(truck=Truck(tyre_style="slick")),
            "the tyre style 'slick' is not known; use knobbly or smooth",
        ),
        (
            Scene(motion=Motion(slip=0.7, slip_wave=(0.3, 1.0))),
            "the slip of the scene reaches 1, where wheels turn without end; "
            "keep slip and its wave below 1, or add a spin",
        ),
    ):
        with pytest.raises(FootageError) as refusal:
            scene.settled()
        assert str(refusal.value) == sentence


def test_wheels_roll_freely_with_the_body():
    motion = Motion(rolls=(Roll(0.2, 1.0, -40.0),), wheel_lead_s=0.1)
    t = np.linspace(0, 2, 60)
    assert motion.surface_speed(t) == pytest.approx(motion.speed(t), abs=1e-12)
    assert replace(motion, wheel_lead_s=0.0).turn_mm(t) == pytest.approx(motion.travel(t))
