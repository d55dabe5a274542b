"""Poses and shapes found again from masks drawn with known ones; the camera has its own tests."""

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pytest

from fiberward.inference.see.mouth import oblong_radius
from fiberward.inference.see.pose import ConnectorFit, fit_connector
from fiberward.inference.see.turns import bottom_offset_deg, camera_turn_deg
from fiberward.model.camera import Camera, surface_coordinates
from fiberward.model.errors import UsageError
from fiberward.model.profile import MeridianProfile
from fiberward.model.shape import ConnectorShape
from fiberward.model.surfaces import Surface

Bytes = npt.NDArray[np.uint8]
BIG = ConnectorShape(1249.5, 15000.0, 880.0, 260.0, 5200.0, 2600.0, 3600.0)
SMALL = ConnectorShape(624.5, 12000.0, 430.0, 180.0, 4800.0, 1500.0, 3000.0, 0.4, key_deg=20.0)
SIZE_HW = (480, 640)


@dataclass(frozen=True)
class View:
    """A segmented picture as the fit sees it."""

    surface: Bytes


def draw(camera: Camera, shape: ConnectorShape, housing_um: float = 900.0) -> Bytes:
    """The mask of a connector with a housing whose front face is `housing_um` wide."""
    surface = surface_coordinates(camera, shape).surface.copy()
    wider = replace(shape, cavity_radius_um=shape.cavity_radius_um + housing_um)
    around = surface_coordinates(camera, wider).surface
    surface[(surface == Surface.SURROUND) & (around != Surface.SURROUND)] = Surface.HOUSING
    return surface


def cameras(shape: ConnectorShape, seed: int) -> list[Camera]:
    """One front view and three oblique ones at 120 deg, a little askew."""
    rng = np.random.default_rng(seed)
    tilts = [float(rng.uniform(1, 4)), *rng.uniform(35, 62, 3)]
    turns = [40.0, 40.0, 160.0, 280.0]
    fine = shape.ferrule_radius_um / 160  # um per px: the ferrule is about half the picture wide
    return [
        Camera(
            tilt_deg=float(tilt),
            turn_deg=turn,
            roll_deg=float(rng.uniform(-5, 5)),
            um_per_px=float(fine * rng.uniform(0.9, 1.5)),
            fiber_px=(320 + float(rng.uniform(-25, 25)), 210 + float(rng.uniform(-25, 25))),
            distance_um=float(rng.uniform(20e3, 120e3)),
            size_hw=SIZE_HW,
        )
        for tilt, turn in zip(tilts, turns, strict=True)
    ]


def spoiled(surface: Bytes, seed: int) -> Bytes:
    """Wrong labels as a net gives them: wavy borders, holes, blobs across the outlines, specks."""
    import cv2

    rng = np.random.default_rng(seed)
    height, width = surface.shape
    noise = rng.normal(size=(2, height, width)).astype(np.float32)
    wave = np.stack([cv2.GaussianBlur(plane, (0, 0), 6) for plane in noise])
    wave *= 1.2 / wave.std()
    rows, columns = np.indices(surface.shape)
    rows = np.clip(np.rint(rows + wave[0]), 0, height - 1).astype(int)
    columns = np.clip(np.rint(columns + wave[1]), 0, width - 1).astype(int)
    out = np.ascontiguousarray(surface[rows, columns])
    for _ in range(25):
        x, y = int(rng.integers(width)), int(rng.integers(height))
        cv2.circle(out, (x, y), int(rng.integers(2, 14)), int(rng.integers(1, 6)), -1)
    return out


def fitted(shape: ConnectorShape, seed: int, spoil: bool) -> tuple[list[Camera], ConnectorFit]:
    truth = cameras(shape, seed)
    masks = [draw(camera, shape) for camera in truth]
    if spoil:
        masks = [spoiled(mask, seed + k) for k, mask in enumerate(masks)]
    ferrule_mm = 2.5 if shape.ferrule_radius_um > 1000 else 1.25
    fit = fit_connector(
        [View(mask) for mask in masks], ferrule_mm, [camera.turn_deg for camera in truth]
    )
    return truth, fit


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("shape", [BIG, SMALL], ids=["2.5 mm", "1.25 mm"])
def test_scale_tilt_and_fibre_come_back_from_clean_masks(shape, seed):
    truth, fit = fitted(shape, seed, spoil=False)
    for camera, pose in zip(truth, fit.poses, strict=True):
        assert pose is not None
        assert pose.camera.um_per_px == pytest.approx(camera.um_per_px, rel=2e-3)
        assert pose.camera.tilt_deg == pytest.approx(camera.tilt_deg, abs=0.3)
        assert np.hypot(*np.subtract(pose.camera.fiber_px, camera.fiber_px)) < 1.0


@pytest.mark.parametrize("seed", [3, 4, 5])
@pytest.mark.parametrize("shape", [BIG, SMALL], ids=["2.5 mm", "1.25 mm"])
def test_wrong_labels_and_blobs_on_the_outlines_hardly_move_the_pose(shape, seed):
    truth, fit = fitted(shape, seed, spoil=True)
    for camera, pose in zip(truth, fit.poses, strict=True):
        assert pose is not None
        assert pose.camera.um_per_px == pytest.approx(camera.um_per_px, rel=1e-2)
        assert pose.camera.tilt_deg == pytest.approx(camera.tilt_deg, abs=1.5)


def test_the_shape_of_ferrule_and_mouth_comes_back():
    _, fit = fitted(SMALL, 1, spoil=False)
    shape = fit.shape
    assert shape is not None
    assert shape.endface_edge_um == pytest.approx(430.0, rel=0.01)
    assert shape.chamfer_depth_um == pytest.approx(180.0, rel=0.03)
    assert shape.cavity_radius_um == pytest.approx(1500.0, rel=0.03)
    assert shape.cavity_corner == pytest.approx(0.4, abs=0.1)
    rim = shape.barrel_length_um - shape.cavity_depth_um  # how far the rim lies below the chamfer
    assert rim == pytest.approx(1800.0, abs=60.0)


@pytest.mark.parametrize("corner", [1.0, 0.45])
def test_a_high_rim_near_the_barrel_is_measured_though_it_hides_the_barrels_foot(corner):
    """Its near side hides less of the silhouettes, to whose side it lies farther off."""
    shape = replace(
        BIG, barrel_length_um=6000.0, cavity_radius_um=2270.0, cavity_depth_um=4900.0,
        cavity_corner=corner, key_deg=33.0 if corner < 1 else None,
    )  # fmt: skip
    _, fit = fitted(shape, 6, spoil=False)
    assert fit.shape is not None
    assert fit.shape.cavity_radius_um == pytest.approx(2270.0, rel=0.01)
    rim = fit.shape.barrel_length_um - fit.shape.cavity_depth_um
    assert rim == pytest.approx(1100.0, abs=25.0)


@pytest.mark.parametrize("tilts", [(0.4, 42.0, 59.0), (1.0, 40.0, 61.0)])
def test_flat_sides_of_a_mouth_cut_by_the_frame_still_give_its_size(tilts):
    shape = replace(
        SMALL, barrel_length_um=2730.0, cavity_radius_um=2256.0, cavity_depth_um=1360.0,
        cavity_corner=0.45, key_deg=5.0,
    )  # fmt: skip
    truth = [
        replace(camera, tilt_deg=tilt, um_per_px=624.5 / 180)
        for camera, tilt in zip(cameras(shape, 7), tilts, strict=False)
    ]
    fit = fit_connector(
        [View(draw(c, shape, 3000.0)) for c in truth], 1.25, [c.turn_deg for c in truth]
    )
    assert fit.shape is not None
    assert fit.shape.cavity_radius_um == pytest.approx(2256.0, rel=0.02)
    rim = fit.shape.barrel_length_um - fit.shape.cavity_depth_um
    assert rim == pytest.approx(1370.0, abs=40.0)


def draw_oblong(camera: Camera, half_um: tuple[float, float], key_deg: float) -> Bytes:
    """BIG's ferrule in a mouth with sharp corners, `half_um` wide along and across `key_deg`.

    Drawn by projecting the mouth's corners, so without the fit's own formulas.
    """
    import cv2

    profile = MeridianProfile(BIG)
    wide = replace(BIG, cavity_radius_um=9000.0)
    seen = surface_coordinates(camera, wide)
    ferrule = np.isin(seen.surface, (Surface.BARREL, Surface.CHAMFER, Surface.ENDFACE, 6))
    rim_s = profile.s_end_um[Surface.CHAMFER] + BIG.barrel_length_um - BIG.cavity_depth_um
    height, width = camera.size_hw

    def plane(more_um: float) -> npt.NDArray[np.bool_]:
        turn = np.radians(key_deg)
        along, across = (
            np.array([np.cos(turn), np.sin(turn)]),
            np.array([-np.sin(turn), np.cos(turn)]),
        )
        signs = ((1, 1), (1, -1), (-1, -1), (-1, 1))
        corners = [
            a * (half_um[0] + more_um) * along + b * (half_um[1] + more_um) * across
            for a, b in signs
        ]
        px, _ = camera.project(np.array([[*corner, profile.rim_z_um] for corner in corners]))
        mask = np.zeros((height, width), np.uint8)
        cv2.fillPoly(mask, [np.rint(px * 16).astype(np.int32)], 1, shift=4)
        return mask > 0

    mouth, face = plane(0.0), plane(900.0)
    surface = np.full((height, width), Surface.SURROUND, np.uint8)
    surface[face] = Surface.HOUSING
    surface[mouth] = Surface.CAVITY
    shown = ferrule & (mouth | (seen.s_um < rim_s))
    surface[shown] = seen.surface[shown]
    return surface


def test_an_oblong_mouth_gives_the_rims_height_too():
    truth = cameras(BIG, 3)
    masks = [View(draw_oblong(camera, (2900.0, 2200.0), 25.0)) for camera in truth]
    fit = fit_connector(masks, 2.5, [camera.turn_deg for camera in truth])
    assert fit.shape is not None
    rim = fit.shape.barrel_length_um - fit.shape.cavity_depth_um
    assert rim == pytest.approx(1600.0, abs=80.0)
    # the chart knows squares only: one of equal area, and the masks keep their own mouth
    assert fit.shape.cavity_radius_um == pytest.approx((2900.0 * 2200.0) ** 0.5, rel=0.04)
    assert not any(pose.mouth_fitted for pose in fit.poses if pose is not None)


def test_a_rounded_oblong_is_drawn_as_its_closed_form_says():
    angle = np.array([0.0, 90.0, 180.0, 270.0])
    assert oblong_radius(angle, 0.3, 1.5) == pytest.approx([1.5, 1.0, 1.5, 1.0])
    corner = np.degrees(np.arctan2(1.0, 1.5))  # without rounding the corner lies at (1.5, 1)
    assert oblong_radius(np.array([corner]), 0.0, 1.5) == pytest.approx([np.hypot(1.5, 1.0)])
    # corners as large as the short half width make a stadium: discs about (0.5, 0)
    end = oblong_radius(np.array([30.0, -30.0, 150.0]), 1.0, 1.5)
    x, y = end * np.cos(np.radians(30.0)) - 0.5, end * np.sin(np.radians(30.0))
    assert np.hypot(x, y) == pytest.approx(1.0)
    assert oblong_radius(np.arange(0.0, 360.0, 7.0), 1.0, 1.0) == pytest.approx(1.0)


def test_a_front_view_takes_its_perspective_from_the_oblique_ones_of_its_camera():
    shared = [replace(c, distance_um=12e3 * c.um_per_px) for c in cameras(BIG, 5)]
    masks = [View(spoiled(draw(camera, BIG), 30 + k)) for k, camera in enumerate(shared)]
    fit = fit_connector(masks, 2.5, [camera.turn_deg for camera in shared])
    front = fit.poses[0]
    assert front is not None
    assert front.camera.tilt_deg < 10.0
    assert front.camera.focal_px == pytest.approx(12e3, rel=0.35)


def test_the_square_mouth_brings_wrong_turns_back_into_line():
    """Turns stated 2 deg off, each its own way: against each other they come back within 0.5."""
    truth = cameras(SMALL, 2)
    errors = np.array([1.5, -2.0, 2.0, -1.5])
    stated = [c.turn_deg + e for c, e in zip(truth, errors, strict=True)]
    fit = fit_connector([View(draw(c, SMALL)) for c in truth], 1.25, stated)
    left = [
        (pose.camera.turn_deg - camera.turn_deg + 180) % 360 - 180
        for camera, pose in zip(truth, fit.poses, strict=True)
        if pose is not None
    ]
    assert np.ptp(errors) == 4.0
    assert len(left) == 4
    assert np.ptp(left) < 0.5


def poor(surface: Bytes, seed: int) -> Bytes:
    """Labels as a half-trained net gives them: each surface grows and shrinks by itself.

    Every surface's signed distance gets its own smooth noise, 5 px where chamfer and endface meet.
    """
    import cv2

    rng = np.random.default_rng(seed)
    height, width = surface.shape
    amount = {Surface.FIBER: 1.0, Surface.ENDFACE: 5.0, Surface.CHAMFER: 5.0}
    best = np.full(surface.shape, -np.inf, np.float32)
    out = np.zeros_like(surface)
    for index in np.unique(surface):
        inside = (surface == index).view(np.uint8)
        far = cv2.distanceTransform(inside, cv2.DIST_L2, 3)
        far -= cv2.distanceTransform(1 - inside, cv2.DIST_L2, 3)
        noise = rng.normal(size=(height // 4, width // 4)).astype(np.float32)
        noise = cv2.resize(cv2.GaussianBlur(noise, (0, 0), 5), (width, height))
        score = np.clip(far, -40, 40) + amount.get(index, 2.0) * noise / noise.std()
        out[score > best] = index
        best = np.maximum(best, score)
    return out


@pytest.mark.parametrize("shape", [BIG, SMALL], ids=["2.5 mm", "1.25 mm"])
def test_poor_masks_still_give_scale_and_tilt(shape):
    errors: list[tuple[float, float]] = []
    placed = 0
    for seed in (21, 22):
        truth = cameras(shape, seed)
        masks = [View(poor(draw(c, shape), seed + k)) for k, c in enumerate(truth)]
        ferrule_mm = 2.5 if shape is BIG else 1.25
        fit = fit_connector(masks, ferrule_mm, [c.turn_deg for c in truth])
        for camera, pose in zip(truth, fit.poses, strict=True):
            if pose is not None:
                placed += 1
                scale = abs(pose.camera.um_per_px / camera.um_per_px - 1)
                errors.append((scale, abs(pose.camera.tilt_deg - camera.tilt_deg)))
    assert placed >= 7
    scale, tilt = np.median(errors, axis=0)
    assert scale < 0.015
    assert tilt < 2.5


@pytest.mark.parametrize("spoil", [False, True], ids=["clean", "spoiled"])
def test_an_angled_endface_is_recognised_with_its_angle_and_the_side_it_leans_to(spoil):
    shape = replace(
        BIG, dome_radius_um=9000.0, endface_edge_um=700.0, chamfer_depth_um=650.0,
        apc_angle_deg=8.0, key_deg=70.0,
    )  # fmt: skip
    truth, fit = fitted(shape, 5, spoil)
    assert fit.shape is not None
    assert fit.shape.apc_angle_deg == pytest.approx(8.0, abs=0.8)
    assert fit.shape.key_deg == pytest.approx(70.0, abs=4.0)
    for camera, pose in zip(truth, fit.poses, strict=True):
        assert pose is not None
        assert pose.camera.um_per_px == pytest.approx(camera.um_per_px, rel=1e-2)
        assert pose.camera.tilt_deg == pytest.approx(camera.tilt_deg, abs=1.5)


def test_an_upright_endface_is_never_taken_for_an_angled_one():
    for seed in (3, 4):
        for shape in (BIG, SMALL):
            fit = fitted(shape, seed, spoil=True)[1]
            assert fit.shape is not None
            assert fit.shape.apc_angle_deg == 0


def test_the_stated_interval_of_the_scale_holds_the_true_scale():
    inside: list[bool] = []
    for seed in (11, 12):
        truth, fit = fitted(BIG, seed, spoil=True)
        for camera, pose in zip(truth, fit.poses, strict=True):
            assert pose is not None
            low, high = pose.um_per_px_interval
            inside.append(low <= camera.um_per_px <= high)
    assert np.mean(inside) >= 0.75


def test_without_a_stated_ferrule_the_fibre_tells_which_one_it_is():
    for shape, radius in ((BIG, 1249.5), (SMALL, 624.5)):
        views = [View(draw(camera, shape)) for camera in cameras(shape, 6)]
        fit = fit_connector(views, None, None)
        assert fit.shape is not None
        assert fit.shape.ferrule_radius_um == radius
        assert all(pose is not None and pose.scale_source == "fibre" for pose in fit.poses)


@pytest.mark.parametrize(("shape", "wrong"), [(BIG, 1.25), (SMALL, 2.5)])
def test_a_ferrule_that_the_fibre_contradicts_is_refused_in_one_line(shape, wrong):
    views = [View(draw(camera, shape)) for camera in cameras(shape, 7)]
    with pytest.raises(UsageError, match="contradicts") as caught:
        fit_connector(views, wrong, None)
    assert "\n" not in str(caught.value)


def test_a_ferrule_of_neither_size_is_refused():
    with pytest.raises(UsageError, match=r"expected 2\.5 or 1\.25"):
        fit_connector([View(np.zeros(SIZE_HW, np.uint8))], 1.8, None)


def test_a_wrong_number_of_turns_is_refused():
    with pytest.raises(UsageError, match="one per picture"):
        fit_connector([View(np.zeros(SIZE_HW, np.uint8))], 2.5, [0.0, 90.0])


def test_pictures_without_a_round_ferrule_end_in_a_reason_and_no_pose():
    blank = np.zeros(SIZE_HW, np.uint8)
    noise = np.random.default_rng(0).integers(0, 7, SIZE_HW).astype(np.uint8)
    square = np.full(SIZE_HW, Surface.CAVITY, np.uint8)
    square[100:380, 100:540] = Surface.CHAMFER
    square[140:340, 140:500] = Surface.ENDFACE
    square[220:250, 300:330] = Surface.FIBER
    fit = fit_connector([View(blank), View(noise), View(square)], 2.5, None)
    assert fit.shape is None
    assert fit.poses == (None, None, None)
    assert all(isinstance(reason, str) and reason for reason in fit.why_not)


def test_an_endface_mostly_outside_the_frame_is_said_to_be_cut_off():
    camera = replace(cameras(BIG, 1)[0], fiber_px=(-60.0, 240.0))
    fit = fit_connector([View(draw(camera, BIG))], 2.5, None)
    assert fit.poses == (None,)
    assert "cut off" in (fit.why_not[0] or "")


def test_a_close_up_of_the_endface_is_placed_by_its_fibre():
    """No rim in the frame: 125 um across the fibre's disc give the scale, here 0.8 um per px."""
    truth = cameras(BIG, 8)
    close = Camera(0.0, 40.0, 0.0, 0.8, (300.0, 260.0), 50000.0, SIZE_HW)
    views = [View(draw(camera, BIG)) for camera in [*truth, close]]
    fit = fit_connector(views, 2.5, [*(camera.turn_deg for camera in truth), 40.0])
    pose = fit.poses[4]
    assert pose is not None
    assert fit.why_not[4] is None
    assert pose.scale_source == "fibre"
    assert pose.camera.um_per_px == pytest.approx(0.8, rel=0.01)
    assert pose.um_per_px_interval[0] < 0.8 < pose.um_per_px_interval[1]
    assert pose.camera.fiber_px == pytest.approx((300.0, 260.0), abs=1.0)


def test_a_close_up_seen_at_a_slant_is_refused_as_it_cannot_be_told_which_way_it_leans():
    close = Camera(40.0, 40.0, 0.0, 0.8, (300.0, 260.0), 50000.0, SIZE_HW)
    fit = fit_connector([View(draw(close, BIG))], 2.5, [40.0])
    assert fit.poses == (None,)


def test_a_bad_view_does_not_spoil_the_others():
    truth = cameras(BIG, 8)
    views = [View(draw(camera, BIG)) for camera in truth]
    views[2] = View(np.random.default_rng(1).integers(0, 7, SIZE_HW).astype(np.uint8))
    fit = fit_connector(views, 2.5, [camera.turn_deg for camera in truth])
    assert fit.poses[2] is None
    assert fit.why_not[2]
    for k in (0, 1, 3):
        pose = fit.poses[k]
        assert pose is not None
        assert fit.why_not[k] is None
        assert pose.camera.um_per_px == pytest.approx(truth[k].um_per_px, rel=2e-3)


def test_the_result_does_not_depend_on_the_order_of_the_pictures():
    truth = cameras(BIG, 9)
    views = [View(draw(camera, BIG)) for camera in truth]
    turns = [camera.turn_deg for camera in truth]
    one = fit_connector(views, 2.5, turns)
    other = fit_connector(views[::-1], 2.5, turns[::-1])
    for a, b in zip(one.poses, other.poses[::-1], strict=True):
        assert a is not None
        assert b is not None
        assert a.camera.um_per_px == pytest.approx(b.camera.um_per_px, rel=1e-4)
        assert a.camera.tilt_deg == pytest.approx(b.camera.tilt_deg, abs=0.05)


def test_a_little_roll_is_a_camera_held_askew_and_a_large_one_moves_the_turn():
    """Hand case: from the front, rolled 90 deg clockwise, what lay to the right lies below."""
    assert camera_turn_deg(120.0, 45.0, 5.0) == 120.0
    assert camera_turn_deg(120.0, 45.0, 15.0) == 120.0
    assert camera_turn_deg(120.0, 2.0, 15.0) == pytest.approx(105.0, abs=0.1)
    assert bottom_offset_deg(0.0, 90.0) == pytest.approx(90.0)
    assert camera_turn_deg(120.0, 0.0, 90.0) == pytest.approx(30.0)


@pytest.mark.parametrize("tilt_deg", [0.0, 30.0, 60.0])
@pytest.mark.parametrize("roll_deg", [-70.0, 10.0, 150.0])
def test_the_bottom_offset_is_where_the_camera_puts_the_pictures_bottom(tilt_deg, roll_deg):
    """Checked against the projection, from so far away that there is no perspective."""
    camera = Camera(tilt_deg, 20.0, roll_deg, 1.0, (320.0, 240.0), 1e9, SIZE_HW)
    angle = np.radians(20.0 + bottom_offset_deg(tilt_deg, roll_deg))
    px, _ = camera.project([100 * np.cos(angle), 100 * np.sin(angle), 0.0])
    assert px[0] == pytest.approx(320.0, abs=1e-3)
    assert px[1] > 240


def test_a_tilted_disc_without_a_ferrule_side_is_no_connector() -> None:
    views = [draw(camera, BIG) for camera in cameras(BIG, 3)]
    without = [np.where(v == Surface.BARREL, np.uint8(Surface.CAVITY), v) for v in views]
    turns = [40.0, 40.0, 160.0, 280.0]
    assert all(fit_connector([View(v) for v in views], 2.5, turns).poses)
    fit = fit_connector([View(v) for v in without], 2.5, turns)
    assert fit.poses[0] is not None  # straight from the front no side is to be seen
    assert not any(fit.poses[1:])
    assert all("side" in (reason or "") for reason in fit.why_not[1:])
