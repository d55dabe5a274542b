"""One connector from several sides: the same deposits, where the truth says, of the stated size."""

import math

import numpy as np
import pytest
import torch

from fiberward.model.camera import Camera
from fiberward.model.kinds import KIND_NAMES
from fiberward.model.profile import MeridianProfile
from fiberward.model.shape import ConnectorShape
from fiberward.synthetic.anchors import Anchors
from fiberward.synthetic.deposit_set import ORDERS
from fiberward.synthetic.lint import Threads
from fiberward.synthetic.sizes import drop_diameters_mm, grain_diameters_mm, thread_lengths_mm
from fiberward.synthetic.solids import Ellipsoids, Grains, Lumps
from fiberward.synthetic.views import ConnectorPlan, Draws, draw_connector, render_views

SIZE = (240, 320)
GRAINS_ON_CHAMFER_AND_BARREL = [2, 3] * 7 + [1] * 6


@pytest.fixture(scope="module")
def render():
    """Grains on endface, chamfer and barrel, a film and a thread, in four views."""
    plan = ConnectorPlan(4, SIZE)
    draws = Draws.begin(22, plan.views)
    wanted: list[int] = []
    for k, order in enumerate(ORDERS):
        grains = GRAINS_ON_CHAMFER_AND_BARREL if order.kind == "particle" else []
        one = [1] if k in (5, 11) else []  # a film and a thread on the endface
        wanted += (grains + one + [-1] * order.slots)[: order.slots]
    return render_views(draw_connector(plan, draws), draws, torch.tensor([wanted]))


def shape_of(truth) -> ConnectorShape:
    """The ferrule from the stated ends of its surfaces; the cavity is not needed here."""
    radius, dome = truth["ferrule_diameter_mm"] * 500, truth["endface_radius_mm"] * 1000
    ends = truth["um"]
    edge = dome * math.sin(ends["endface"] / dome)
    deep = math.sqrt((ends["chamfer"] - ends["endface"]) ** 2 - (radius - edge) ** 2)
    long = ends["barrel"] - ends["chamfer"]
    return ConnectorShape(radius, dome, edge, deep, long, radius + 1000, 1000)


def camera_of(row) -> Camera:
    angles = (row["tilt_deg"], row["true_turn_deg"], row["roll_deg"])
    distance = row["distance_mm"] * 1000
    return Camera(*angles, row["um_per_px"], tuple(row["fiber_px"]), distance, SIZE)


def test_grains_are_seen_where_their_stated_place_projects_to(render):
    """Place to xyz by model.profile, xyz to pixel by model.camera: both independent of torch."""
    profile = MeridianProfile(shape_of(render.truth))
    checked = 0
    for k, row in enumerate(render.truth["views"]):
        camera = camera_of(row)
        for deposit in render.truth["deposits"]:
            seen = (render.views.instance[k] == deposit["id"]).nonzero().numpy()
            if deposit["kind"] != "particle" or len(seen) < 3:
                continue
            px, _ = camera.project(profile.to_xyz(deposit["s_um"], deposit["theta_deg"]))
            centre = seen[:, ::-1].mean(0) + 0.5
            reach = deposit["size_um"] / row["um_per_px"]
            assert np.hypot(*(centre - px)) < reach + 1.5
            checked += 1
    assert checked >= 15


def test_deposits_are_shared_by_the_views_and_no_view_shows_an_unlisted_one(render):
    listed = {d["id"]: d["kind"] for d in render.truth["deposits"]}
    assert sorted(listed) == list(range(1, len(listed) + 1))
    views_of: dict[int, int] = {}
    for k, row in enumerate(render.truth["views"]):
        plane = render.views.instance[k]
        counts = {i: int((plane == i).sum()) for i in plane.unique().tolist() if i}
        assert {str(i): n for i, n in counts.items()} == row["visible"]
        for number in counts:
            kinds = render.views.kind[k][plane == number].unique().tolist()
            assert [KIND_NAMES[v] for v in kinds] == [listed[number]]
            views_of[number] = views_of.get(number, 0) + 1
    assert sum(count > 1 for count in views_of.values()) >= 5


def test_a_film_covers_the_same_area_in_every_view_that_shows_all_of_it(render):
    """Front and side views see the whole film; its area in um2 is the same, pixels are not."""
    film = next(d for d in render.truth["deposits"] if d["kind"] == "film")
    areas = []
    for row in render.truth["views"]:
        cosine = math.cos(math.radians(row["tilt_deg"]))
        areas.append(row["visible"][str(film["id"])] * row["um_per_px"] ** 2 / cosine)
    told = math.pi / 4 * film["size_um"] ** 2
    assert max(areas) == pytest.approx(told, rel=0.1)
    assert min(areas) > 0.7 * told  # grains and the thread may lie on it


def test_what_is_called_shown_has_pixels_and_makes_a_connector_dirty_unless_it_is_damage(render):
    """12 px is the least that a scorer counts; damage alone is no dirt."""
    rows, views = render.truth["deposits"], render.truth["views"]
    for row in rows:
        most = max(view["visible"].get(str(row["id"]), 0) for view in views)
        assert most >= 12 or not row["shown"]
    shown = {row["kind"] for row in rows if row["shown"]}
    assert render.truth["dirty"] == bool(shown - {"damage"})
    assert {row["shown"] for row in rows} == {True, False}


def test_rim_points_and_stated_turns_match_the_cameras(render):
    shape = shape_of(render.truth)
    end = render.truth["um"]["chamfer"]
    rim = MeridianProfile(shape).to_xyz(np.full(8, end), np.arange(8) * 45.0)
    for row in render.truth["views"]:
        px, _ = camera_of(row).project(rim)
        assert np.allclose(px, row["rim_px"], atol=0.2)
        off = (row["turn_deg"] - row["true_turn_deg"] + 180) % 360 - 180
        assert abs(off) < 6


def places(count: int) -> Anchors:
    """Places at the origin of a plane facing up."""
    rows = torch.zeros(count, 3)
    up = torch.tensor([0.0, 0.0, 1.0]).repeat(count, 1)
    x = torch.tensor([1.0, 0.0, 0.0]).repeat(count, 1)
    y = torch.tensor([0.0, 1.0, 0.0]).repeat(count, 1)
    whole = torch.zeros(count, dtype=torch.int64)
    flat = torch.ones(count)
    return Anchors(whole, torch.zeros(count, 2), rows, up, x, y, whole, flat, flat, flat)


def ellipsoid(height: float) -> Ellipsoids:
    """Half axes 0.03, 0.02, 0.01 mm, centre `height` above the plane."""
    return Ellipsoids(
        torch.tensor([[0.0, 0.0, height]]), torch.eye(3)[None], torch.tensor([[0.03, 0.02, 0.01]])
    )


def lumps(amplitude: float) -> Lumps:
    """Every point is pushed by `amplitude` along x and y, and not at all along z."""
    quarter = torch.tensor([[math.pi / 2, math.pi / 2, 0.0]])
    return Lumps(torch.tensor([amplitude]), torch.zeros(1, 3, 3), quarter)


def test_pushing_a_whole_grain_aside_leaves_its_size_as_it_is():
    """The same push everywhere moves the outline and keeps its area (textbook geometry)."""
    whole = 2 * math.sqrt(0.03 * 0.02)
    normal = torch.tensor([[[1.0, 0.0, 0.0]]])
    aside = Grains(ellipsoid(0.01), normal, torch.tensor([[2.0]]), lumps(0.2))
    assert float(grain_diameters_mm(aside, places(1))) == pytest.approx(whole, rel=0.005)


def test_the_size_of_a_whole_grain_is_its_ellipses_and_a_halved_ones_is_root_half_of_it():
    """Area of an ellipse: pi a b; a plane through the centre halves it (textbook geometry)."""
    whole = 2 * math.sqrt(0.03 * 0.02)
    normal = torch.tensor([[[1.0, 0.0, 0.0]]])
    uncut = Grains(ellipsoid(0.01), normal, torch.tensor([[2.0]]), lumps(0.0))
    halved = Grains(ellipsoid(0.01), normal, torch.tensor([[0.0]]), lumps(0.0))
    assert float(grain_diameters_mm(uncut, places(1))) == pytest.approx(whole, rel=0.005)
    told = whole / math.sqrt(2)
    assert float(grain_diameters_mm(halved, places(1))) == pytest.approx(told, rel=0.005)


def test_a_drop_sunk_to_its_middle_wets_its_whole_outline_and_a_sunken_grain_is_smaller():
    """An ellipsoid cut at height h of its half axis c has the area pi a b (1 - h^2 / c^2)."""
    assert float(drop_diameters_mm(ellipsoid(0.0), places(1))) == pytest.approx(
        2 * math.sqrt(0.03 * 0.02)
    )
    upright = torch.tensor([[[1.0, 0.0, 0.0]]])
    sunk = Grains(ellipsoid(-0.006), upright, torch.tensor([[2.0]]), lumps(0.0))
    told = 2 * math.sqrt(0.03 * 0.02 * (1 - 0.36))
    assert float(grain_diameters_mm(sunk, places(1))) == pytest.approx(told, rel=0.01)


def test_a_threads_length_runs_along_its_knots():
    """A 3-4-5 triangle's two legs."""
    knots = torch.tensor([[[0.0, 0.0, 0.0], [0.3, 0.0, 0.0], [0.3, 0.4, 0.0]]])
    assert float(thread_lengths_mm(Threads(knots, torch.ones(1)))) == pytest.approx(0.7)
