"""Learning how dirt moves from inspections before and after a mating."""

import json
import pickle
import subprocess
import sys
from dataclasses import asdict, replace
from pathlib import Path

import numpy as np
import pytest

from fiberward.inference.judge.assumed import recorded_assumptions, shipped_assumptions
from fiberward.inference.judge.moves_table import told_moves
from fiberward.inference.judge.places import Place
from fiberward.inference.judge.reach import reach_from
from fiberward.inference.keep.compare import Side
from fiberward.inference.keep.inspection import (
    DepositRecord,
    Inspection,
    InZoneRecord,
    ModelRecord,
    ViewRecord,
)
from fiberward.inference.keep.map_files import MapData, write_map
from fiberward.inference.keep.moves import (
    LearntPair,
    Moves,
    keep_pairs,
    learn_pair,
    moves_file,
    read_moves,
    with_pair,
)
from fiberward.inference.settings_file import settings_of_shop
from fiberward.inference.show.app import main
from fiberward.model.errors import SettingsError
from fiberward.model.families import default_shape, find_family
from fiberward.model.kinds import Kind
from fiberward.model.profile import MeridianProfile
from fiberward.model.surfaces import SURFACE_NAMES, Surface

SHAPE = default_shape(find_family(2.5))
PROFILE = MeridianProfile(SHAPE)
ALL_SHOWN = MapData(np.zeros((9, 9, 3), np.uint8), np.ones((9, 9), np.float32), 20_000.0)
SET = shipped_assumptions().id
NOW = "2026-03-04T05:06:07Z"
# (s_um, theta_deg, size_um): grains that stay, by which the two are laid on each other
STAYING = ((320, 100, 25), (410, 170, 60), (650, 250, 33), (800, 300, 48), (1000, 40, 70))


def lying(s_um, theta_deg, size_um, kind="particle", **more) -> DepositRecord:
    """A deposit at a place on the connector."""
    surface = PROFILE.surface_at(np.array([s_um]), np.array([theta_deg]))
    values = dict(
        id=1, kind=kind, confidence=0.9, surface=SURFACE_NAMES[Surface(int(surface[0]))],
        s_um=float(s_um), theta_deg=float(theta_deg), s_min_um=float(s_um), s_max_um=float(s_um),
        size_um=float(size_um), area_um2=0.785 * size_um**2, feret_max_um=float(size_um),
        width_um=float(size_um), length_um=None, enclosing_um=float(size_um), in_zone_area_um2=0.0,
        off_zone=True, unsure=False, bridge=None, wedge=None, reach=None, harm=None, seen_in=(),
    )  # fmt: skip
    return DepositRecord(**{**values, **more})


def inspected(deposits, stage, picture, **stated) -> Inspection:
    """An inspection that lists these deposits, numbered from 1."""
    view = ViewRecord("a.jpg", "a", picture * 64, True, None, turn_deg=0.0, stated_turn_deg=0.0)
    return Inspection(
        verdict="clean-first", reasons=(), validity=None, in_zone=InZoneRecord("none"),
        views=(view,), coverage={}, coverage_size_um=50.0, gaps=(),
        deposits=tuple(replace(d, id=n) for n, d in enumerate(deposits, 1)), advice=(),
        connector={"label": "P1", "stage": stage, **stated}, shape_um=asdict(SHAPE),
        model=ModelRecord("test", "0" * 64), settings={}, cautions=(), notes=(),
        code_version="0", created_at=f"2026-03-04T05:06:0{int(stage == 'mated')}Z",
    )  # fmt: skip


def pair(before, after, **stated) -> tuple[Side, Side]:
    """The same staying grains and these others, before and after one mating, all in sight."""
    staying = [lying(*place) for place in STAYING]
    return (
        Side(inspected([*staying, *before], "cleaned", "b"), ALL_SHOWN),
        Side(inspected([*staying, *after], "mated", "a", **stated), ALL_SHOWN),
    )


def learnt(sides) -> LearntPair:
    found = learn_pair(*sides, shipped_assumptions(), NOW)
    assert isinstance(found, LearntPair), found
    return found


def test_what_stayed_moved_or_went_is_counted_by_where_it_lay():
    # places by hand: endface to 700 um, chamfer to 1335 um, barrel's front the next 1000 um
    moving = lying(1500, 200, 90)
    sides = pair([moving, lying(1800, 20, 40)], [lying(500, 205, 92)])
    found = learnt(sides)
    assert found.moves == {
        "endface-gathers-inwards": {"endface": 3},
        "chamfer-is-pushed-ahead": {"chamfer": 2},
        "front-is-pushed-ahead": {"endface": 1, "gone": 1},
    }
    assert found.counted == 7
    assert found.not_counted == {}
    assert (found.label, found.learnt_at) == ("P1", NOW)


def test_what_nobody_can_tell_is_left_out_and_said():
    scratch = lying(450, 10, 80, "damage", feret_max_um=80.0, width_um=5.0)
    faint = lying(560, 330, 20, unsure=True)
    sides = pair([scratch, faint], [scratch, faint, lying(250, 60, 300, "film")])
    found = learnt(sides)
    assert found.counted == len(STAYING)
    assert found.not_counted == {
        "damage, which does not travel": 1,
        "not sure to be deposits": 1,
        "new, so nobody knows from where": 1,
    }


@pytest.mark.parametrize(
    ("change", "why"),
    [
        (dict(stage="cleaned"), "not of stage mated"),
        (dict(label="P2"), "labels differ"),
        (dict(matings_so_far=7), "3 matings lie between"),
    ],
)
def test_anything_but_one_mating_teaches_nothing(change, why):
    before, after = pair([], [])
    one = replace(before.inspection, connector={**before.inspection.connector, "matings_so_far": 4})
    two = replace(after.inspection, connector={**after.inspection.connector, **change})
    found = learn_pair(Side(one), Side(two), shipped_assumptions(), NOW)
    assert isinstance(found, str)
    assert why in found
    once = {**after.inspection.connector, "matings_so_far": 5}
    learnt((Side(one), Side(replace(after.inspection, connector=once))))


def test_a_grain_that_is_not_listed_any_more_teaches_nothing_without_map_data():
    before, after = pair([lying(1800, 20, 40)], [])
    found = learnt((before, Side(after.inspection)))
    assert found.counted == len(STAYING)
    assert found.not_counted == {"of unknown fate, their place is not shown": 1}


def test_the_same_pictures_again_teach_nothing():
    before, after = pair([], [])
    same = replace(after.inspection, views=before.inspection.views)
    found = learn_pair(before, Side(same), shipped_assumptions(), NOW)
    assert isinstance(found, str)
    assert "the same picture" in found


def test_two_that_cannot_be_laid_on_each_other_teach_nothing():
    before = Side(inspected([lying(320, 100, 25)], "cleaned", "b"))
    other = replace(SHAPE, endface_edge_um=600.0)
    after = replace(inspected([lying(320, 100, 25)], "mated", "a"), shape_um=asdict(other))
    found = learn_pair(before, Side(after), shipped_assumptions(), NOW)
    assert isinstance(found, str)
    assert "connectors differ" in found


def test_learning_adds_counts_to_the_prior_and_the_record_keeps_them():
    # conjugate prior of the multinomial: mean (a + n)/(A + N), here (0.06 15 + 4)/(15 + 8)
    one = learnt(pair([lying(1500, 200, 90), lying(1800, 20, 40)], [lying(500, 205, 92)]))
    moves = Moves(SET)
    for number in range(4):
        moves = with_pair(moves, replace(one, uid=str(number)))
    taught = moves.taught(shipped_assumptions())
    row = next(r for r in told_moves(taught) if r.assumption == "front-is-pushed-ahead")
    told = {each.place: each for each in row.to}
    assert (told["endface"].seen, told["gone"].seen, row.seen) == (4, 4, 8)
    assert told["endface"].now.mean == pytest.approx((0.06 * 15 + 4) / 23)
    assert told["endface"].assumed is not None
    assert told["endface"].assumed.mean == pytest.approx(0.06)
    low, high = told["endface"].now.interval
    assert low < told["endface"].now.mean < high
    assert "28 measured moves" in taught.basis
    again = recorded_assumptions(taught.record)
    assert again == taught


def test_intervals_are_the_betas_of_a_dirichlets_shares():
    # scipy.stats.beta, another way to the same points
    from scipy.stats import beta

    row = next(r for r in told_moves(shipped_assumptions()) if r.weight == 15)
    for told in row.to:
        assert told.assumed is not None
        a = told.assumed.mean * 15
        assert told.assumed.interval == pytest.approx(beta(a, 15 - a).ppf([0.025, 0.975]), abs=1e-9)
    assert sum(told.now.mean for told in row.to) == pytest.approx(1.0)


def test_dirt_that_was_seen_to_stay_gets_there_less_and_is_known_better():
    one = learnt(pair([], []))
    moves = Moves(SET)
    for number in range(40):
        moves = with_pair(moves, replace(one, uid=str(number)))
    plain, taught = shipped_assumptions(), moves.taught(shipped_assumptions())
    was, now = (
        reach_from(Place.CHAMFER, a.rows_for(Kind.LINT, 30.0), a)[1] for a in (plain, taught)
    )
    assert now.p < was.p
    row = next(r for r in told_moves(taught) if r.assumption == "chamfer-is-pushed-ahead")
    for told in row.to:
        assert told.assumed is not None
        assert np.ptp(told.now.interval) < np.ptp(told.assumed.interval)


# -- the file --------------------------------------------------------------------------------------


def test_the_file_comes_back_as_written_and_none_is_nothing_learnt(tmp_path):
    path = tmp_path / "new" / "moves.json"
    assert read_moves(path, SET) == Moves(SET)
    one = learnt(pair([], []))
    moves, told = keep_pairs(path, SET, [one, "why not", one])
    assert moves == with_pair(Moves(SET), one)
    assert told == [one, "why not", "it was learnt from before"]
    assert read_moves(path, SET) == moves
    assert json.loads(path.read_text())["schema"] == "fiberward.moves/1"


@pytest.mark.parametrize(
    "change",
    [
        dict(schema="other/1"),
        dict(assumptions="fiberward-assumptions/0"),
        dict(pairs=[{}]),
        dict(pairs=7),
    ],
)
def test_a_file_that_is_none_is_refused_by_name(tmp_path, change):
    path = tmp_path / "moves.json"
    keep_pairs(path, SET, [learnt(pair([], []))])
    path.write_text(json.dumps({**json.loads(path.read_text()), **change}))
    with pytest.raises(SettingsError, match=r"moves\.json"):
        read_moves(path, SET)


def test_moves_of_an_unknown_place_or_row_are_refused(tmp_path):
    path = tmp_path / "moves.json"
    good = learnt(pair([], []))
    keep_pairs(path, SET, [replace(good, moves={"chamfer-is-pushed-ahead": {"moon": 1}})])
    with pytest.raises(SettingsError, match="moon"):
        read_moves(path, SET)
    path.unlink()
    keep_pairs(path, SET, [replace(good, moves={"moon": {"gone": 1}})])
    with pytest.raises(SettingsError, match="moon"):
        read_moves(path, SET).taught(shipped_assumptions())
    path.write_text("{")
    with pytest.raises(SettingsError, match="cannot be read"):
        read_moves(path, SET)


# What one of several programs does that learn at once; a program of its own, as this file cannot be
# imported by its name in another process.
LEARN_OFTEN = """
import pickle, sys
from dataclasses import replace
from pathlib import Path
from fiberward.inference.keep.moves import keep_pairs

path, assumptions_set, one, name = pickle.load(sys.stdin.buffer)
for number in range(40):
    keep_pairs(path, assumptions_set, [replace(one, uid=f"{name}-{number}")])
"""


def test_programs_that_learn_at_once_lose_nothing_of_each_other(tmp_path):
    path, one = tmp_path / "moves.json", learnt(pair([], []))
    both = [
        subprocess.Popen([sys.executable, "-c", LEARN_OFTEN], stdin=subprocess.PIPE) for _ in "ab"
    ]
    for each, name in zip(both, "ab", strict=True):
        each.stdin.write(pickle.dumps((path, SET, one, name)))
        each.stdin.close()
    assert [each.wait(timeout=120) for each in both] == [0, 0]
    uids = {each.uid for each in read_moves(path, SET).pairs}
    assert uids == {f"{name}-{number}" for name in "ab" for number in range(40)}


def test_a_file_that_cannot_be_written_is_named_and_nothing_is_learnt(tmp_path):
    (tmp_path / "taken").write_text("a file where a folder should be")
    path = tmp_path / "taken" / "moves.json"
    with pytest.raises(SettingsError, match=r"moves\.json: cannot be .*"):
        keep_pairs(path, SET, [learnt(pair([], []))])


# -- the commands ----------------------------------------------------------------------------------


@pytest.fixture
def folders(tmp_path) -> tuple[Path, Path]:
    """Two inspections in their folders."""
    sides = pair([lying(1500, 200, 90), lying(1800, 20, 40)], [lying(500, 205, 92)])
    for name, one in zip(("before", "after"), sides, strict=True):
        (tmp_path / name).mkdir()
        one.inspection.write(tmp_path / name / "inspection.json")
        planes = (ALL_SHOWN.rgb, ALL_SHOWN.limit_um)
        write_map(tmp_path / name, planes, planes)
    return tmp_path / "before", tmp_path / "after"


def test_learn_keeps_a_pair_once_and_show_prints_prior_data_and_posterior(folders, capsys):
    before, after = (str(folder) for folder in folders)
    assert main(["moves", "learn", before, after]) == 0
    assert "P1: 7 moves counted" in capsys.readouterr().out
    assert main(["moves", "learn", before, after]) == 1
    assert "learnt from before" in capsys.readouterr().out
    assert main(["moves", "show"]) == 0
    text = capsys.readouterr().out
    assert "assumed (fiberward-assumptions/1) and 7 measured moves" in text
    assert (
        "to endface        assumed 6 % (0.11 % to 22 %); seen 1 of 2; now 11 % (1.4 % to 29 %)"
        in text
    )
    assert all(row.why in text for row in shipped_assumptions().rows)
    assert "cavity-small-grain-stays: particle under 50 um in the cavity" in text
    assert "behind-large-grain-loosens: particle from 50 um on the barrel behind" in text
    assert main(["moves", "show", "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["moves"] == 7
    assert len(document["rows"]) == len(shipped_assumptions().rows)


def test_an_inspection_uses_what_the_shop_has_learnt(folders):
    assert settings_of_shop().assumptions == shipped_assumptions()
    assert main(["moves", "learn", *(str(folder) for folder in folders), "--quiet"]) == 0
    assert settings_of_shop().assumptions.observed == 7
    assert settings_of_shop().to_json()["assumptions"]["learnt"]["front-is-pushed-ahead"] == {
        "endface": 1,
        "gone": 1,
    }
    moves_file().write_text("[]")
    with pytest.raises(SettingsError):
        settings_of_shop()


def test_an_odd_number_of_inspections_is_refused_and_a_refused_pair_ends_in_1(folders, capsys):
    before, after = (str(folder) for folder in folders)
    assert main(["moves", "learn", before]) == 2
    assert "in twos" in capsys.readouterr().err
    assert main(["moves", "learn", after, before, before, after, "--json"]) == 1
    document = json.loads(capsys.readouterr().out)
    assert len(document["learnt"]) == 1
    assert "not of stage mated" in document["refused"][0]["why"]
