"""A pinhole of the tests' own looking at a turned plane; cameras drawn from what is declared."""

import numpy as np

from clipmark.geometry.camera import assumed_camera, camera_from_lens, camera_from_view_angle
from clipmark.geometry.lens import Lens

WIDTH, HEIGHT = 1920, 1080
LINE_U_PX = 0.1  # of each end of a marked line, across it


class FilmedScene:
    """A pinhole with one radial term looking at a turned plane; mm and px."""

    def __init__(self, rng, yaw_deg, pitch_deg, distance, focal, centre, k1):
        a, b = np.radians([yaw_deg, pitch_deg])
        # Right side farther for yaw > 0 (about the upright axis), then top farther for pitch > 0.
        turn_yaw = np.array([[np.cos(a), 0, -np.sin(a)], [0, 1, 0], [np.sin(a), 0, np.cos(a)]])
        turn_pitch = np.array([[1, 0, 0], [0, np.cos(b), np.sin(b)], [0, -np.sin(b), np.cos(b)]])
        self.turn = turn_pitch @ turn_yaw
        self.distance, self.focal, self.centre, self.k1 = distance, focal, np.array(centre), k1
        self.rng = rng

    def picture(self, flat_mm):
        """Plane coordinates (x right, y down, from where the axis meets the plane) to px."""
        flat = np.atleast_2d(flat_mm)
        space = flat @ self.turn[:, :2].T + [0.0, 0.0, self.distance]
        ray = space[:, :2] / space[:, 2:]
        bent = ray * (1 + self.k1 * np.sum(ray**2, axis=1))[:, None]
        return self.focal * bent + self.centre

    def line(self, middle_mm, angle_deg, half_mm):
        """Nine points of a line at a counter-clockwise angle, and the same with marking error."""
        way = np.array([np.cos(np.radians(angle_deg)), -np.sin(np.radians(angle_deg))])
        places = np.linspace(-1, 1, 9)
        exact = self.picture(np.array(middle_mm) + places[:, None] * half_mm * way)
        span = exact[-1] - exact[0]
        across = np.array([-span[1], span[0]]) / np.hypot(*span)
        ends = LINE_U_PX * self.rng.standard_normal(2)
        return exact + (ends[0] * (1 - places) / 2 + ends[1] * (1 + places) / 2)[:, None] * across


def drawn_camera(rng, kind):
    """A true camera from the declared distributions, and what the operator declares of it."""
    middle = np.array([(WIDTH - 1) / 2, (HEIGHT - 1) / 2])
    corner = np.hypot(WIDTH, HEIGHT) / 2
    if kind == "lens":
        covariance = np.diag([4.0, 4.0, 9.0, 9.0, 0.004**2, 0, 0, 0, 0]) + 0.0
        covariance[0, 1] = covariance[1, 0] = 4.0  # one focal length for both axes
        stated = np.array([1500.0, 1500.0, *middle, -0.08, 0, 0, 0, 0])
        true = rng.multivariate_normal(stated, covariance)
        # The stated file differs from the truth by a draw of its own covariance.
        lens = Lens("ordinary", *stated[:4], tuple(stated[4:]), (WIDTH, HEIGHT), covariance)
        return (true[0], true[2:4], true[4]), camera_from_lens(lens, WIDTH, HEIGHT)
    if kind == "assumed":
        focal = WIDTH / 2 / np.tan(np.radians(rng.uniform(50, 85)) / 2)
        camera = assumed_camera(WIDTH, HEIGHT)
    else:
        focal = WIDTH / 2 / np.tan(np.radians(62) / 2) * (1 + 0.02 * rng.standard_normal())
        camera = camera_from_view_angle(WIDTH, HEIGHT, 62)
    centre = middle + 0.01 * WIDTH * rng.standard_normal(2)
    k1 = rng.uniform(-0.02, 0.02) / (corner / focal) ** 2
    return (focal, centre, k1), camera
