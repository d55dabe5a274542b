"""Two plugs and a sleeve: the worse of both, and what only the pair tells."""

import json
from dataclasses import asdict, replace

import pytest

from fiberward.inference.judge.bridge import bridge_of
from fiberward.inference.keep.inspection import (
    DepositRecord,
    Inspection,
    InZoneRecord,
    ModelRecord,
    ReasonRecord,
    ViewRecord,
)
from fiberward.inference.keep.joint import SLEEVES, join
from fiberward.inference.see.fuse import Deposit
from fiberward.inference.settings import Settings
from fiberward.inference.show.app import main
from fiberward.model.families import default_shape, find_family
from fiberward.model.kinds import Kind
from fiberward.model.surfaces import Surface

SHAPE = default_shape(find_family(2.5))
WORSE_FIRST = ("retire", "clean-first", "reshoot", "mate")


def plug(verdict="mate", picture="a", shape=SHAPE, deposits=(), more="", **stated) -> Inspection:
    """An inspection of one plug with this verdict, by `picture` and one picture a letter `more`."""
    views = [ViewRecord(f"{n}.jpg", n, n * 64, True, None) for n in (picture, *more)]
    valid = f"valid {picture}" if verdict == "mate" else None
    return Inspection(
        verdict=verdict, reasons=(ReasonRecord(f"Because of {picture}.", "some-rule"),),
        validity=valid, in_zone=InZoneRecord("none"),
        views=tuple(views), coverage={},
        coverage_size_um=50.0, gaps=(), deposits=tuple(deposits), advice=(), connector=stated,
        shape_um=None if shape is None else asdict(shape), model=ModelRecord("test", "0" * 64),
        settings={}, cautions=(), notes=(), code_version="0", created_at="2026-01-02T03:04:05Z",
    )  # fmt: skip


def grain(s_um, size_um, shape, unsure=False) -> DepositRecord:
    """A hard grain on the dome of that shape, with its bridge as judged against a like dome."""
    seen = Deposit(
        id=1, kind=Kind.PARTICLE, confidence=0.9, surface=Surface.ENDFACE, s_um=s_um,
        theta_deg=0.0, s_min_um=s_um, s_max_um=s_um, size_um=size_um, area_um2=7.0,
        feret_max_um=size_um, width_um=size_um, length_um=None, enclosing_um=size_um,
        in_zone_area_um2=0.0, off_zone=True, unsure=unsure, seen_in=(0,),
    )  # fmt: skip
    bridge = bridge_of(seen, shape)
    assert bridge is not None
    parts = {k: v for k, v in vars(seen).items() if k != "sightings"}
    return DepositRecord(
        **{**parts, "kind": "particle", "surface": "endface", "seen_in": ("a.jpg",)},
        bridge=asdict(bridge), wedge=None, reach=None, harm=None,
    )  # fmt: skip


@pytest.mark.parametrize("a", WORSE_FIRST)
@pytest.mark.parametrize("b", WORSE_FIRST)
def test_a_joint_is_as_good_as_the_worse_of_its_plugs(a, b):
    found = join(plug(a, "a"), plug(b, "b"))
    assert found.verdict == min((a, b), key=WORSE_FIRST.index)
    assert {(r.plug, r.text) for r in found.reasons} == {
        ("A", "Because of a."),
        ("B", "Because of b."),
    }
    assert found.validity == (("A: valid a", "B: valid b") if found.verdict == "mate" else ())


def test_an_unknown_sleeve_is_a_risk_that_is_told_and_the_others_are_as_stated():
    notes = {sleeve: join(plug(), plug(picture="b"), sleeve).sleeve_note for sleeve in SLEEVES}
    assert notes["unknown"].startswith("A risk: nothing is known of the sleeve.")
    assert "as stated" in notes["cleaned"]
    assert "as stated" in notes["new"]
    assert join(plug(), plug(picture="b")).sleeve == "unknown"


@pytest.mark.parametrize(
    ("other", "why"),
    [
        (plug(picture="a"), "same picture"),
        (plug(picture="b", more="a"), "same picture"),
        (plug(picture="b", shape=default_shape(find_family(1.25))), "differ in diameter"),
        (plug(picture="b", shape=default_shape(find_family(2.5, "apc"))), "angled"),
        (plug(picture="b", finish="apc"), "angled"),
        (plug(picture="b", label="P1"), "both inspections are of connector P1"),
        (plug(picture="b", fiber_mode="multi"), "multimode"),
    ],
)
def test_plugs_that_do_not_fit_are_never_joined(other, why):
    found = join(plug(fiber_mode="single", label="P1"), other)
    assert found.verdict is None
    assert why in (found.refused or "")
    assert found.reasons == ()


def test_the_two_ends_of_one_cord_may_bear_one_label():
    ends = [plug(picture=end, label="P1", end=end) for end in "AB"]
    assert join(*ends).verdict == "mate"


def test_what_is_not_known_of_a_plug_refuses_nothing_and_decides_nothing():
    assert join(plug(shape=None), plug(picture="b")).verdict == "mate"
    blind = plug("reshoot", shape=None)
    assert join(blind, plug(picture="b")).verdict == "reshoot"


def test_a_grain_that_clears_a_like_dome_may_bridge_against_a_flatter_one():
    # 4 um at 200 um: gap r^2/R = 5 um at R = 8 mm; with 25 mm opposite r^2/2 (1/8 + 1/25) = 3.3 um
    tight, flat = (replace(SHAPE, dome_radius_um=r) for r in (8000.0, 25000.0))
    own = plug(shape=tight, deposits=[grain(200.0, 4.0, tight)])
    alike = join(own, plug(picture="b", shape=tight))
    assert alike.verdict == "mate"
    found = join(plug(picture="b", shape=flat), own)
    assert found.verdict == "clean-first"
    assert [(r.plug, r.rule, r.deposit) for r in found.reasons][0] == ("B", "bridge-across", 1)
    assert "8 and 25 mm leave only 3.30 um" in found.reasons[0].text
    assert "up to 0.7 um apart" in found.reasons[0].text
    unsure = plug(shape=tight, deposits=[grain(200.0, 4.0, tight, unsure=True)])
    doubted = join(unsure, plug(picture="b", shape=flat))
    assert (doubted.verdict, doubted.reasons[0].rule) == ("reshoot", "unsure-across")


def test_a_grain_that_bridges_unlike_domes_only_with_the_apexes_off_is_named_too():
    # 4 um at 260 um: like domes of 8 mm leave (260 - 50)^2/8000 = 5.5 um at worst; with 20 mm
    # opposite 260^2/2 (1/8 + 1/20) = 5.9 um, but 210^2/2 (1/8 + 1/20) = 3.86 um at worst; by hand
    tight, flat = (replace(SHAPE, dome_radius_um=r) for r in (8000.0, 20000.0))
    own = plug(shape=tight, deposits=[grain(260.0, 4.0, tight)])
    assert join(own, plug(picture="b", shape=tight)).verdict == "mate"
    found = join(own, plug(picture="b", shape=flat))
    assert (found.verdict, found.reasons[0].rule) == ("clean-first", "bridge-across")
    # 4 + (2 260 50 - 260^2)/11429 = 0.36 um at the fibre
    assert "3.86 um there with their apexes 50 um beside the fibre" in found.reasons[0].text
    assert "up to 0.4 um apart" in found.reasons[0].text


def test_plugs_without_a_readable_picture_are_not_taken_for_one():
    lost = replace(plug("reshoot"), views=(ViewRecord("a.jpg", "a", None, False, "empty"),))
    assert join(lost, lost).verdict == "reshoot"


def evident(one: Inspection) -> Inspection:
    """The same with all that a mate needs: a document's mate is judged again."""
    poses = ((1.0, 0.0), (50.0, 0.0), (50.0, 120.0), (50.0, 240.0))
    name = one.views[0].stem
    views = tuple(
        ViewRecord(
            f"{name}{k}.jpg", f"{name}{k}", f"{name}{k}" * 32, True, None,
            tilt_deg=tilt, turn_deg=turn, detection_limit_um=14.0,
        )
        for k, (tilt, turn) in enumerate(poses)
    )  # fmt: skip
    covered = dict.fromkeys(("fiber", "endface", "chamfer", "barrel", "cavity"), 1.0)
    return replace(one, views=views, coverage=covered, settings=Settings().to_json())


def test_the_command_prints_both_plugs_and_exits_by_the_verdict(tmp_path, capsys):
    for name, one in (
        ("a", evident(plug(label="P1"))),
        ("b", evident(plug(picture="b", label="P2"))),
        ("c", plug("clean-first", "c", label="P3")),
    ):
        (tmp_path / name).mkdir()
        one.write(tmp_path / name / "inspection.json")
    a, b, c = (str(tmp_path / name) for name in "abc")
    assert main(["joint", a, b, "--sleeve", "cleaned"]) == 0
    out = capsys.readouterr().out
    assert out.startswith("Mate: A: P1, B: P2")
    assert "B: valid b" in out
    assert main(["joint", a, c, "--json"]) == 1
    document = json.loads(capsys.readouterr().out)
    assert document["schema"] == "fiberward.joint/1"
    assert (document["verdict"], document["plugs"]) == ("clean-first", {"A": "P1", "B": "P3"})
    assert main(["joint", a, a]) == 1
    assert "Not to be joined" in capsys.readouterr().out
    assert main(["joint", a, b, "--sleeve", "dirty"]) == 2
