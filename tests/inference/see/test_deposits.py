"""Deposits of known size and place, drawn on a connector's surface or in the picture, measured."""

import time
from dataclasses import fields
from typing import Any

import numpy as np
import pytest

from fiberward.inference.see.deposits import GRAIN_HEIGHT, SeenDeposit, measure_deposits
from fiberward.inference.see.segment import Segmentation
from fiberward.model.camera import Camera, SurfaceCoordinates, surface_coordinates
from fiberward.model.kinds import Kind
from fiberward.model.profile import ConnectorShape, MeridianProfile
from fiberward.model.surfaces import Surface

SHAPE = ConnectorShape(
    ferrule_radius_um=1249.5,
    dome_radius_um=15000.0,
    endface_edge_um=900.0,
    chamfer_depth_um=250.0,
    barrel_length_um=5000.0,
    cavity_radius_um=2400.0,
    cavity_depth_um=3000.0,
)


def camera(
    tilt_deg: float, um_per_px: float = 4.0, size_hw: tuple[int, int] = (700, 800)
) -> Camera:
    """A camera at 60 mm that looks at the side theta = 40 degrees."""
    height, width = size_hw
    place = (width / 2 + 7.3, height * 0.42)
    return Camera(tilt_deg, 40.0, 1.5, um_per_px, place, 60_000.0, size_hw)


FRONT, OBLIQUE = (surface_coordinates(camera(t), SHAPE) for t in (0.0, 52.0))


def segmentation(coordinates: SurfaceCoordinates, kind: Any, **changes: Any) -> Segmentation:
    """A segmentation that agrees with the coordinates, certain of its kinds."""
    kind = np.asarray(kind, np.uint8)
    deposit_p = (kind > 0).astype(np.float32)
    planes: dict[str, Any] = {
        "surface": coordinates.surface,
        "kind": kind,
        "deposit_p": deposit_p,
        "unseen": np.zeros(kind.shape, np.float32),
        "unlike": 0.0,
        **changes,
    }
    return Segmentation(**planes)


def around(coordinates: SurfaceCoordinates, s_um: float, theta_deg: float, radius_um: float) -> Any:
    """Surface coordinates (u, v), um, about a place: on the dome exact, elsewhere unrolled."""
    s, theta = coordinates.s_um, np.radians(coordinates.theta_deg)
    t0 = np.radians(theta_deg)
    if radius_um == 0:
        return s * np.cos(theta) - s_um * np.cos(t0), s * np.sin(theta) - s_um * np.sin(t0)
    return s - s_um, radius_um * ((theta - t0 + np.pi) % (2 * np.pi) - np.pi)


def one(coordinates: SurfaceCoordinates, mask: Any, kind: Kind) -> SeenDeposit:
    (found,) = measure_deposits(segmentation(coordinates, mask * int(kind)), coordinates, 3)
    assert found.view == 3
    assert found.kind == kind
    return found


# a disc of film: surface, s, theta, radius of the surface about the axis (0: on the dome)
PLACES = [
    pytest.param(OBLIQUE, Surface.ENDFACE, 500.0, 200.0, 0.0, id="endface, seen at 52 degrees"),
    pytest.param(OBLIQUE, Surface.BARREL, 1850.0, 40.0, 1249.5, id="barrel, facing the camera"),
    pytest.param(OBLIQUE, Surface.BARREL, 1850.0, 0.0, 1249.5, id="barrel, 40 degrees round"),
    pytest.param(FRONT, Surface.ENDFACE, 400.0, 90.0, 0.0, id="endface, from the front"),
]


@pytest.mark.parametrize(("coordinates", "surface", "s", "theta", "radius"), PLACES)
def test_a_disc_of_film_is_measured_on_the_surface_however_it_is_seen(
    coordinates, surface, s, theta, radius
):
    u, v = around(coordinates, s, theta, radius)
    found = one(coordinates, np.hypot(u, v) < 80.0, Kind.FILM)
    assert found.surface == surface
    assert found.size_um == pytest.approx(160.0, rel=0.02)
    assert found.area_um2 == pytest.approx(np.pi * 80**2, rel=0.04)
    assert found.feret_max_um == pytest.approx(160.0, rel=0.06)  # pixels: up to 1.4 px longer
    assert found.width_um == pytest.approx(160.0, rel=0.06)
    assert found.enclosing_um == pytest.approx(160.0, rel=0.06)
    assert found.s_um == pytest.approx(s, abs=3.0)
    assert found.theta_deg is not None
    assert (found.theta_deg - theta + 180) % 360 - 180 == pytest.approx(0, abs=0.3)
    assert found.s_min_um == pytest.approx(s - 80, abs=8.0)
    assert found.s_max_um == pytest.approx(s + 80, abs=8.0)
    assert found.length_um is None
    assert found.in_zone_area_um2 == 0
    assert found.confidence == 1


@pytest.mark.parametrize("kind", [Kind.FILM, Kind.DAMAGE])
def test_a_rectangle_on_the_barrel_has_its_own_sides(kind):
    u, v = around(OBLIQUE, 1750.0, 30.0, 1249.5)
    found = one(OBLIQUE, (np.abs(u) < 150) & (np.abs(v) < 30), kind)
    assert found.feret_max_um == pytest.approx(np.hypot(300, 60), rel=0.05)
    assert found.width_um == pytest.approx(60, abs=8)
    assert found.area_um2 == pytest.approx(300 * 60, rel=0.03)


@pytest.mark.parametrize(("s", "theta"), [(500.0, 200.0), (1850.0, 40.0), (1700.0, 330.0)])
def test_a_grain_lying_on_its_broad_side_has_the_size_it_shows_from_above(s, theta):
    """The outline of a spheroid (half axes a, a, h a) seen at cosine f is an ellipse with half axes
    a and a sqrt(f^2 + h^2 (1 - f^2)), the short one along the normal's projection (closed form)."""
    view, radius = camera(52.0), 45.0
    profile = MeridianProfile(SHAPE)
    centre, normal = profile.to_xyz(s, theta), profile.normal(s, theta)
    (x, y), depth = view.project(centre)
    (x1, y1), _ = view.project(centre + normal)
    eye = -view.axes()[2] * view.distance_um  # from the fibre to the camera, on the optical axis
    facing = float(np.dot(eye - centre, normal) / np.linalg.norm(eye - centre))
    upright = np.array([x1 - x, y1 - y]) / np.hypot(x1 - x, y1 - y)
    rows, cols = np.indices(OBLIQUE.surface.shape) + 0.5
    along = (cols - x) * upright[0] + (rows - y) * upright[1]
    across = (cols - x) * upright[1] - (rows - y) * upright[0]
    radius_px = radius / (depth / view.focal_px)
    short = np.sqrt(facing**2 + GRAIN_HEIGHT**2 * (1 - facing**2))
    found = one(OBLIQUE, np.hypot(across, along / short) < radius_px, Kind.PARTICLE)
    assert 0.2 < facing < 0.9
    assert found.size_um == pytest.approx(2 * radius, rel=0.025)
    assert found.feret_max_um == pytest.approx(2 * radius, rel=0.06)
    assert found.xy_px == pytest.approx((x, y), abs=0.3)
    assert found.s_um == pytest.approx(s, abs=6)


def test_a_thread_has_the_length_of_its_centre_line_and_the_width_of_its_inscribed_circle():
    u, v = around(FRONT, 0.0, 0.0, 0.0)
    radius = np.hypot(u, v)
    half_ring = (np.abs(radius - 500) < 14) & (v > 0)
    found = one(FRONT, half_ring, Kind.LINT)
    assert found.length_um == pytest.approx(np.pi * 500, rel=0.03)
    assert found.width_um == pytest.approx(28, abs=4)
    assert found.feret_max_um == pytest.approx(1000 + 2 * 14, rel=0.02)
    straight = one(FRONT, (np.abs(u - v) < 10) & (np.abs(u + v) < 400), Kind.LINT)
    assert straight.length_um == pytest.approx(400 * np.sqrt(2), rel=0.03)


def test_a_thread_along_the_barrel_is_not_shortened_by_the_view():
    u, v = around(OBLIQUE, 1710.0, 40.0, 1249.5)
    found = one(OBLIQUE, (np.abs(u) < 300) & (np.abs(v) < 12), Kind.LINT)
    assert found.length_um == pytest.approx(600, rel=0.03)


def test_the_part_within_125_um_of_the_axis_is_given():
    u, v = around(FRONT, 150.0, 0.0, 0.0)
    found = one(FRONT, np.hypot(u, v) < 60.0, Kind.FILM)
    # Two circles of radius 125 and 60 um, 150 um apart: the lens they share (plane geometry).
    d, r, q = 150.0, 125.0, 60.0
    a = r**2 * np.arccos((d**2 + r**2 - q**2) / (2 * d * r))
    b = q**2 * np.arccos((d**2 + q**2 - r**2) / (2 * d * q))
    c = 0.5 * np.sqrt((-d + q + r) * (d + q - r) * (d - q + r) * (d + q + r))
    assert found.in_zone_area_um2 == pytest.approx(a + b - c, rel=0.05)


def test_a_ring_all_round_has_no_angle_and_an_arc_across_zero_has_one():
    u, v = around(FRONT, 0.0, 0.0, 0.0)
    ring = np.abs(np.hypot(u, v) - 600) < 30
    found = one(FRONT, ring, Kind.RESIDUE)
    assert found.theta_deg is None
    assert found.s_um == pytest.approx(600, abs=3)
    assert found.area_um2 == pytest.approx(np.pi * (630**2 - 570**2), rel=0.02)
    arc = ring & (u > 0) & (np.abs(v) < 200)
    theta = one(FRONT, arc, Kind.RESIDUE).theta_deg
    assert theta is not None
    assert (theta + 180) % 360 - 180 == pytest.approx(0, abs=0.5)


def silhouette() -> tuple[int, int]:
    """Row and column of the first barrel pixel in a row of the oblique view."""
    row = np.flatnonzero(OBLIQUE.surface[450] == Surface.BARREL)
    return 450, int(row[0])


def test_a_grain_on_the_barrels_silhouette_lies_on_the_barrel():
    row, col = silhouette()
    rows, cols = np.indices(OBLIQUE.surface.shape)
    mask = np.hypot(rows - row, cols - (col - 3)) < 8
    shown = OBLIQUE.surface[mask]
    assert 0.2 < (shown == Surface.BARREL).mean() < 0.5  # most of it hides something else
    found = one(OBLIQUE, mask, Kind.PARTICLE)
    assert found.surface == Surface.BARREL
    barrel_end = MeridianProfile(SHAPE).s_end_um[Surface.BARREL]
    assert found.s_max_um is not None
    assert found.s_max_um < barrel_end
    # Seen from the side: the height shows, the area from above is 1 / GRAIN_HEIGHT as large.
    assert found.size_um == pytest.approx(16 * 4.0 / np.sqrt(GRAIN_HEIGHT), rel=0.06)


def test_a_grain_that_hides_only_background_lies_on_what_it_touches():
    row, col = silhouette()
    surface = OBLIQUE.surface.copy()
    rows, cols = np.indices(surface.shape)
    surface[(cols < col) & (surface != Surface.BARREL)] = Surface.SURROUND
    mask = np.hypot(rows - row, cols - (col - 10)) < 7
    mask &= surface == Surface.SURROUND
    mask[row, col - 10 : col - 1] = True
    seen = segmentation(OBLIQUE, mask * 1, surface=surface)
    (found,) = measure_deposits(seen, OBLIQUE, 0)
    assert found.surface == Surface.BARREL
    assert found.s_um is not None
    away = np.hypot(rows - row, cols - (col - 200)) < 7
    seen = segmentation(OBLIQUE, away * 1, surface=np.where(away, 0, surface).astype(np.uint8))
    seen.surface[:, : col - 100] = Surface.SURROUND
    assert measure_deposits(seen, OBLIQUE, 0) == ()


def test_dirt_on_the_housings_outside_has_a_size_and_no_place():
    planes = {f.name: getattr(FRONT, f.name).copy() for f in fields(FRONT)}
    for plane in planes.values():  # as the coordinates are off the modelled surfaces
        plane[:40, :40] = 0 if plane.dtype == np.uint8 else np.nan
    coordinates = SurfaceCoordinates(**planes)
    surface = planes["surface"].copy()
    surface[:40, :40] = Surface.HOUSING
    kind = np.zeros(surface.shape, int)
    kind[10:20, 10:20] = Kind.FILM
    seen = segmentation(coordinates, kind, surface=surface)
    (found,) = measure_deposits(seen, coordinates, 0)
    assert found.surface == Surface.HOUSING
    assert found.s_um is None
    assert found.theta_deg is None
    assert found.s_min_um is None
    # facts: a 10 x 10 square has an area-equivalent diameter of 11.284 (sqrt(4 A / pi))
    assert found.size_um == pytest.approx(11.284 * 4.0, rel=0.1)


def test_touching_kinds_are_listed_apart_and_unsure_pieces_are_marked():
    kind = np.zeros(FRONT.surface.shape, int)
    kind[300:320, 380:400] = Kind.FILM
    kind[305:315, 385:395] = Kind.PARTICLE
    doubtful = np.zeros(kind.shape, np.uint8)
    doubtful[250:256, 400:406] = Kind.RESIDUE
    found = measure_deposits(segmentation(FRONT, kind, doubtful=doubtful), FRONT, 0)
    assert [(d.kind, d.pixel_count, d.unsure) for d in found] == [
        (Kind.RESIDUE, 36, True),
        (Kind.FILM, 300, False),
        (Kind.PARTICLE, 100, False),
    ]
    film = found[1]
    assert film.mask.shape == (20, 20)
    assert (film.y0, film.x0) == (300, 380)
    assert not film.mask[5:15, 5:15].any()


def test_pieces_below_the_smallest_that_counts_are_left_out():
    kind = np.zeros(FRONT.surface.shape, int)
    kind[300, 380:387] = Kind.PARTICLE
    kind[320, 380:388] = Kind.PARTICLE
    found = measure_deposits(segmentation(FRONT, kind, min_px=8), FRONT, 0)
    assert [d.pixel_count for d in found] == [8]


def test_a_clean_view_has_no_deposits():
    assert measure_deposits(segmentation(FRONT, FRONT.surface * 0), FRONT, 0) == ()


def test_coordinates_of_another_picture_are_refused():
    other = surface_coordinates(camera(0, size_hw=(9, 9)), SHAPE)
    with pytest.raises(ValueError, match="expected coordinates of the picture's"):
        measure_deposits(segmentation(FRONT, FRONT.surface * 0), other, 0)


def many(shape: tuple[int, int], count: int) -> Any:
    """Squares of 3..14 px on a grid, of all kinds, some of two."""
    rng = np.random.default_rng(1)
    kind = np.zeros(shape, np.uint8)
    across = int(np.ceil(np.sqrt(count * shape[1] / shape[0])))
    step = shape[1] // across
    for number in range(count):
        y, x = step * (number // across) + 2, step * (number % across) + 2
        size = rng.integers(3, 15, 2)
        kind[y : y + size[0], x : x + size[1]] = rng.integers(1, 7)
    return kind


@pytest.mark.long
def test_three_thousand_deposits_in_twenty_megapixels_take_under_a_second():
    size = (4000, 5000)
    coordinates = surface_coordinates(camera(0.0, 0.6, size), SHAPE)
    seen = segmentation(coordinates, many(size, 3000))
    start = time.process_time()  # of the processor: other work on the machine does not count
    found = measure_deposits(seen, coordinates, 0)
    took = time.process_time() - start
    assert len(found) == 3000
    assert took < 1.0
