"""The pipeline on drawn pictures, whose geometry is known exactly."""

from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

from fiberward.inference import pipeline
from fiberward.inference.pipeline import Inspector
from fiberward.inference.record import utc_now
from fiberward.inference.request import Request, picture_names, picture_stems
from fiberward.inference.see.connector_file import ConnectorFacts
from fiberward.inference.settings import Settings
from fiberward.inference.show.desk.extras import write_extras
from fiberward.inference.view import in_own_px
from fiberward.model.errors import UsageError
from fiberward.model.kinds import Kind

TURNS = (0.0, 0.0, 120.0, 240.0)
FERRULE = ConnectorFacts(ferrule_mm=2.5)


@pytest.fixture
def inspector(reads_drawings):
    return Inspector(reads_drawings, Settings(map_px=120))


def request_for(paths, **changes):
    return replace(Request(tuple(paths), TURNS[: len(paths)], FERRULE), **changes)


def test_a_grain_drawn_on_the_endface_is_listed_once_at_its_place_and_size(
    drawing, spot, inspector
):
    """Against the drawing: 60 um at (600 um, 30 deg); pixels of 8 um."""
    result = inspector.inspect(request_for(drawing.four((spot(600, 30, 60),))))
    (deposit,) = result.inspection.deposits
    assert deposit.kind == "particle"
    assert deposit.surface == "endface"
    assert deposit.s_um == pytest.approx(600, abs=4)
    assert deposit.theta_deg == pytest.approx(30, abs=0.5)
    assert deposit.size_um == pytest.approx(60, rel=0.1)
    assert deposit.off_zone
    assert deposit.seen_in == ("front.png", "a.png", "b.png", "c.png")
    assert result.inspection.verdict == "clean-first"
    assert any(reason.deposit == deposit.id for reason in result.inspection.reasons)


def test_a_deposit_is_on_the_fibre_by_its_place_whatever_the_label(
    drawing, spot, reads_drawings, monkeypatch
):
    """The fibre's cladding is 125 um wide (ITU-T G.652.D), so 62.5 um from its centre it ends."""

    class CallsItFiber(type(reads_drawings)):
        def __call__(self, rgb):
            seen = super().__call__(rgb)
            surface = np.where(seen.kind > 0, np.uint8(6), seen.surface)
            return replace(seen, surface=surface)

    inspector = Inspector(CallsItFiber(), Settings(map_px=120))
    paths = drawing.four((spot(300, 30, 60),))
    (deposit,) = inspector.inspect(request_for(paths)).inspection.deposits
    assert deposit.surface == "endface"


def test_scale_tilt_and_turn_of_drawn_views_are_found(drawing, inspector):
    """Against the drawing: 8 um per px; tilt 0 and 45; the turns stated."""
    views = inspector.inspect(request_for(drawing.four())).inspection.views
    for view, turn, tilt in zip(views, TURNS, (0, 45, 45, 45), strict=True):
        assert view.um_per_px == pytest.approx(8.0, rel=0.005)
        assert view.tilt_deg == pytest.approx(tilt, abs=1)
        assert (view.turn_deg - turn + 180) % 360 - 180 == pytest.approx(0, abs=1)


def test_a_view_that_is_mistaken_of_a_kind_is_outvoted_in_its_own_mask(drawing, spot, inspector):
    paths = drawing.four((spot(600, 30, 60),))
    drawing.view(paths[2].name, TURNS[2], 45, (spot(600, 30, 60, Kind.DAMAGE),))
    result = inspector.inspect(request_for(paths))
    (deposit,) = result.inspection.deposits
    assert deposit.kind == "particle"
    kinds = [set(np.unique(view.segmentation.kind)) for view in result.views]
    assert kinds == [{0, int(Kind.PARTICLE)}] * 4


def test_a_view_that_shows_a_deposit_faintly_shows_it_all_the_same(drawing, spot, reads_drawings):
    """Three views list the grain; in the third picture the net is only 0.3 sure of it."""

    class SeesLessInTheThird(type(reads_drawings)):
        calls = 0

        def __call__(self, rgb):
            self.calls += 1
            seen = super().__call__(rgb)
            if self.calls != 3:
                return seen
            faint = np.where(seen.kind > 0, np.float32(0.3), np.float32(0))
            return replace(seen, kind=np.zeros_like(seen.kind), deposit_p=faint)

    inspector = Inspector(SeesLessInTheThird(), Settings(map_px=120))
    result = inspector.inspect(request_for(drawing.four((spot(600, 30, 60),))))
    (deposit,) = result.inspection.deposits
    assert deposit.seen_in == ("front.png", "a.png", "b.png", "c.png")
    third = result.views[2].segmentation.kind
    assert set(np.unique(third)) == {0, int(Kind.PARTICLE)}


def test_deposits_are_numbered_by_their_way_to_the_fibre(drawing, spot, inspector):
    spots = (spot(650, 200, 50), spot(150, 10, 50, Kind.FILM), spot(400, 90, 50, Kind.LIQUID))
    deposits = inspector.inspect(request_for(drawing.four(spots))).inspection.deposits
    assert [deposit.id for deposit in deposits] == [1, 2, 3]
    assert [deposit.kind for deposit in deposits] == ["film", "liquid", "particle"]


def test_without_turns_none_is_invented(drawing, inspector):
    paths = drawing.four()
    views = inspector.inspect(Request(tuple(paths), None, FERRULE)).inspection.views
    assert all(view.stated_turn_deg is None for view in views)
    assert all(view.readable for view in views)
    assert all(view.turn_deg is None for view in views)


def test_without_turns_deposits_of_views_that_cannot_be_matched_have_no_angle(
    drawing, spot, inspector
):
    paths = [drawing.view("a.png", 0, 45), drawing.view("b.png", 120, 45, (spot(600, 30, 60),))]
    inspection = inspector.inspect(Request(tuple(paths), None, FERRULE)).inspection
    (deposit,) = inspection.deposits
    assert deposit.theta_deg is None
    assert deposit.s_um == pytest.approx(600, abs=4)
    assert "No turn is known: angles count from the bottom of a.png." in inspection.notes
    assert any("they show no angles: b.png" in note for note in inspection.notes)


def test_without_turns_four_spotless_views_are_no_mate(drawing, inspector):
    """Nothing says that they show four sides and not one side four times."""
    request = Request(tuple(drawing.four()), None, FERRULE)
    assert inspector.inspect(request).inspection.verdict == "reshoot"


def test_a_view_of_unknown_turn_is_turned_onto_the_others_by_what_they_share(
    drawing, spot, inspector
):
    spots = tuple(spot(s, theta, 60) for s, theta in ((600, 30), (500, 160), (640, 250), (300, 80)))
    request = Request(tuple(drawing.four(spots)), (0.0, 0.0, 120.0, None), FERRULE)
    inspection = inspector.inspect(request).inspection
    assert inspection.views[3].turn_deg == pytest.approx(240, abs=1.5)
    assert len(inspection.deposits) == 4


def paint(paths, xy_px, kind=Kind.PARTICLE):
    """A grain of 5 x 5 px at the same pixels of each picture, as a speck on the lens makes it."""
    for path in paths:
        rgb = np.array(Image.open(path))
        window = rgb[xy_px[1] - 2 : xy_px[1] + 3, xy_px[0] - 2 : xy_px[0] + 3]
        window[..., 0], window[..., 1], window[..., 2] = window[..., 1], 0, 40 * kind
        Image.fromarray(rgb).save(path)


def test_a_speck_on_the_lens_is_named_left_out_and_hides_what_lies_behind_it(
    drawing, spot, inspector
):
    paths = drawing.four((spot(600, 30, 60),))
    paint(paths, (285, 150))
    result = inspector.inspect(request_for(paths))
    (deposit,) = result.inspection.deposits
    assert deposit.s_um == pytest.approx(600, abs=4)
    for view in result.views:
        assert view.segmentation.kind[150, 285] == 0
        assert view.segmentation.unseen[150, 285] == 1
    for view in result.inspection.views:
        assert any("lens" in note and "(286, 150)" in note for note in view.notes)


def test_dirt_at_one_pixel_of_two_pictures_or_on_the_fibre_is_no_speck_on_the_lens(
    drawing, spot, inspector
):
    paths = drawing.four()
    paint(paths[:2], (285, 150))  # two pictures may agree by chance
    kept = inspector.inspect(request_for(paths)).inspection
    assert sorted(d.seen_in for d in kept.deposits) == [("a.png",), ("front.png",)]
    oblique = drawing.four((spot(0, 0, 60),))[1:]  # all three hold the fibre at one pixel
    request = replace(request_for(oblique), turns_deg=TURNS[1:])
    (on_fiber,) = inspector.inspect(request).inspection.deposits
    assert on_fiber.seen_in == ("a.png", "b.png", "c.png")


def test_a_copy_of_a_picture_is_no_second_evidence(drawing, spot, inspector):
    paths = drawing.four((spot(600, 30, 60),))
    copy = paths[0].with_name("copy.png")
    copy.write_bytes(paths[0].read_bytes())
    inspection = inspector.inspect(Request((*paths, copy), (*TURNS, 0.0), FERRULE)).inspection
    assert inspection.views[4].duplicate_of == "front.png"
    assert not inspection.views[4].readable
    assert "copy.png is the same picture as front.png and counts once." in inspection.notes
    assert inspection.deposits[0].seen_in == ("front.png", "a.png", "b.png", "c.png")


def test_four_copies_of_one_picture_never_make_a_mate(drawing, inspector):
    front = drawing.view("front.png", 0, 0)
    paths = [front]
    for name in ("a.png", "b.png", "c.png"):
        paths.append(front.with_name(name))
        paths[-1].write_bytes(front.read_bytes())
    assert inspector.inspect(request_for(paths)).inspection.verdict == "reshoot"


def test_a_frame_repeated_in_other_formats_never_makes_a_mate(drawing, inspector):
    """A camera that stands still: the same pixels under another header."""
    paths = [drawing.view("front.png", 0, 0), drawing.view("a.png", 0, 45)]
    for suffix in (".bmp", ".tif"):
        paths.append(paths[1].with_suffix(suffix))
        with Image.open(paths[1]) as image:
            image.save(paths[-1])
    inspection = inspector.inspect(request_for(paths)).inspection
    assert [view.duplicate_of for view in inspection.views] == [None, None, "a.png", "a.png"]
    assert inspection.verdict == "reshoot"


def test_an_undecodable_file_is_reported_and_the_rest_is_done(drawing, spot, inspector):
    paths = drawing.four((spot(600, 30, 60),))
    paths[2].write_bytes(paths[2].read_bytes()[:200])
    result = inspector.inspect(request_for(paths))
    view = result.inspection.views[2]
    assert not view.readable
    assert view.sha256 is None
    assert str(paths[2]) not in (view.why_not or "")
    assert [line.startswith(f"{paths[2]}: ") for line in result.unreadable] == [True]
    assert result.inspection.deposits[0].seen_in == ("front.png", "a.png", "c.png")
    assert result.inspection.verdict == "clean-first"


def test_nothing_but_undecodable_files_still_gives_a_record_and_reshoot(tmp_path, inspector):
    inspection = inspector.inspect(request_for([tmp_path / "a.png", tmp_path / "b.png"])).inspection
    assert inspection.verdict == "reshoot"
    assert inspection.coverage_size_um is None
    assert set(inspection.coverage.values()) == {None}
    assert inspection.shape_um is None


def test_the_first_sight_of_damage_asks_for_cleaning(drawing, spot, inspector):
    paths = drawing.four((spot(600, 30, 60, Kind.DAMAGE),))
    assert inspector.inspect(request_for(paths)).inspection.verdict == "clean-first"


def test_a_spotless_connector_seen_from_four_sides_may_be_mated(drawing, inspector):
    inspection = inspector.inspect(request_for(drawing.four())).inspection
    assert inspection.verdict == "mate"
    assert inspection.deposits == ()
    assert "provided the graded zones pass under your own microscope" in inspection.validity
    assert "mating voids it" in inspection.validity


def test_a_fitted_shape_that_no_ferrule_has_is_no_evidence(drawing, inspector, monkeypatch):
    fit = pipeline.fit_connector

    def too_steep(views, ferrule_mm, turns_deg):
        found = fit(views, ferrule_mm, turns_deg)
        # so steep an endface cuts the chamfer away on one side
        shape = replace(found.shape, apc_angle_deg=15.0)
        return replace(found, shape=shape)

    monkeypatch.setattr(pipeline, "fit_connector", too_steep)
    inspection = inspector.inspect(request_for(drawing.four())).inspection
    assert inspection.verdict == "reshoot"
    assert all("no possible ferrule" in view.why_not for view in inspection.views)


def test_the_wrong_ferrule_is_refused_by_the_fibre_s_125_um(drawing, inspector):
    with pytest.raises(UsageError, match=r"ferrule 1\.25 contradicts"):
        inspector.inspect(request_for(drawing.four(), facts=ConnectorFacts(ferrule_mm=1.25)))


def test_without_a_stated_ferrule_the_fibre_tells_it(drawing, inspector):
    views = inspector.inspect(request_for(drawing.four(), facts=ConnectorFacts())).inspection.views
    assert {view.scale_source for view in views} == {"fibre"}
    assert views[0].um_per_px == pytest.approx(8.0, rel=0.01)


def test_the_order_of_the_pictures_changes_no_deposit(drawing, spot, inspector):
    paths = drawing.four((spot(600, 30, 60), spot(300, 200, 40, Kind.FILM)))
    one = inspector.inspect(request_for(paths)).inspection
    back = Request(tuple(reversed(paths)), tuple(reversed(TURNS)), FERRULE)
    other = inspector.inspect(back).inspection
    assert other.verdict == one.verdict
    for a, b in zip(one.deposits, other.deposits, strict=True):
        assert (a.id, a.kind, a.surface) == (b.id, b.kind, b.surface)
        assert (a.s_um, a.theta_deg) == pytest.approx((b.s_um, b.theta_deg), abs=0.5)


def test_the_same_request_gives_the_same_record_but_for_the_time(drawing, spot, inspector):
    request = request_for(drawing.four((spot(600, 30, 60),)))
    one, two = (inspector.inspect(request).inspection for _ in range(2))
    assert replace(one, created_at="", validity=None) == replace(two, created_at="", validity=None)


def test_progress_can_follow_every_picture(drawing, inspector):
    followed: list[int] = []

    def follow(items):
        for item in items:
            followed.append(item)
            yield item

    inspector.inspect(request_for(drawing.four()), follow)
    assert followed == [0, 1, 2, 3]


def test_pictures_are_not_changed(drawing, spot, inspector):
    paths = drawing.four((spot(600, 30, 60),))
    before = [path.read_bytes() for path in paths]
    inspector.inspect(request_for(paths))
    assert [path.read_bytes() for path in paths] == before


@pytest.mark.parametrize("seed", range(4))
def test_pictures_of_noise_never_make_a_mate(tmp_path, inspector, seed):
    from PIL import Image

    rng = np.random.default_rng(seed)
    paths = []
    for k in range(4):
        coarse = rng.integers(0, 256, (360 >> seed, 480 >> seed, 3), np.uint8)
        paths.append(tmp_path / f"{k}.png")
        Image.fromarray(coarse).resize((480, 360)).save(paths[-1])
    assert inspector.inspect(request_for(paths)).inspection.verdict == "reshoot"


# -- the request ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"pictures": ()}, "no picture"),
        ({"turns_deg": (0.0,)}, "1 turns for 2 pictures"),
        ({"in_zone": "within"}, "--in-zone-by"),
        ({"in_zone_by": "N. N."}, "--in-zone and"),
    ],
)
def test_a_request_that_cannot_be_carried_out_is_refused(tmp_path, changes, message):
    good = {"pictures": (tmp_path / "a.png", tmp_path / "b.png")}
    with pytest.raises(UsageError, match=message):
        Request(**{**good, **changes})


def test_a_stated_family_gives_ferrule_and_finish(tmp_path):
    request = Request((tmp_path / "a.png",), facts=ConnectorFacts(family="1.25-apc"))
    assert (request.ferrule_mm, request.finish) == (1.25, "apc")


@pytest.mark.parametrize(
    ("files", "stems"),
    [
        (["a.png", "b.jpg"], ("a", "b")),
        (["a.png", "a.jpg"], ("a.png", "a.jpg")),  # equal stems keep the extension
        (["a.png", "A.jpg"], ("a.png", "A.jpg")),  # some file systems know no case
        (["x/a.png", "y/a.png"], ("a.png", "a.png-2")),
        (["é 日本.png"], ("é 日本",)),
    ],
)
def test_outputs_of_different_pictures_have_different_names(tmp_path, files, stems):
    assert picture_stems([tmp_path / file for file in files]) == stems


def test_pictures_of_one_name_are_told_apart_by_their_folder(tmp_path):
    paths = [tmp_path / "x" / "a.png", tmp_path / "y" / "a.png", tmp_path / "b.png"]
    assert picture_names(paths) == ("x/a.png", "y/a.png", "b.png")


def test_the_settings_are_json_values():
    import json

    assert json.loads(json.dumps(Settings().to_json()))["rules"]["fiber_mode"] == "sm"


def test_times_are_utc_in_rfc_3339():
    from datetime import UTC, datetime

    now = datetime.fromisoformat(utc_now())
    assert now.utcoffset() is not None
    assert abs((datetime.now(UTC) - now).total_seconds()) < 5


@pytest.mark.parametrize(
    ("um_per_px", "times", "most_rows"),
    [(8.0, 6, 1300), pytest.param(11.0, 5, 1600, marks=pytest.mark.long)],
    ids=["first look", "second look"],
)
def test_a_picture_of_many_megapixels_is_told_in_its_own_pixels(
    drawing, spot, inspector, um_per_px, times, most_rows
):
    """Drawn in squares: the ferrule is 1,875 px wide at 8 / 6 um per px, or 1,136 at 11 / 5."""
    drawing = replace(drawing, um_per_px=um_per_px)
    spots = (spot(600, 30, 120),)
    paths = [drawing.view("front.png", 0, 0, spots), drawing.view("a.png", 0, 45, spots)]
    (listed,) = inspector.inspect(request_for(paths)).inspection.deposits
    wide, high = 480 * times, 360 * times
    for path in paths:
        with Image.open(path) as image:
            image.resize((wide, high), Image.Resampling.NEAREST).save(path)
    result = inspector.inspect(request_for(paths))
    (deposit,) = result.inspection.deposits
    assert (deposit.kind, deposit.surface) == (listed.kind, listed.surface)
    assert deposit.s_um == pytest.approx(listed.s_um, abs=4)
    assert deposit.theta_deg == pytest.approx(listed.theta_deg, abs=0.5)
    assert deposit.size_um == pytest.approx(listed.size_um, rel=0.05)
    for view, seen, up in zip(result.inspection.views, result.views, (0, 40), strict=True):
        assert (view.width_px, view.height_px) == (wide, high)
        assert view.um_per_px == pytest.approx(um_per_px / times, rel=0.005)
        assert view.fiber_px == pytest.approx((wide / 2, high / 2 - up * times), abs=6)
        assert len(seen.picture.rgb) < most_rows
        assert in_own_px(seen.segmentation.surface, seen).shape == (high, wide)
        assert any(f"of its {wide} x {high}" in note for note in view.notes)


@pytest.mark.parametrize("change", ["another picture", "gone"])
def test_a_large_picture_whose_file_changes_meanwhile_is_no_evidence(
    drawing, inspector, monkeypatch, change
):
    drawing = replace(drawing, um_per_px=11.0)
    paths = [drawing.view("front.png", 0, 0), drawing.view("a.png", 0, 45)]
    with Image.open(paths[0]) as image:
        image.resize((2400, 1800), Image.Resampling.NEAREST).save(paths[0])
    looks_again = pipeline.finer_shares

    def meanwhile(first):
        if change == "gone":
            paths[0].unlink()
        else:
            Image.new("RGB", (2400, 1800)).save(paths[0])
        return looks_again(first)

    monkeypatch.setattr(pipeline, "finer_shares", meanwhile)
    result = inspector.inspect(request_for(paths))
    front, other = result.inspection.views
    assert (front.readable, other.readable) == (False, True)
    assert "has changed while it was inspected" in front.why_not
    assert result.inspection.verdict == "reshoot"
    assert len(result.unreadable) == 1
    (drawing.folder / "extras").mkdir()
    write_extras(result, drawing.folder / "extras")  # the page asks for no file that is gone
