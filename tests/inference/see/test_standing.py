"""What sticks out beyond the silhouette, placed by lines of sight. Outside: the camera's geometry.

A ball on the barrel is put before known cameras; the middle of what each shows is where its centre
is drawn. Nothing else is handed on.
"""

import numpy as np
import pytest

from fiberward.inference.see.standing import HEIGHT_SHARE, Line, stands_at
from fiberward.model.camera import Camera
from fiberward.model.profile import MeridianProfile
from fiberward.model.shape import ConnectorShape
from fiberward.model.surfaces import Surface

SHAPE = ConnectorShape(624.5, 12000.0, 430.0, 180.0, 4500.0, 2200.0, 2000.0)
PROFILE = MeridianProfile(SHAPE)
SIZE_UM = 60.0


def line(
    tilt_deg: float, turn_deg: float, s_um: float, theta_deg: float, distance_um: float
) -> Line:
    """The line of sight to a ball's middle, exact."""
    camera = Camera(tilt_deg, turn_deg, 0.0, 2.0, (640.0, 400.0), distance_um, (960, 1280))
    middle = PROFILE.to_xyz(s_um, theta_deg)
    middle = middle + HEIGHT_SHARE * SIZE_UM * PROFILE.normal(s_um, theta_deg)
    x, y = (float(v) for v in camera.project(middle)[0])
    return Line(camera, (x, y), 4.0, SIZE_UM, 0.7)


def off(found, s_um, theta_deg):
    """Distance (um) along s and around."""
    turn = (found.theta_deg - theta_deg + 180) % 360 - 180
    return np.array([found.s_um - s_um, np.radians(turn) * SHAPE.ferrule_radius_um])


@pytest.mark.parametrize("theta_deg", [85.0, 97.0, 102.0])
def test_two_views_place_what_sticks_out_in_both(theta_deg):
    """From the front its angle is sharp, from the side its distance: together both are."""
    lines = [line(1.5, 20.0, 2000.0, theta_deg, 40e3), line(50.0, 0.0, 2000.0, theta_deg, 40e3)]
    found = stands_at(lines, PROFILE, Surface.BARREL)
    assert found is not None
    gap = off(found, 2000.0, theta_deg)
    assert np.abs(gap).max() < 40
    assert gap @ np.linalg.solve(found.covariance, gap) < 11.6  # 99.7 %, two dimensions
    assert np.sqrt(found.covariance[0, 0]) < 150


@pytest.mark.parametrize("s_um", [900.0, 2000.0, 4000.0])
def test_one_view_from_the_front_tells_the_angle_and_says_how_little_it_knows_of_the_distance(s_um):
    found = stands_at([line(1.0, 40.0, s_um, 75.0, 40e3)], PROFILE, Surface.BARREL)
    assert found is not None
    gap, sd = off(found, s_um, 75.0), np.sqrt(np.diag(found.covariance))
    assert abs(gap[1]) < 30  # 3 deg
    assert sd[0] > 200
    assert abs(gap[0]) < 2.5 * sd[0]


def test_lines_that_meet_nowhere_on_the_ferrule_give_no_place():
    apart = [line(1.5, 20.0, 2000.0, 100.0, 40e3), line(50.0, 0.0, 3500.0, 260.0, 40e3)]
    assert stands_at(apart, PROFILE, Surface.BARREL) is None
